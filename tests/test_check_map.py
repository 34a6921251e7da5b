"""`trafficplan check --map`: the page shows what was read, needs no network, and spoils no other file."""

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from conftest import sample_farm
from spoiled_farms import feature, prop, rewrite, square, text, write_good
from typer.testing import CliRunner

from trafficplan.cli.main import app
from trafficplan.farm.operation import Log
from trafficplan.inputs.farm import read_farm
from trafficplan.report.understood_map import SOIL_COLOURS, log_lines, soil_colours, soil_pieces
from trafficplan.report.understood_page import render_understood, write_understood

EVIL = "</script><script>window.broken=1</script>${window.broken=1}`'\"<img src=x onerror=window.broken=1>"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


@pytest.fixture
def good(tmp_path) -> Path:
    return write_good(tmp_path / "farm")


def words(page: str) -> str:
    """The page as people read it: tags out, references turned back."""
    body = page[page.index("<main>") : page.index("</main>")]
    plain = re.sub(r"<[^>]*>", " ", body)
    return re.sub(r"\s+", " ", re.sub(r"&#(\d+);", lambda hit: chr(int(hit[1])), plain))


def test_soil_is_cut_to_the_fields(good):
    pieces = {one.unit: one.area_ha for one in soil_pieces(read_farm(good))}
    # Park is 100 m x 100 m; unit A lies west of its middle, unit B east of it: half a hectare each, by construction.
    assert pieces == pytest.approx({"A": 0.5, "B": 0.5}, abs=1e-3)


def test_where_soil_polygons_overlap_the_later_one_counts(good):
    shapes = [square(-10, -10, 120, 120), square(50, -10, 60, 120)]
    rewrite("soil", lambda frame: frame.assign(geometry=shapes))(good)
    pieces = {one.unit: one.area_ha for one in soil_pieces(read_farm(good))}
    assert pieces == pytest.approx({"A": 0.5, "B": 0.5}, abs=1e-3)


def test_the_page_tells_what_was_read(good):
    said = words(render_understood(read_farm(good), "1.0"))
    for part in (
        "1 field, 1.0",
        "A 50 %",
        "South gate",
        "25 cm",
        "maize",
        "recorded track",
    ):
        assert part in said, part
    assert "loam over clay loam" in said
    # 500 000 m east is the middle meridian of zone 35, 27 degrees east; the field's middle lies 50 m east of it:
    # 50 m over 111.32 km x cos(55 degrees) = 0.0008 degrees.
    assert "27.0008 east" in said and "0.50 ha" in said


def test_the_same_farm_gives_the_same_bytes(good):
    assert render_understood(read_farm(good), "1.0") == render_understood(read_farm(good), "1.0")


def test_ground_without_soil_is_told_at_the_top(good):
    rewrite("soil", lambda frame: frame.iloc[:1])(good)
    said = words(render_understood(read_farm(good), "1.0"))
    assert "The soil map does not cover all fields" in said
    assert said.index("does not cover") < said.index("Where")
    assert "soil of 0.50 ha without a soil polygon" in said


def test_a_recorded_track_is_cut_where_it_leaps():
    east, zero = np.array([0.0, 10, 20, 500, 510]), np.zeros(5)
    log = Log("t", zero, east, zero, None, None, None, None, None, ())
    assert [list(line.coords) for line in log_lines(log)] == [[(0, 0), (20, 0)], [(500, 0), (510, 0)]]


def test_soil_colours_differ_and_are_no_traffic_light():
    assert len(set(SOIL_COLOURS)) == len(SOIL_COLOURS)
    many = soil_colours([f"u{i}" for i in range(20)])
    assert many["u0"] == many["u9"] and many["u0"] != many["u1"]


@pytest.mark.parametrize("place", ["farm", "soil", "gateway", "crop", "outfit"])
def test_names_from_the_data_stay_words(place, good):
    toml = json.dumps(EVIL)
    {
        "farm": text("farm.toml", '"One Hectare"', toml),
        "outfit": text("outfits/spreader.toml", '"Tractor with trailed spreader"', toml),
        "crop": feature("fields.geojson", 0, prop("crop", EVIL)),
        "gateway": feature("access.geojson", 0, prop("name", EVIL)),
        "soil": rename_soil,
    }[place](good)
    if place == "gateway":
        text("operations.csv", "South gate", "")(good)
    page = render_understood(read_farm(good), "1.0")
    assert "window.broken" in re.sub(r"&#(\d+);", lambda hit: chr(int(hit[1])), page)
    for harmful in ("<script>window", "${window", "<img src=x", "`'"):
        assert harmful not in page


def rename_soil(folder: Path) -> None:
    """Give the first soil unit an evil name, in map and table."""
    feature("soil.geojson", 0, prop("unit", EVIL))(folder)
    path = folder / "horizons.csv"
    path.write_text(re.sub(r"(?m)^A,", lambda _: '"' + EVIL.replace('"', '""') + '",', path.read_text()))


def test_the_page_asks_for_nothing_outside(good):
    page = render_understood(read_farm(good), "1.0")
    assert "default-src 'none'" in page
    assert not re.findall(r"""(?:src|href)=["'](?!data:|#)""", page)


def run(*asked: object):
    done = CliRunner().invoke(app, [*map(str, asked), "--json"])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, json.loads(done.stdout)


def test_the_command_writes_and_replaces_its_own_page(good, tmp_path):
    page = tmp_path / "look.html"
    status, said = run("check", good, "--map", page)
    assert (status, said["result"]["map"]) == (0, str(page))
    first = page.read_text()
    text("farm.toml", "One Hectare", "Two Hectares")(good)
    assert run("check", good, "--map", page)[0] == 0
    assert "Two Hectares" in page.read_text() != first
    assert sorted(one.name for one in tmp_path.iterdir()) == ["farm", "look.html"]


@pytest.mark.parametrize("name", ["notes.txt", "letter.html", "folder.html", "nowhere/look.html", "look"])
def test_nothing_else_is_overwritten(name, good, tmp_path):
    path = tmp_path / name
    if name == "folder.html":
        path.mkdir()
    elif name in ("notes.txt", "letter.html"):
        path.write_text("Dear neighbour")
    status, said = run("check", good, "--map", path)
    assert status == 2 and str(path) in said["errors"][0]["where"]
    if path.is_file():
        assert path.read_text() == "Dear neighbour"
    assert {one.name for one in tmp_path.iterdir()} <= {"farm", name}


def test_wrong_farms_leave_the_earlier_page(good, tmp_path):
    page = tmp_path / "look.html"
    write_understood(page, read_farm(good), "1.0")
    before = page.read_bytes()
    text("farm.toml", "season = 2026", "season = ")(good)
    assert run("check", good, "--map", page)[0] == 2
    assert page.read_bytes() == before


@pytest.fixture(scope="module")
def browser():
    if CHROMIUM is None:
        pytest.skip("no Chromium browser on this computer")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.mark.browser
@pytest.mark.parametrize("width", [1366, 820])
def test_opens_without_a_network_and_shows_layers_by_choice(width, browser, tmp_path):
    folder = write_good(tmp_path / "farm")
    rename_soil(folder)
    page_file = tmp_path / "look.html"
    write_understood(page_file, read_farm(folder), "1.0")
    context = browser.new_context(offline=True, viewport={"width": width, "height": 900})
    page, complaints, outside = context.new_page(), [], []
    page.on("console", lambda said: complaints.append(said.text) if said.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("request", lambda asked: outside.append(asked.url) if asked.url.startswith("http") else None)
    page.goto(page_file.as_uri())
    page.wait_for_selector(".map-frame[data-drawn]")
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    assert page.evaluate("typeof window.broken") == "undefined"
    assert page.locator("path.soil").first.is_visible()
    page.locator("#layers input[value=no-soil]").uncheck()
    assert not page.locator("path.soil").first.is_visible()
    page.locator("#layers input[value=no-soil]").check()
    assert page.locator("path.recorded").count() >= 1 and page.locator("path.tramline").count() == 3
    # Pointing at the eastern half tells unit B: half a hectare.
    page.locator(".map-frame").scroll_into_view_if_needed()
    at = page.evaluate("(() => { const p = trafficMap.latLngToContainerPoint([70, 86]); return [p.x, p.y]; })()")
    box = page.locator(".map-frame .folium-map").bounding_box()
    page.mouse.move(box["x"] + at[0], box["y"] + at[1])
    assert page.locator(".leaflet-tooltip").inner_text() == "B\n0.50 ha in Park"
    assert not complaints and not outside
    context.close()


@pytest.mark.browser
def test_the_sample_farm_fits_the_screen(browser, tmp_path):
    page_file = tmp_path / "look.html"
    write_understood(page_file, read_farm(sample_farm()), "1.0")
    context = browser.new_context(offline=True, viewport={"width": 820, "height": 1180})
    page = context.new_page()
    page.goto(page_file.as_uri())
    page.wait_for_selector(".map-frame[data-drawn]")
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    names = page.locator(".field-name")
    assert names.count() == 8
    frame = page.locator(".map-frame").bounding_box()
    for index in range(8):
        box = names.nth(index).bounding_box()
        assert frame["x"] <= box["x"] and box["x"] + box["width"] <= frame["x"] + frame["width"]
    context.close()
