"""`trafficplan days`: the JSON shape, files, page, words, forecast, bad input; on a farm of 1 ha with a year of weather."""

import csv
import io
import json
import re
import shutil
from html.parser import HTMLParser

import numpy as np
import pytest
from conftest import sample_farm
from spoiled_farms import text, write, write_good
from typer.testing import CliRunner

from trafficplan.cli.main import app
from trafficplan.decide.days import STATES
from trafficplan.inputs.farm import read_farm
from trafficplan.report.cautions import cautions_for

RESULT = {"farm", "season", "forecast_from", "states", "fields", "left_out", "cautions"}
FIELD = {
    "field", "outfit", "job", "load_t", "limit_chance", "answer", "tillage_depth_m", "judged_depth_m", "axle",
    "wheel_load_kg", "pressure_bar", "soils", "fit_days", "lighter_days", "leave_days", "closed_days", "unknown_days",
    "least_chance", "best", "degrees", "let_down", "let_down_words", "dry_words", "ahead", "stretches", "operations",
    "days",
}  # fmt: skip
DAY = [
    "date", "state", "fit_load_t", "chance", "stress_ratio", "step", "chance_mean", "chance_empty", "fit_area_pct",
    "soil", "moisture_top", "moisture_deep", "tension_top_kpa", "tension_deep_kpa", "rain_mm", "et0_mm", "forecast", "words",
]  # fmt: skip


def weather_csv(first="2026-01-01", days=365, wet=("2026-06-10",), skip=()):
    start = np.datetime64(first)
    lines = ["date,rain_mm,tmin_c,tmax_c"]
    for i in range(days):
        day = str(start + i)
        mean = 8 - 12 * np.cos(2 * np.pi * (int(day[5:7]) * 30 + int(day[8:]) - 45) / 365)
        if day not in skip:
            lines.append(f"{day},{12.5 if day in wet else 0.0},{mean - 5:.1f},{mean + 5:.1f}")
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    folder = write_good(tmp_path_factory.mktemp("days") / "farm")
    write("weather.csv", weather_csv())(folder)
    return folder


def ask(folder, *options):
    return CliRunner().invoke(app, ["days", str(folder), *options])


def result_of(folder, *options, code=0):
    done = ask(folder, *options, "--json")
    assert done.exit_code == code, done.output[:1500]
    return json.loads(done.stdout)


# shape and files --------------------------------------------------------------------------------------------


def test_json_shape(farm):
    told = result_of(farm, "--limit", "0.9")
    assert set(told) == {"command", "version", "inputs", "result", "assumptions", "warnings", "errors"}
    assert told["command"] == "days" and told["errors"] == [] and told["inputs"]["limit"] == 0.9
    result = told["result"]
    (one,) = result["fields"]
    assert set(result) == RESULT and set(one) == FIELD and result["states"] == list(STATES)
    assert all(list(day) == DAY for day in one["days"]) and len(one["days"]) == 365
    kinds = [f"{name}_days" for name in ("fit", "lighter", "leave", "closed", "unknown")]
    assert sum(one[name] for name in kinds) == 365 == sum(run["days"] for run in one["stretches"])
    assert {run["state"] for run in one["stretches"]} <= set(STATES)
    for before, after in zip(one["stretches"], one["stretches"][1:], strict=False):
        assert before["last"] < after["first"] and before["state"] != after["state"]
    assert sum(soil["area_pct"] for soil in one["soils"]) == pytest.approx(100)
    assert {op["operation"] for op in one["operations"]} == {"1", "2", "3"}
    for day in one["days"]:
        assert 0 <= day["chance_empty"] <= day["chance"] <= 1 and 0 <= day["fit_area_pct"] <= 100
        assert day["fit_load_t"] is None or day["state"] in ("fit", "lighter", "leave")
        assert day["fit_load_t"] is not None or day["state"] not in ("fit", "lighter")
        assert (day["state"] == "fit") == (day["fit_load_t"] == one["load_t"])


def test_files_and_their_table(farm, tmp_path):
    told = result_of(farm, "--out", str(tmp_path / "out"), "--limit", "0.9")
    out = tmp_path / "out"
    assert sorted(path.name for path in out.iterdir()) == ["days.csv", "days.html", "days.json"]
    assert json.loads((out / "days.json").read_text(encoding="utf-8")) == told["result"]
    rows = list(csv.DictReader(io.StringIO((out / "days.csv").read_text(encoding="utf-8"))))
    assert len(rows) == 365 and list(rows[0])[4:] == DAY
    for row, day in zip(rows, told["result"]["fields"][0]["days"], strict=True):
        assert row["state"] == day["state"] and float(row["chance"]) == day["chance"] and row["words"] == day["words"]
    again = result_of(farm, "--out", str(tmp_path / "again"), "--limit", "0.9")
    assert again["result"] == told["result"]
    for name in ("days.csv", "days.html", "days.json"):
        assert (out / name).read_bytes() == (tmp_path / "again" / name).read_bytes()


class Page(HTMLParser):
    def __init__(self, html):
        super().__init__()
        self.tags, self.targets, self.texts = [], [], []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.targets += [value for name, value in attrs if name in ("src", "href", "action", "xlink:href")]

    def handle_data(self, data):
        self.texts.append(data)


def test_page_is_whole_offline_and_carries_its_cautions(farm, tmp_path):
    ask(farm, "--out", str(tmp_path))
    html = (tmp_path / "days.html").read_text(encoding="utf-8")
    page = Page(html)
    assert page.tags.count("svg") == 1 and "script" not in page.tags
    assert all(one.startswith("#") for one in page.targets)
    words = " ".join(page.texts)
    for caution in cautions_for({"chance", "spreading"}):
        assert caution.text in words.replace("\xa0", " ")
    assert "Park" in words and "The calendar in words" in words and "water balance of that day" in words


def test_text_from_data_is_harmless_on_the_page(farm, tmp_path):
    folder = tmp_path / "farm"
    write_good(folder)
    write("weather.csv", weather_csv(days=60))(folder)
    evil = "</style><script>alert(1)</script>${x}"
    text("outfits/spreader.toml", "Tractor with trailed spreader", evil)(folder)
    ask(folder, "--out", str(tmp_path / "out"))
    html = (tmp_path / "out" / "days.html").read_text(encoding="utf-8")
    assert "<script" not in html and "${x}" not in html and "&#60;script&#62;alert(1)" in html


# what is told -----------------------------------------------------------------------------------------------


def test_dry_ground_that_is_pressed_too_hard_says_by_how_much():
    (one,) = result_of(sample_farm(), "--job", "slurry", "--field", "Road Field")["result"]["fields"]
    day = next(day for day in one["days"] if day["date"] == "2026-09-10")
    assert (day["state"], day["moisture_deep"]) == ("leave", "crumbles")
    assert f"yet with the full load the wheels press {day['stress_ratio']:.1f} times" in day["words"]
    # the chance is that of the ratio: a measured soil's spread is less than the usual 0.5
    assert day["chance"] > 0.5 and day["stress_ratio"] > 1.0


def test_words_tell_load_and_reason(farm):
    (one,) = result_of(farm)["result"]["fields"]
    by_state = {day["state"]: day["words"] for day in one["days"]}
    assert by_state["heavy rain"] == "leave it: 12.5 mm of rain; over 10 mm in a day no reading counts"
    assert by_state["frozen"].startswith("refused: frozen ground is likely")
    assert re.match(r"leave it: deep layer (smears|moulds|crumbles) on [AB] \(\d+ kPa\)", by_state["leave"])
    (rain,) = [run for run in one["stretches"] if run["state"] == "heavy rain"]
    assert rain["first"] == rain["last"] == "2026-06-10"


def test_rain_of_the_days_before_is_named(tmp_path):
    folder = write_good(tmp_path / "farm")
    write("weather.csv", weather_csv(days=120, wet=("2026-04-16",)))(folder)
    (one,) = result_of(folder)["result"]["fields"]
    words = {day["date"]: day["words"] for day in one["days"]}
    assert "after 12 mm in 5 days" in words["2026-04-18"] and "after" not in words["2026-04-25"]


def test_what_was_not_asked_is_listed_as_assumed(farm):
    told = result_of(farm)
    what = {note["what"]: note for note in told["assumptions"]}
    assert what["field Park: outfit"]["value"] == "spreader (slurry)" and "pressures" in what
    assert what["weather: reference evapotranspiration"]["value"] == "Hargreaves, on 365 of 365 days"
    assert what["strength of soil that is drier"]["source"].startswith("memory")
    assert any("field Park: water that the crop draws" in one for one in what)


def test_job_and_outfit_choose_load_and_pressures(farm, tmp_path):
    slurry, own = (
        result_of(farm, *options)["result"]["fields"][0]
        for options in (("--job", "slurry"), ("--outfit", "spreader", "--load", "4"))
    )
    assert (slurry["load_t"], slurry["job"], slurry["pressure_bar"]) == (9.0, "slurry", 1.4)
    assert own["load_t"] == 4.0 and own["least_chance"] <= slurry["least_chance"]
    soft = write_good(tmp_path / "soft")
    write("weather.csv", weather_csv(days=200))(soft)
    text("operations.csv", "front:1.0;rear:0.8", "trailer:0.9;rear:0.8")(soft)
    plough = result_of(soft, "--job", "plough")["result"]["fields"][0]
    assert (plough["job"], plough["axle"], plough["pressure_bar"]) == ("plough", "trailer", 0.9)


def test_terminal_text_is_short_and_ends_with_cautions(farm):
    done = ask(farm, "--limit", "0.9")
    assert done.exit_code == 0 and done.stdout.startswith("Park: Tractor with trailed spreader")
    assert "dig a hole" in done.stdout and "frozen ground is likely" in done.stdout


def test_us_units(tmp_path):
    folder = write_good(tmp_path / "farm")
    write("weather.csv", weather_csv(days=200))(folder)
    text("farm.toml", 'units = "metric"', 'units = "us"')(folder)
    (one,) = result_of(folder, "--limit", "0.95")["result"]["fields"]
    assert "lb" in one["answer"] and " t " not in one["answer"]
    assert any("0.49 in of rain" in run["words"] for run in one["stretches"])


def test_days_from_best_to_worst_cover_the_open_days_once(farm):
    (one,) = result_of(farm)["result"]["fields"]
    by_date = {day["date"]: day for day in one["days"]}
    left = {date for date, day in by_date.items() if day["state"] in ("fit", "lighter", "leave")}
    assert len(one["degrees"]) > 1
    chances = [degree["chance_most"] for degree in one["degrees"]]
    assert chances == sorted(chances)
    for degree in one["degrees"]:
        dates = set()
        for spell in degree["spells"]:
            whole = np.arange(spell["first"], np.datetime64(spell["last"]) + 1, dtype="datetime64[D]")
            dates |= {str(day) for day in whole}
        assert len(dates) == degree["days"] and dates <= left
        left -= dates
        worst = max(by_date[date]["chance"] for date in dates)
        assert worst == degree["chance_most"]
    assert not left
    assert one["best"].startswith("Least harm: ") and "Most harm: " in one["best"]
    assert all(day["step"] in ("ample", "working", "tight", "over", "far over") for day in one["days"])


def test_a_dry_year_without_a_fit_day_says_that_it_is_too_strict(farm):
    strict = result_of(farm, "--limit", "0.05")["result"]["fields"][0]
    assert strict["fit_days"] == 0 and "drier than 32 kPa" in strict["dry_words"]
    assert re.search(r"No day is fit for the full load of 9 t at the limit of 0.05: at best", strict["answer"])
    easy = result_of(farm, "--limit", "0.95")["result"]["fields"][0]
    assert easy["fit_days"] > 0 and easy["dry_words"] == ""


def test_without_a_tyre_table_no_lower_pressure_is_named(tmp_path):
    folder = write_good(tmp_path / "farm")
    write("weather.csv", weather_csv(days=200))(folder)
    (folder / "tyre_tables.csv").unlink(missing_ok=True)
    (one,) = result_of(folder)["result"]["fields"]
    assert one["let_down"] is None and one["let_down_words"] == ""


def test_the_sample_tanker_let_down_and_overloaded(tmp_path):
    told = result_of(sample_farm(), "--job", "slurry", "--field", "Road Field")
    (one,) = told["result"]["fields"]
    down = one["let_down"]
    assert down["whole_trip"] and down["least_chance"] <= one["least_chance"]
    given = {"front": 1.6, "rear": 1.8, "tank_front": 1.8, "tank_rear": 1.8}  # its file
    assert set(down["pressures_bar"]) <= set(given)
    assert all(bar < given[key] for key, bar in down["pressures_bar"].items())
    assert "lowest field pressures of the tyre tables" in one["let_down_words"]
    assert not any("pressure in the field" in note["what"] for note in told["warnings"])
    assert any("tyre maker's table" in text for text in told["result"]["cautions"])
    soft = tmp_path / "soft"
    shutil.copytree(sample_farm(), soft)
    text("outfits/slurry.toml", "field_bar = 1.8\n  track_bar = 2.2", "field_bar = 0.6\n  track_bar = 2.2")(soft)
    warned = [
        note
        for note in result_of(soft, "--job", "slurry", "--field", "Road Field")["warnings"]
        if "pressure in the field" in note["what"]
    ]
    assert len(warned) == 1 and warned[0]["value"] == "0.6 bar is too low" and "asks for" in warned[0]["why"]


def test_the_window_of_an_operation_names_its_better_days(tmp_path):
    told = result_of(sample_farm(), "--job", "slurry", "--field", "Mill Field")
    (one,) = told["result"]["fields"]
    (slurry,) = one["operations"]
    chance = {day["date"]: day["chance"] for day in one["days"] if day["state"] in ("fit", "lighter", "leave")}
    inside = {date: value for date, value in chance.items() if "2026-03-20" <= date <= "2026-04-20"}  # operations.csv
    best = min(inside, key=lambda date: inside[date])
    assert inside[best] < chance[slurry["date"]]
    assert slurry["window_words"].startswith("better within its window (20 Mar to 20 Apr): ")
    assert f"{int(best[8:])} Apr" in slurry["window_words"]
    assert "not fit: " in slurry["words"]


def test_a_top_layer_that_smears_is_said_on_fit_days():
    (one,) = result_of(sample_farm(), "--outfit", "drill", "--field", "Road Field")["result"]["fields"]
    fit = [day for day in one["days"] if day["state"] == "fit"]
    wet = [day for day in fit if day["tension_top_kpa"] < 9]  # of the worst soil; from 10 kPa on it moulds
    dry = [day for day in fit if day["tension_top_kpa"] > 100]
    assert wet and dry and all("the top layer smears" in day["words"] for day in wet)
    assert not any("smears" in day["words"] for day in dry) and "the top layer smears" in one["answer"]


# forecast and holes -----------------------------------------------------------------------------------------


def test_forecast_goes_on_after_the_weather_and_is_marked(farm, tmp_path):
    folder = write_good(tmp_path / "farm")
    write("weather.csv", weather_csv(days=150))(folder)
    ahead = tmp_path / "ahead.csv"
    ahead.write_text(weather_csv("2026-05-28", 10, wet=("2026-06-03",)), encoding="utf-8")
    told = result_of(folder, "--forecast", str(ahead), "--out", str(tmp_path / "out"))
    (one,) = told["result"]["fields"]
    assert told["result"]["forecast_from"] == "2026-05-31" and one["days"][-1]["date"] == "2026-06-06"
    assert [day["date"] for day in one["days"] if day["forecast"]][0] == "2026-05-31"
    assert next(day for day in one["days"] if day["date"] == "2026-06-03")["state"] == "heavy rain"
    assert any(note["what"].startswith("forecast: days") for note in told["assumptions"])
    assert "forecast" in (tmp_path / "out" / "days.html").read_text(encoding="utf-8")
    alone = write_good(tmp_path / "alone")
    (alone / "weather.csv").unlink()
    told = result_of(alone, "--forecast", str(ahead))
    assert any(note["value"] == "forecast alone" for note in told["warnings"])


def test_with_a_forecast_its_days_come_first_also_over_new_year(farm, tmp_path):
    ahead = tmp_path / "ahead.csv"
    ahead.write_text(weather_csv("2026-12-30", 8), encoding="utf-8")
    told = result_of(farm, "--forecast", str(ahead), "--limit", "0.9", "--out", str(tmp_path / "out"))
    (one,) = told["result"]["fields"]
    assert told["result"]["forecast_from"] == "2027-01-01" and one["days"][-1]["date"] == "2027-01-06"
    assert (one["ahead"][0]["first"], one["ahead"][-1]["last"]) == ("2027-01-01", "2027-01-06")
    assert sum(part["days"] for part in one["ahead"]) == 6
    said = ask(farm, "--forecast", str(ahead)).stdout.splitlines()
    assert said[1].startswith("  forecast 1 Jan")
    assert "In the 6 days of the forecast" in (tmp_path / "out" / "days.html").read_text(encoding="utf-8")
    assert result_of(farm)["result"]["fields"][0]["ahead"] == []


def test_a_hole_is_named_and_the_rest_is_done(tmp_path):
    folder = write_good(tmp_path / "farm")
    write("weather.csv", weather_csv(days=100, skip=("2026-03-03", "2026-03-04")))(folder)
    told = result_of(folder, code=3)
    (one,) = told["result"]["fields"]
    assert one["unknown_days"] == 2 and len(one["days"]) == 100
    unknown = next(day for day in one["days"] if day["date"] == "2026-03-03")
    assert unknown["state"] == "unknown" and unknown["chance"] is None and unknown["words"] == "no weather for it"
    (note,) = [note for note in told["warnings"] if note["what"] == "days without weather"]
    assert note["value"] == "2 days from 2026-03-03 to 2026-03-04"


# bad input --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "where", "what"),
    [
        (["--field", "Prak"], "option --field", "unknown name"),
        (["--outfit", "spredder"], "option --outfit", "unknown name"),
        (["--job", "slury"], "option --job", "unknown name"),
        (["--outfit", "spreader", "--load", "9000"], "option --load", "more than the outfit holds"),
        (["--load", "-1"], "option --load", "not a load"),
        (["--limit", "1.5"], "option --limit", "limit out of range"),
        (["--from", "1 May"], "option --from", "not a date"),
        (["--from", "2026-05-01", "--to", "2026-04-01"], "option --from/--to", "wrong way round"),
        (["--from", "2030-05-01", "--to", "2030-06-01"], "option --from/--to", "no weather for these days"),
        (["--from", "1990-01-01", "--to", "2026-06-01"], "option --from/--to", "too many days"),
        (["--forecast", "nowhere.csv"], "option --forecast", "no such file"),
    ],
)
def test_wrong_options_are_refused_by_name(farm, options, where, what):
    told = result_of(farm, *options, code=2)
    (error,) = told["errors"]
    assert error["where"] == where and what in error["what"] and error["needed"] and error["mend"]


def test_a_forecast_of_the_past_or_without_sense_is_refused(farm, tmp_path):
    old = tmp_path / "old.csv"
    old.write_text(weather_csv("2026-02-01", 5), encoding="utf-8")
    assert "forecast of the past" in result_of(farm, "--forecast", str(old), code=2)["errors"][0]["what"]
    bad = tmp_path / "bad.csv"
    bad.write_text("date,rain_mm\n2027-01-01,3\n", encoding="utf-8")
    assert "no evaporation" in result_of(farm, "--forecast", str(bad), code=2)["errors"][0]["what"]
    empty = tmp_path / "empty.csv"
    empty.write_text("date,rain_mm,et0_mm\n", encoding="utf-8")
    assert result_of(farm, "--forecast", str(empty), code=2)["errors"]


def test_what_is_wrong_with_all_days_is_said_once(tmp_path):
    folder = write_good(tmp_path / "farm")
    rows = [",".join(line.split(",")[:3]) for line in weather_csv(days=90).splitlines()]
    write("weather.csv", "\n".join(rows) + "\n")(folder)
    (error,) = result_of(folder, code=2)["errors"]
    assert error["where"] == "weather.csv" and error["found"] == "none on all 90 days" and "tmax_c" in error["needed"]
    write("weather.csv", weather_csv(days=0))(folder)
    (error,) = result_of(folder, code=2)["errors"]
    assert error["what"] == "no weather" and "without days" in error["found"]


def test_a_forecast_may_fill_holes_and_tells_each_of_its_days(tmp_path):
    folder = write_good(tmp_path / "farm")
    write("weather.csv", weather_csv(days=100, skip=("2026-04-05", "2026-04-06")))(folder)
    ahead = tmp_path / "ahead.csv"
    ahead.write_text(weather_csv("2025-12-30", 110), encoding="utf-8")
    told = result_of(folder, "--forecast", str(ahead))
    notes = {note["what"]: note["value"] for note in told["assumptions"]}
    assert notes["forecast: days that weather.csv has too"] == "98 left out"
    assert notes["forecast: days before weather.csv begins"] == "2 left out"
    assert notes["weather: holes"] == "2 taken from the forecast file"
    assert told["result"]["fields"][0]["unknown_days"] == 0


def test_no_weather_and_weather_of_another_year_are_refused(tmp_path):
    folder = write_good(tmp_path / "farm")
    write("weather.csv", weather_csv("2024-01-01", 60, wet=()))(folder)
    assert "another year" in result_of(folder, code=2)["errors"][0]["what"]
    (folder / "weather.csv").unlink()
    assert "no weather" in result_of(folder, code=2)["errors"][0]["what"]


def test_an_outfit_that_does_not_do_the_job_is_not_told_to_be_named_again(farm):
    told = result_of(farm, "--outfit", "spreader", "--job", "plough", "--field", "Park")
    assert told["result"]["fields"][0]["job"] == "plough"  # it does here
    (error,) = result_of(sample_farm(), "--outfit", "slurry", "--job", "spray", code=2)["errors"]
    assert "no operation spray by slurry" in error["found"] and error["mend"] == "name other fields or another job"


def test_an_axle_over_its_plate_is_refused(tmp_path):
    folder = write_good(tmp_path / "farm")
    write("weather.csv", weather_csv(days=60))(folder)
    text("outfits/spreader.toml", 'adjust = "hose"', 'adjust = "hose"\n  plated_t = 9.0')(folder)
    assert "over its plate" in result_of(folder, code=2)["errors"][0]["what"]
    assert result_of(folder, "--load", "5")["result"]["fields"][0]["load_t"] == 5.0


@pytest.mark.whole
def test_the_sample_farm(tmp_path):
    told = result_of(sample_farm(), "--job", "slurry", "--out", str(tmp_path))
    farm = read_farm(sample_farm())
    with_slurry = {one.field for one in farm.operations if one.job == "slurry"}
    assert {one["field"] for one in told["result"]["fields"]} == with_slurry
    assert {one["field"] for one in told["result"]["left_out"]} == set(farm.fields) - with_slurry
    named = result_of(sample_farm(), "--job", "slurry", "--field", "Oxbow", "--field", "Mill Field", code=3)["result"]
    assert [one["field"] for one in named["fields"]] == ["Mill Field"]
    assert named["left_out"] == [{"field": "Oxbow", "why": "it has no operation slurry"}]
    none = result_of(sample_farm(), "--job", "slurry", "--field", "Oxbow", code=2)["errors"][0]
    assert none["what"] == "no field has a calendar" and "Oxbow" in none["found"]
    for one in told["result"]["fields"]:
        chance = {day["date"]: day["chance"] for day in one["days"]}
        assert chance["2026-03-24"] > chance["2026-07-24"] + 0.05  # wet ground in spring, dry ground in summer
