"""Files from strangers, and a machine that fails: nothing outside is read, nothing is run, no result is lost."""

import ast
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import REPO
from spoiled_farms import OPS, all_of, feature, layers, prop, text, write, write_good
from typer.testing import CliRunner

from trafficplan.cli.main import app
from trafficplan.errors import InputError
from trafficplan.inputs.farm import read_farm

PACKAGE = REPO / "trafficplan"
SECRET = "field,secret\nnot yours,1\n"
TEN = "".join(f'<!ENTITY a{i + 1} "' + f"&a{i};" * 10 + '">' for i in range(8))
BOMB = f'<?xml version="1.0"?><!DOCTYPE b [<!ENTITY a0 "aaaaaaaaaa">{TEN}]>'
OUTSIDE = '<?xml version="1.0"?><!DOCTYPE b [<!ENTITY a SYSTEM "file:///etc/passwd">]>'
KML = (
    '<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>{name}</name><Polygon><outerBoundaryIs>'
    "<LinearRing><coordinates>27,55 27.001,55 27.001,55.001 27,55</coordinates></LinearRing></outerBoundaryIs>"
    "</Polygon></Placemark></Document></kml>"
)
GPX = (
    '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1"><trk><name>{name}</name><trkseg>'
    '<trkpt lat="55.0" lon="27.0"/><trkpt lat="55.0001" lon="27.0"/></trkseg></trk></gpx>'
)


def refusal(folder: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_farm(folder)
    return "\n".join(one.sentence() for one in caught.value.problems)


def named(kind: str, name: str):
    return text("farm.toml", "\n[tracks", f"\n[files]\n{kind} = {json.dumps(name)}\n[tracks")


@pytest.mark.parametrize("kind", ["fields", "soil", "access", "tramlines", "horizons", "operations", "scenarios",
                                  "weather", "tyre_tables", "seen", "aerial"])  # fmt: skip
@pytest.mark.parametrize(
    "name",
    ["../secret.csv", "a/../../secret.csv", "{outside}/secret.csv", "/vsicurl/example", "/vsizip/../secret.zip",
     "..\\\\secret.csv", "http://example.org/a.csv", "file:///etc/hostname", "link.csv", "PG://x"],
)  # fmt: skip
def test_no_file_outside_the_folder_is_read(kind, name, tmp_path):
    (tmp_path / "secret.csv").write_text(SECRET)
    folder = write_good(tmp_path / "farm")
    (folder / "link.csv").symlink_to(tmp_path / "secret.csv")
    named(kind, name.format(outside=tmp_path))(folder)
    said = refusal(folder)
    assert "outside the farm folder" in said or "a link leads out" in said
    assert "not yours" not in said and "secret,1" not in said


@pytest.mark.parametrize("what", ["tracks", "outfits"])
def test_no_folder_of_the_farm_is_a_way_out(what, tmp_path):
    folder = write_good(tmp_path / "farm")
    (folder / what).rename(tmp_path / "elsewhere")
    (folder / what).symlink_to(tmp_path / "elsewhere")
    assert "link leads out" in refusal(folder)


VIRTUAL_VECTOR = (
    '<OGRVRTDataSource><OGRVRTLayer name="fields"><SrcDataSource>{outside}</SrcDataSource></OGRVRTLayer>'
    "</OGRVRTDataSource>"
)
VIRTUAL_RASTER = (
    '<VRTDataset rasterXSize="2" rasterYSize="2"><VRTRasterBand dataType="Byte" band="1"><SimpleSource>'
    "<SourceFilename>{outside}</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>"
)


@pytest.mark.parametrize("name", ["fields.geojson", "soil.geojson", "access.geojson", "tramlines.geojson", "fields.kml",
                                  "fields.gpkg", "fields.shp", "fields.fgb"])  # fmt: skip
def test_virtual_vector_files_are_refused_whatever_their_name(name, tmp_path):
    layers()["fields"].to_file(tmp_path / "other.geojson", driver="GeoJSON")
    folder = write_good(tmp_path / "farm")
    kind = name.partition(".")[0]
    (folder / f"{kind}.geojson").unlink()
    write(name, VIRTUAL_VECTOR.format(outside=tmp_path / "other.geojson"))(folder)
    assert name in refusal(folder)


@pytest.mark.parametrize("kind", ["aerial", "soil", "elevation"])
def test_virtual_rasters_are_refused(kind, tmp_path):
    folder = write_good(tmp_path / "farm")
    name = f"{kind}.tif"
    all_of(write(name, VIRTUAL_RASTER.format(outside=tmp_path / "x.tif")), named(kind, name))(folder)
    assert name in refusal(folder)


@pytest.mark.parametrize("head", [BOMB, OUTSIDE], ids=["entity bomb", "entity from outside"])
@pytest.mark.parametrize("name", ["fields.kml", "tracks/drive.gpx", "tracks/TASKDATA.XML"])
def test_xml_with_entities_is_refused(name, head, tmp_path):
    folder = write_good(tmp_path / "farm")
    entity = "&a8;" if head is BOMB else "&a;"
    if name == "fields.kml":
        (folder / "fields.geojson").unlink()
        body = KML.format(name=entity)
    elif name.endswith(".gpx"):
        body = GPX.format(name=entity)
    else:
        body = f'<ISO11783_TaskData VersionMajor="3"><TSK A="TSK1" B="{entity}"/></ISO11783_TaskData>'
    write(name, head + body)(folder)
    if name != "fields.kml":
        text(OPS, "harvest.tsv", Path(name).name)(folder)
    said = refusal(folder)
    assert Path(name).name in said
    assert "root:" not in said and len(said) < 5000


EVIL = "<script>window.broken=1</script>${window.broken=1}"


def test_a_field_named_like_a_script_is_refused_and_not_run(tmp_path):
    folder = write_good(tmp_path / "farm")
    feature("fields.geojson", 0, prop("field", EVIL))(folder)
    assert "a name that no folder can have" in refusal(folder)


def test_texts_of_the_data_reach_no_page_unescaped(tmp_path):
    """What may hold any sign: titles, gateways, crops, units, jobs; in check's picture and in the report alike."""
    folder = write_good(tmp_path / "farm")
    feature("fields.geojson", 0, prop("crop", EVIL))(folder)
    feature("access.geojson", 0, prop("name", EVIL))(folder)
    feature("access.geojson", 2, prop("name", EVIL))(folder)
    for file, old in (("farm.toml", "One Hectare"), ("outfits/spreader.toml", "Tractor with trailed spreader"),
                      ("scenarios.toml", "Lighter loads"), (OPS, "South gate"), (OPS, "plough")):  # fmt: skip
        text(file, old, EVIL)(folder)
    picture, out = tmp_path / "look.html", tmp_path / "out"
    assert CliRunner().invoke(app, ["check", str(folder), "--map", str(picture)]).exit_code == 0
    done = CliRunner().invoke(
        app, ["map", str(folder), "--out", str(out), "--cell", "4", "--scenario", "all", "--workers", "1"]
    )
    assert done.exit_code == 0, done.output
    for page in (picture.read_text(encoding="utf-8"), (out / "report.html").read_text(encoding="utf-8")):
        assert "<script>window" not in page
        # Between scripts ${ is a text like any other; inside one it would be run.
        assert not any("${window" in script for script in re.findall(r"(?s)<script.*?</script>", page))
        assert "window.broken" in re.sub(r"&#(\d+);", lambda hit: chr(int(hit[1])), page)


FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__", "breakpoint"}
FORBIDDEN_NAMES = {("os", "system"), ("os", "popen"), ("os", "execv"), ("pandas", "read_pickle"), ("pd", "read_pickle"),
                   ("pd", "eval"), ("yaml", "load"), ("tempfile", "mktemp")}  # fmt: skip
FORBIDDEN_IMPORTS = {"pickle", "cPickle", "marshal", "shelve", "dill", "joblib", "pty", "subprocess", "socket",
                     "urllib.request", "http.client", "requests", "ftplib", "telnetlib", "xml.dom", "xml.sax"}  # fmt: skip


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_no_module_runs_or_unpacks_foreign_code(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        where = f"{path.name}:{getattr(node, 'lineno', 0)}"
        if isinstance(node, ast.Call):
            called = node.func
            if isinstance(called, ast.Name):
                assert called.id not in FORBIDDEN_CALLS, f"{where}: {called.id}"
            if isinstance(called, ast.Attribute) and isinstance(called.value, ast.Name):
                assert (called.value.id, called.attr) not in FORBIDDEN_NAMES, f"{where}: {called.attr}"
            for word in node.keywords:
                truth = isinstance(word.value, ast.Constant) and word.value.value is True
                assert not (word.arg in ("shell", "allow_pickle") and truth), f"{where}: {word.arg}=True"
        names = [one.name for one in node.names] if isinstance(node, ast.Import) else []
        names += [str(node.module)] if isinstance(node, ast.ImportFrom) else []
        for name in names:
            assert not any(name == bad or name.startswith(f"{bad}.") for bad in FORBIDDEN_IMPORTS), f"{where}: {name}"


def broken_runs(tmp_path: Path, *asked: object) -> list[dict]:
    """Run tests/broken_runs.py on the farm of 1 ha; what it printed."""
    farm = write_good(tmp_path / "farm")
    work = tmp_path / "work"
    work.mkdir()
    script = Path(__file__).with_name("broken_runs.py")
    done = subprocess.run(
        [sys.executable, str(script), str(farm), str(work / "out"), *map(str, asked)],
        capture_output=True, text=True, cwd=REPO, env={**os.environ, "PYTHONPATH": str(REPO)}, timeout=900,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


@pytest.mark.whole
@pytest.mark.skipif(sys.platform == "win32", reason="file size limits and forks are Unix's")
def test_a_full_disk_is_told_once_and_the_earlier_result_stays(tmp_path):
    # Bytes that a file may have: less than a layer, than the zone map (about 120 kB), than the report (350 kB).
    for run in broken_runs(tmp_path, "full", 500, 60_000, 200_000):
        assert run["status"] == 2, run
        assert run["same"] and run["left"] == ["out", "said"], run
        assert run["said"].count("the result cannot be written") == 1 and run["said"].count("\n") == 1, run
        assert "Traceback" not in run["said"]


@pytest.mark.whole
@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL and forks are Unix's")
def test_killed_at_twenty_moments_one_whole_result_is_there(tmp_path):
    *runs, last = broken_runs(tmp_path, "killed", 20260314, 20)
    assert len(runs) == 20
    assert sum(run["status"] == -9 for run in runs) >= 10
    assert all(run["found"] in (2, 3) for run in runs), runs
    assert last == {"next": True, "left": ["out", "said"]}
