"""The drive as GPX: the order of elements that the public schema asks for, and what our own reader makes of it."""

from xml.etree import ElementTree as ET

import numpy as np
import pytest
from cab_plans import CRS, cab_plan, without_table
from pyproj import Transformer
from shapely import LineString, Point

from trafficplan.decide.cab import load_numbers
from trafficplan.inputs.gpx import read_gpx
from trafficplan.report.cab_gpx import GPX, OWN, gpx_of, write_gpx

#: Children in the order of the schema of GPX 1.1 (http://www.topografix.com/GPX/1/1/gpx.xsd), those that we write
#: and their neighbours; "*" may come again.
ORDER = {
    "gpx": ("metadata", "wpt*", "rte*", "trk*", "extensions"),
    "metadata": ("name", "desc", "author", "copyright", "link*", "time", "keywords", "bounds", "extensions"),
    "wpt": ("ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link*", "sym", "type", "fix",
            "sat", "hdop", "vdop", "pdop", "ageofdgpsdata", "dgpsid", "extensions"),
    "trk": ("name", "cmt", "desc", "src", "link*", "number", "type", "extensions", "trkseg*"),
    "trkseg": ("trkpt*", "extensions"),
}  # fmt: skip
ORDER["trkpt"] = ORDER["wpt"]


def local(one: ET.Element) -> str:
    assert one.tag.startswith(f"{{{GPX}}}"), one.tag
    return one.tag.removeprefix(f"{{{GPX}}}")


def follows(names: list[str], model: tuple[str, ...]) -> bool:
    """Whether children stand in the order of a sequence in which each may be left out."""
    at = -1
    for name in names:
        where = next((i for i, part in enumerate(model) if part.rstrip("*") == name), None)
        if where is None or where < at or (where == at and not model[where].endswith("*")):
            return False
        at = where
    return True


def test_the_check_itself_tells_right_from_wrong():
    assert follows(["name", "type", "trkseg", "trkseg"], ORDER["trk"])
    assert not follows(["type", "name"], ORDER["trk"])
    assert not follows(["name", "name"], ORDER["trk"]) and not follows(["speed"], ORDER["wpt"])


def check(one: ET.Element) -> int:
    """Check an element and all below it against the order; return how many were checked."""
    name = local(one)
    if name == "extensions":
        assert all(child.tag.startswith(f"{{{OWN}}}") for child in one)
        return 1
    children = [local(child) for child in one]
    if name not in ORDER:
        assert not children
        return 1
    assert follows(children, ORDER[name]), (name, children)
    if name in ("wpt", "trkpt"):
        assert set(one.attrib) == {"lat", "lon"}
        assert -90 <= float(one.get("lat")) <= 90 and -180 <= float(one.get("lon")) < 180
    return 1 + sum(check(child) for child in one)


@pytest.fixture(scope="module")
def root() -> ET.Element:
    return ET.fromstring(gpx_of(cab_plan()))


def test_every_element_stands_where_the_schema_wants_it(root):
    assert root.attrib == {"version": "1.1", "creator": "trafficplan"}
    assert check(root) > 2000


def test_one_track_with_a_segment_for_each_load(root):
    plan = cab_plan()
    (track,) = root.findall(f"{{{GPX}}}trk")
    assert len(track.findall(f"{{{GPX}}}trkseg")) == load_numbers(plan.drive)[-1] == len(plan.loads_kg)
    names = [one.findtext(f"{{{GPX}}}name") for one in root.findall(f"{{{GPX}}}wpt")]
    assert names[:2] == ["South gate", "Fill at the yard"] and len(names) == 2 + len(plan.run_outs)
    assert names[2] == "Load 1 ends"


def test_our_own_reader_finds_the_drive_again(tmp_path):
    plan = cab_plan()
    path = tmp_path / "drive.gpx"
    write_gpx(path, plan)
    read = read_gpx(path, "drive", "drive.gpx")
    x, y = Transformer.from_crs("EPSG:4326", CRS, always_xy=True).transform(read.columns["x"], read.columns["y"])
    line = LineString(np.column_stack([x, y]))
    assert line.length == pytest.approx(LineString(plan.drive.xy).length, rel=0.002)
    assert line.hausdorff_distance(LineString(plan.drive.xy)) < 0.06
    assert Point(x[0], y[0]).distance(Point(plan.drive.xy[0])) < 0.002
    assert set(np.round(read.columns["speed"], 1)) == {2.2, 5.5}
    assert read.rows < len(plan.drive.xy) / 2


def test_load_and_pressures_are_told(root):
    own = f"{{{OWN}}}"
    pressures = [(one.get("axle"), one.get("on"), one.get("bar")) for one in root.iter(own + "pressure")]
    assert pressures[:3] == [("front", "field", "0.80"), ("rear", "field", "0.90"), ("trailer", "field", "1.20")]
    assert pressures[3:] == [("front", "track", "1.60"), ("rear", "track", "1.60"), ("trailer", "track", "2.40")]
    loads = [float(one.text) for one in root.iter(own + "load_kg")]
    assert max(loads) == 9000 and min(loads) == 0
    legs = [one.text for one in root.iter(own + "leg")]
    assert legs[0] == "road" and {"work", "turn", "haul", "entry", "exit"} < set(legs)


def test_without_a_tyre_table_no_pressure_is_written():
    assert b"pressure" not in gpx_of(without_table(cab_plan()))


def test_the_same_plan_gives_the_same_bytes():
    assert gpx_of(cab_plan()) == gpx_of(cab_plan())
