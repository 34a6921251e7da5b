"""Weighing alternatives: by hand-made ones whose order is plain to see."""

from dataclasses import replace

import pytest

from trafficplan.decide.alternatives import Alternative
from trafficplan.decide.weighing import advised, beats, covering, measures, shortlist, unbeaten
from trafficplan.report.spread_result import reason


def one(key, lasting=1.0, hours=10.0, **other):
    zones = {"headland": 50.0, "gateway": 90.0, "infield": 20.0, "all": 30.0}
    given = {
        "key": key, "words": f"way {key}", "heading_deg": None, "order": "", "gateway": "", "fill_words": "",
        "load_kg": 9e3, "loads": 20, "size": "full", "pressures_words": "", "deep_ha": lasting, "deep_more_ha": lasting,
        "lasting_ha": lasting, "lasting_more_ha": lasting, "wheeled_pct": 12.0, "traffic_t_km_ha": zones,
        "hours": hours, "km": 20.0, "road_km": 4.0, "litres": 100.0, "spread_ha": 20.0, "overlap_ha": 0.4,
    }  # fmt: skip
    return Alternative(**{**given, **other})


def test_one_that_is_better_in_one_thing_and_worse_in_none_beats_another():
    a, b, c = one("1"), one("2", lasting=0.5), one("3", lasting=0.5, hours=12.0)
    assert beats(measures(b), measures(a)) and not beats(measures(a), measures(b))
    assert not beats(measures(a), measures(c)) and not beats(measures(c), measures(a))
    assert [x.key for x in unbeaten([a, b, c])] == ["2"]
    assert [x.key for x in unbeaten([a, c])] == ["1", "3"]


def test_differences_that_nobody_sees_are_none():
    assert measures(one("1")) == measures(one("2", lasting=1.001, hours=10.01))
    assert [x.key for x in unbeaten([one("1"), one("2", lasting=1.001)])] == ["1"]


def test_an_hour_is_worth_so_many_hectares():
    quick, best, slow = one("1", 1.0, 8.0), one("2", 0.6, 9.9), one("3", 0.1, 15.1)
    # at 0.1 ha an hour: 1.8, 1.59, 1.61; at 0.05 ha: 1.4, 1.095, 0.855; at 0.5 ha: 5.0, 5.55, 7.65
    assert [advised([quick, best, slow], worth, None).key for worth in (0.1, 0.05, 0.5)] == ["2", "3", "1"]
    assert advised([quick, best, slow], 0.05, 10.0).key == "2"
    assert advised([quick, best, slow], 0.05, 4.0).key == "1"  # none fits: the quickest


def test_a_way_that_leaves_ground_unspread_is_no_alternative():
    base, lazy = one("1", not_spread_ha=0.05), one("2", lasting=0.1, not_spread_ha=1.0)
    assert [x.key for x in covering([base, lazy], base, 20.0)] == ["1"]
    assert [x.key for x in shortlist([base, lazy], 20.0, 6, 0.1)] == ["1"]


def test_the_short_list_begins_with_what_is_done_now_and_marks_the_advised_one():
    found = [one("1"), one("2", 0.5), one("3", 0.4, 12.0), one("4", 2.0, 20.0), one("5", 0.9, 9.0)]
    short = shortlist(found, 20.0, 3, 0.1)
    assert [x.key for x in short][:2] == ["1", "2"] and len(short) == 3  # 1.5 against 1.6, 1.8 and 1.8
    assert [x.baseline for x in short] == [True, False, False]
    assert [x.recommended for x in short] == [False, True, False]
    assert not short[0].non_dominated and short[1].non_dominated
    assert "4" not in {x.key for x in shortlist(found, 20.0, 26, 0.1)}


def test_the_reason_tells_both_sides():
    base, best = one("A", 1.0, 10.0), one("B", 0.4, 10.5, loads=30, km=22.5)
    text = reason(best, base)
    assert "0.60 ha less expected lasting damage" in text and "30 minutes more" in text
    assert "30 loads instead of 20" in text and "2.5 km more" in text
    assert text.count(". ") == 1 and text.endswith(".")
    kept = reason(replace(base, baseline=True), base)
    assert kept.startswith("Nothing that was tried spares more") and "1.00 ha" in kept
    worse = reason(one("B", 1.1, 9.0, loads=1, km=20.0), base)
    assert "0.10 ha more expected lasting damage than" in worse and "60 minutes less, 1 load instead" in worse
    assert "as much driving" in worse and "-" not in worse
    alike = reason(one("B", 1.001, 9.99, loads=20), base)
    assert "as much expected lasting damage as what is done now." in alike and "1 minute less" in alike
    assert "1.48 acres less" in reason(best, base, "us")  # 0.6 ha x 2.471 acres/ha


@pytest.mark.parametrize("count", [2, 4])
def test_the_short_list_is_as_long_as_asked(count):
    found = [one("1"), *(one(str(i), 1.0 - 0.1 * i, 10.0 + i / 4) for i in range(2, 8))]
    assert len(shortlist(found, 20.0, count, 0.1)) == count
