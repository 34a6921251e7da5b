"""Every machine log of the open data through the whole audit: what it says is what the logs are known to hold."""

from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from audit_farm import OPERATIONS, write_audit_farm
from forage_farm import make_forage_farm
from pyproj import Transformer
from real_field import make_real_farm
from test_audit import run

pytestmark = pytest.mark.real


def test_a_contractors_forty_hours(open_data: Path, tmp_path: Path) -> None:
    """Facts: 19 fields, 110.29 km on the ellipsoid, 71.08 ha worked, 3,470.5 t left on trailers that are in no log."""
    farm = make_forage_farm(tmp_path / "farm", open_data)
    told = run("audit", farm, "--out", tmp_path / "out", "--cell", "4", "--depths", "20,50", "--workers", "2")
    (one,) = told["result"]["farms"]
    assert (
        sum(row["operations"] > 0 for row in one["fields"]) == 19
        and not one["failed"]
        and not one["without_log"]
        and not one["without_operation"]
    )
    km = sum(row["work_km"] + row["transport_km"] + row["jumped_km"] for row in one["logs"])
    assert km == pytest.approx(110.29, rel=0.005)
    assert sum(row["worked_ha"] for row in one["logs"] if row["field"]) == pytest.approx(71.08, rel=0.005)
    assert sum(row["mass_t"] for row in one["missing"]) == pytest.approx(3470.5, rel=0.003)
    assert any(not row["field"] and row["transport_km"] > 0 for row in one["logs"])  # the road apart
    page = (tmp_path / "out" / "report.html").read_text()
    assert "left the fields on trailers that are in no log" in page[: page.index("Fields A to Z")]


def test_a_combines_own_log(open_data: Path, tmp_path: Path) -> None:
    farm = make_real_farm(tmp_path / "farm", open_data)
    told = run("audit", farm, "--out", tmp_path / "out", "--cell", "4", "--depths", "20,50", "--workers", "1")
    (one,) = told["result"]["farms"]
    (row,) = one["operations"]
    assert row["drive_is"] == "recorded" and not one["without_operation"] and not one["without_log"]
    assert sum(each["mass_t"] for each in one["logs"] if each["field"]) > 100 and one["missing"] == []


def test_a_survey_without_an_operation(open_data: Path, tmp_path: Path) -> None:
    """Facts: 594.1 m on 16 March 2018 by UTC, 11:59 to 12:09 in Brisbane; nobody planned it, so it is an operation of its own."""
    farm = write_audit_farm(tmp_path / "farm", operations=OPERATIONS.splitlines()[0] + "\n")
    (farm / "tracks").mkdir()
    survey = open_data / "nmea-survey" / "survey.nmea"
    (farm / "tracks" / "roller survey.nmea").write_bytes(survey.read_bytes())
    crs = "EPSG:32756"
    gga = next(line.split(",") for line in survey.read_text("ascii").splitlines() if line[3:6] == "GGA")
    south, east = (float(gga[i][:-8]) + float(gga[i][-8:]) / 60 for i in (2, 4))
    x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(east, -south)
    ground = shapely.box(x - 60, y - 60, x + 60, y + 60)
    rows = {
        "fields": {"field": ["Paddock"], "crop": ["grass"], "tillage_depth_m": [0.2], "geometry": [ground]},
        "soil": {"unit": ["A"], "geometry": [ground.buffer(50)]},
        "access": {"kind": ["gateway"], "name": ["Gate"], "field": ["Paddock"], "geometry": [shapely.Point(x, y - 60)]},
    }
    for name, columns in rows.items():
        gpd.GeoDataFrame(columns, crs=crs).to_crs("EPSG:4326").to_file(farm / f"{name}.geojson")
    text = f'name = "Survey"\nseason = 2018\ntimezone = "Australia/Brisbane"\ncrs = "{crs}"\n'
    (farm / "farm.toml").write_text(text)
    told = run("audit", farm, "--out", tmp_path / "out", "--cell", "2", "--depths", "20,50", "--workers", "1")
    (one,) = told["result"]["farms"]
    assert one["without_operation"] == ["roller survey.nmea"]
    (row,) = one["operations"]
    assert (row["date"], row["outfit"], row["drive_is"]) == ("2018-03-16", "roller", "recorded")
    driven = sum(each["work_km"] + each["transport_km"] for each in one["logs"])
    assert driven == pytest.approx(0.5941, rel=0.005)
