"""Write the invented sample farm, Ostara Flats; the same bytes every time.

Run by hand: python tests/make_sample_farm.py [FOLDER]      (default: sample_fields/ostara_flats)
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Transformer
from sample_farm import ground, machines, season, soils, weather
from shapely.affinity import rotate, translate
from shapely.geometry.base import BaseGeometry

CRS = "EPSG:32635"
EAST_M, NORTH_M = 367_900.0, 6_131_300.0  # where the drawing's origin lies in the working CRS
TURN_DEG = 14.0  # the plain does not run due east
DECIMALS = 7  # about 1 cm

FOLDER = Path(__file__).parents[1] / "sample_fields" / "ostara_flats"

Feature = tuple[dict[str, Any], BaseGeometry]

FARM = f"""\
# An invented farm: README.md says how it was made.
name = "Ostara Flats"
season = {season.YEAR}
timezone = "Europe/Vilnius"
units = "metric"
crs = "{CRS}"
"""

README = f"""\
# Ostara Flats, an invented farm

Nothing here exists: not the farm, its river, its names, its machines, its tyre tables, its soil map or its
weather. The coordinates lie in the lowland of the eastern Baltic only so that the sun, the time zone and
the map projection ({CRS}) agree with each other. Do not look the place up, and do not use its tyre tables
for a tyre.

Made by `python tests/make_sample_farm.py`, which writes the same bytes every time; mend the generator, not
the files.

![Fields, soils, tracks, gateways and tramlines](map.png)

- `fields.geojson`: eight fields, 164 ha, on a river plain. Birch Hill has a copse in it, Oxbow a pond; Yard
  Field bends around the yard and its orchard; Ditch Field is two parts with a ditch between them; Heron
  Meadow is grass and never tilled.
- `soil.geojson`, `horizons.csv`: five soils from the terrace down to the river, three horizons each. The
  terrace loam alone has a measured strength (twelve cores, invented too); the slope clay loam has a plough
  pan.
- `access.geojson`: twelve gateways (three fields have two, each part of Ditch Field its own); lanes of
  asphalt, gravel, earth and grass that hang together from the yard to every gateway; river, ditches,
  drains, a bridge, a public road, an overhead line, a well, ground to keep out of.
- `tramlines.geojson`: tramlines every 24 m in the four fields of winter crops; none in the others.
- `outfits/`: eight outfits: dung spreader, slurry tanker, combine, chaser, sprayer, drill behind rubber
  tracks, cultivator with duals, plough that runs in the furrow.
- `tyre_tables.csv`: invented loads, shaped as such tables are: more with pressure, less with speed.
- `operations.csv`: forty operations from March to October {season.YEAR}.
- `scenarios.toml`: lower pressures, lighter loads, other gates, waiting for dry soil.
- `weather.csv`: every day of {season.YEAR}, drawn by chance from what is usual there.

Where a chaser runs beside the combine, the combine holds 6.5 t all day (`constant`) and the chaser takes up
the yield. On the other fields the combine fills and brings its own grain to the gate.
"""


def to_map(shapes: Iterable[BaseGeometry]) -> NDArray[np.object_]:
    """Return drawn shapes in WGS84, rounded; outer rings run counter-clockwise, as RFC 7946 has it."""
    degrees = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    placed = [translate(rotate(shape, TURN_DEG, origin=(0, 0)), EAST_M, NORTH_M) for shape in shapes]

    def convert(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(degrees.transform(xy[:, 0], xy[:, 1])).round(DECIMALS)

    turned = shapely.orient_polygons(shapely.transform(np.array(placed, dtype=object), convert))
    return np.asarray(turned)


def layer(features: list[Feature]) -> str:
    """Return GeoJSON with one feature to a line."""
    lines = []
    for (properties, _), shape in zip(features, to_map(shape for _, shape in features), strict=True):
        known = {name: value for name, value in properties.items() if value is not None}
        geometry = json.loads(shapely.to_geojson(shape))
        lines.append(json.dumps({"type": "Feature", "properties": known, "geometry": geometry}))
    return '{"type": "FeatureCollection", "features": [\n' + ",\n".join(lines) + "\n]}\n"


def field_features(drawn: ground.Ground) -> list[Feature]:
    """Return the features of fields.geojson."""
    features: list[Feature] = []
    for name, (_, crop, tillage_m, headland_m) in ground.FIELDS.items():
        properties = {
            "field": name,
            "crop": crop,
            "tillage_depth_m": tillage_m,
            "headland_width_m": headland_m,
        }
        features.append((properties, drawn.fields[name]))
    return features


def access_features(drawn: ground.Ground) -> list[Feature]:
    """Return the features of access.geojson: gateways, lanes, and what is in the way."""
    features: list[Feature] = [
        ({"kind": "gateway", "name": name, "field": field, "width_m": width_m}, drawn.gateways[name])
        for name, (field, _, width_m, _) in ground.GATEWAYS.items()
    ]
    for name, surface, line in drawn.lanes:
        max_t = ground.LANES[name.rsplit(" ", 1)[0]][2] if name.rsplit(" ", 1)[0] in ground.LANES else None
        features.append(({"kind": "track", "name": name, "surface": surface, "max_t": max_t}, line))
    features += [({"kind": kind, "name": name, "max_t": max_t}, shape) for kind, name, max_t, shape in ground.PLACES]
    return features


def make_sample_farm(folder: Path) -> Path:
    """Write the whole farm folder and return it; a map picture that lies there is left alone."""
    drawn = ground.draw()
    texts = {
        "farm.toml": FARM,
        "README.md": README,
        "fields.geojson": layer(field_features(drawn)),
        "soil.geojson": layer([({"unit": unit}, patch) for unit, patch in soils.draw_soils()]),
        "horizons.csv": soils.horizons_csv(),
        "access.geojson": layer(access_features(drawn)),
        "tramlines.geojson": layer(
            [({"field": field, "width_m": ground.TRAMLINE_M}, line) for field, line in drawn.tramlines]
        ),
        "operations.csv": season.operations_csv(),
        "scenarios.toml": season.SCENARIOS,
        "weather.csv": weather.weather_csv(season.YEAR),
        "tyre_tables.csv": machines.tyre_tables_csv(),
    }
    texts |= {f"outfits/{name}.toml": text for name, text in machines.outfits().items()}
    (folder / "outfits").mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    return folder


if __name__ == "__main__":
    print(make_sample_farm(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER))
