"""The page that compares ways of doing the job: every way once, what is done now first, all cautions, no network."""

import re
from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest
from cab_plans import alternatives, cab_plan, without_table

from trafficplan.decide.alternatives import in_order
from trafficplan.names import Note
from trafficplan.report.cab_words import situations_of
from trafficplan.report.cautions import cautions_for
from trafficplan.report.spread_chart import alternatives_chart
from trafficplan.report.spread_page import PlanPage, render_page
from trafficplan.report.words import safe

REASON = "Lighter loads by the north gate: 0.47 ha less expected lasting damage. It takes 53 minutes more."


def told(**other) -> PlanPage:
    ways = alternatives()
    values = {
        "alternatives": ways,
        "smears": {one.key: replace(one, lasting_more_ha=one.lasting_more_ha + 2) for one in ways[:3]},
        "reason": REASON,
        "advised": replace(cab_plan(), gateway="North gate"),
        "now": cab_plan(),
        "tried": 143,
        "refused": (("the load does not suit the rate", 4),),
        "whole": True,
        "notes": (
            Note("assumed", "fuel", "0.27 l/kWh", "not given", "memory"),
            Note("warned", "a <thing>", "1", "why"),
        ),
    }
    return PlanPage(**(values | other))


def rows_of(page: str) -> list[list[str]]:
    """Return the cells of the table of ways as plain text."""
    body = page[page.index('<table class="ways">') :]
    body = body[: body.index("</table>")]
    rows = re.findall(r"<tr[^>]*>(.*?)</tr>", body, re.DOTALL)
    return [
        [re.sub(r"<[^>]+>", " ", cell) for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.DOTALL)]
        for row in rows
    ]


def test_every_way_is_a_row_with_its_numbers_and_marks():
    head, *rows = rows_of(render_page(told()))
    assert len(rows) == 5 and all(len(row) == len(head) for row in rows)
    now, advised, beaten = rows[0], rows[1], rows[4]
    assert "A" in now[0].split() and "now" in now[0] and "advised" not in now[0]
    assert "advised" in advised[0] and "32 loads of 6 t" in advised[0] and "North gate" in advised[0]
    assert "another one is better in everything" in beaten[0]
    assert [advised[1].split()[0], advised[2].split()[0], advised[3].strip(), advised[4].strip()] == [
        "0.41",
        "0.22",
        "2.41",
        "19",
    ]
    assert advised[6].strip() == "6.0" and advised[8].strip() == "72" and rows[3][8].strip() == ""
    assert rows[3][3].strip() == "" and "along the tramlines" in rows[3][0]


def test_reason_and_what_it_costs_stand_first():
    page = render_page(told())
    assert page.index(str(safe(REASON))) < page.index("<table")
    assert "cut short" not in page and "cut short" in render_page(told(whole=False))
    assert (
        "143 ways were driven and judged" in page and "4 could not be driven (the load does not suit the rate)" in page
    )


def test_text_from_data_is_harmless_and_the_page_needs_no_network():
    page = render_page(told(reason="<script>alert(1)</script> ${x}"))
    assert "<script" not in page and "${x}" not in page and "<signs>" not in page and "<thing>" not in page
    links = set(re.findall(r'(?:href|src)="([^"#][^"]*)"', page))
    assert links == {"sheet.html", "drive.gpx", "drive.gpkg", "TASKDATA/TASKDATA.XML"}
    assert "default-src 'none'" in page


@pytest.mark.parametrize("plan", [cab_plan(), without_table(cab_plan())], ids=["tables", "no table"])
def test_all_cautions_are_there(plan):
    page = render_page(told(advised=plan))
    assert all(str(safe(one.text)) in page for one in cautions_for(situations_of(plan)))


def test_maps_of_both_ways_stand_side_by_side():
    page = render_page(told())
    assert page.count('<svg class="plan"') == 2
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    same = tuple(replace(one, recommended=one.baseline) for one in alternatives())
    assert render_page(told(alternatives=same)).count('<svg class="plan"') == 1


def test_the_chart_names_every_way_and_is_the_same_each_time():
    chart = str(alternatives_chart(alternatives(), "metric"))
    words = [one.text for one in ET.fromstring(chart).iter("{http://www.w3.org/2000/svg}text")]
    assert {"A now", "B advised", "C", "D", "E"} <= set(words) and words.count("B advised") == 2
    assert chart == str(alternatives_chart(alternatives(), "metric"))


def test_acres_where_people_think_in_acres():
    page = render_page(told(advised=replace(cab_plan(), units="us")))
    assert "acres" in rows_of(page)[0][1] and " ha<" not in page
    # 0.41 ha = 1.013 acres
    assert rows_of(page)[2][1].split()[0] == "1.01"


def test_order_of_people():
    assert [one.key for one in in_order(list(alternatives()[::-1]))] == ["A", "B", "D", "C", "E"]
