"""Operations, scenarios and recorded logs, as plain data in SI units."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from trafficplan.names import Note


@dataclass(frozen=True)
class Moisture:
    """Soil water tension of the top (tilled) and deep layer [Pa], and the words they were given in."""

    top_pa: float
    deep_pa: float
    words: str


@dataclass(frozen=True)
class Operation:
    """One job in one field on one day: a row of operations.csv.

    Attributes
    ----------
    row : row number in the file (the header is row 1); decides order after day and time
    outfit : key of the outfit
    rate_kg_m2 : product applied (job empties) or taken up (job fills) per area, or None
    load_kg : product on board when full for this job (start of each trip when emptying), or None: the outfit's capacity
    change : "empties" (spreads), "fills" (harvests) or "constant"
    pressures_pa : axle key -> field pressure [Pa]; key "*" stands for all axles
    drive : "tramlines", "swaths", "track:KEY" of a recorded log, or "plan:KEY" of a drive written down
    heading_deg : direction of swaths, clockwise from grid north, or None: along the longest edge
    gateway : key of the gateway used, or None: nearest to the yard
    width_m : working width for this job, or None: the outfit's
    till_depth_m : depth tilled, 0 for none
    runs_at_depth_m : depth at which the furrow-side wheels run (open furrow), 0 for none
    moisture : given moisture, or None
    surface : "frozen", "snow", "waterlogged" or ""
    """

    key: str
    row: int
    day: dt.date
    start: dt.time | None
    field: str
    job: str
    outfit: str
    rate_kg_m2: float | None = None
    load_kg: float | None = None
    change: Literal["empties", "fills", "constant"] = "constant"
    pressures_pa: Mapping[str, float] = dataclasses.field(default_factory=dict)
    drive: str = "swaths"
    heading_deg: float | None = None
    gateway: str | None = None
    width_m: float | None = None
    till_depth_m: float = 0.0
    runs_at_depth_m: float = 0.0
    moisture: Moisture | None = None
    surface: str = ""
    earliest: dt.date | None = None
    latest: dt.date | None = None
    fixed_because: str = ""


@dataclass(frozen=True)
class Change:
    """One change of a scenario: which operations, and what replaces their values.

    `operations`, `jobs`, `outfits`, `fields` select (empty = all); `load_factor` multiplies the load; the others
    replace: `load_kg`, `pressures_pa`, `moisture`, `day`, `gateway`, `outfit`, `drive` ("tramlines" or "swaths"),
    `width_m`, `heading_deg`.
    """

    operations: tuple[str, ...] = ()
    jobs: tuple[str, ...] = ()
    outfits: tuple[str, ...] = ()
    fields: tuple[str, ...] = ()
    load_kg: float | None = None
    load_factor: float | None = None
    pressures_pa: Mapping[str, float] = dataclasses.field(default_factory=dict)
    moisture: Moisture | None = None
    day: dt.date | None = None
    gateway: str | None = None
    outfit: str | None = None
    drive: str | None = None
    width_m: float | None = None
    heading_deg: float | None = None


@dataclass(frozen=True)
class Scenario:
    """A named set of changes laid over the operations; `base` has none."""

    key: str
    title: str
    changes: tuple[Change, ...] = ()


@dataclass(frozen=True)
class Log:
    """A recorded track as read: one row per fix, in the working CRS, in file order.

    Attributes
    ----------
    key : file name without its folder; for one log of several in a file, the file, "/" and its name
    time_s : seconds (since 1970-01-01 UTC, or since the first record), NaN where missing
    x, y : [m]
    speed_m_s, flow_kg_s, load_kg, step_m : recorded columns, or None where the log has none
    record_s : length of each record [s], or None
    width_m, working : working width [m], 1 in work and 0 out of it, or None
    pressure_pa : tyre pressure as recorded [Pa gauge], cold where a temperature was recorded too, or None
    tyre_celsius : temperature of the air in the tyre [degrees C], or None
    rows : records in the file, before any was left out; 0 where not counted
    outfit : key of the outfit that recorded it as farm.toml says, or ""
    pressure_axle : axle whose tyre pressure was recorded as farm.toml says, or "*": all
    """

    key: str
    time_s: NDArray[np.float64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    speed_m_s: NDArray[np.float64] | None = None
    flow_kg_s: NDArray[np.float64] | None = None
    load_kg: NDArray[np.float64] | None = None
    step_m: NDArray[np.float64] | None = None
    record_s: NDArray[np.float64] | None = None
    notes: tuple[Note, ...] = ()
    width_m: NDArray[np.float64] | None = None
    working: NDArray[np.float64] | None = None
    pressure_pa: NDArray[np.float64] | None = None
    tyre_celsius: NDArray[np.float64] | None = None
    rows: int = 0
    outfit: str = ""
    pressure_axle: str = "*"


@dataclass(frozen=True)
class DrivePlan:
    """A drive as written down in plans/KEY.csv, to the millimetre, millisecond and gram; arrays by vertex.

    Attributes
    ----------
    xy : (n, 2) way of the powered vehicle's reference point in the working CRS [m]
    time_s : since the start of the operation
    load_kg : product on board
    leg : codes of names.LEGS, for the stretch that starts at the vertex
    furrow : which wheels run in the open furrow: 0 none, 1 left, -1 right
    width_m, trips, worked_m2, unworked_m2 : working width, loads, ground worked and not worked
    """

    key: str
    xy: NDArray[np.float64]
    time_s: NDArray[np.float64]
    load_kg: NDArray[np.float64]
    leg: NDArray[np.int8]
    furrow: NDArray[np.int8]
    width_m: float
    trips: int
    worked_m2: float
    unworked_m2: float
