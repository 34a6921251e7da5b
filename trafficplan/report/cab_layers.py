"""The plan as layers of a GeoPackage: drive, run-outs, swaths, ground that is not spread; each with a ready style."""

from __future__ import annotations

import errno
import re
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import geopandas as gpd
import numpy as np
from matplotlib import colormaps
from shapely import LineString, MultiPolygon, Point, Polygon

from trafficplan.decide.cab import CabPlan
from trafficplan.names import LEGS
from trafficplan.report.cab_lines import Piece, pieces, pressures_bar
from trafficplan.report.style import add_symbol, finished, new_style, single
from trafficplan.report.vector import UNWRITTEN, add_style, write_layer

#: Leg -> width of its line on the map [mm]; work is what one looks for.
_WIDTHS = {"work": 0.5, "turn": 0.3, "haul": 0.4, "entry": 0.4, "exit": 0.4, "road": 0.3}


def write_layers(path: Path, plan: CabPlan) -> None:
    """Write the layers `drive`, `run_outs`, `swaths` and `not_spread` of a plan (docs/result-folder.md).

    Raises
    ------
    OSError
        The file cannot be written.
    """
    layers = (
        ("drive", _drive(plan), "LineString", "legs", _legs_style()),
        ("run_outs", _run_outs(plan), "Point", "where each load ends", _point_style()),
        ("swaths", _swaths(plan), "LineString", "swaths", _line_style()),
        ("not_spread", _not_spread(plan), "MultiPolygon", "not spread", _area_style()),
    )
    try:
        for name, frame, kind, _, _ in layers:
            write_layer(path, name, frame, append=name != "drive", kind=kind)
        for name, _, _, words, style in layers:
            add_style(path, name, words, f"{words}: {plan.field}", style)
    except (*UNWRITTEN, sqlite3.Error) as error:  # a full disk shows in any of these forms
        raise OSError(errno.EIO, f"{path.name}: {str(error)[:200]}") from None


def _frame(rows: Sequence[dict[str, Any]], columns: Sequence[str], shapes: Sequence[Any], crs: str) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({one: [row[one] for row in rows] for one in columns}, geometry=list(shapes), crs=crs)


def _drive(plan: CabPlan) -> gpd.GeoDataFrame:
    """Return one line per stretch: leg, load number, load, pressures, kilometres, minutes."""
    axles = [one.axle for one in plan.axles]
    found = list(pieces(plan.drive))
    rows = [_stretch(plan, i, piece) for i, piece in enumerate(found, 1)]
    columns = ["order", "leg", "load", "load_start_t", "load_end_t", "km", "minutes"]
    if plan.names_pressures():
        columns += [_column(axle) for axle in axles]
    return _frame(rows, columns, [LineString(piece.xy) for piece in found], plan.crs)


def _stretch(plan: CabPlan, number: int, piece: Piece) -> dict[str, Any]:
    first, last = piece.stretch.first, piece.stretch.last
    way = np.hypot(*np.diff(plan.drive.xy[first : last + 1], axis=0).T).sum()
    return {
        "order": number,
        "leg": piece.leg,
        "load": piece.stretch.load,
        "load_start_t": round(float(piece.load_kg[0]) / 1e3, 3),
        "load_end_t": round(float(piece.load_kg[-1]) / 1e3, 3),
        "km": round(float(way) / 1e3, 4),
        "minutes": round(float(plan.drive.time_s[last] - plan.drive.time_s[first]) / 60, 2),
        **{_column(axle): bar for axle, bar in pressures_bar(plan, on_road=piece.on_road).items()},
    }


def _column(axle: str) -> str:
    """Return the name of an axle's column of pressures."""
    return re.sub(r"\W+", "_", axle).strip("_") + "_bar"


def _run_outs(plan: CabPlan) -> gpd.GeoDataFrame:
    rows = [
        {"load": i, "spread_t": round(kg / 1e3, 3)}
        for i, (_, kg) in enumerate(zip(plan.run_outs, plan.loads_kg, strict=True), 1)
    ]
    return _frame(rows, ["load", "spread_t"], [Point(xy) for xy in plan.run_outs], plan.crs)


def _swaths(plan: CabPlan) -> gpd.GeoDataFrame:
    rows = [
        {"order": i, "length_m": round(line.length, 1), "width_m": plan.width_m}
        for i, line in enumerate(plan.swaths, 1)
    ]
    return _frame(rows, ["order", "length_m", "width_m"], plan.swaths, plan.crs)


def _not_spread(plan: CabPlan) -> gpd.GeoDataFrame:
    rows = [{"why": one.why, "area_ha": round(one.area_m2 / 1e4, 4)} for one in plan.unspread]
    return _frame(rows, ["why", "area_ha"], [_many(one.shape) for one in plan.unspread], plan.crs)


def _many(shape: Polygon | MultiPolygon) -> MultiPolygon:
    return shape if isinstance(shape, MultiPolygon) else MultiPolygon([shape])


def _colour(share: float) -> str:
    return ",".join(str(round(255 * part)) for part in colormaps["viridis"](share)[:3]) + ",255"


def _legs_style() -> str:
    """Return a style with a colour and a width for each leg."""
    root = new_style()
    renderer = ET.SubElement(root, "renderer-v2", type="categorizedSymbol", attr="leg", symbollevels="0")
    categories, symbols = ET.SubElement(renderer, "categories"), ET.SubElement(renderer, "symbols")
    for i, leg in enumerate(LEGS):
        ET.SubElement(categories, "category", value=leg, symbol=str(i), label=leg, render="true")
        options = {"line_color": _colour(i / (len(LEGS) - 1)), "line_width": f"{_WIDTHS[leg]:g}", "line_style": "solid"}
        add_symbol(symbols, "line", str(i), "SimpleLine", options)
    return finished(root, 1)


def _point_style() -> str:
    options = {"name": "circle", "color": "255,255,255,255", "outline_color": "31,42,48,255", "size": "3"}
    return single("marker", "SimpleMarker", options, 0)


def _line_style() -> str:
    return single("line", "SimpleLine", {"line_color": _colour(0.0), "line_width": "0.4", "line_style": "dash"}, 1)


def _area_style() -> str:
    options = {"color": "120,120,120,255", "style": "b_diagonal", "outline_color": "60,60,60,255"}
    return single("fill", "SimpleFill", options, 2)
