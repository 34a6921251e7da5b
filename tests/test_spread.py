"""The spreading plan: what it asks, what it tries, what it answers; on the sample farm at a coarse grid."""

import csv
import datetime as dt
import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from conftest import REPO, sample_farm
from typer.testing import CliRunner

from trafficplan.chain import Plan
from trafficplan.cli import main  # noqa: F401 - registers the commands
from trafficplan.cli.answer import app
from trafficplan.cli.asked_spread import asked_of, check_take, strips_of
from trafficplan.decide.alternatives import Alternative
from trafficplan.decide.spread import baseline, drive_of, headings, judged, loads, pressure_sets, routes
from trafficplan.decide.spread_plan import cab_plan, day_of
from trafficplan.errors import InputError, Problem
from trafficplan.inputs.farm import read_farm
from trafficplan.report.spread_result import result_of, text_of
from trafficplan.whatif import season_before
from trafficplan.work import alternatives as trying
from trafficplan.work.spreading import plan_fields

ASKED = {
    "outfit": "spreader", "rate": "12t/ha", "job": "manure", "load_t": None, "date": "2026-10-20", "soil": "moulds",
    "surface": None, "gateway": [], "fill_at": "yard", "fill_min": None, "loader": None, "brought_by": None,
    "heading_deg": None, "off_tramlines": False, "keep": [], "hours": None,
}  # fmt: skip


@pytest.fixture(scope="module")
def farm():
    return read_farm(sample_farm())


def job_of(farm, name, **asked):
    return asked_of(farm, sample_farm(), name, {**ASKED, **asked})


@pytest.fixture(scope="module")
def planned(farm):
    return plan_fields([job_of(farm, "Yard Field")], Plan(cell=4.0), 5, 30, None, 1)


def test_every_heading_gateway_and_order_is_tried_once_and_the_baseline_first(farm):
    job = job_of(farm, "Yard Field")
    ways = routes(job)
    assert len(ways) == len(job.gateways) * len(headings(job)) * 5
    assert ways[0] == replace(baseline(job), key="1")
    assert len({(one.operation.gateway, one.operation.heading_deg, one.choice.order) for one in ways}) == len(ways)
    assert [one.key for one in ways] == [str(i) for i in range(1, len(ways) + 1)]


def test_no_pressure_that_is_tried_lies_below_the_table(farm):
    job = job_of(farm, "Yard Field")
    sets = pressure_sets(job, job.full_kg)
    assert len(sets) >= 2
    lowest = next(one for one in sets if one.words == "let down for the field").field_pa
    for one in sets:
        assert all(one.field_pa.get(axle, 1e9) >= least - 1.0 for axle, least in lowest.items())
    assert [one.words for one in pressure_sets(replace(job, farm=replace(farm, tyre_tables={})), job.full_kg)] == [
        "as in the outfit's file"
    ]


def test_what_is_done_now_is_never_below_a_table_either(farm):
    outfit = farm.outfits["spreader"]
    drawn = outfit.vehicles[1]
    soft = replace(drawn, axles=(replace(drawn.axles[0], field_pa=0.6e5),))
    low = replace(farm, outfits={**farm.outfits, "spreader": replace(outfit, vehicles=(outfit.vehicles[0], soft))})
    job = job_of(low, "Yard Field")
    table = next(one for one in pressure_sets(job, job.full_kg) if one.words == "let down for the field").field_pa
    assert all(one.operation.pressures_pa["spreader"] >= table["spreader"] > 0.6e5 for one in routes(job))
    assert any("0.6 bar" in note.what and note.kind == "warned" for note in job.notes)


def test_a_day_of_another_year_is_warned_of(farm):
    assert any("season 2026" in note.why for note in job_of(farm, "Yard Field", date="2062-10-20").notes)
    assert not any("season 2026" in note.why for note in job_of(farm, "Yard Field").notes)


def test_fields_of_one_day_have_one_day(farm):
    fields = ["Heron Meadow", "Sand Rise"]
    days = {job_of(farm, name, field=fields, date=None).operation.day for name in fields}
    last = max(one.day for one in farm.operations if one.field in fields)
    assert days == {last + dt.timedelta(days=1)}
    assert job_of(farm, "Sand Rise", date=None).operation.day < last


def test_on_a_slope_no_table_is_said_to_be_missing(farm, planned):
    (plan,) = planned.fields
    steep = replace(plan, job=replace(plan.job, slope=0.2))
    bare = replace(steep, alternatives=tuple(replace(one, pressures_words="") for one in plan.alternatives))
    assert "No maker's table" in text_of([replace(bare, job=plan.job)], (), None, [])
    assert "No maker's table" not in text_of([bare], (), None, [])


def test_an_axle_that_cannot_change_has_one_pressure_on_the_sheet(farm, planned):
    (plan,) = planned.fields
    job = job_of(farm, "Yard Field")
    for pressures in pressure_sets(job, job.full_kg):
        way = replace(
            baseline(job), pressures=pressures, operation=replace(job.operation, pressures_pa=pressures.field_pa)
        )
        axles = cab_plan(job, way, plan.base, plan.cab.drive).axles
        fixed = [one for one in axles if one.adjust == "none"]
        assert [one.axle for one in fixed] == ["front", "rear"]
        assert all(one.field_pa == one.track_pa for one in fixed)
        if pressures.whole_trip:
            assert all(one.field_pa == one.track_pa for one in axles)


def test_letting_down_takes_its_time_for_every_load_from_the_yard(farm):
    outfit = farm.outfits["spreader"]
    drawn = outfit.vehicles[1]
    hard = replace(drawn, axles=(replace(drawn.axles[0], field_pa=2.4e5, track_pa=2.4e5),))
    stiff = replace(farm, outfits={**farm.outfits, "spreader": replace(outfit, vehicles=(outfit.vehicles[0], hard))})
    job = job_of(stiff, "Yard Field")
    before = season_before(stiff, stiff.scenarios["base"], job.field, Plan(cell=4.0), job.operation.day)
    now = baseline(job)
    lower = next(one for one in pressure_sets(job, job.full_kg) if one.words == "let down for the field")
    down = replace(now, pressures=lower, operation=replace(now.operation, pressures_pa=lower.field_pa))
    a, b = judged(job, before, now), judged(job, before, down)
    assert isinstance(a, Alternative) and isinstance(b, Alternative)
    # two changes of 15 min for each load, by hose
    assert b.hours - a.hours == pytest.approx(0.5 * a.loads)


def test_a_part_without_a_gateway_is_named_as_such(farm):
    field = farm.fields["Ditch Field"]
    one_gate = replace(farm, fields={**farm.fields, "Ditch Field": replace(field, gateways=field.gateways[:1])})
    job = job_of(one_gate, "Ditch Field", keep=["watercourse:1"], off_tramlines=True)
    way = baseline(job)
    drive = drive_of(job, way)
    before = season_before(one_gate, one_gate.scenarios["base"], job.field, Plan(cell=4.0), job.operation.day)
    told = judged(job, before, way)
    assert isinstance(told, Alternative)
    whys = {one.why: one.area_m2 for one in cab_plan(job, way, told, drive).unspread}
    (left,) = [why for why in whys if "no gateway opens into it" in why]
    other = min(part.area for part in field.polygon.geoms)
    assert whys[left] > 0.9 * other


def test_gateways_of_several_fields_may_be_named_together(farm):
    fields = ["Yard Field", "Oxbow"]
    job = job_of(farm, "Yard Field", field=fields, gateway=["Yard Field low gate"])
    assert job.gateways == ("Yard Field low gate",)
    other = job_of(farm, "Oxbow", field=fields, gateway=["Yard Field low gate"])
    assert set(other.gateways) == {gate.key for gate in farm.fields["Oxbow"].gateways}


@pytest.mark.parametrize(
    ("take", "name", "words"),
    [("Z", "plan", "no such alternative"), ("AB", "plan", "no such alternative"), ("", "plan", "no such alternative"),
     ("b", "../x", "not a name"), ("B", "mill-slurry", "there already"), ("B", "", "not a name")],
)  # fmt: skip
def test_what_cannot_be_taken_is_refused_before_the_work(farm, take, name, words):
    asked = {"take": take, "take_as": name, "alternatives": 6, "field": ["Yard Field"]}
    with pytest.raises(InputError) as caught:
        check_take(farm, asked)
    assert words in caught.value.problems[0].what
    check_take(farm, {**asked, "take": "b", "take_as": "autumn"})


def stops_after(count):
    """Return a stand-in for judging that is interrupted at the call after `count`."""
    calls = []

    def judging(*given):
        calls.append(given)
        if len(calls) > count:
            raise KeyboardInterrupt
        return judged(*given)

    return judging


def test_a_field_that_cannot_be_driven_costs_only_itself(farm, monkeypatch):
    jobs = [job_of(farm, name) for name in ("Oxbow", "Yard Field")]
    problem = Problem("the tramlines do not fit", "Oxbow", "24 m", "12 m", "mend the lines")

    def judging(job, *given):
        if job.field.key == "Oxbow":
            raise InputError(problem)
        return judged(job, *given)

    monkeypatch.setattr(trying, "judged", judging)
    done = plan_fields(jobs, Plan(cell=4.0), 5, 2, None, 1)
    assert [one.field for one in done.fields] == ["Yard Field"] and not done.unplanned
    assert done.failed == {"Oxbow": (problem,)}
    told = result_of(done.fields, done.day, done.hours, done.unplanned, done.failed)
    assert told["failed"]["Oxbow"][0]["mend"] == "mend the lines"
    assert "Oxbow is not planned." in text_of(done.fields, done.day, None, [], done.unplanned, done.failed)
    with pytest.raises(InputError, match="the tramlines do not fit"):
        plan_fields(jobs[:1], Plan(cell=4.0), 5, 2, None, 1)


def test_an_interrupt_keeps_the_best_so_far(farm, monkeypatch):
    jobs = [job_of(farm, name) for name in ("Yard Field", "Oxbow")]
    monkeypatch.setattr(trying, "judged", stops_after(3))
    done = plan_fields(jobs, Plan(cell=4.0), 5, 30, None, 1)
    (plan,) = done.fields
    assert plan.tried == 3 and not plan.whole and done.unplanned == ("Oxbow",)
    assert plan.alternatives[0].baseline
    monkeypatch.setattr(trying, "judged", stops_after(2))
    done = plan_fields(jobs, Plan(cell=4.0), 5, 2, None, 1)  # the first is whole, nothing of the second is judged
    assert done.fields[0].whole and done.unplanned == ("Oxbow",)
    monkeypatch.setattr(trying, "judged", stops_after(0))
    with pytest.raises(KeyboardInterrupt):
        plan_fields(jobs, Plan(cell=4.0), 5, 2, None, 1)


def test_an_asked_load_is_the_only_one(farm):
    job = job_of(farm, "Yard Field", load_t=6.0)
    assert {one.operation.load_kg for one in loads(job, routes(job)[:2], 1)} == {6000.0}


def test_the_short_list_is_honest(planned):
    (plan,) = planned.fields
    base, best = plan.base, plan.advised
    assert plan.alternatives[0] is base and base.baseline and len(plan.alternatives) <= 5
    assert best.lasting_more_ha + 0.1 * best.hours <= base.lasting_more_ha + 0.1 * base.hours + 1e-3
    for one in plan.alternatives:
        assert one.spread_ha <= plan.job.field.polygon.area / 1e4
        assert one.deep_more_ha <= one.deep_ha and one.lasting_more_ha >= 0
        assert one.km > one.road_km >= 0 and one.wheeled_pct > 0


def test_the_loads_of_the_plan_are_rate_times_ground(planned):
    (plan,) = planned.fields
    need = plan.cab.rate_kg_m2 * (plan.advised.spread_ha + plan.advised.overlap_ha) * 1e4
    assert sum(plan.cab.loads_kg) == pytest.approx(need, rel=0.005)
    assert set(plan.job.notes) <= set(plan.cab.notes) <= set(plan.notes)
    assert len(plan.cab.run_outs) == len(plan.cab.loads_kg) == plan.advised.loads
    assert max(plan.cab.loads_kg) == pytest.approx(plan.cab.load_kg) and plan.cab.load_kg <= plan.advised.load_kg + 1e-6


def test_loads_all_alike_are_named_by_what_is_on_board(farm, planned):
    (plan,) = planned.fields
    job = job_of(farm, "Yard Field")
    way = next(one for one in loads(job, routes(job)[:1], 2) if one.choice.size == "balanced")
    drive = drive_of(job, way)
    cab = cab_plan(job, way, plan.base, drive)
    assert cab.load_kg < job.full_kg and cab.load_kg == pytest.approx(min(cab.loads_kg), rel=0.01)
    assert "at most 9.0 t, loads all alike" in way.words()


def test_a_candidate_drives_the_same_way_twice(farm):
    job = job_of(farm, "Yard Field")
    one = routes(job)[3]
    first, second = drive_of(job, one), drive_of(job, one)
    assert first.xy.tobytes() == second.xy.tobytes() and first.load_kg.tobytes() == second.load_kg.tobytes()


def test_strips_along_a_ditch_and_the_boundary_are_cut_out(farm):
    field = farm.fields["Ditch Field"]
    assumed, notes = strips_of(farm, field, [])
    own, _ = strips_of(farm, field, ["watercourse:20", "boundary:2"])
    assert any("watercourse" in one.why and "10 m" in one.why for one in assumed)
    assert any(note.kind == "assumed" and note.value == "10 m" for note in notes)
    wide = sum(one.area_m2 for one in own if "watercourse" in one.why)
    assert wide > 1.5 * sum(one.area_m2 for one in assumed if "watercourse" in one.why)
    edge = next(one for one in own if one.why.startswith("boundary"))
    assert edge.area_m2 == pytest.approx(2 * field.polygon.length, rel=0.02)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"surface": "frozen"}, "spreading is refused"),
        ({"rate": "12"}, "an amount without its unit"),
        ({"rate": "0t/ha"}, "number out of range"),
        ({"rate": "9000t/ha"}, "rate out of range"),
        ({"rate": "30m3/ha", "job": None, "outfit": "spreader"}, "density is not known"),
        ({"outfit": "sprayr"}, "unknown name"),
        ({"outfit": "plough"}, "carries nothing"),
        ({"load_t": 90.0}, "the load does not suit"),
        ({"date": "20.10.2026"}, "not a date"),
        ({"soil": "soggy"}, ""),
        ({"fill_at": "heap"}, "not a place"),
        ({"fill_at": "heap@0,0"}, "far from field"),
        ({"fill_at": "barn"}, "unknown name"),
        ({"keep": ["watercourse"]}, "not a distance"),
        ({"keep": ["sea:3"]}, "unknown name"),
        ({"gateway": ["no gate"]}, "unknown name"),
        ({"fill_min": -1.0}, "minutes out of range"),
    ],
)
def test_a_wrong_question_is_refused_in_words(farm, change, words):
    if change.get("job", "") is None:
        farm = replace(
            farm, outfits={**farm.outfits, "spreader": replace(farm.outfits["spreader"], density_kg_m3=None)}
        )
    with pytest.raises(InputError) as caught:
        job_of(farm, "Yard Field", **change)
    (problem,) = caught.value.problems
    assert words in problem.what and problem.found and problem.needed and problem.mend


def test_light_product_fills_the_body_before_the_plate(farm):
    light = replace(farm.outfits["spreader"], body_m3=10.0, density_kg_m3=500.0)
    job = job_of(replace(farm, outfits={**farm.outfits, "spreader": light}), "Yard Field")
    assert job.full_kg == 5000.0
    assert any("body is full" in note.why for note in job.notes)


def test_fields_of_one_day_are_ordered_by_what_they_cost_the_soil(planned):
    (plan,) = planned.fields
    dear = replace(
        plan, alternatives=tuple(replace(one, lasting_more_ha=one.lasting_more_ha + 5) for one in plan.alternatives)
    )
    hours = plan.advised.hours
    first, second = day_of([dear, plan], 1.5 * hours)
    assert first.cost_pct < second.cost_pct and first.loads == first.of_loads
    assert second.begin_h == pytest.approx(hours) and 0 < second.loads < second.of_loads
    assert second.end_h <= 1.5 * hours + 1e-9
    assert [one.loads for one in day_of([plan], None)] == [plan.advised.loads]


def test_the_command_answers_in_json_and_in_words():
    runner = CliRunner()
    command = [
        "spread", str(sample_farm()), "--field", "Yard Field", "--outfit", "spreader", "--rate", "12t/ha", "--cell", "4",
        "--candidates", "6", "--alternatives", "3", "--workers", "1", "--date", "2026-10-20",
    ]  # fmt: skip
    done = runner.invoke(app, [*command, "--json"])
    assert done.exit_code in (0, 3), done.output
    answer = json.loads(done.stdout)
    assert set(answer) == {"command", "version", "inputs", "result", "assumptions", "warnings", "errors"}
    (field,) = answer["result"]["fields"]
    told = (REPO / "docs" / "spread.md").read_text(encoding="utf-8")
    for shape in (
        answer["result"],
        field,
        field["alternatives"][0],
        answer["result"]["day"][0],
        field["not_spread"][0],
    ):
        assert all(f"`{name}`" in told for name in shape), [name for name in shape if f"`{name}`" not in told]
    assert field["field"] == "Yard Field" and field["tried"] == 6
    assert [one["alternative"] for one in field["alternatives"]][0] == "A"
    assert field["if_it_smears"], "the moisture is assumed: the answer for smears must be there"
    words = runner.invoke(app, command)
    assert "Yard Field" in words.stdout and "Local rules" in words.stdout and "dig a hole" in words.stdout


def test_tramlines_that_do_not_fit_are_refused_with_the_option_that_leaves_them():
    done = CliRunner().invoke(
        app, ["spread", str(sample_farm()), "--field", "Ditch Field", "--outfit", "spreader", "--rate", "12t/ha",
              "--cell", "4", "--workers", "1", "--date", "2026-03-01"]
    )  # fmt: skip
    assert done.exit_code == 2 and "--off-tramlines" in done.output and "tramlines every 24" in done.output


def test_an_unknown_field_is_refused():
    done = CliRunner().invoke(
        app, ["spread", str(sample_farm()), "--field", "Yard Feld", "--outfit", "spreader", "--rate", "12t/ha"]
    )
    assert done.exit_code == 2 and "Yard Field" in done.output
    assert Path(sample_farm()).is_dir()


def rows_of(folder, scenario, field):
    with (folder / "zones.csv").open(encoding="utf-8", newline="") as file:
        return [
            {**row, "scenario": ""}
            for row in csv.DictReader(file)
            if row["scenario"] == scenario and row["field"] == field
        ]


@pytest.mark.whole
def test_the_plan_taken_into_the_farm_folder_gives_the_same_rows(tmp_path):
    folder, out, result = tmp_path / "farm", tmp_path / "plan", tmp_path / "map"
    shutil.copytree(sample_farm(), folder)
    runner = CliRunner()
    day = "2026-10-20"
    command = [
        "spread", str(folder), "--field", "Yard Field", "--outfit", "spreader", "--rate", "12t/ha", "--cell", "2",
        "--candidates", "20", "--workers", "1", "--date", day, "--out", str(out), "--take", "B", "--take-as", "autumn",
    ]  # fmt: skip
    done = runner.invoke(app, command)
    assert done.exit_code == 0, done.output
    for name in ("spread.html", "sheet.html", "drive.gpx", "drive.gpkg", "TASKDATA/TASKDATA.XML", "alternatives.csv",
                 "zones.csv", "report.html", "run.json", "spread.json"):  # fmt: skip
        assert (out / name).stat().st_size > 0
    assert "autumn in operations.csv" in done.output
    farm = read_farm(folder)
    taken = next(one for one in farm.operations if one.key == "autumn")
    assert taken.drive == "plan:autumn" and farm.plans["autumn"].trips > 0
    mapped = runner.invoke(
        app, ["map", str(folder), "--field", "Yard Field", "--cell", "2", "--out", str(result), "--to", day,
              "--workers", "1", "--scenario", "autumn as before"]
    )  # fmt: skip
    assert mapped.exit_code == 0, mapped.output
    advised = next(
        one for one in json.loads((out / "spread.json").read_text())["fields"][0]["alternatives"] if one["recommended"]
    )
    planned = rows_of(out, "advised" if advised["alternative"] == "B" else "base", "Yard Field")
    if advised["alternative"] in ("A", "B"):
        assert rows_of(result, "base", "Yard Field") == planned
    before = rows_of(result, "autumn as before", "Yard Field")  # without a plan nothing keeps off line and well
    assert len(before) == len(planned) and before != planned
    again = runner.invoke(app, command)
    assert again.exit_code == 2 and "there already" in again.output
    (folder / "kept").mkdir()
    (folder / "kept" / "mine.txt").write_text("mine")
    other = runner.invoke(app, [*command[:-6], "--out", str(folder / "kept")])
    assert other.exit_code == 2 and "holds something else" in other.output
    assert [path.name for path in (folder / "kept").iterdir()] == ["mine.txt"]
