"""What people asked for on the command line, checked before any work starts."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from trafficplan.errors import InputError, Problem

if TYPE_CHECKING:
    from trafficplan.chain import Plan
    from trafficplan.farm.farm import Farm

CELL_M = (0.1, 10.0)
DEPTH_CM = (1.0, 200.0)
DEPTHS_MOST = 14


def refuse(what: str, option: str, found: object, needed: str, mend: str) -> InputError:
    """Return the error of an option."""
    return InputError(Problem(what, f"option {option}", str(found), needed, mend))


def _day(option: str, text: str | None) -> dt.date | None:
    if text is None:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise refuse("not a date", option, text, "a day as YYYY-MM-DD", "write for example 2026-04-03") from None


def depths_of(text: str) -> tuple[float, ...]:
    """Return depths in m from whole cm between commas."""
    mend = "write for example 10,20,35,50,70,100"
    try:
        depths = sorted({float(part) for part in text.split(",")})
    except ValueError:
        raise refuse("not a list of depths", "--depths", text, "numbers of cm between commas", mend) from None
    if not all(DEPTH_CM[0] <= d <= DEPTH_CM[1] and d == round(d) for d in depths) or len(depths) > DEPTHS_MOST:
        needed = f"at most {DEPTHS_MOST} whole depths from {DEPTH_CM[0]:.0f} to {DEPTH_CM[1]:.0f} cm"
        raise refuse("depths out of range", "--depths", text, needed, mend)
    return tuple(d / 100 for d in depths)


def plan_of(asked: Mapping[str, Any]) -> Plan:
    """Return the plan of a run from the options cell_m, depths_cm, from, to."""
    from trafficplan.chain import Plan

    cell = asked["cell_m"]
    if not CELL_M[0] <= cell <= CELL_M[1]:
        needed = f"{CELL_M[0]} to {CELL_M[1]} m"
        raise refuse("cell size out of range", "--cell", cell, needed, "take 0.5 for maps, 1 or 2 for a quick look")
    first, last = plan_days(asked["from"], asked["to"])
    return Plan(cell, depths_of(asked["depths_cm"]), first, last)


def plan_days(start: str | None, end: str | None) -> tuple[dt.date | None, dt.date | None]:
    """Return the first and the last day asked for."""
    first, last = _day("--from", start), _day("--to", end)
    if first and last and first > last:
        raise refuse("the days are the wrong way round", "--from/--to", f"{first} to {last}", "from <= to", "swap them")
    return first, last


def workers_of(workers: int | None) -> int | None:
    """Return the number of processes asked for."""
    if workers is not None and not 1 <= workers <= 256:
        raise refuse("number of workers out of range", "--workers", workers, "1 to 256", "leave it away: one per core")
    return workers


def either(asked: Mapping[str, Any], one: str, other: str) -> None:
    """Refuse two options that answer the same question."""
    if asked[one] is not None and asked[other] is not None:
        found = f"{asked[one]} and {asked[other]}"
        raise refuse("two answers to one question", f"--{one}/--{other}", found, "one of them", f"leave --{one} away")


def known(option: str, names: Sequence[str], there: Collection[str]) -> list[str]:
    """Return the names asked for; refuse unknown ones, naming the nearest and all that there are."""
    problems = []
    for name in names:
        if name not in there:
            near = difflib.get_close_matches(name, there, 1)
            mend = f"did you mean {near[0]!r}?" if near else "take one of those"
            problems.append(
                Problem("unknown name", f"option {option}", name, "one of: " + ", ".join(sorted(there)), mend)
            )
    if problems:
        raise InputError(problems)
    return list(dict.fromkeys(names))


def some_fields(farm: Farm, names: Sequence[str]) -> list[str]:
    """Return the fields asked for, or all."""
    return known("--field", names, farm.fields) or list(farm.fields)


def scenarios_of(farm: Farm, names: Sequence[str]) -> list[str]:
    """Return the scenarios asked for ("all": every one)."""
    if "all" in names:
        return list(farm.scenarios)
    return known("--scenario", names, farm.scenarios)
