"""The plan as task data of ISO 11783-10, version 4: boundary, guidance lines, rate; planned, nothing recorded.

Elements, attributes, their lengths and codes follow the standard's public schema for task files, version 4.3, and
the public data dictionary of ISO 11783-11 (numbers 0001 and 0006). What the schema leaves open is said at its
place. The standard itself is not free and was not read.
"""

from __future__ import annotations

import importlib.metadata
from collections.abc import Iterable, Sequence
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
from pyproj import Transformer
from shapely import LineString, MultiPolygon, Polygon

from trafficplan.decide.cab import CabPlan
from trafficplan.report.cab_lines import Floats, kept_vertices, to_degrees

#: Texts of task data are cut to this many letters.
LONGEST = 32
#: Numbers of the data dictionary: volume per area in 0.01 mm3/m2, mass per area in mg/m2.
SETPOINT_VOLUME, SETPOINT_MASS = "0001", "0006"
_PER_M3_M2, _PER_KG_M2 = 1e11, 1e6
_MOST_VALUE = 2**31 - 1

#: Codes of the schema: lines, points, polygons, guidance.
_EXTERIOR, _INTERIOR, _TRAMLINE, _GUIDANCE = "1", "2", "3", "5"
_FLAG, _OTHER, _ACCESS, _LINE_A, _LINE_B, _ON_LINE = "1", "2", "3", "6", "7", "9"
_BOUNDARY, _TREATED, _BUFFER = "1", "2", "11"
_AB, _CURVE = "1", "3"
_BOTH_SIDES, _NO_SIDE, _BOTH_ENDS, _NO_END, _FROM_DESK = "1", "4", "1", "4", "16"
_FARM_PROGRAM, _PLANNED = "1", "1"
#: Treatment zones: nothing outside the field and without a position, the planned rate inside, nothing on strips.
_NOTHING, _RATE, _STRIP = "0", "1", "2"


def write_taskdata(folder: Path, plan: CabPlan) -> None:
    """Write `TASKDATA.XML` into a folder (made where it is missing), as terminals look for it in TASKDATA."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "TASKDATA.XML").write_bytes(taskdata_of(plan))


def taskdata_of(plan: CabPlan) -> bytes:
    """Return the task data of a plan.

    Raises
    ------
    ValueError
        The rate is more than the data dictionary can hold (about 2000 kg/m2, or 21 mm).
    """
    root = ET.Element(
        "ISO11783_TaskData",
        {
            "VersionMajor": "4",
            "VersionMinor": "3",
            "ManagementSoftwareManufacturer": "trafficplan",
            "ManagementSoftwareVersion": importlib.metadata.version("trafficplan")[:LONGEST],
            "DataTransferOrigin": _FARM_PROGRAM,
        },
    )
    change = to_degrees(plan)
    ET.SubElement(root, "CTR", {"A": "CTR1", "B": _text(plan.farm)})
    ET.SubElement(root, "FRM", {"A": "FRM1", "B": _text(plan.farm), "I": "CTR1"})
    _field(root, plan, change)
    _task(root, plan, change)
    ET.indent(root, " ")
    text: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def _text(words: str) -> str:
    return words[:LONGEST]


def _field(root: ET.Element, plan: CabPlan, change: Transformer) -> None:
    """Add the field: boundary, strips, tramlines, places, guidance; in the schema's order."""
    field = ET.SubElement(
        root,
        "PFD",
        {"A": "PFD1", "C": _text(plan.field), "D": f"{plan.boundary.area:.0f}", "E": "CTR1", "F": "FRM1"},
    )
    for shape in _parts(plan.boundary):
        _polygon(field, shape, _BOUNDARY, "", change)
    for strip in plan.unspread:
        for shape in _parts(strip.shape):
            _polygon(field, shape, _BUFFER, strip.why, change)
    for line in plan.tramlines:
        _line(field, np.asarray(line.coords)[:, :2], _TRAMLINE, [_OTHER], change)
    if plan.gate_xy is not None:
        _point(field, _ACCESS, change.transform(*plan.gate_xy), plan.gateway)
    if plan.fill_xy is not None:
        _point(field, _OTHER, change.transform(*plan.fill_xy), f"fill {plan.fill_words}")
    for number, xy in enumerate(plan.run_outs, 1):
        _point(field, _FLAG, change.transform(*xy), f"load {number} ends")
    _guidance(field, plan, change)


def _parts(shape: Polygon | MultiPolygon) -> Sequence[Polygon]:
    return list(shape.geoms) if isinstance(shape, MultiPolygon) else [shape]


def _polygon(parent: ET.Element, shape: Polygon, kind: str, words: str, change: Transformer) -> None:
    """Add a polygon with its holes; rings are closed, as in other formats (readers of both habits understand it)."""
    attributes = {"A": kind, **({"B": _text(words)} if words else {}), "C": f"{shape.area:.0f}"}
    polygon = ET.SubElement(parent, "PLN", attributes)
    for ring, ring_kind in [(shape.exterior, _EXTERIOR), *((one, _INTERIOR) for one in shape.interiors)]:
        _line(polygon, np.asarray(ring.coords)[:, :2], ring_kind, [_OTHER], change)


def _line(
    parent: ET.Element,
    xy: Floats,
    kind: str,
    points: Sequence[str],
    change: Transformer,
    words: str = "",
    width_m: float = 0.0,
) -> None:
    """Add a line; `points` are the kinds of its points, the last for all that follow."""
    attributes = {"A": kind}
    attributes |= {"B": _text(words)} if words else {}
    attributes |= {"C": f"{width_m * 1e3:.0f}"} if width_m else {}
    line = ET.SubElement(parent, "LSG", attributes)
    lon, lat = change.transform(xy[:, 0], xy[:, 1])
    for i, place in enumerate(zip(lon, lat, strict=True)):
        _point(line, points[min(i, len(points) - 1)], place)


def _point(parent: ET.Element, kind: str, lonlat: Iterable[float], words: str = "") -> None:
    lon, lat = lonlat
    named = {"B": _text(words)} if words else {}
    ET.SubElement(parent, "PNT", {"A": kind, **named, "C": f"{lat:.9f}", "D": f"{lon:.9f}"})


def _guidance(field: ET.Element, plan: CabPlan, change: Transformer) -> None:
    """Add two groups: the longest straight swath as a reference with neighbours, and every swath by itself."""
    lines = [np.asarray(line.coords)[:, :2] for line in plan.swaths]
    lines = [xy[kept_vertices(xy)] for xy in lines]
    straight = [xy for xy in lines if len(xy) == 2]
    if straight:
        group = ET.SubElement(field, "GGP", {"A": "GGP1", "B": "reference line"})
        longest = max(straight, key=lambda xy: LineString(xy).length)
        _pattern(group, 1, longest, "longest swath", _BOTH_SIDES, plan.width_m, change)
    if lines:
        group = ET.SubElement(field, "GGP", {"A": "GGP2", "B": "swaths in driving order"})
        for number, xy in enumerate(lines, 1):
            _pattern(group, number + 1, xy, f"swath {number}", _NO_SIDE, plan.width_m, change)


def _pattern(
    group: ET.Element, number: int, xy: Floats, words: str, sides: str, width_m: float, change: Transformer
) -> None:
    """Add one guidance line, from A to B in the direction driven; a straight one is longer than it is drawn."""
    straight = len(xy) == 2
    pattern = ET.SubElement(
        group,
        "GPN",
        {
            "A": f"GPN{number}",
            "B": words,
            "C": _AB if straight else _CURVE,
            "E": sides,
            "F": _BOTH_ENDS if straight else _NO_END,
            "I": _FROM_DESK,
        },
    )
    kinds = [_LINE_A, *[_ON_LINE] * (len(xy) - 2), _LINE_B]
    _line(pattern, xy, _GUIDANCE, kinds, change, words, width_m)


def _task(root: ET.Element, plan: CabPlan, change: Transformer) -> None:
    """Add the task with its rate: everywhere in the field, nothing on strips, outside and without a position."""
    day = f" {plan.day.isoformat()}" if plan.day else ""
    task = ET.SubElement(
        root,
        "TSK",
        {
            "A": "TSK1", "B": _text(plan.job[: LONGEST - len(day)] + day), "C": "CTR1", "D": "FRM1", "E": "PFD1",
            "G": _PLANNED, "H": _RATE, "I": _NOTHING, "J": _NOTHING,
        },
    )  # fmt: skip
    number, value = _setpoint(plan)
    for code, words, amount in ((_NOTHING, "nothing", 0), (_RATE, "planned rate", value)):
        _zone(task, code, words, number, amount)
    if plan.unspread:
        zone = _zone(task, _STRIP, "not to be spread", number, 0, values=False)
        for strip in plan.unspread:
            for shape in _parts(strip.shape):
                _polygon(zone, shape, _TREATED, strip.why, change)
        ET.SubElement(zone, "PDV", {"A": number, "B": "0"})
    for group in root.iter("GGP"):
        ET.SubElement(task, "GAN", {"A": group.get("A", "")})


def _zone(task: ET.Element, code: str, words: str, number: str, value: int, *, values: bool = True) -> ET.Element:
    zone = ET.SubElement(task, "TZN", {"A": code, "B": words})
    if values:
        ET.SubElement(zone, "PDV", {"A": number, "B": f"{value}"})
    return zone


def _setpoint(plan: CabPlan) -> tuple[str, int]:
    """Return the number of the data dictionary and the rate in its unit: volume where it was asked for as one."""
    if plan.density_kg_m3:
        number, value = SETPOINT_VOLUME, plan.rate_kg_m2 / plan.density_kg_m3 * _PER_M3_M2
    else:
        number, value = SETPOINT_MASS, plan.rate_kg_m2 * _PER_KG_M2
    if value > _MOST_VALUE:
        raise ValueError(f"rate {plan.rate_kg_m2:g} kg/m2 is more than number {number} can hold")
    return number, round(value)
