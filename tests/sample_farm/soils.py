"""The soils of Ostara Flats: a river plain, from the loam of the terrace to the clay behind the levee.

Texture, organic matter and density are invented, but agree with each other and with the USDA classes.
"""

from __future__ import annotations

import shapely
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from sample_farm.ground import blob, curve, parts_of

EXTENT = shapely.box(-220.0, -260.0, 2120.0, 1160.0)

TERRACE_FOOT = curve(
    [
        (-400, 760),
        (0, 742),
        (330, 700),
        (640, 655),
        (960, 640),
        (1240, 668),
        (1520, 724),
        (1830, 742),
        (2300, 760),
    ],
    20.0,
)
BASIN_EDGE = curve(
    [
        (-400, 560),
        (0, 548),
        (300, 505),
        (620, 452),
        (930, 432),
        (1200, 446),
        (1480, 520),
        (1800, 566),
        (2300, 600),
    ],
    20.0,
)
LEVEE_EDGE = curve(
    [(-400, 330), (-100, 296), (160, 246), (400, 268), (620, 338), (860, 352), (1080, 300), (1330, 246)]
    + [(1580, 168), (1800, 112), (2300, 150)],
    20.0,
)
OLD_CHANNEL = curve([(350, -60), (430, 110), (560, 178), (680, 222), (776, 228), (862, 262), (905, 320), (922, 400)])
SAND_DUNE = blob([(1560, 330), (1660, 292), (1800, 300), (1890, 352), (1868, 440), (1740, 468), (1620, 440)], 10.0)
HILL_SAND = blob([(1090, 742), (1150, 676), (1260, 668), (1330, 730), (1322, 822), (1220, 858), (1120, 828)], 10.0)
WET_HOLLOW = blob([(120, 852), (190, 800), (300, 812), (346, 862), (290, 908), (180, 906)], 10.0)

COLUMNS = (
    *("unit", "top_m", "bottom_m", "texture", "sand_pct", "silt_pct", "clay_pct", "organic_pct"),
    *("density_g_cm3", "stones_pct", "strength_kpa", "cores", "state"),
)

#: Unit -> horizons: top, bottom [m], USDA class, sand, silt, clay, organic matter [%], density [g/cm3],
#: stones [%], strength [kPa] and cores it was measured on, state. Only the terrace loam was "measured".
HORIZONS: dict[str, tuple[str, ...]] = {
    "terrace loam": (
        "0,0.28,loam,42,37,21,2.4,1.40,2,,,settled",
        "0.28,0.55,loam,40,36,24,0.9,1.55,3,88,12,settled",
        "0.55,1.5,loam,45,35,20,0.4,1.60,4,,,settled",
    ),
    "slope clay loam": (
        "0,0.27,clay loam,33,36,31,2.7,1.36,1,,,settled",
        "0.27,0.36,clay loam,32,35,33,1.6,1.56,1,,,pan",
        "0.36,1.5,clay loam,30,35,35,0.6,1.52,1,,,settled",
    ),
    "basin clay": (
        "0,0.25,clay,17,37,46,4.2,1.22,0,,,settled",
        "0.25,0.60,clay,14,34,52,1.8,1.34,0,,,settled",
        "0.60,1.5,clay,12,33,55,0.8,1.38,0,,,settled",
    ),
    "levee sandy loam": (
        "0,0.28,sandy loam,60,29,11,2.0,1.42,0,,,settled",
        "0.28,0.70,sandy loam,64,27,9,0.8,1.52,0,,,settled",
        "0.70,1.5,loamy sand,80,15,5,0.3,1.55,0,,,settled",
    ),
    "dune sand": (
        "0,0.26,loamy sand,82,13,5,1.4,1.45,0,,,settled",
        "0.26,0.60,sand,91,6,3,0.4,1.53,0,,,settled",
        "0.60,1.5,sand,94,4,2,0.1,1.56,0,,,settled",
    ),
}


def south_of(line: LineString) -> BaseGeometry:
    """Return the ground of the map south of `line`."""
    return Polygon([*line.coords, (2400.0, -900.0), (-500.0, -900.0)]).intersection(EXTENT)


def draw_soils() -> list[tuple[str, BaseGeometry]]:
    """Return the soil map, without gaps or overlaps. What is drawn later lies on top."""
    drawn: list[tuple[str, BaseGeometry]] = [
        ("terrace loam", EXTENT),
        ("slope clay loam", south_of(TERRACE_FOOT)),
        ("basin clay", south_of(BASIN_EDGE)),
        ("levee sandy loam", south_of(LEVEE_EDGE)),
        ("basin clay", OLD_CHANNEL.buffer(34.0, quad_segs=4)),
        ("dune sand", SAND_DUNE),
        ("dune sand", HILL_SAND),
        ("slope clay loam", WET_HOLLOW),
    ]
    edges = shapely.union_all([ground.boundary.intersection(EXTENT) for _, ground in drawn])
    patches: dict[str, list[BaseGeometry]] = {}
    for face in shapely.polygonize([edges]).geoms:
        inside = face.representative_point()
        top = [unit for unit, ground in drawn if ground.contains(inside)][-1]
        patches.setdefault(top, []).append(face)
    joined = [(unit, part) for unit in HORIZONS for part in parts_of(shapely.union_all(patches[unit]))]
    return joined


def horizons_csv() -> str:
    """Return horizons.csv."""
    rows = [f"{unit},{horizon}" for unit, horizons in HORIZONS.items() for horizon in horizons]
    return "\n".join([",".join(COLUMNS), *rows]) + "\n"
