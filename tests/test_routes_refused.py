"""Jobs that cannot be driven, or only in part: refused in words, or told with hectares and reason."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from routes_farm import field, operation, outfit
from shapely import MultiPolygon, Polygon, box

from trafficplan.errors import InputError
from trafficplan.routes.choice import Choice
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.refused import breadth
from trafficplan.routes.tell import coverage, loads_kg, work_lines

BLOCK = box(0, 0, 260, 180)
GATE = ((40.0, 0.0),)
SPREAD = operation(rate_kg_m2=3.0, change="empties")

REFUSED: dict[str, tuple[dict[str, Any], str, str]] = {
    "no rate": ({"job": replace(SPREAD, rate_kg_m2=0.0)}, "the rate makes no sense", "0 t/ha"),
    "negative rate": ({"job": replace(SPREAD, rate_kg_m2=-1.0)}, "the rate makes no sense", "-10 t/ha"),
    "rate of no number": ({"job": replace(SPREAD, rate_kg_m2=math.nan)}, "the rate makes no sense", "nan t/ha"),
    "absurd rate": ({"job": replace(SPREAD, rate_kg_m2=90.0)}, "the rate makes no sense", "900 t/ha"),
    "wider than the field": ({"rig": outfit(200.0, 8.0)}, "the working width does not suit", "field 180.0 m across"),
    "no width": ({"job": replace(SPREAD, width_m=-3.0)}, "the working width does not suit", "width -3 m"),
    "radius too big": ({"rig": outfit(12.0, 100.0)}, "no round and no bout fits into the field", "radius 100 m"),
    # 36 kg/m: 300 kg last 8.3 m
    "hopper of nothing": ({"rig": outfit(12.0, 6.5, 300.0)}, "gone as soon as it is begun", "lasts 8.3 m"),
    "nothing to spread on": ({"spread_on": box(500, 0, 600, 90)}, "no ground of the field may be spread", "nothing is left"),
    "too little to spread on": ({"spread_on": box(0, 50, 260, 52)}, "no round and no bout fits", "2.0 m across"),
    "fill point nowhere": ({"fill_xy": (math.nan, 0.0)}, "the fill point is no place", "nan"),
    "time before it begins": ({"fill_s": -5.0}, "the time at the fill point makes no sense", "-5 s"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_driven_is_refused_in_words(case: str) -> None:
    given, what, found = REFUSED[case]
    choice = Choice(**{k: v for k, v in given.items() if k not in ("job", "rig")})
    with pytest.raises(InputError) as caught:
        plan_drive(field(BLOCK, GATE), given.get("job", SPREAD), given.get("rig", outfit()), choice=choice)
    assert any(what in problem.what and found in problem.found for problem in caught.value.problems)
    for problem in caught.value.problems:
        assert all(problem.as_dict().values())


def test_all_problems_come_at_once() -> None:
    with pytest.raises(InputError) as caught:
        plan_drive(field(BLOCK, GATE), replace(SPREAD, rate_kg_m2=0.0), outfit(200.0, 8.0), choice=Choice(fill_s=-1.0))
    assert len(caught.value.problems) == 3


def test_field_cut_in_two_by_a_ditch_is_worked_in_part_and_told() -> None:
    cut = MultiPolygon([BLOCK, box(0, 190, 260, 300)])
    drive = plan_drive(field(cut, GATE), SPREAD, outfit())
    (note,) = [note for note in drive.notes if note.value == "not worked"]
    assert "2.86 ha" in note.what and note.why == "no gateway opens into it"
    assert coverage(drive, field(cut, GATE)).missed[0].area_m2 == pytest.approx(28600.0)


def test_part_too_small_for_the_outfit_is_told() -> None:
    two = MultiPolygon([BLOCK, box(280, 0, 300, 15)])
    drive = plan_drive(field(two, (*GATE, (290.0, 0.0))), SPREAD, outfit(12.0, 8.0))
    (note,) = [note for note in drive.notes if note.value == "not worked"]
    assert "0.03 ha" in note.what and "fits into it" in note.why
    assert drive.worked_m2 / BLOCK.area > 0.99


def test_bouts_longer_than_a_load_are_worked_all_the_same() -> None:
    # 9 t/ha x 12 m: a load of 5 t lasts 139 m, bouts are 236 m
    drive = plan_drive(field(BLOCK, GATE), SPREAD, outfit(12.0, 6.5, 5e3))
    assert coverage(drive, field(BLOCK, GATE)).worked_m2 / BLOCK.area > 0.99
    assert loads_kg(drive).max() <= 5e3 + 1e-6


def test_narrow_ground_is_worked_within_its_edges() -> None:
    # 20 m broad: two strips of 12 m that overlap by 4 m, none beyond the edges
    zone = box(0, 50, 260, 70)
    drive = plan_drive(field(BLOCK, GATE), SPREAD, outfit(12.0, 7.0), choice=Choice(spread_on=zone))
    heights = sorted({round(float(y), 3) for line in work_lines(drive) for y in line[:, 1]})
    assert heights == [56.0, 64.0]
    found = coverage(drive, field(BLOCK, GATE), zone)
    assert found.beyond_m2 < 0.1
    # bouts end so far from the fence that the outfit can turn: radius 7 m and a metre at each end
    assert found.worked_m2 == pytest.approx(20.0 * (260.0 - 2 * 8.0), rel=1e-3)


def test_breadth_of_ground() -> None:
    assert breadth(BLOCK) == pytest.approx(180.0)
    assert breadth(Polygon([(0, 0), (30, 40), (22, 46), (-8, 6)])) == pytest.approx(10.0)
