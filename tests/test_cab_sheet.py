"""The printed sheet: what a driver reads first, nothing that no table allows, one page."""

import re
from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest
import shapely
from cab_plans import EAST, NORTH, cab_plan, without_table
from test_report_browser import browser  # noqa: F401  (a fixture)

from trafficplan.decide.cab import CabAxle
from trafficplan.names import Note
from trafficplan.report.cab_sheet import render_cab_sheet
from trafficplan.report.cab_words import (
    headline,
    load_groups,
    load_rows,
    number_rows,
    pressure_rows,
    rate_words,
    situations_of,
    unspread_rows,
    where_on_swath,
)
from trafficplan.report.cautions import cautions_for
from trafficplan.report.plan_picture import bar_length, plan_picture
from trafficplan.report.words import safe

KEPT = "\N{NO-BREAK SPACE}"


def plain(text: str) -> str:
    return text.replace(KEPT, " ")


def one_pressure() -> tuple[CabAxle, ...]:
    return tuple(CabAxle(axle, 0.9e5, 1.6e5, "hose") for axle in ("front", "rear", "trailer"))


def crowded():
    """Many loads, axles, reasons, warnings and long names: the fullest sheet."""
    plan = cab_plan()
    spots = [plan.swaths[i % len(plan.swaths)].interpolate(0.3 * (i % 3), normalized=True) for i in range(58)]
    why = "a reason with many words that say it at some length, number"
    return replace(
        plan,
        gateway="The north western gate beside the old oak",
        run_outs=tuple((one.x, one.y) for one in spots),
        loads_kg=(3300.0,) * 58,
        load_kg=3300.0,
        unspread=tuple(replace(plan.unspread[0], why=f"{why} {i}") for i in range(9)),
        axles=tuple(CabAxle(f"axle {i} of the trailer", 1e5 + i * 1e4, 2e5, "hose") for i in range(6)),
        notes=tuple(Note("warned", f"a thing {i}", "its value", "words " * 25) for i in range(9)),
    )


def test_the_headline_says_what_to_do_and_when_to_stop():
    plan = replace(cab_plan(), gateway="North gate", load_kg=8000.0, axles=one_pressure())
    first, second = headline(replace(plan, loads_kg=(8000.0,) * 45))
    assert plain(first) == "North gate, 45 loads of 8 t, field 0.9 bar, track 1.6 bar."
    assert plain(second) == "Stop at ruts of 8 cm. Void if the soil smears."


def test_pressures_that_differ_by_axle_are_a_span():
    assert plain(headline(cab_plan())[0]).endswith("field 0.8 to 1.2 bar, track 1.6 to 2.4 bar.")
    same = replace(cab_plan(), axles=tuple(CabAxle(a, 1.6e5, 1.6e5) for a in ("front", "rear")))
    assert plain(headline(same)[0]).endswith(", 1.6 bar all the way.")
    assert plain(headline(replace(cab_plan(), void_if=""))[1]) == "Stop at ruts of 8 cm."


def test_bar_and_psi_stand_beside_each_other():
    # 1.2 bar = 120 000 Pa / 6894.76 = 17.4 psi; 2.4 bar = 34.8 psi
    assert pressure_rows(cab_plan())[2] == ("trailer", "1.2 bar (17 psi)", "2.4 bar (35 psi)", "from the cab")


def test_without_a_tyre_table_no_pressure_is_printed_at_all():
    text = render_cab_sheet(without_table(cab_plan()))
    assert re.search(r"\d[\s\xa0]*(bar|psi)", text) is None
    assert "No pressure is named" in headline(without_table(cab_plan()))[0]
    assert any(one.key == "no_table" for one in cautions_for(situations_of(without_table(cab_plan()))))
    assert re.search(r"\d[\s\xa0]*bar", render_cab_sheet(cab_plan()))


@pytest.mark.parametrize(
    "plan", [cab_plan, lambda: without_table(cab_plan()), crowded], ids=["usual", "no table", "crowded"]
)
def test_every_caution_is_on_the_sheet(plan):
    text = render_cab_sheet(plan())
    cautions = cautions_for(situations_of(plan()))
    assert {"local_rules", "dig", "no_spreading", "distances_kept", "slope", "plates"} <= {one.key for one in cautions}
    assert all(str(safe(one.text)) in text for one in cautions)


def test_text_from_data_cannot_break_the_page():
    plan = replace(cab_plan(), gateway='"><script>alert(1)</script>', order="${x}")
    text = render_cab_sheet(plan)
    assert "<script" not in text and "${x}" not in text and "<Flats>" not in text
    assert "http" not in text.replace("http-equiv", "")


def test_rates_as_they_were_asked_for():
    plan = cab_plan()
    assert rate_words(plan) == "12 t/ha"
    assert rate_words(replace(plan, rate_kg_m2=3.0, density_kg_m3=1000.0)) == "30 m³/ha"
    # 12 t/ha = 12 000 kg x 0.40468564 ha / 907.18474 kg = 5.35 short tons per acre
    assert rate_words(replace(plan, units="us")) == "5.35 tons/acre"
    # 30 m3/ha x 0.40468564 ha / 0.003785411784 m3 = 3207 gal per acre
    assert rate_words(replace(plan, units="us", rate_kg_m2=3.0, density_kg_m3=1000.0)) == "3,207 gal/acre"


def test_numbers_of_the_plan():
    rows = dict(number_rows(cab_plan()))
    assert rows["rate and width"] == "12 t/ha, 12 m"
    assert rows["fill"] == "at the yard, 90 m from the gateway as the crow flies"
    assert rows["spread"] == "15.4 ha, 191.7 t in all"
    assert rows["soil"] == "made for soil that moulds" and "fuel" not in rows
    assert dict(number_rows(replace(cab_plan(), litres=88.4)))["fuel"] == "88 l"


def test_run_outs_are_told_by_swath_and_distance():
    lines = (shapely.LineString([(0, 0), (100, 0)]), shapely.LineString([(100, 12), (0, 12)]))
    plan = replace(cab_plan(), swaths=lines, run_outs=((40, 0), (70, 12), (0, 12.2), (50, 6)), loads_kg=(9e3,) * 4)
    assert where_on_swath(plan, (70, 12)) == (2, 30.0)
    assert [row[2] for row in load_rows(plan)] == [
        "swath 1 at 40 m",
        "swath 2 at 30 m",
        "end of swath 2",
        "beside the swaths",
    ]


def test_reasons_are_told_together_the_largest_first():
    one = cab_plan().unspread[0]
    strips = [replace(one, area_m2=a, why=w) for a, w in ((500, "ditch"), (3000, "corners"), (700, "ditch"))]
    assert unspread_rows(replace(cab_plan(), unspread=tuple(strips))) == ["0.30 ha: corners", "0.12 ha: ditch"]
    assert unspread_rows(crowded())[-1].endswith("5 more reasons")


def test_alike_loads_are_one_group():
    assert load_groups([9000, 8990, 2700, 2700]) == [(1, 2, 9000), (3, 4, 2700)]


def test_scale_bars_are_round():
    assert bar_length(99, "metric") == 50 and bar_length(100, "metric") == 100


def test_the_picture_holds_the_field_in_its_box_and_is_sound_xml():
    plan = cab_plan()
    for width, high in ((186.0, 110.0), (90.0, 120.0)):
        picture = ET.fromstring(str(plan_picture(plan, width, high)))
        box = [float(one) for one in picture.get("viewBox").split()]
        assert box[2] <= width + 1e-6 and box[3] <= high + 1e-6
        words = [one.text for one in picture.iter("text")]
        assert {"G", "F", "South gate", "fill at the yard", "22", "100 m", "north (grid)"} <= set(words)
        drawn = [
            float(x)
            for line in picture.iter("polyline")
            for pair in line.get("points").split()
            for x in pair.split(",")
        ]
        assert min(drawn) >= -0.01 and max(drawn) <= max(box[2], box[3]) + 0.01


def test_a_far_fill_point_does_not_shrink_the_field():
    near = str(plan_picture(cab_plan(), 186, 110))
    far = str(plan_picture(replace(cab_plan(), fill_xy=(EAST + 60, NORTH - 3000)), 186, 110))
    wide = [float(re.search(r'viewBox="0 0 ([\d.]+)', one)[1]) for one in (near, far)]
    assert wide[1] >= wide[0] and ">F<" not in far


@pytest.mark.browser
@pytest.mark.parametrize(
    "plan", [cab_plan, lambda: without_table(cab_plan()), crowded], ids=["usual", "no table", "crowded"]
)
def test_the_sheet_prints_on_one_page(plan, browser):  # noqa: F811
    page = browser.new_page()
    page.set_content(render_cab_sheet(plan()))
    printed = page.pdf(prefer_css_page_size=True, print_background=True)
    assert re.findall(rb"/Type\s*/Pages\b.*?/Count (\d+)", printed, re.DOTALL) == [b"1"]
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    page.close()
