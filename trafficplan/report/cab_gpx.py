"""The drive as a GPX 1.1 track: a segment for each load, marks for the gateway, the fill point and the run-outs."""

from __future__ import annotations

from itertools import groupby
from pathlib import Path
from xml.etree import ElementTree as ET

from pyproj import Transformer

from trafficplan.decide.cab import CabPlan
from trafficplan.report.cab_lines import Piece, pieces, pressures_bar, to_degrees

GPX = "http://www.topografix.com/GPX/1/1"
#: Namespace of what GPX has no element for: leg, load, pressures.
OWN = "urn:trafficplan:drive:1"


def write_gpx(path: Path, plan: CabPlan) -> None:
    """Write the drive of a plan.

    The track is planned and carries no times. Every point has the speed; where leg or load change it has `leg`
    and `load_kg` too, in a namespace of our own (docs/result-folder.md).
    """
    path.write_bytes(gpx_of(plan))


def gpx_of(plan: CabPlan) -> bytes:
    """Return the GPX file of a plan."""
    ET.register_namespace("", GPX)
    ET.register_namespace("drive", OWN)
    change = to_degrees(plan)
    root = ET.Element(f"{{{GPX}}}gpx", {"version": "1.1", "creator": "trafficplan"})
    head = _add(root, "metadata")
    _add(head, "name", f"{plan.field}: {plan.job}")
    _add(head, "desc", _about(plan))
    _marks(root, plan, change)
    track = _add(root, "trk")
    _add(track, "name", f"{plan.field}: {plan.job}")
    _add(track, "desc", _about(plan))
    _add(track, "type", "planned drive")
    _pressures(_add(track, "extensions"), plan)
    for _, load in groupby(pieces(plan.drive), key=lambda one: one.stretch.load):
        _segment(_add(track, "trkseg"), list(load), change)
    ET.indent(root, " ")
    text: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def _about(plan: CabPlan) -> str:
    day = f", {plan.day.isoformat()}" if plan.day else ""
    return f"{plan.outfit}{day}. {len(plan.loads_kg)} loads, {plan.order}. Planned, not driven."


def _add(parent: ET.Element, name: str, text: str | None = None) -> ET.Element:
    one = ET.SubElement(parent, f"{{{GPX}}}{name}")
    one.text = text
    return one


def _marks(root: ET.Element, plan: CabPlan, change: Transformer) -> None:
    """Add the way points in the order in which they are met."""
    marks: list[tuple[tuple[float, float], str, str]] = []
    if plan.gate_xy is not None:
        marks.append((plan.gate_xy, plan.gateway or "gateway", "gateway"))
    if plan.fill_xy is not None:
        marks.append((plan.fill_xy, f"Fill {plan.fill_words}", "fill point"))
    marks += [(xy, f"Load {i} ends", "run-out") for i, xy in enumerate(plan.run_outs, 1)]
    for (x, y), name, kind in marks:
        mark = ET.SubElement(root, f"{{{GPX}}}wpt", _place(x, y, change))
        _add(mark, "name", name)
        _add(mark, "type", kind)


def _place(x: float, y: float, change: Transformer) -> dict[str, str]:
    lon, lat = change.transform(x, y)
    return {"lat": f"{lat:.8f}", "lon": f"{lon:.8f}"}


def _pressures(parent: ET.Element, plan: CabPlan) -> None:
    """Add one element per axle and kind of ground; none where a tyre has no maker's table."""
    for where, on_road in (("field", False), ("track", True)):
        for axle, bar in pressures_bar(plan, on_road=on_road).items():
            ET.SubElement(parent, f"{{{OWN}}}pressure", {"axle": axle, "on": where, "bar": f"{bar:.2f}"})


def _segment(segment: ET.Element, load: list[Piece], change: Transformer) -> None:
    """Add the points of one load; the first point of a stretch tells its leg."""
    for piece in load:
        last = piece is load[-1]
        lon, lat = change.transform(piece.xy[:, 0], piece.xy[:, 1])
        count = len(piece.xy) if last else len(piece.xy) - 1
        for i in range(count):
            point = ET.SubElement(segment, f"{{{GPX}}}trkpt", {"lat": f"{lat[i]:.8f}", "lon": f"{lon[i]:.8f}"})
            more = _add(point, "extensions")
            ET.SubElement(more, f"{{{OWN}}}speed").text = f"{piece.speed_m_s[i]:.2f}"
            if i == 0 or i == count - 1 or piece.load_kg[i] != piece.load_kg[i - 1]:
                ET.SubElement(more, f"{{{OWN}}}load_kg").text = f"{piece.load_kg[i]:.0f}"
            if i == 0:
                ET.SubElement(more, f"{{{OWN}}}leg").text = piece.leg
