"""zones.gpkg: the zone table with geometry and a ready layer style."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path
from xml.etree import ElementTree as ET

import geopandas as gpd
import pyogrio
from matplotlib import colormaps
from pyogrio.errors import DataLayerError, DataSourceError
from shapely import MultiPolygon, Polygon

from trafficplan.names import STEPS, ZONE_COLUMNS
from trafficplan.report.style import add_symbol, finished, new_style

LAYER = "zones"
STYLES = (
    "CREATE TABLE layer_styles(id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), "
    "f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, "
    "styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), update_time DATETIME)"
)
UNWRITTEN = (DataSourceError, DataLayerError)
FIXED_TIME = "2000-01-01T00:00:00.000Z"  # the same inputs give the same bytes


def _many(shape: Polygon | MultiPolygon) -> MultiPolygon:
    return shape if isinstance(shape, MultiPolygon) else MultiPolygon([shape] if not shape.is_empty else [])


def write_zones_map(path: Path, rows: Sequence[tuple[Mapping[str, object], Polygon | MultiPolygon]], crs: str) -> None:
    """Write the rows of zones.csv with their zone's geometry, styled by the steps of ratio_p95.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    try:
        _write(path, rows, crs)
    except (*UNWRITTEN, sqlite3.Error) as error:  # a full disk shows in any of these forms
        raise OSError(errno.EIO, f"{path.name}: {str(error)[:200]}") from None


def _write(path: Path, rows: Sequence[tuple[Mapping[str, object], Polygon | MultiPolygon]], crs: str) -> None:
    names = [name for name, _, _ in ZONE_COLUMNS]
    frame = gpd.GeoDataFrame(
        {name: [row[name] for row, _ in rows] for name in names},
        geometry=[_many(shape) for _, shape in rows],
        crs=crs,
    )
    write_layer(path, LAYER, frame)
    add_style(path, LAYER, "stress ratio", "steps of the stress ratio", graduated("ratio_p95", STEPS))


def write_layer(
    path: Path, layer: str, frame: gpd.GeoDataFrame, *, append: bool = False, kind: str | None = None
) -> None:
    """Write a layer of a GeoPackage; the same inputs give the same bytes.

    Parameters
    ----------
    append : into the file that is there; else that is replaced, with all its layers and styles
    kind : geometry type, for a layer that may be empty
    """
    if not append:
        path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": FIXED_TIME})
    try:
        frame.to_file(
            path, layer=layer, driver="GPKG", engine="pyogrio", mode="a" if append else "w", geometry_type=kind
        )
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def add_style(path: Path, layer: str, name: str, words: str, qml: str) -> None:
    """Add the ready style of a layer, in the table in which map programs look for it."""
    with sqlite3.connect(path) as base:
        (column,) = base.execute(
            "SELECT column_name FROM gpkg_geometry_columns WHERE table_name = ?", (layer,)
        ).fetchone()
        if not base.execute("SELECT 1 FROM sqlite_master WHERE name = 'layer_styles'").fetchone():
            base.execute(STYLES)
            base.execute(
                "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
                "VALUES ('layer_styles', 'attributes', 'layer_styles', '', ?)",
                (FIXED_TIME,),
            )
        base.execute(
            "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, "
            "styleQML, styleSLD, useAsDefault, description, owner, update_time) "
            "VALUES ('', '', ?, ?, ?, ?, '', 1, ?, '', ?)",
            (layer, column, name, qml, words, FIXED_TIME),
        )
    base.close()


#: Kind of geometry -> its symbol and layer of a style, the options that a colour goes into, and its number.
_SYMBOLS: dict[str, tuple[str, str, str, dict[str, str], int]] = {
    "polygon": ("fill", "SimpleFill", "color", {"outline_color": "60,60,60,255", "style": "solid"}, 2),
    "line": ("line", "SimpleLine", "line_color", {"line_width": "0.5", "line_style": "solid"}, 1),
    "point": ("marker", "SimpleMarker", "color", {"outline_color": "60,60,60,255", "name": "circle", "size": "4"}, 0),
}


def graduated(
    column: str, steps: Sequence[tuple[str, float]], palette: str = "cividis", geometry: str = "polygon"
) -> str:
    """Return a style: colour by a column in steps (label, upper bound), by a matplotlib map.

    Parameters
    ----------
    geometry : polygon, line or point
    """
    kind, layer_kind, coloured, fixed, number = _SYMBOLS[geometry]
    root = new_style()
    renderer = ET.SubElement(root, "renderer-v2", type="graduatedSymbol", attr=column, symbollevels="0")
    ranges, symbols = ET.SubElement(renderer, "ranges"), ET.SubElement(renderer, "symbols")
    lower = 0.0
    for i, (name, upper) in enumerate(steps):
        top = min(upper, 1000.0)
        ET.SubElement(ranges, "range", lower=f"{lower:g}", upper=f"{top:g}", symbol=str(i), label=name, render="true")
        colour = ",".join(str(round(255 * c)) for c in colormaps[palette](i / (len(steps) - 1))[:3])
        add_symbol(symbols, kind, str(i), layer_kind, {coloured: f"{colour},255", **fixed}, "0.8")
        lower = top
    return finished(root, number)
