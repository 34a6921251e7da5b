"""The farm cut to what one field's computation can see: small to send, and its hash changes only when the field's result may."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path

import numpy as np
import rasterio
import shapely

from trafficplan import __version__
from trafficplan.farm.farm import Farm
from trafficplan.farm.operation import Log, Operation, Scenario

#: A log that comes no nearer to a field than this [m], and that none of its operations names, is not part of it.
NEAR_M = 200.0
#: What decides bytes beside this program.
LIBRARIES = ("numpy", "numba", "llvmlite", "scipy", "shapely", "rasterio", "pillow")


def part_of(farm: Farm, field: str, scenarios: Sequence[str]) -> Farm:
    """Return the farm with one field, and with what its computation under these scenarios can see.

    Places, farm tracks, weather, heights, tyre tables and defaults stay whole. What only reports show is left out.
    """
    whole = farm.fields[field]
    box = shapely.box(*whole.polygon.bounds)
    operations = tuple(one for one in farm.operations if one.field == field)
    laid = {key: farm.scenarios[key] for key in dict.fromkeys(["base", *scenarios])}
    patches = tuple(one for one in farm.soil_map if one.polygon.intersects(box))
    units = {one.unit for one in patches}
    outfits = _outfits(operations, laid.values())
    drives = {one.drive for one in operations}
    drives |= {change.drive or "" for scenario in laid.values() for change in scenario.changes}
    return replace(
        farm,
        fields={field: whole},
        soil_map=patches,
        soil_units={key: one for key, one in farm.soil_units.items() if key in units},
        operations=operations,
        scenarios=laid,
        outfits={key: one for key, one in farm.outfits.items() if key in outfits},
        logs={
            key: one for key, one in farm.logs.items() if f"track:{key}" in drives or _near(one, whole.polygon.bounds)
        },
        plans={key: one for key, one in farm.plans.items() if f"plan:{key}" in drives},
        aerial=None,
        inputs={},
        notes=(),
        seen=(),
    )


def common_part(farm: Farm) -> Farm:
    """Return what is the same in the part of every field."""
    return replace(
        farm,
        fields={},
        soil_map=(),
        soil_units={},
        operations=(),
        scenarios={},
        outfits={},
        logs={},
        plans={},
        aerial=None,
        inputs={},
        notes=(),
        seen=(),
    )


def _outfits(operations: Iterable[Operation], scenarios: Iterable[Scenario]) -> set[str]:
    changed = {change.outfit for one in scenarios for change in one.changes if change.outfit}
    return {one.outfit for one in operations} | changed


def _near(log: Log, bounds: tuple[float, float, float, float]) -> bool:
    west, south, east, north = bounds
    across = (log.x > west - NEAR_M) & (log.x < east + NEAR_M)
    return bool(np.any(across & (log.y > south - NEAR_M) & (log.y < north + NEAR_M)))


@lru_cache(maxsize=1)
def program_state() -> str:
    """Return a hash of this program's files and of the libraries that decide its results' bytes."""
    package = Path(__file__).parents[1]
    digest = hashlib.sha256()
    libraries = [f"{name} {version(name)}" for name in LIBRARIES]
    native = (platform.machine(), platform.python_version(), shapely.geos_version_string, rasterio.__gdal_version__)
    digest.update("\n".join([__version__, *native, *libraries]).encode())
    for path in sorted(package.rglob("*")):
        if path.is_file() and path.suffix in (".py", ".csv", ".toml"):
            digest.update(path.relative_to(package).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()
