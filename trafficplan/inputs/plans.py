"""plans/KEY.csv: a drive written down, so that a plan taken today is the same drive tomorrow; and back to a file."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError

from trafficplan.farm.field import Field
from trafficplan.farm.operation import DrivePlan, Operation
from trafficplan.inputs.fields import Boundaries
from trafficplan.inputs.ledger import Ledger, listed, nearest
from trafficplan.inputs.paths import inside
from trafficplan.inputs.record import as_number
from trafficplan.inputs.table import COMMENT, match_columns, read_text
from trafficplan.names import LEGS

FOLDER = "plans"
COLUMNS = ("x_m", "y_m", "time_s", "load_kg", "leg", "furrow")
FURROWS = {"none": 0, "left": 1, "right": -1}
#: Key of the header -> least and most value.
HEADER: dict[str, tuple[float, float]] = {
    "width_m": (0.3, 200.0),
    "trips": (0, 1e5),
    "worked_m2": (0.0, 1e10),
    "unworked_m2": (0.0, 1e10),
}
#: A drive has at most so many vertices.
MOST_VERTICES = 2_000_000
_ABOUT = (
    "A drive written down: the way of the powered vehicle's reference point, one row per vertex.",
    "leg and furrow hold for the stretch that starts at the vertex; load is linear from vertex to vertex.",
)
_MEND = "write the plan again, or take this row out with the operation that names it"


def as_written(plan: DrivePlan) -> DrivePlan:
    """Return a plan as its file will hold it: to the millimetre, millisecond and gram, no vertex twice.

    What is judged must be this and not the finer drive it came from: then the plan that is read back is the same
    to the last bit.
    """
    xy = _thousandths(plan.xy)
    kept = np.append(np.any(np.diff(xy, axis=0) != 0, axis=1), True)[: len(xy)]
    return replace(
        plan,
        xy=xy[kept],
        time_s=_thousandths(plan.time_s)[kept],
        load_kg=_thousandths(plan.load_kg)[kept],
        leg=plan.leg[kept].astype(np.int8),
        furrow=plan.furrow[kept].astype(np.int8),
        width_m=float(_thousandths(plan.width_m)),
        worked_m2=float(_thousandths(plan.worked_m2)),
        unworked_m2=float(_thousandths(plan.unworked_m2)),
    )


def _thousandths(values: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Return values as three decimals write them (and no minus zero)."""
    return np.rint(np.asarray(values, dtype=np.float64) * 1e3) / 1e3 + 0.0


def plan_text(plan: DrivePlan, crs: str) -> str:
    """Return the file of a plan; `crs` is that of its coordinates."""
    plan = as_written(plan)
    head = [*_ABOUT, f"crs: {crs}", f"width_m: {plan.width_m:.3f}", f"trips: {plan.trips}"]
    head += [f"worked_m2: {plan.worked_m2:.3f}", f"unworked_m2: {plan.unworked_m2:.3f}"]
    furrows = {code: word for word, code in FURROWS.items()}
    rows = [
        f"{x:.3f},{y:.3f},{time:.3f},{load:.3f},{LEGS[leg]},{furrows[furrow]}"
        for (x, y), time, load, leg, furrow in zip(
            plan.xy.tolist(), plan.time_s.tolist(), plan.load_kg.tolist(), plan.leg.tolist(), plan.furrow.tolist(),
            strict=True,
        )
    ]  # fmt: skip
    return "\n".join([*(f"{COMMENT} {line}" for line in head), ",".join(COLUMNS), *rows, ""])


def write_plan(path: Path, plan: DrivePlan, crs: str) -> None:
    """Write a plan as a file (any folder; in a farm folder `plans/KEY.csv`)."""
    path.write_text(plan_text(plan, crs), encoding="utf-8", newline="\n")


def plan_files(ledger: Ledger) -> tuple[str, ...]:
    """Return the keys of the plans that lie in the farm folder."""
    folder = ledger.folder / FOLDER
    found = folder.glob("*.csv") if folder.is_dir() else ()
    return tuple(sorted(path.stem for path in found if not path.name.startswith(".")))


def read_plans(ledger: Ledger, boundaries: Boundaries, operations: Sequence[Operation]) -> dict[str, DrivePlan]:
    """Return the plans that operations name, by key; what is wrong goes to the ledger."""
    plans: dict[str, DrivePlan] = {}
    fields: dict[str, set[str]] = {}
    for operation in operations:
        if operation.drive.startswith("plan:"):
            fields.setdefault(operation.drive.removeprefix("plan:"), set()).add(operation.field)
    for key in sorted(fields):
        name = f"{FOLDER}/{key}.csv"
        path = inside(ledger, name, name)
        plan = read_plan(ledger, path, boundaries.crs) if path else None
        if plan is None:
            continue
        plans[key] = plan
        for field in sorted(fields[key]):
            _check_field(ledger, name, plan, boundaries.fields[field])
    return plans


def _check_field(ledger: Ledger, name: str, plan: DrivePlan, field: Field) -> None:
    west, south, east, north = field.polygon.bounds
    x, y = plan.xy.T
    if not ((x > west) & (x < east) & (y > south) & (y < north)).any():
        ledger.problem(
            "the plan lies beside the field",
            name,
            f"x {x.min():.0f} to {x.max():.0f}, y {y.min():.0f} to {y.max():.0f}",
            f"vertices in {field.key}: x {west:.0f} to {east:.0f}, y {south:.0f} to {north:.0f}",
            "name the plan that was made for this field in operations.csv",
        )


def read_plan(ledger: Ledger, path: Path, crs: CRS) -> DrivePlan | None:
    """Return the plan of one file, or None with problems in the ledger.

    Parameters
    ----------
    path : a file inside the ledger's folder; its name without ending is the plan's key
    crs : the working CRS; a plan in another one is refused, for its millimetres would be lost
    """
    name = path.relative_to(ledger.folder).as_posix()
    text = read_text(ledger, path)
    if text is None:
        return None
    before = ledger.count()
    head = _head(text)
    _check_crs(ledger, name, head.get("crs", ""), crs)
    numbers = {key: _header_number(ledger, name, key, head.get(key, "")) for key in HEADER}
    cells = _cells(ledger, name, text)
    if cells is None or ledger.count() > before:
        return None
    lines, columns = cells
    values = {one: _numbers(ledger, name, one, columns[one], lines) for one in ("x_m", "y_m", "time_s", "load_kg")}
    leg = _codes(ledger, name, "leg", columns["leg"], {word: code for code, word in enumerate(LEGS)}, lines)
    furrow = _codes(ledger, name, "furrow", columns["furrow"], FURROWS, lines)
    if ledger.count() > before:
        return None
    _check_order(ledger, name, values["time_s"], lines)
    xy = np.column_stack([values["x_m"], values["y_m"]])
    width, trips, worked, unworked = (numbers[key] for key in HEADER)
    plan = DrivePlan(
        path.stem, xy, values["time_s"], values["load_kg"], leg, furrow, width, round(trips), worked, unworked
    )
    return as_written(plan) if ledger.count() == before else None


def _head(text: str) -> dict[str, str]:
    """Return what the comments above the table say, `key: value`."""
    found: dict[str, str] = {}
    for line in text.splitlines():
        if not line.startswith(COMMENT):
            break
        key, mark, value = line[1:].partition(":")
        if mark and key.strip() in ("crs", *HEADER):
            found.setdefault(key.strip(), value.strip())
    return found


def _check_crs(ledger: Ledger, name: str, text: str, crs: CRS) -> None:
    authority = crs.to_authority()
    working = ":".join(authority) if authority else "the working CRS of the farm"
    try:
        same = bool(text) and CRS.from_user_input(text) == crs
    except CRSError:
        same = False
    if not same:
        ledger.problem(
            "the plan is in another coordinate system",
            f"{name}, comment crs",
            text[:80] or "nothing",
            working,
            "make the plan again for this farm; it is not turned into another system, for it would not be the same drive",
        )


def _header_number(ledger: Ledger, name: str, key: str, text: str) -> float:
    low, high = HEADER[key]
    number = as_number(text)
    if number is None or not low <= number <= high:
        ledger.problem(
            "the plan's header does not say it",
            f"{name}, comment {key}",
            text[:40] or "nothing",
            f"a line such as # {key}: number, from {low:g} to {high:g}",
            "copy the whole file, with the comments above the table",
        )
        return 0.0
    return number


def _cells(ledger: Ledger, name: str, text: str) -> tuple[list[int], dict[str, Sequence[str]]] | None:
    """Return the line of each row, and the cells by column."""
    rows = [(i, line) for i, line in enumerate(text.splitlines(), 1) if line.strip() and not line.startswith(COMMENT)]
    if len(rows) < 3 or len(rows) > MOST_VERTICES:
        ledger.problem(
            "not a drive",
            name,
            f"{max(0, len(rows) - 1)} rows below the header",
            f"2 to {MOST_VERTICES} rows, one per vertex",
            "write the plan again; a drive is a line of at least two points",
        )
        return None
    header = [cell.strip() for cell in next(csv.reader(io.StringIO(rows[0][1])))]
    places = match_columns(ledger, name, header, COLUMNS, COLUMNS, {})
    if places is None:
        return None
    table = [line.split(",") for _, line in rows[1:]]
    for (line, _), cells in zip(rows[1:], table, strict=True):
        if len(cells) != len(header):
            ledger.problem(
                "the row does not fit the header",
                f"{name}, row {line}",
                f"{len(cells)} cells",
                f"{len(header)} cells",
                _MEND,
            )
            return None
    by_place = list(zip(*table, strict=True))
    return [line for line, _ in rows[1:]], {one: by_place[place] for one, place in places.items()}


def _numbers(ledger: Ledger, name: str, column: str, cells: Sequence[str], lines: Sequence[int]) -> NDArray[np.float64]:
    """Return a column of finite numbers; the first that is none is told."""
    try:
        values = np.array(cells, dtype=np.float64)
        bad = np.flatnonzero(~np.isfinite(values))
    except ValueError:
        values = np.array([])
        bad = np.array([i for i, cell in enumerate(cells) if as_number(cell.strip()) is None])
    low, high = ("0", "100000 kg") if column == "load_kg" else ("", "a finite number")
    if not len(bad) and column == "load_kg":
        bad = np.flatnonzero((values < 0) | (values > 1e5))
    if len(bad):
        ledger.problem(
            "not a number that a drive can have",
            f"{name}, row {lines[bad[0]]}, column {column}",
            cells[bad[0]].strip()[:40] or "nothing",
            f"{low} to {high}" if low else high,
            _MEND,
        )
    return values


def _codes(
    ledger: Ledger, name: str, column: str, cells: Sequence[str], known: Mapping[str, int], lines: Sequence[int]
) -> NDArray[np.int8]:
    codes = [known.get(cell.strip()) for cell in cells]
    if None in codes:
        at = codes.index(None)
        near = nearest(cells[at].strip(), known)
        ledger.problem(
            f"unknown {column}",
            f"{name}, row {lines[at]}, column {column}",
            cells[at].strip()[:40] or "nothing",
            f"one of {listed(known)}",
            f"write {near}" if near else _MEND,
        )
        return np.empty(0, dtype=np.int8)
    return np.array(codes, dtype=np.int8)


def _check_order(ledger: Ledger, name: str, time_s: NDArray[np.float64], lines: Sequence[int]) -> None:
    back = np.flatnonzero(np.diff(time_s) < 0)
    if len(back):
        ledger.problem(
            "time runs back",
            f"{name}, row {lines[back[0] + 1]}, column time_s",
            f"{time_s[back[0] + 1]:g} s after {time_s[back[0]]:g} s",
            "times that do not fall from row to row",
            "put the rows in the order in which they are driven",
        )
