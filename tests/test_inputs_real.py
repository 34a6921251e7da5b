"""Reading real data: a soil map with pits, levees and water, and a combine's own log."""

import re
import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from spoiled_farms import OPS, text, write, write_good

from trafficplan.errors import InputError
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.soils import soil_shares


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_good(tmp_path / "farm")


@pytest.mark.real
def test_real_soil_map_names_the_units_without_horizons(open_data: Path, folder: Path) -> None:
    """A square of 4 x 4 km: levees, pits and water have no horizons (141.60 ha, published)."""
    source = open_data / "delta-soil-map"
    ground = gpd.read_file(source / "soil_map_units.geojson")
    table = pd.read_csv(source / "horizons.csv", dtype={"cokey": str})
    parts = pd.read_csv(source / "components.csv", dtype={"cokey": str})
    parts = parts[parts.cokey.isin(table.cokey)].sort_values("comppct_r").drop_duplicates("musym", keep="last")
    joined = parts[["cokey", "musym"]].merge(table.drop(columns="musym"), on="cokey")
    rows = pd.DataFrame({"unit": joined.musym, "top_m": joined.hzdept_r / 100, "bottom_m": joined.hzdepb_r / 100})
    rows = rows.assign(sand_pct=joined.sandtotal_r, silt_pct=joined.silttotal_r, clay_pct=joined.claytotal_r)
    rows.to_csv(folder / "horizons.csv", index=False)
    shutil.copy(source / "soil_map_units.geojson", folder / "soil.geojson")
    whole = ground.union_all().envelope
    gpd.GeoDataFrame({"field": ["Park"], "geometry": [whole]}, crs=ground.crs).to_file(folder / "fields.geojson")
    for name in ("access.geojson", "tramlines.geojson", "scenarios.toml"):
        (folder / name).unlink()
    text("farm.toml", 'crs = "EPSG:32635"\n', '\n[columns.soil]\nunit = "MUSYM"\n')(folder)
    write(OPS, "id,date,field,job,outfit\n1,2026-03-20,Park,roll,spreader\n")(folder)
    with pytest.raises(InputError) as caught:
        read_farm(folder)
    (problem,) = caught.value.problems
    assert problem.what == "soil units without horizons"
    hectares = [float(one) for one in re.findall(r"\((\S+) ha", problem.found)]
    assert hectares == pytest.approx([19.10, 5.60, 116.89], abs=0.02)  # BPI, LVS, W: published with the data
    dry = ground[~ground.MUSYM.isin(["BPI", "LVS", "W"])].union_all()
    gpd.GeoDataFrame({"field": ["Park"], "geometry": [dry]}, crs=ground.crs).to_file(folder / "fields.geojson")
    found = read_farm(folder)
    area = found.fields["Park"].polygon.area / 1e4
    assert area == pytest.approx(1600 - 141.60, abs=0.5)  # UTM plane of the neighbouring datum: scale to 1e-4
    assert len(found.soil_units) == 13
    assert sum(soil_shares(found.soil_map, found.fields["Park"]).values()) == pytest.approx(area, abs=0.5)


@pytest.mark.real
def test_real_combine_log_is_read_whole(open_data: Path, folder: Path) -> None:
    """Counts and sums: published with the data (4,949 records, 232.9 t, two jumps, 69 pauses)."""
    shutil.copy(open_data / "grain-harvest" / "track.tsv", folder / "tracks" / "harvest.tsv")
    frame = gpd.read_file(open_data / "grain-harvest" / "soil_map_units.shp")
    ground = frame.union_all()
    gpd.GeoDataFrame({"field": ["Park"], "geometry": [ground]}, crs=frame.crs).to_file(folder / "fields.geojson")
    gpd.GeoDataFrame({"unit": ["A"], "geometry": [ground]}, crs=frame.crs).to_file(folder / "soil.geojson")
    for name in ("access.geojson", "tramlines.geojson", "scenarios.toml"):
        (folder / name).unlink()
    text("farm.toml", 'crs = "EPSG:32635"\n', "")(folder)
    text("farm.toml", "step = {", 'record = { column = "seconds", unit = "s" }\nstep = {')(folder)
    text(OPS, "tramlines,South gate", "swaths,")(folder)
    found = read_farm(folder)
    log = found.logs["harvest.tsv"]
    assert found.crs == "EPSG:32615"
    assert len(log.x) == 4949
    assert log.flow_kg_s is not None and log.record_s is not None and log.step_m is not None
    assert float((log.flow_kg_s * log.record_s).sum()) / 1e3 == pytest.approx(232.9, abs=0.05)
    assert float(log.step_m.sum()) / 1e3 == pytest.approx(29.9, abs=0.05)
    assert float(np.hypot(np.diff(log.x), np.diff(log.y)).sum()) / 1e3 == pytest.approx(30.7, abs=0.05)
    told = {note.what: note.value for note in found.notes}
    assert told["tracks/harvest.tsv: steps of more than 30 m between fixes"] == "2 of 4949"
    assert told["tracks/harvest.tsv: pauses of more than 10 s"] == "69 of 4949"
