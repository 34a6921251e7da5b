"""Soil from tables and mixed sources: samples as CSV, stones by mass, units described in the map alone; fields of task data."""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path

import pytest
from pyproj import Transformer
from spoiled_farms import CRS, EAST, NORTH, rewrite, square, text, write, write_good
from spoiled_vectors import points, toml

from trafficplan.errors import InputError
from trafficplan.farm.farm import Farm
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.soil_cover import soil_shares
from trafficplan.names import Note

PLACES = [(20, 50), (80, 50), (90, 10)]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_good(tmp_path / "farm")


def notes(farm: Farm, kind: str, words: str) -> list[Note]:
    return [one for one in farm.notes if one.kind == kind and words in one.what]


def shares(farm: Farm) -> dict[str, float]:
    return soil_shares(farm.soil_map, farm.fields["Park"])


def samples(folder: Path, header: str, rows: list[str], name: str = "soil.csv") -> None:
    (folder / "soil.geojson").unlink(missing_ok=True)
    (folder / name).write_text("\n".join([header, *rows, ""]))


def lonlat(x: float, y: float) -> str:
    lon, lat = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(EAST + x, NORTH + y)
    return f"{lon:.10f},{lat:.10f}"


def test_samples_of_a_table_are_the_points_of_a_layer(tmp_path: Path) -> None:
    drawn = write_good(tmp_path / "drawn")
    points(PLACES, ["A", "B", "B"])(drawn)
    wanted = shares(read_farm(drawn))
    for name, header, rows, more in (
        ("soil.csv", "sample,Longitude,Latitude,unit", [f"1,{lonlat(*one)},{unit}" for one, unit in zip(PLACES, "ABB", strict=True)], ""),
        ("soil.csv", "x,y,unit", [f"{EAST + x},{NORTH + y},{unit}" for (x, y), unit in zip(PLACES, "ABB", strict=True)], ""),
        ("lab.txt", "Ost;".replace(";", ",") + "Nord,Boden", [f"{EAST + x},{NORTH + y},{unit}" for (x, y), unit in zip(PLACES, "ABB", strict=True)],
         '[files]\nsoil = "lab.txt"\n[coordinate_systems]\nsoil = "EPSG:32635"\n[columns.soil]\nx = "Ost"\ny = "Nord"\nunit = "Boden"\n'),
    ):  # fmt: skip
        farm = write_good(tmp_path / header[:6].replace("/", "") / "farm")
        samples(farm, header, rows, name)
        if more:
            toml(more)(farm)
        read = read_farm(farm)
        assert shares(read) == pytest.approx(wanted, abs=1e-6) and "soil between the points" in str(read.notes)
        assert name in read.inputs
    assert notes(read_farm(tmp_path / "x,y,un" / "farm"), "assumed", "soil.csv: coordinate system")


def test_samples_with_sand_and_clay_need_no_units(folder: Path) -> None:
    (folder / "horizons.csv").unlink()
    samples(folder, "lon,lat,sand_pct,clay_pct,organic_pct", [f"{lonlat(20, 50)},40,20,2", f"{lonlat(80, 50)},10,30,3"])
    farm = read_farm(folder)
    assert {unit.horizons[0].texture for unit in farm.soil_units.values()} == {"loam", "silty clay loam"}
    assert shares(farm) == pytest.approx({"soil 1": 0.5, "soil 2": 0.5}, abs=1e-4)


def test_a_drawn_map_beside_the_table_is_read_and_that_is_told(folder: Path) -> None:
    (folder / "soil.csv").write_text("x,y,unit\n1,2,A\n")
    assert notes(read_farm(folder), "warned", "soil: several files")


@pytest.mark.parametrize(
    ("header", "rows", "more", "where", "what", "mend"),
    [
        ("sample,unit", ["1,A"], "", "soil.csv, row 1", "without their places", "columns.soil"),
        ("lon,lat,unit", ["24.1,north,A"], "", "soil.csv, row 2, column lat", "not a number", "write a number"),
        ("lon,lat,unit", ["500000,6100000,A"], "", "soil.csv, row 2, column lon", "out of range", ""),
        ("lon,lat,unit", ["24.1,,A"], "", "soil.csv, row 2, column lat", "number is missing", "fill in lat"),
        ("lon,lat,unit", [], "", "soil.csv", "no soil samples", "add the rows"),
        ("lon;lat;unit", ["24;55;A"], "", "soil.csv, row 1", "separated by semicolons", "semicolons to commas"),
        ("x,y,unit", ["24.1,55.0,A"], "", "soil.csv", "degrees in a coordinate system of metres", "longitude"),
        ("lon,lat,unit", ["10.0,20.0,A"], "", "soil.csv", "entirely elsewhere", "belongs to this farm"),
    ],
)  # fmt: skip
def test_samples_refused(
    folder: Path, header: str, rows: list[str], more: str, where: str, what: str, mend: str
) -> None:
    samples(folder, header, rows)
    with pytest.raises(InputError) as caught:
        read_farm(folder)
    problem = next(one for one in caught.value.problems if "soil.csv" in one.where)
    assert problem.where == where and what in problem.what and mend in problem.mend


def test_places_in_metres_need_a_system(folder: Path) -> None:
    samples(folder, "x,y,unit", [f"{EAST + 20},{NORTH + 50},A"])
    text("farm.toml", 'crs = "EPSG:32635"\n', "")(folder)
    with pytest.raises(InputError, match="no coordinate system"):
        read_farm(folder)


def test_stones_by_mass_become_a_share_of_the_volume(folder: Path) -> None:
    rows = "unit,top_m,bottom_m,texture,density_g_cm3,stones_mass_pct,stones_pct\nA,0,1,loam,1.4,30,\nB,0,1,loam,,,12\n"
    write("horizons.csv", rows)(folder)
    farm = read_farm(folder)
    # by hand: 0.3 / 2.65 = 0.113208; 0.7 / 1.4 = 0.5; 0.113208 / 0.613208 = 0.18462
    assert farm.soil_units["A"].horizons[0].stones == pytest.approx(0.18462, abs=1e-5)
    assert farm.soil_units["B"].horizons[0].stones == pytest.approx(0.12)
    (note,) = notes(farm, "assumed", "stones")
    assert note.value == "18.5 % of the volume" and "30 % of the mass, fine earth of 1.4 g/cm3" in note.why
    write("horizons.csv", rows.replace("1.4,30,", ",30,"))(folder)
    with pytest.raises(InputError, match="stones by mass without a density"):
        read_farm(folder)
    write("horizons.csv", rows.replace("1.4,30,", "1.4,30,20"))(folder)
    with pytest.raises(InputError, match="stones given twice"):
        read_farm(folder)


def test_unit_without_rows_is_read_from_its_polygon(folder: Path) -> None:
    text("horizons.csv", "B,0,1.0,silty clay loam,,,,3.0,\n", "")(folder)
    with pytest.raises(InputError, match="soil units without horizons"):
        read_farm(folder)
    rewrite("soil", lambda frame: frame.assign(texture=["clay", "sandy loam"], organic_pct=[9.0, 3.0]))(folder)
    farm = read_farm(folder)
    assert farm.soil_units["B"].horizons[0].texture == "sandy loam" and farm.soil_units["B"].horizons[0].organic == 3.0
    assert farm.soil_units["A"].horizons[0].texture == "loam"  # the table counts where it has rows
    (note,) = notes(farm, "assumed", "soil unit B: horizons")
    assert (
        "0.50 ha" in note.value and "no rows for it" in note.why and not notes(farm, "assumed", "soil unit A: horizons")
    )


def task_field(corners: list[tuple[float, float]], more: str = "") -> str:
    ring = "".join('<PNT A="2" C="{1}" D="{0}"/>'.format(*lonlat(*one).split(",")) for one in [*corners, corners[0]])
    return (
        '<?xml version="1.0"?><ISO11783_TaskData VersionMajor="4"><PFD A="PFD1" C="Park" D="10000">'
        f'<PLN A="1"><LSG A="1">{ring}</LSG></PLN></PFD>{more}</ISO11783_TaskData>'
    )


SQUARE = [(0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0)]


@pytest.mark.parametrize("form", ["TASKDATA", "TASKDATA/TASKDATA.XML", "set.zip"])
def test_fields_of_task_data(folder: Path, form: str) -> None:
    (folder / "TASKDATA").mkdir()
    (folder / "TASKDATA" / "TASKDATA.XML").write_text(task_field(SQUARE, '<PFD A="PFD2" C="Moor" D="0"/>'))
    if form == "set.zip":
        with zipfile.ZipFile(folder / form, "w") as packed:
            packed.write(folder / "TASKDATA" / "TASKDATA.XML", "TASKDATA/TASKDATA.XML")
        shutil.rmtree(folder / "TASKDATA")
    (folder / "fields.geojson").unlink()
    toml(f'[files]\nfields = "{form}"\n')(folder)
    farm = read_farm(folder)
    assert farm.fields["Park"].polygon.symmetric_difference(square(0, 0, 100, 100)).area < 0.01
    assert notes(farm, "warned", "fields without a boundary")[0].value == "PFD2 left out"
    assert (form if form == "set.zip" else "TASKDATA/TASKDATA.XML") in farm.inputs


@pytest.mark.parametrize(
    ("content", "what"),
    [
        ("<ISO11783_TaskData VersionMajor='4'/>", "no boundary"),
        ("<ISO11783_TaskData VersionMajor='4'><PFD A='PFD1'><PLN A='1'><LSG A='1'><PNT C='91' D='0'/></LSG></PLN></PFD></ISO11783_TaskData>", "nowhere"),
        ("<!DOCTYPE a [<!ENTITY b 'c'>]><a>&b;</a>", "document type or entity"),
        ("<ISO", "not a readable XML"),
    ],
)  # fmt: skip
def test_fields_of_task_data_refused(folder: Path, content: str, what: str) -> None:
    (folder / "TASKDATA").mkdir()
    (folder / "TASKDATA" / "TASKDATA.XML").write_text(content)
    toml('[files]\nfields = "TASKDATA"\n')(folder)
    with pytest.raises(InputError, match=what) as caught:
        read_farm(folder)
    assert all("TASKDATA" in one.where for one in caught.value.problems)


def test_task_data_outside_the_farm_are_not_read(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "TASKDATA").mkdir()
    (tmp_path / "TASKDATA" / "TASKDATA.XML").write_text(task_field(SQUARE))
    (folder / "LINK").symlink_to(tmp_path / "TASKDATA")
    for name in ("../TASKDATA", str(tmp_path / "TASKDATA"), "LINK"):
        other = folder / "farm.toml"
        kept = other.read_text()
        toml(f'[files]\nfields = "{name}"\n')(folder)
        with pytest.raises(InputError, match=r"outside the farm folder|leads out"):
            read_farm(folder)
        other.write_text(kept)


def test_an_unknown_column_can_be_mapped(folder: Path) -> None:
    rewrite("fields", lambda frame: frame.drop(columns=["tillage_depth_m"]).assign(tilage_depth_m=0.3))(folder)
    with pytest.raises(InputError) as caught:
        read_farm(folder)
    (problem,) = caught.value.problems
    assert 'table columns.fields: tillage_depth_m = "tilage_depth_m"' in problem.mend
    toml('[columns.fields]\ntillage_depth_m = "tilage_depth_m"\n')(folder)
    assert read_farm(folder).fields["Park"].tillage_depth_m == 0.3
