"""The report as text: what it says, that nothing in it loads from elsewhere, that data stay inside it."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import folium
import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin
from report_example import CRS, SOUTH, WEST, example_report

from trafficplan.assess.stored import unpack
from trafficplan.farm.grid import Grid
from trafficplan.names import LAYERS, STEPS
from trafficplan.report import map as report_map
from trafficplan.report.aerial import aerial_image
from trafficplan.report.answer import add_up, answer, worst_places
from trafficplan.report.cautions import CAUTIONS, SITUATIONS, cautions_for
from trafficplan.report.charts import season_bars
from trafficplan.report.legend import MEASURES, change_rows, legend_rows, step_colours
from trafficplan.report.page import render_report, write_report
from trafficplan.report.picture import LEVELS, RANGES, decode, encode, encode_stored, measure_of
from trafficplan.report.script import MOST_LAYERS
from trafficplan.report.words import figure, safe, say, say_chance

EVIL = "</script><script>alert(1)</script>"


class Parsed(HTMLParser):
    """Collects what a browser would see: texts, tags, and every attribute that could load something."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.words: list[str] = []
        self.tags: list[str] = []
        self.loads: list[str] = []
        self.scripts: list[str] = []
        self.ids: list[str] = []
        self.inside: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        named = dict(attrs)
        self.ids += [named["id"]] if named.get("id") else []
        self.loads += [
            str(value) for name, value in attrs if name in {"src", "href", "xlink:href", "data", "action", "poster"}
        ]
        if tag in {"script", "style"}:
            self.inside.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if self.inside and self.inside[-1] == tag:
            self.inside.pop()

    def handle_data(self, data: str) -> None:
        if self.inside and self.inside[-1] == "script":
            self.scripts.append(data)
        elif not self.inside:
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


@pytest.fixture(scope="module")
def page() -> str:
    return render_report(**example_report())  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def metric(page: str) -> Parsed:
    return Parsed(page)


@pytest.fixture(scope="module")
def american() -> Parsed:
    return Parsed(render_report(**example_report(units="us")))  # type: ignore[arg-type]


def test_first_words_are_the_answer(metric: Parsed) -> None:
    # Hand sum: shoelace areas 19.125, 15.0 and 11.23 ha (corners of SHAPES); per hectare 0.6 x 0.05 + 0.03 =
    # 0.06 lasting.
    assert "Lasting damage likely on 2.7 ha of 45.4 ha" in metric.text
    assert "driven through 96 times; 420 m² there are over the soil's strength" in metric.text
    assert "slurry on 14 Mar with tractor and tanker" in metric.text
    assert metric.text.index("Lasting damage likely on") < metric.text.index("Scenarios side by side")


def test_american_farms_read_their_own_units(american: Parsed) -> None:
    # 45.355 ha x 2.4711 = 112.1 acres; 420 m2 x 10.764 = 4521 sq ft (three digits), 50 kPa = 7.3 psi, 35 cm
    # = 14 in
    for words in ("of 112 acres", "driven through 96 times; 4,520 sq ft there are over", "7.3 psi", "14 in"):
        assert words in american.text
    visible = american.text.replace("50 kPa (7.3 psi)", "")
    assert not re.search(r"\d (ha|kPa|cm|m²|kg|bar|km)\b", visible[: visible.index("Before you go")])


def test_full_scale_is_said_and_depth_leads() -> None:
    page = Parsed(render_report(**example_report(far_over=True)))  # type: ignore[arg-type]
    assert "The scale is full" in page.text
    assert page.text.index("The load reached 62 cm deep") < page.text.index("lasting damage is likely")
    assert "less deep" in page.text
    data = _data(page)
    assert data["measures"][data["first"]["measure"]]["key"] == "depth_reached"
    assert data["first"]["change"] is True
    assert data["first"]["scenario"] == 2


def test_every_part_is_there(metric: Parsed) -> None:
    for heading in (
        "The worst places, and why",
        "Scenarios side by side",
        "What each operation added",
        "Stress and strength over depth",
        "Field by field",
        "Before you go",
        "Warnings",
        "Assumptions",
        "Repairs",
        "Sources",
    ):
        assert heading in metric.text
    assert metric.tags.count("svg") == 2 + 3  # steps, season, and one per outfit
    assert (
        len(re.findall(r"nearly certain \(0\.9 and more\)|very likely \(0\.\d\)|likely \(0\.\d\)", metric.text)) >= 10
    )
    assert "every load of slurry and grain goes through here" in metric.text
    assert "the outline was open" in metric.text


def test_ten_worst_places_worst_first() -> None:
    report = example_report()
    places = worst_places(report["summaries"]["base"])  # type: ignore[index]
    assert len(places) == 10
    assert [place.chance for place in places] == sorted((place.chance for place in places), reverse=True)


def test_scenarios_stand_side_by_side_with_differences(metric: Parsed) -> None:
    # lasting per hectare of field: 0.06 as planned; with factor f 0.03 f + 0.03 f^3: f = 0.78 -> 0.03764,
    # 45.355 ha -> 1.7 ha
    start = metric.text.index("Scenarios side by side")
    table = metric.text[start : metric.text.index("How hard the ground")]
    assert re.search(r"Lasting damage likely 2\.7 ha 1\.7 ha −1\.0 ha", table)


def test_nothing_loads_from_elsewhere(metric: Parsed, page: str) -> None:
    for address in metric.loads:
        assert address.startswith(("data:", "#")), address[:80]
    assert not re.search(r"url\((?!data:|#)", page)
    assert "default-src 'none'" in page
    assert "@import" not in page


def test_names_from_data_cannot_break_out(metric: Parsed) -> None:
    names = {"Long Meadow": EVIL, "Hill Piece": "${x}", "Mill Corner": "#\"'`\\<b>"}
    report = example_report(names=names, title=EVIL + "$x^2$")
    page = render_report(**report)  # type: ignore[arg-type]
    parsed = Parsed(page)
    assert parsed.tags.count("script") == metric.tags.count("script")
    assert parsed.tags.count("b") == metric.tags.count("b")
    assert "<script>alert" not in page
    assert "${x}" not in page
    assert EVIL in parsed.text
    assert "${x}" in parsed.text
    assert [field["name"] for field in _data(parsed)["fields"]] == [str(safe(name)) for name in names.values()]


def test_same_bytes_every_time(tmp_path: Path, page: str) -> None:
    write_report(tmp_path / "report.html", **example_report())  # type: ignore[arg-type]
    assert (tmp_path / "report.html").read_bytes() == page.encode()
    assert not re.search(r"_[0-9a-f]{32}\b", page)


def test_ids_are_unique(metric: Parsed) -> None:
    repeated = {name for name in metric.ids if metric.ids.count(name) > 1}
    assert not repeated


def test_page_needs_base_and_few_layers() -> None:
    report = example_report()
    with pytest.raises(KeyError):
        render_report(**{**report, "summaries": {"drier": report["summaries"]["drier"]}})  # type: ignore[arg-type,index]
    pictures = dict(report["pictures"])  # type: ignore[call-overload]
    pictures["base", "Long Meadow"] = [*pictures["base", "Long Meadow"]] * 2
    with pytest.raises(ValueError, match=f"at most {MOST_LAYERS}"):
        render_report(**{**report, "pictures": pictures})  # type: ignore[arg-type]


def test_leaflet_in_the_file_is_the_one_folium_names() -> None:
    named = dict(folium.folium._default_js)["leaflet"]
    version = re.search(r"leaflet@([\d.]+)/", named)
    assert version is not None
    files = {Path(str(file)).name: file for file in report_map.importlib.metadata.files("xstatic-leaflet")}  # type: ignore[attr-defined]
    assert f"Leaflet {version.group(1)}" in files["leaflet.js"].read_text(encoding="utf-8")[:200]


def test_picture_keeps_the_highest_value_and_exact_bounds() -> None:
    grid = Grid("EPSG:32635", 100.0, 210.0, 0.5, 5, 6)
    values = np.zeros(grid.shape)
    values[0, 0] = np.nan
    values[3, 3] = 1.55
    values[4, 4:] = np.nan
    picture = encode("ratio_35", values, grid)
    read = decode(picture)
    assert picture.bounds == (100.0, 207.0, 103.0, 210.0)
    assert picture.cell == 1.0
    assert read.shape == (3, 3)
    assert read[1, 1] == pytest.approx(1.5, abs=0.005)  # one code is 0.01
    assert read[0, 0] == 0.0
    assert np.isnan(read[2, 2])
    assert np.nansum(read) == pytest.approx(1.5, abs=0.005)


@pytest.mark.parametrize(
    "layer",
    [
        "lasting",
        "depth_reached",
        "passes",
        "traffic",
        "ratio_35",
        "stress_50",
        "compaction_20",
        "over_passes_35",
    ],
)
def test_pictures_show_the_level_that_a_value_reaches(layer: str) -> None:
    grid = Grid("EPSG:32635", 0.0, 1.0, 1.0, 1, 50)
    measure = measure_of(layer)[0]
    top = LEVELS[measure][-1] if measure in LEVELS else 1830.0
    values = np.linspace(top / 40, top, 50).reshape(1, 50)
    picture = encode(layer, values, grid)
    code = (picture.high - picture.low) / 253
    expected = values
    if measure in LEVELS:
        expected = [
            [
                max(x for x in (LEVELS[measure][0], *LEVELS[measure]) if x <= max(v, LEVELS[measure][0]))
                for v in values[0]
            ]
        ]
    assert np.abs(decode(picture) - expected).max() <= code / 2 * 1.001


@pytest.mark.parametrize("cell", [0.25, 0.3, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("layer", ["lasting", "depth_reached", "passes", "traffic", "ratio_35", "over_passes_35"])
def test_pictures_of_stored_layers_are_those_of_their_values(layer: str, cell: float) -> None:
    kind = LAYERS[measure_of(layer)[0]]
    chance = np.random.default_rng(7)
    stored = (chance.uniform(0, 1, (53, 71)) ** 6 * (65534 if kind.dtype == "uint16" else 900)).astype(kind.dtype)
    stored[chance.uniform(0, 1, stored.shape) < 0.3] = 0
    stored[:20] = kind.nodata
    stored[20:30, ::2] = kind.nodata
    grid = Grid("EPSG:32635", 7 * cell, 90 * cell, cell, *stored.shape)
    assert encode_stored(layer, stored, grid) == encode(layer, unpack(layer, stored), grid)


def test_levels_hold_the_bound_of_every_colour() -> None:
    for measure in MEASURES.values():
        for key in [name for name in LEVELS if name == measure.key]:
            inner = [b for b in measure.breaks if LEVELS[key][0] < b <= LEVELS[key][-1]]
            assert set(np.round(inner, 4)) <= set(np.round(LEVELS[key], 4)), key


def test_picture_refuses_what_it_does_not_know() -> None:
    grid = Grid("EPSG:32635", 0.0, 1.0, 1.0, 1, 2)
    with pytest.raises(ValueError, match="unknown layer"):
        encode("height", np.zeros((1, 2)), grid)
    with pytest.raises(ValueError, match="shape"):
        encode("passes", np.zeros((2, 2)), grid)


def test_legends_have_a_word_or_a_number_for_every_colour() -> None:
    for measure in MEASURES.values():
        for units in ("metric", "us"):
            rows = legend_rows(measure, units)
            assert len(rows) == len(measure.breaks) + 2
            assert len({row["colour"] for row in rows}) == len(rows)
            assert all(row["word"] or row["range"] for row in rows)
            assert len(change_rows(measure, units)) == 7
    assert [row["word"] for row in legend_rows(MEASURES["ratio"], "metric")[1:]] == [name for name, _ in STEPS]
    assert set(MEASURES) == set(RANGES)
    assert set(MEASURES) <= set(LAYERS)


def test_step_colours_darken_evenly_enough_to_tell_apart_in_grey() -> None:
    """Relative luminance (WCAG 2.1) falls from step to step, so the map can be read without colour."""
    for measure in MEASURES.values():
        light = [_luminance(colour) for colour in step_colours(measure)]
        assert all(later < earlier for earlier, later in zip(light, light[1:], strict=False))


def _luminance(colour: str) -> float:
    parts = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_numbers_for_people() -> None:
    assert say("area", 1.84, "metric") == "1.8 ha"
    assert say("area", 0.0, "metric") == "0 ha"
    assert say("patch", 419.6, "metric") == "420 m²"
    assert say("patch", 12_345.0, "metric") == "12,300 m²"
    assert say("area", 1.0, "us") == "2.5 acres"  # 1 ha = 2.471 acres
    assert say("pressure", 1.4, "us") == "20 psi"
    assert figure("depth", -0.07, "metric", sign=True) == "\N{MINUS SIGN}7"
    assert figure("depth", 0.004, "metric", sign=True) == "0"
    assert say_chance(0.449) == "possible (0.4)"
    assert say_chance(0.47) == "possible (0.5)"
    assert say_chance(0.996) == "nearly certain (0.9 and more)"
    assert say_chance(0.0) == "very unlikely (0.0)"


def test_safe_leaves_no_sign_with_a_meaning() -> None:
    text = str(safe("".join(chr(code) for code in range(256))))
    assert not set(re.sub(r"&#\d+;", "", text)) & set("<>&\"'`${}\\#;\n\r\0")


def test_cautions_local_rules_first_and_all_known() -> None:
    assert cautions_for([])[0].key == "local_rules"
    assert cautions_for(SITUATIONS) == CAUTIONS
    assert "no_spreading" in {caution.key for caution in cautions_for(["spreading"])}
    assert "no_spreading" not in {caution.key for caution in cautions_for(["pressure"])}
    with pytest.raises(ValueError, match="no caution knows"):
        cautions_for(["weather"])


def test_report_carries_its_cautions(metric: Parsed) -> None:
    for caution in cautions_for(["map", "chance", "pressure"]):
        assert caution.text in metric.text
    assert "dig a hole and look" in metric.text


def test_season_stair_adds_up() -> None:
    report = example_report()
    parts = [part for field in report["summaries"]["base"] for part in field.parts]  # type: ignore[index]
    bars = season_bars(parts)
    assert [bar.label.split()[1] for bar in bars] == ["Mar", "Apr", "May", "Aug", "Aug", "Sep"]
    assert bars[-1].before_ha + bars[-1].added_ha == pytest.approx(sum(part.added_deep_ha for part in parts))


def test_answer_without_scenarios_and_without_damage() -> None:
    report = example_report()
    base = report["summaries"]["base"]  # type: ignore[index]
    told = answer(report["farm"], {"base": base})  # type: ignore[arg-type]
    assert not any("scenario" in sentence for sentence in told.sentences)
    assert add_up(base).area_ha == pytest.approx(45.355, abs=1e-6)  # shoelace by hand


def test_aerial_image_is_drawn_if_it_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "aerial.tif"
    pixels = np.full((3, 40, 50), 120, dtype=np.uint8)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=50,
        height=40,
        count=3,
        dtype="uint8",
        crs=CRS,
        transform=from_origin(WEST, SOUTH + 800, 20, 20),
    ) as target:
        target.write(pixels)
    image = aerial_image(path, CRS)
    assert image is not None
    assert image.bounds == pytest.approx((WEST, SOUTH, WEST + 1000, SOUTH + 800))
    (tmp_path / "torn.tif").write_bytes(b"II*\0torn")
    assert aerial_image(tmp_path / "torn.tif", CRS) is None


def _data(page: Parsed) -> Any:
    text = next(script for script in page.scripts if script.startswith('{"scenarios"'))
    return json.loads(text)
