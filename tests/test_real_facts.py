"""Facts that come with the open data and that no other test holds: read by the program's own readers where it has one."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pynmea2
import pytest
import shapely
from pyproj import Geod, Transformer

from trafficplan.inputs.column_units import Column
from trafficplan.inputs.coordinates import project
from trafficplan.inputs.known_columns import KNOWN
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.nmea import read_nmea
from trafficplan.inputs.partfields import read_partfields
from trafficplan.inputs.starter.ground import read_any
from trafficplan.inputs.table import read_table
from trafficplan.inputs.taskdata import open_folder, read_taskdata

pytestmark = pytest.mark.real
GEOD = Geod(ellps="WGS84")

SURVEY = {
    "component": Column("cokey"),
    "top_m": Column("hzdept_r", "cm"),
    "bottom_m": Column("hzdepb_r", "cm"),
    "sand_pct": Column("sandtotal_r"),
    "silt_pct": Column("silttotal_r"),
    "clay_pct": Column("claytotal_r"),
    "organic_pct": Column("om_r"),
    "density_g_cm3": Column("dbthirdbar_r"),
}


def test_grain_harvest_soil_map(open_data: Path) -> None:
    """14 polygons, 34.2 ha, units 105C, 110, 211, 230, 319."""
    _, layer, _ = read_any(open_data / "grain-harvest" / "soil_map_units.shp", "soil")
    assert len(layer.features) == 14
    assert {one.record.text("MUSYM") for one in layer.features} == {"105C", "110", "211", "230", "319"}
    area = sum(abs(GEOD.geometry_area_perimeter(one.shape)[0]) for one in layer.features)
    assert area / 1e4 == pytest.approx(34.2, abs=0.05)


def test_delta_map_of_63_polygons_and_its_tables(open_data: Path) -> None:
    """63 polygons, 4 with a hole; 1,600 ha together; 16 units, 53 components, 21 of them with 70 horizons."""
    source = open_data / "delta-soil-map"
    _, layer, _ = read_any(source / "soil_map_units.geojson", "soil")
    shapes = [part for one in layer.features for part in shapely.get_parts(one.shape)]
    assert len(layer.features) == 63 and sum(len(one.interiors) == 1 for one in shapes) == 4
    assert not any(len(one.interiors) > 1 for one in shapes)
    assert len({one.record.text("MUSYM") for one in layer.features}) == 16
    square = project(layer, Transformer.from_crs("EPSG:4326", "EPSG:26915").target_crs)
    assert sum(one.shape.area for one in square.features) / 1e4 == pytest.approx(1600.0, abs=0.02)
    ledger = Ledger(source)
    shares = {"unit": Column("musym"), "component": Column("cokey"), "share_pct": Column("comppct_r")}
    parts = read_table(ledger, source / "components.csv", KNOWN["components"], ("unit",), shares)
    total: dict[str, float] = {}
    for one in parts:
        total[one.text("unit")] = total.get(one.text("unit"), 0.0) + (one.number("share_pct", 0, 100, "%") or 0.0)
    assert len(parts) == 53 and len(total) == 16 and set(total.values()) == {100.0}
    rows = read_table(ledger, source / "horizons.csv", KNOWN["horizons"], ("component",), SURVEY)
    components = [one.text("component") for one in rows]
    counts = {key: components.count(key) for key in components}
    assert (len(rows), len(counts)) == (70, 21) and set(counts.values()) <= {2, 3, 4, 5}
    values = {name: [one.number(name, 0, 1e3, "") for one in rows] for name in SURVEY if name != "component"}
    fine = np.array([values[f"{name}_pct"] for name in ("sand", "silt", "clay")]).sum(axis=0)
    assert fine == pytest.approx(np.full(70, 100.0), abs=0.05)
    for name, low, high in (("clay_pct", 11.5, 75), ("organic_pct", 0.25, 8.5), ("density_g_cm3", 1.13, 1.50)):
        assert (min(values[name]), max(values[name])) == pytest.approx((low, high)), name
    for key in counts:
        depths = [
            (top, low)
            for one, top, low in zip(components, values["top_m"], values["bottom_m"], strict=True)
            if one == key
        ]
        tops, bottoms = np.array(sorted(depths)).T
        assert tops[0] == 0 and tops[1:] == pytest.approx(bottoms[:-1]) and 1.27 <= bottoms[-1] <= 2.03
    assert not ledger.problems


def test_nmea_survey_lies_within_36_metres(open_data: Path) -> None:
    """35.9 x 34.9 m (UTM 56 S); quality 1 throughout; 4 to 11 satellites, HDOP to 24.1, 16 fixes above 3; heights."""
    path = open_data / "nmea-survey" / "survey.nmea"
    log = read_nmea(path, "survey.nmea", "tracks/survey.nmea")
    change = Transformer.from_crs("EPSG:4326", "EPSG:32756", always_xy=True)
    east, north = change.transform(log.columns["x"], log.columns["y"])
    assert (np.ptp(east), np.ptp(north)) == pytest.approx((35.9, 34.9), abs=0.05)
    lines = path.read_bytes().decode("ascii").split("\r\n")[:-1]
    assert [line[3:6] for line in lines[:7]] == ["GGA", "VTG", "RMC", "GSA", "GSV", "GSV", "GSV"] and len(
        lines
    ) == 7 * 602
    parsed = [pynmea2.parse(line, check=True) for line in lines if line[3:6] == "GGA"]
    assert {one.gps_qual for one in parsed} == {1}
    satellites = [int(one.num_sats) for one in parsed]
    assert (min(satellites), max(satellites)) == (4, 11)
    spread = np.array([float(one.horizontal_dil) for one in parsed])
    assert (spread.max(), (spread > 3).sum()) == (24.1, 16)
    heights = np.array([one.altitude for one in parsed])
    assert (heights.min(), heights.max()) == (362.9, 366.7) and {float(one.geo_sep) for one in parsed} == {39.5}


def test_forage_harvest_totals_and_what_a_reader_has_to_survive(open_data: Path) -> None:
    """81.80 km working + 28.88 km not, 1,192 l: the last total of each task; rings not closed; numbers missing."""
    folder = open_data / "forage-harvest" / "TASKDATA"
    root = ElementTree.parse(folder / "TASKDATA.XML").getroot()
    sums = dict.fromkeys(("0075", "0076", "0094"), 0.0)
    for task in root.findall("TSK"):
        for number in sums:
            values = [float(one.get("B", 0)) for one in task.findall(f"TIM/DLV[@A='{number}']")]
            sums[number] += values[-1] if values else 0.0
    assert (sums["0075"] / 1e6, sums["0076"] / 1e6) == pytest.approx((81.80, 28.88), abs=0.005)
    assert sums["0094"] / 1e3 == pytest.approx(1192, abs=0.5)
    container = open_folder(folder, "TASKDATA")
    data = read_taskdata(container)
    names = {int(name.removeprefix("TLG")) for name in data.logs}
    assert set(range(1, max(names) + 1)) - names == {10, 11, 12, 13, 14}
    tasks = {int(task.get("A", "").removeprefix("TSK").lstrip("-")) for task in root.findall("TSK")}
    assert 9 not in tasks and len(tasks) == 19
    rings = [one.findall("PNT") for one in root.findall("PFD/PLN/LSG")]
    assert len(rings) == 21 and not any(one[0].attrib == one[-1].attrib for one in rings)
    fields = read_partfields(container)
    area = sum(abs(GEOD.geometry_area_perimeter(one.boundary)[0]) for one in fields)
    assert len(fields) == 21 and area / 1e4 == pytest.approx(70.02, abs=0.005)
    assert "DET-123456789" in data.parents
