"""Draw the sample farm's map picture.

Run by hand: python tests/sample_farm/picture.py sample_fields/ostara_flats
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import geopandas
import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

CRS = "EPSG:32635"
SURFACES: dict[str, Any] = {"asphalt": "-", "gravel": "-", "earth": "--", "grass": ":"}
WATER = "#6f9fc8"


def draw_map(folder: Path) -> Path:
    """Write map.png into the farm folder and return its path."""
    names = ("fields", "soil", "access", "tramlines")
    fields, soil, access, tramlines = (geopandas.read_file(folder / f"{name}.geojson").to_crs(CRS) for name in names)
    figure = Figure(figsize=(11.5, 8.0), layout="constrained")
    axes = figure.add_subplot()
    units = sorted(soil["unit"].unique())
    shades = matplotlib.colormaps["cividis"].resampled(2 * len(units) + 2)
    colours = {unit: shades(2 * rank + 3) for rank, unit in enumerate(units)}
    soil.plot(ax=axes, color=soil["unit"].map(colours), alpha=0.45)
    fields.plot(ax=axes, facecolor="none", edgecolor="black", linewidth=1.3)
    tramlines.plot(ax=axes, color="black", linewidth=0.25)
    draw_access(axes, access)
    for name, shape in zip(fields["field"], fields.geometry, strict=True):
        place = shape.representative_point()
        axes.annotate(name, (place.x, place.y), ha="center", fontsize=11, weight="bold")
    west, south, east, north = fields.total_bounds
    axes.set(xlim=(west - 60, east + 60), ylim=(south - 70, north + 60), aspect="equal")
    axes.set(xlabel=f"east [m], {CRS}", ylabel="north [m]")
    axes.ticklabel_format(useOffset=False, style="plain")
    handles: list[Patch | Line2D] = [Patch(color=colours[unit], alpha=0.45, label=unit) for unit in units]
    handles += [Line2D([], [], color="black", linewidth=2, linestyle=style, label=f"track, {surface}")
                for surface, style in SURFACES.items() if surface != "asphalt"]  # fmt: skip
    handles += [Line2D([], [], color="black", linewidth=0.5, label="tramline")]
    handles += [Line2D([], [], color="black", marker="o", markerfacecolor="white", linewidth=0, label="gateway")]
    handles += [Line2D([], [], color="#8a3fa0", linestyle="-.", label="overhead line")]
    axes.legend(handles=handles, loc="upper left", fontsize=8)
    figure.savefig(folder / "map.png", dpi=90, metadata={"Software": None})
    return folder / "map.png"


def draw_access(axes: Axes, access: geopandas.GeoDataFrame) -> None:
    """Draw lanes, gateways, water, keep-outs, yard, road and line."""
    kind = access["kind"]
    access[kind == "watercourse"].plot(ax=axes, color=WATER)
    access[kind == "drain"].plot(ax=axes, color=WATER, linestyle=":")
    access[kind == "keep_out"].plot(ax=axes, facecolor="white", edgecolor="grey", hatch="xxx", linewidth=0.5)
    access[kind == "yard"].plot(ax=axes, color="grey")
    access[kind == "public_road"].plot(ax=axes, color="black", linewidth=3.5)
    access[kind == "overhead_line"].plot(ax=axes, color="#8a3fa0", linestyle="-.", linewidth=1.0)
    for surface, style in SURFACES.items():
        access[(kind == "track") & (access["surface"] == surface)].plot(
            ax=axes, color="black", linestyle=style, linewidth=2.0
        )
    access[kind == "bridge"].plot(ax=axes, color="white", linewidth=3.0)
    access[kind == "gateway"].plot(ax=axes, color="white", edgecolor="black", markersize=36, zorder=5)
    access[kind == "well"].plot(ax=axes, color=WATER, marker="*", markersize=60, zorder=5)


if __name__ == "__main__":
    print(draw_map(Path(sys.argv[1])))
