"""A spreading plan of an invented field with a notch, a hole and a pole, for the tests of what goes into the cab."""

from __future__ import annotations

import datetime as dt
import functools
from dataclasses import replace

import numpy as np
import shapely
from routes_farm import NOTCHED, field, operation, outfit
from shapely import LineString, Polygon

from trafficplan.decide.alternatives import Alternative
from trafficplan.decide.cab import CabAxle, CabPlan, Unspread, stretches, swaths_of
from trafficplan.farm.field import FarmTrack, Place
from trafficplan.names import WORK, Note
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.passes import Drive

CRS = "EPSG:32635"
EAST, NORTH = 500_000.0, 6_100_000.0
RATE, LOAD, WIDTH = 1.2, 9000.0, 12.0


def moved(shape: shapely.Geometry) -> shapely.Geometry:
    return shapely.transform(shape, lambda xy: xy + [EAST, NORTH])


@functools.cache
def notched_drive() -> Drive:
    """The planned drive: 12 t/ha of a solid product with 9 t at 12 m, from a yard in the south-west."""
    track = FarmTrack("lane", LineString([(EAST + 60, NORTH - 80), (EAST + 60, NORTH)]), "gravel")
    yard = Place("yard", "yard", moved(shapely.box(40, -100, 80, -80)))
    ground = field(moved(NOTCHED), ((EAST + 60, NORTH),))
    job = operation(change="empties", rate_kg_m2=RATE, load_kg=LOAD)
    return plan_drive(ground, job, outfit(WIDTH, 7.0, LOAD), (track,), (yard,))


@functools.cache
def cab_plan() -> CabPlan:
    """The plan as it goes into the cab."""
    drive = notched_drive()
    work = [one for one in stretches(drive) if one.leg == WORK]
    numbers = sorted({one.load for one in work})
    ends = [max((one for one in work if one.load == number), key=lambda one: one.last) for number in numbers]
    loads = [
        sum(float(drive.load_kg[one.first] - drive.load_kg[one.last]) for one in work if one.load == n) for n in numbers
    ]
    ditch = moved(Polygon([(510, 0), (500, 0), (520, 350), (530, 350)]).buffer(6).intersection(NOTCHED))
    hours = float(drive.time_s[-1]) / 3600
    return CabPlan(
        farm="Ostara <Flats>",
        field="Notch & Pole",
        job="dung",
        outfit="Tractor with trailed spreader",
        day=dt.date(2026, 4, 7),
        units="metric",
        crs=CRS,
        gateway="South gate",
        gate_xy=(EAST + 60, NORTH),
        fill_words="at the yard",
        fill_xy=(EAST + 60, NORTH - 90),
        order="headland first, then every third swath",
        heading_deg=90.0,
        load_kg=LOAD,
        rate_kg_m2=RATE,
        width_m=WIDTH,
        axles=(
            CabAxle("front", 0.8e5, 1.6e5, "hose"),
            CabAxle("rear", 0.9e5, 1.6e5, "hose"),
            CabAxle("trailer", 1.2e5, 2.4e5, "central"),
        ),
        drive=drive,
        run_outs=tuple((float(x), float(y)) for x, y in (drive.xy[one.last] for one in ends)),
        loads_kg=tuple(loads),
        spread_m2=drive.worked_m2,
        unspread=(Unspread(ditch, ditch.area, "within 10 m of the ditch"),),
        hours=hours,
        litres=None,
        moisture="moulds",
        void_if="smears",
        stop_rut_m=0.08,
        boundary=moved(NOTCHED),
        tramlines=(),
        swaths=swaths_of(drive),
        notes=(Note("assumed", "turning radius", "8 m", "not given", "common practice, no source"), *drive.notes),
    )


def without_table(plan: CabPlan) -> CabPlan:
    """The same plan where one tyre has no maker's table."""
    return replace(plan, axles=(*plan.axles[:-1], CabAxle("trailer", None, None, "central")))


def same_place(one: np.ndarray, other: np.ndarray, within_m: float) -> bool:
    return one.shape == other.shape and float(np.abs(one - other).max()) <= within_m


def alternatives() -> tuple[Alternative, ...]:
    """Five invented ways: what is done now, the one advised, two honest others, and one that is beaten."""
    rows = (
        ("A", "as it is done now", 90.0, 9000.0, 22, 0.61, 0.88, 21.5, 5.14, 43.0, (True, False, False)),
        ("B", "lighter loads by the north gate", 90.0, 6000.0, 32, 0.22, 0.41, 19.0, 6.02, 52.3, (False, True, True)),
        ("C", "full loads by the north gate", 90.0, 9000.0, 22, 0.44, 0.63, 19.8, 4.90, 39.8, (False, False, True)),
        ("D", "lighter loads along the tramlines", None, 6000.0, 32, 0.23, 0.40, 15.2, 6.61, 58.9, (False, False, True)),
        ("E", "across, with long words & <signs>", 0.0, 9000.0, 22, 0.62, 0.90, 24.9, 5.80, 47.7, (False, False, False)),
    )  # fmt: skip
    return tuple(
        Alternative(
            key=key, words=words, heading_deg=heading, order="every third swath", gateway="South gate" if key == "A" else "North gate",
            fill_words="at the yard", load_kg=load, loads=loads, size="full loads", pressures_words="field 0.8 to 1.2 bar",
            deep_ha=deep + 0.30, deep_more_ha=deep, lasting_ha=lasting + 0.9, lasting_more_ha=lasting, wheeled_pct=wheeled,
            traffic_t_km_ha={"headland": 95.0 + load / 500, "gateway": 410.0, "infield": 33.0}, hours=hours, km=km, road_km=3.9,
            litres=None if key == "D" else 12 * hours, spread_ha=15.4, overlap_ha=0.21, not_spread_ha=0.05, baseline=marks[0],
            recommended=marks[1], non_dominated=marks[2],
        )
        for key, words, heading, load, loads, deep, lasting, wheeled, hours, km, marks in rows
    )  # fmt: skip
