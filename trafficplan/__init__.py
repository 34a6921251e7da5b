"""Field-traffic planner: maps of cumulative soil compaction risk.

The physics can be asked from Python; SI units inside (m, kg, N, Pa, s). Every name below is loaded when it is
first used. docs/tutorial.md walks through them.

Examples
--------
>>> import trafficplan as tp
>>> wheel = tp.WheelCase(tp.tyre_from_code("650/65R30.5"), load_n=58.84e3, pressure_pa=100e3)
>>> answer = tp.stress_beneath(wheel, tp.ground_of("loam", "moulds"))
>>> [f"{row.depth_m:g} m: {row.stress_pa / 1e3:.0f} kPa, {row.step}" for row in answer.depths if row.depth_m >= 0.5]
['0.5 m: 90 kPa, far over', '0.7 m: 62 kPa, tight', '1 m: 37 kPa, working']
"""

import hashlib
import os
import shutil
import time
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

__version__ = "0.1.0"

# rasterio, pyogrio and pyproj each carry their own GDAL/PROJ data; a stray setting from another program breaks them.
for _name in ("PROJ_DATA", "PROJ_LIB", "GDAL_DATA"):
    os.environ.pop(_name, None)
# A virtual or networked source behind an innocent file name must not be opened.
os.environ["GDAL_SKIP"] = "OGR_VRT,HTTP,WFS,OAPIF"


#: Rooms in which compiled code stands; those of their files that name its compiler are watched.
_KERNEL_ROOMS = ("assess/_kernels.py", "routes/*.py", "soil/*.py", "traffic/*.py")


def _kernel_cache() -> None:
    """Keep compiled kernels in the user's cache, in a folder of their own for each state of the files they stand in.

    numba notices a change in a kernel's own file only, not in the files of the kernels that it calls: without this a
    changed formula could go on being computed by an old kernel. Where nothing can be written, kernels stay in memory.
    """
    package = Path(__file__).parent
    kernels = sorted(path for room in _KERNEL_ROOMS for path in package.glob(room))
    digest = hashlib.sha256(str(package).encode())
    for content in (path.read_bytes() for path in kernels):
        if b"njit" in content or b"numba" in content:
            digest.update(content)
    key = digest.hexdigest()[:16]
    root = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "trafficplan"
    folder = root / f"kernels-{key}"
    try:
        if not folder.exists():
            folder.mkdir(parents=True, exist_ok=True)  # another process may just have made it
            for other in root.glob("kernels-*"):
                if time.time() - other.stat().st_mtime > 7 * 86400:
                    shutil.rmtree(other, ignore_errors=True)
    except (OSError, RuntimeError):
        return
    if os.access(folder, os.W_OK):
        os.environ["NUMBA_CACHE_DIR"] = str(folder)


if "NUMBA_CACHE_DIR" not in os.environ:
    _kernel_cache()

if TYPE_CHECKING:
    from trafficplan.decide.beneath import (
        DepthAnswer,
        Ground,
        Models,
        WheelAnswer,
        WheelCase,
        ground_of,
        stress_beneath,
    )
    from trafficplan.decide.ladder import Rungs, rungs
    from trafficplan.decide.trip import AxleLoad, heaviest
    from trafficplan.machines.contact import contact_area, upper_area
    from trafficplan.machines.inflation import cold_pressure_gas_law, hot_pressure_gas_law
    from trafficplan.machines.loadindex import load_of_index, speed_of_symbol
    from trafficplan.machines.loads import axle_loads
    from trafficplan.machines.outfit import Axle, Outfit, Vehicle, Wheel
    from trafficplan.machines.tyre import Tyre, track_from_sizes, tyre_from_code
    from trafficplan.machines.tyre_table import NoPressure, TyreRow, TyreTable, lowest_pressure

_HOMES: dict[str, str] = {
    name: home
    for home, names in (
        ("decide.beneath", "DepthAnswer Ground Models WheelAnswer WheelCase ground_of stress_beneath"),
        ("decide.ladder", "Rungs rungs"),
        ("decide.trip", "AxleLoad heaviest"),
        ("machines.contact", "contact_area upper_area"),
        ("machines.inflation", "cold_pressure_gas_law hot_pressure_gas_law"),
        ("machines.loadindex", "load_of_index speed_of_symbol"),
        ("machines.loads", "axle_loads"),
        ("machines.outfit", "Axle Outfit Vehicle Wheel"),
        ("machines.tyre", "Tyre track_from_sizes tyre_from_code"),
        ("machines.tyre_table", "NoPressure TyreRow TyreTable lowest_pressure"),
    )
    for name in names.split()
}

__all__ = [
    "Axle", "AxleLoad", "DepthAnswer", "Ground", "Models", "NoPressure", "Outfit", "Rungs", "Tyre", "TyreRow",
    "TyreTable", "Vehicle", "Wheel", "WheelAnswer", "WheelCase", "axle_loads", "cold_pressure_gas_law",
    "contact_area", "ground_of", "heaviest", "hot_pressure_gas_law", "load_of_index", "lowest_pressure", "rungs",
    "speed_of_symbol", "stress_beneath", "track_from_sizes", "tyre_from_code", "upper_area",
]  # fmt: skip


def __getattr__(name: str) -> object:
    """Load a public name from its home at first use: `import trafficplan` alone stays light."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
