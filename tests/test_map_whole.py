"""`trafficplan map` and `check` on the sample farm, as a person runs them, with every file read back."""

import hashlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from conftest import sample_farm
from pyproj import Geod
from rio_cogeo.cogeo import cog_validate

from trafficplan.names import LAYERS, STEPS, ZONE_COLUMNS, ZONES

pytestmark = pytest.mark.whole

FEW = ("--field", "Heron Meadow", "--field", "Oxbow")


def trafficplan(*words, **options):
    return subprocess.run(
        [sys.executable, "-m", "trafficplan", *map(str, words)], capture_output=True, text=True, **options
    )


@pytest.fixture(scope="session")
def sample(once) -> Path:
    """The sample farm's result at 1 m, base and one scenario."""

    def make(folder):
        done = trafficplan(
            "map", sample_farm(), "--out", folder / "out", "--cell", 1, "--scenario", "lower_pressure", "--json"
        )
        assert done.returncode == 0, done.stderr
        (folder / "answer.json").write_text(done.stdout)

    return once("sample", make)


def test_one_json_object_and_nothing_else(sample):
    answer = json.loads((sample / "answer.json").read_text())
    assert set(answer) == {"command", "version", "inputs", "result", "assumptions", "warnings", "errors"}
    assert [s["scenario"] for s in answer["result"]["scenarios"]] == ["base", "lower_pressure"]
    assert all({"kind", "what", "value", "why", "source"} == set(note) for note in answer["assumptions"])
    base, lower = answer["result"]["scenarios"]
    assert 0 < base["lasting_likely_ha"] < base["wheeled_ha"] < base["area_ha"]
    assert lower["lasting_likely_ha"] <= base["lasting_likely_ha"]


def test_files_are_those_of_the_contract(sample):
    names = {path.name for path in (sample / "out").iterdir()}
    assert names == {"run.json", "timings.json", "zones.csv", "zones.gpkg", "compare.csv", "layers", "report.html"}


def test_zone_table_has_its_columns_and_sums(sample):
    zones = pd.read_csv(sample / "out" / "zones.csv")
    assert list(zones.columns) == [name for name, _, _ in ZONE_COLUMNS]
    for _, group in zones.groupby(["scenario", "field", "depth_m"]):
        by_zone = group.set_index("zone")
        assert set(by_zone.index) == set(ZONES)
        disjoint = by_zone.loc[["headland", "gateway", "infield"]]
        assert disjoint.area_ha.sum() == pytest.approx(by_zone.area_ha["all"], abs=3e-4)
        assert disjoint.overstressed_ha.sum() == pytest.approx(by_zone.overstressed_ha["all"], abs=3e-4)
        traffic = (disjoint.traffic_t_km_ha * disjoint.area_ha).sum()
        assert traffic == pytest.approx(by_zone.traffic_t_km_ha["all"] * by_zone.area_ha["all"], rel=1e-3)
        assert (by_zone.wheeled_pct <= 100).all() and (by_zone.passes_max >= by_zone.passes_mean).all()


def test_table_follows_from_the_stored_layers(sample):
    zones = pd.read_csv(sample / "out" / "zones.csv").set_index(["scenario", "field", "zone", "depth_m"])
    folder = sample / "out" / "layers" / "base" / "Oxbow"
    with rasterio.open(folder / "ratio_50.tif") as layer:
        ratio = layer.read(1)[layer.read(1) != layer.nodata] * layer.scales[0]
    row = zones.loc["base", "Oxbow", "all", 0.5]
    assert row.area_ha == pytest.approx(ratio.size / 1e4, abs=1e-4)
    assert row.overstressed_ha == pytest.approx((ratio > 1 + 1e-9).sum() / 1e4, abs=1e-4)
    assert row.ratio_p95 == pytest.approx(np.quantile(ratio, 0.95, method="inverted_cdf"), abs=1e-4)


def test_every_layer_is_a_valid_cog_with_its_scale(sample):
    paths = sorted((sample / "out" / "layers" / "base" / "Heron Meadow").glob("*.tif"))
    names = {path.stem for path in paths}
    assert {"passes", "traffic", "depth_reached", "lasting"} <= names
    for depth in (10, 20, 35, 50, 70, 100):
        assert {f"stress_{depth}", f"ratio_{depth}", f"over_passes_{depth}", f"compaction_{depth}"} <= names
    for path in paths:
        valid, errors, _ = cog_validate(path)
        assert valid, errors
        with rasterio.open(path) as layer:
            kind = next(LAYERS[k] for k in sorted(LAYERS, key=len, reverse=True) if path.stem.startswith(k))
            assert layer.dtypes[0] == kind.dtype and layer.scales[0] == pytest.approx(kind.scale)
            assert layer.nodata == kind.nodata and layer.descriptions[0]


def test_meadow_is_never_tilled_so_nothing_is_repairable(sample):
    zones = pd.read_csv(sample / "out" / "zones.csv")
    assert set(zones[zones.field == "Heron Meadow"].layer) == {"deep"}
    assert {"tilled", "deep"} == set(zones[zones.field == "Mill Field"].layer)


def test_lower_pressure_helps_the_top_and_hardly_the_deep(sample):
    compare = pd.read_csv(sample / "out" / "compare.csv")
    lower = compare[(compare.scenario == "lower_pressure") & (compare.zone == "all")]
    assert (lower.stress_kpa_p95_minus_base <= 1e-6).all()
    # elsewhere the combine, whose pressure stays, decides the upper end of stress; on the meadow only the tanker drives
    rows = lower[lower.field == "Heron Meadow"].groupby("depth_m")
    change = rows.stress_kpa_p95_minus_base.mean() / rows.stress_kpa_p95.mean()
    assert (compare[compare.scenario == "base"].filter(like="minus_base") == 0).all().all()
    assert change[0.1] < change[0.7] <= 1e-6


def test_difference_layers_of_lasting(sample):
    layers = sample / "out" / "layers"
    with rasterio.open(layers / "lower_pressure" / "Oxbow" / "lasting_difference.tif") as layer:
        stored = layer.read(1)
        assert layer.nodata == -32768
    values = [
        rasterio.open(layers / s / "Oxbow" / "lasting.tif").read(1).astype(int) for s in ("lower_pressure", "base")
    ]
    inside = stored != -32768
    assert (stored[inside] == (values[0] - values[1])[inside]).all()
    assert not (layers / "base" / "Oxbow" / "lasting_difference.tif").exists()


def test_field_areas_agree_with_the_ellipsoid(sample):
    geod = Geod(ellps="WGS84")
    zones = pd.read_csv(sample / "out" / "zones.csv")
    table = zones[(zones.scenario == "base") & (zones.zone == "all")].groupby("field").area_ha.first()
    for _, row in gpd.read_file(sample_farm() / "fields.geojson").iterrows():
        true_ha = abs(geod.geometry_area_perimeter(row.geometry)[0]) / 1e4
        assert table[row.field] == pytest.approx(true_ha, rel=0.003)  # UTM scale and cells of 1 m


def test_zone_map_opens_with_its_style(sample):
    path = sample / "out" / "zones.gpkg"
    frame = gpd.read_file(path, layer="zones")
    table = pd.read_csv(sample / "out" / "zones.csv")
    assert len(frame) == len(table) and frame.crs.to_epsg() == 32635
    whole = frame[(frame.zone == "all") & (frame.depth_m == 0.5) & (frame.scenario == "base")]
    assert whole.geometry.area.sum() / 1e4 == pytest.approx(whole.area_ha.sum(), rel=0.005)
    with sqlite3.connect(path) as base:
        rows = base.execute("SELECT f_table_name, styleQML, useAsDefault FROM layer_styles").fetchall()
        assert base.execute("SELECT data_type FROM gpkg_contents WHERE table_name='layer_styles'").fetchone() == (
            "attributes",
        )
    assert [(name, default) for name, _, default in rows] == [("zones", 1)]
    ranges = ElementTree.fromstring(rows[0][1]).findall("./renderer-v2/ranges/range")
    assert [r.get("label") for r in ranges] == [name for name, _ in STEPS]
    assert all(a.get("upper") == b.get("lower") for a, b in zip(ranges, ranges[1:], strict=False))


def test_run_record_names_inputs_and_assumptions(sample):
    run = json.loads((sample / "out" / "run.json").read_text())
    for name, digest in run["inputs"].items():
        assert hashlib.sha256((sample_farm() / name).read_bytes()).hexdigest() == digest
    assert {"fields.geojson", "operations.csv", "farm.toml"} <= set(run["inputs"])
    assert run["parameters"]["cell_m"] == 1.0 and run["crs"] == "EPSG:32635" and run["assumptions"]


def test_report_stays_small_enough_to_send(sample):
    size = (sample / "out" / "report.html").stat().st_size
    assert 0.5e6 < size < 25e6
    text = (sample / "out" / "report.html").read_text(encoding="utf-8")
    assert "Ostara Flats" in text and "dig a hole" in text.lower()


def digests(folder):
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != "timings.json"
    }


def test_same_inputs_give_the_same_bytes_with_one_worker_or_two(tmp_path):
    for workers in (1, 2):
        done = trafficplan(
            "map", sample_farm(), *FEW, "--cell", 2, "--out", tmp_path / str(workers), "--workers", workers
        )
        assert done.returncode == 0, done.stderr
    assert digests(tmp_path / "1") == digests(tmp_path / "2")


def test_days_can_be_cut_out_and_less_traffic_is_never_worse(tmp_path):
    tables = []
    for name, days in (("all", ()), ("spring", ("--from", "2026-01-01", "--to", "2026-06-30"))):
        done = trafficplan("map", sample_farm(), "--field", "Oxbow", "--cell", 2, "--out", tmp_path / name, *days)
        assert done.returncode == 0, done.stderr
        tables.append(pd.read_csv(tmp_path / name / "zones.csv"))
    assert (tables[1].passes_mean < tables[0].passes_mean).all()
    assert (tables[1].stress_kpa_p95 <= tables[0].stress_kpa_p95 + 1e-9).all()


def test_interrupt_leaves_the_earlier_result_whole(tmp_path):
    out = tmp_path / "out"
    first = trafficplan("map", sample_farm(), "--field", "Oxbow", "--cell", 2, "--out", out)
    assert first.returncode == 0, first.stderr
    before = digests(out)
    running = subprocess.Popen(
        [sys.executable, "-m", "trafficplan", "map", str(sample_farm()), "--out", str(out), "--workers", "2"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a suite in the background ignores it
    )
    while not (tmp_path / "out.new").exists() and running.poll() is None:
        time.sleep(0.05)
    time.sleep(2)
    os.killpg(running.pid, signal.SIGINT)
    _, words = running.communicate(timeout=600)
    assert running.returncode == 130, words
    assert words == "Interrupted; the earlier result is untouched.\n"
    assert digests(out) == before
    assert not (tmp_path / "out.new").exists()


@pytest.mark.parametrize(
    ("words", "found", "mend"),
    [
        (("map", "nowhere"), "nowhere", "farm"),
        (("map", sample_farm(), "--field", "Oxbo"), "Oxbo", "Oxbow"),
        (("map", sample_farm(), "--scenario", "dryer"), "dryer", "one of those"),
        (("map", sample_farm(), "--from", "2026-02-30"), "2026-02-30", "2026-04-03"),
        (("map", sample_farm(), "--cell", "0"), "0", "0.5"),
        (("map", sample_farm(), "--depths", "10,x"), "10,x", "10,20"),
        (("check", "nowhere"), "nowhere", "farm"),
    ],
)
def test_wrong_words_get_one_clear_message(words, found, mend, tmp_path):
    done = trafficplan(*words, *(("--out", tmp_path / "out") if words[0] == "map" else ()))
    assert done.returncode == 2
    assert "Traceback" not in done.stderr and done.stdout == ""
    assert found in done.stderr and mend in done.stderr and "To mend it" in done.stderr
    assert not (tmp_path / "out").exists()
    as_json = trafficplan(*words, "--json")
    error = json.loads(as_json.stdout)["errors"][0]
    assert set(error) == {"what", "where", "found", "needed", "mend"} and as_json.returncode == 2


def test_no_permission_to_write_is_said(tmp_path):
    (tmp_path / "file").write_text("x")
    done = trafficplan("map", sample_farm(), "--field", "Oxbow", "--cell", 2, "--out", tmp_path / "file" / "out")
    assert done.returncode == 2
    assert "cannot be written" in done.stderr and "--out" in done.stderr and "Traceback" not in done.stderr


def test_check_tells_what_was_understood():
    done = trafficplan("check", sample_farm())
    assert done.returncode == 0, done.stderr
    for word in ("Heron Meadow", "fields (8)", "operations (40)", "scenarios", "assumed"):
        assert word in done.stdout
    answer = json.loads(trafficplan("check", sample_farm(), "--json").stdout)
    assert len(answer["result"]["fields"]) == 8
    assert sum(field["area_ha"] for field in answer["result"]["fields"]) == pytest.approx(164.05, abs=0.1)
