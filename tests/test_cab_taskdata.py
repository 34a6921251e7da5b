"""The plan as task data: against a table of the standard's public schema, and through our own reader."""

import re
import zipfile
from dataclasses import replace
from decimal import Decimal
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import shapely
from cab_plans import CRS, cab_plan
from pyproj import Transformer
from shapely import LineString, Polygon

from trafficplan.errors import InputError
from trafficplan.inputs.partfields import read_partfields
from trafficplan.inputs.starter.ground import read_boundary
from trafficplan.inputs.taskdata import open_folder, read_taskdata
from trafficplan.report.cab_taskdata import taskdata_of, write_taskdata


def number(low: float, high: float):
    return lambda text: text == str(int(text)) and low <= int(text) <= high


def key(tag: str):
    return lambda text: re.fullmatch(f"{tag}-?[0-9]+", text) is not None and 4 <= len(text) <= 14


def words(most: int):
    return lambda text: len(text) <= most


def among(*codes: str):
    return lambda text: text in codes


def degrees(most: int):
    return lambda text: abs(Decimal(text)) <= most and len(text.partition(".")[2]) <= 9


BIG = number(0, 4294967294)
#: The public schema of ISO 11783-10 task files, version 4.3, for the elements that a plan needs: attributes that must
#: be there (with !) and that may, each with its check; children in their order. Written by hand from the
#: schema's public descriptions, not from the program.
SCHEMA = {
    "ISO11783_TaskData": (
        {"VersionMajor!": among("4"), "VersionMinor!": among("0", "1", "2", "3"), "DataTransferOrigin!": among("1", "2"),
         "ManagementSoftwareManufacturer!": words(32), "ManagementSoftwareVersion!": words(32)},
        ("AFE", "BSN", "CCT", "CCG", "CLD", "CTP", "CPC", "CTR", "DVC", "FRM", "OTQ", "PFD", "PDT", "PGP", "TSK"),
    ),
    "CTR": ({"A!": key("CTR"), "B!": words(32)}, ()),
    "FRM": ({"A!": key("FRM"), "B!": words(32), "I": key("CTR")}, ()),
    "PFD": (
        {"A!": key("PFD"), "B": words(32), "C!": words(32), "D!": BIG, "E": key("CTR"), "F": key("FRM")},
        ("PLN", "LSG", "PNT", "GGP"),
    ),
    "PLN": (
        {"A!": among(*map(str, range(1, 13))), "B": words(32), "C": BIG, "D": number(0, 254), "E": key("PLN")},
        ("LSG",),
    ),
    "LSG": (
        {"A!": among(*map(str, range(1, 10))), "B": words(32), "C": BIG, "D": BIG, "E": number(0, 254), "F": key("LSG")},
        ("PNT",),
    ),
    "PNT": (
        {"A!": among(*map(str, range(1, 12))), "B": words(32), "C!": degrees(90), "D!": degrees(180),
         "E": number(-2147483647, 2147483647)},
        (),
    ),
    "GGP": ({"A!": key("GGP"), "B": words(32)}, ("GPN", "PLN")),
    "GPN": (
        {"A!": key("GPN"), "B": words(32), "C!": among("1", "2", "3", "4", "5"), "D": among("1", "2", "3"),
         "E": among("1", "2", "3", "4"), "F": among("1", "2", "3", "4"), "G": degrees(360), "H": BIG,
         "I": among(*map(str, range(9)), "16", "17")},
        ("LSG", "PLN"),
    ),
    "TSK": (
        {"A!": key("TSK"), "B": words(32), "C": key("CTR"), "D": key("FRM"), "E": key("PFD"), "F": key("WKR"),
         "G!": among("1", "2", "3", "4", "5", "6"), "H": number(0, 254), "I": number(0, 254), "J": number(0, 254)},
        ("TZN", "TIM", "OTP", "WAN", "DAN", "CNN", "PAN", "DLT", "CAN", "TLG", "GRD", "CAT", "GAN"),
    ),
    "TZN": ({"A!": number(0, 254), "B": words(32), "C": number(0, 254)}, ("PLN", "PDV")),
    "PDV": (
        {"A!": lambda text: re.fullmatch("[0-9A-F]{4}", text) is not None, "B!": number(-(2**31), 2**31 - 1),
         "C": key("PDT"), "D": key("DET"), "E": key("VPN")},
        ("PDV",),
    ),
    "GAN": ({"A!": key("GGP")}, ("ASP", "GST")),
}  # fmt: skip


def against_schema(one: ET.Element) -> list[str]:
    """Return what is wrong with an element and all below it."""
    attributes, order = SCHEMA[one.tag]
    checks = {name.rstrip("!"): check for name, check in attributes.items()}
    wrong = [
        f"{one.tag} without {name[:-1]}" for name in attributes if name.endswith("!") and name[:-1] not in one.attrib
    ]
    wrong += [
        f"{one.tag} {name}={text}" for name, text in one.attrib.items() if name not in checks or not checks[name](text)
    ]
    places = [order.index(child.tag) if child.tag in order else -1 for child in one]
    if -1 in places or places != sorted(places):
        wrong.append(f"{one.tag}: children {[child.tag for child in one]}")
    if one.tag in ("PLN", "LSG") and not len(one):
        wrong.append(f"{one.tag} without points")
    return wrong + [line for child in one for line in against_schema(child)]


@pytest.fixture(scope="module")
def root() -> ET.Element:
    return ET.fromstring(taskdata_of(cab_plan()))


def test_all_is_as_the_public_schema_asks(root):
    assert against_schema(root) == []


def test_keys_come_once_and_references_lead_somewhere(root):
    keys = [
        one.get("A") for one in root.iter() if re.fullmatch("[A-Z]{3}[0-9]+", one.get("A", "")) and one.tag != "GAN"
    ]
    assert len(set(keys)) == len(keys)
    named = [one.get(name) for tag, name in (("FRM", "I"), ("PFD", "E"), ("PFD", "F"), ("TSK", "C"), ("TSK", "D"),
             ("TSK", "E"), ("GAN", "A")) for one in root.iter(tag)]  # fmt: skip
    assert len(named) == 8 and set(named) <= set(keys)


def test_the_check_finds_what_is_wrong():
    wrong = ET.fromstring('<TSK A="TSK1" H="300"><GAN A="GGP1"/><TZN B="x"><PDV A="6" B="1.5"/></TZN></TSK>')
    with pytest.raises(ValueError, match=r"1\.5"):
        against_schema(wrong)
    wrong[1][0].set("B", "1")
    assert against_schema(wrong) == [
        "TSK without G", "TSK H=300", "TSK: children ['GAN', 'TZN']", "TZN without A", "PDV A=6"
    ]  # fmt: skip


def test_the_rate_stands_in_the_dictionarys_unit(root):
    rates = {zone.get("A"): (zone.find("PDV").get("A"), int(zone.find("PDV").get("B"))) for zone in root.iter("TZN")}
    # 12 t/ha = 1.2 kg/m2 = 1 200 000 mg/m2
    assert rates == {"0": ("0006", 0), "1": ("0006", 1_200_000), "2": ("0006", 0)}
    task = root.find("TSK")
    assert (task.get("H"), task.get("I"), task.get("J"), task.get("B")) == ("1", "0", "0", "dung 2026-04-07")
    volume = ET.fromstring(taskdata_of(replace(cab_plan(), rate_kg_m2=3.0, density_kg_m3=1000.0, unspread=())))
    # 30 m3/ha = 3 mm = 3 000 000 mm3/m2 = 300 000 000 hundredths
    values = [(one.get("A"), int(one.get("B"))) for one in volume.iter("PDV")]
    assert values == [("0001", 0), ("0001", 300_000_000)]
    with pytest.raises(ValueError, match="more than number 0001"):
        taskdata_of(replace(cab_plan(), rate_kg_m2=30.0, density_kg_m3=1000.0))


def to_metres(shape):
    change = Transformer.from_crs("EPSG:4326", CRS, always_xy=True)
    return shapely.transform(shape, lambda xy: np.column_stack(change.transform(xy[:, 0], xy[:, 1])))


def test_our_own_reader_finds_boundary_and_lines_again(tmp_path):
    plan = cab_plan()
    write_taskdata(tmp_path / "TASKDATA", plan)
    container = open_folder(tmp_path / "TASKDATA", "TASKDATA")
    data = read_taskdata(container)
    assert data.version == 4 and not data.logs
    (field,) = read_partfields(container)
    assert field.name == "Notch & Pole"
    boundary = to_metres(field.boundary)
    assert len(field.boundary.geoms) == 1 and len(boundary.geoms[0].interiors) == 2
    assert boundary.symmetric_difference(plan.boundary).area < 0.05
    reference, *lines = field.guidance
    assert reference.name == "longest swath" and [one.name for one in lines[:2]] == ["swath 1", "swath 2"]
    assert len(lines) == len(plan.swaths) and {one.width_m for one in field.guidance} == {12.0}
    for read, driven in zip(lines, plan.swaths, strict=True):
        line = to_metres(read.line)
        assert line.hausdorff_distance(driven) < 0.06
        assert LineString([line.coords[0], driven.coords[0]]).length < 0.001


def test_guidance_from_a_to_b(root):
    for pattern in root.iter("GPN"):
        (line,) = pattern.findall("LSG")
        kinds = [one.get("A") for one in line]
        assert line.get("A") == "5" and kinds[0] == "6" and kinds[-1] == "7" and set(kinds[1:-1]) <= {"9"}
        assert pattern.get("C") == ("1" if len(kinds) == 2 else "3")


def test_places_and_strips_are_on_the_map(root):
    field = root.find("PFD")
    assert [one.get("A") for one in field.findall("PLN")] == ["1", "11"]
    assert field.findall("PLN")[1].get("B") == "within 10 m of the ditch"
    names = [(one.get("A"), one.get("B")) for one in field.findall("PNT")]
    assert names[:3] == [("3", "South gate"), ("2", "fill at the yard"), ("1", "load 1 ends")]
    assert int(field.get("D")) == round(cab_plan().boundary.area)


def test_long_names_are_cut_and_two_parts_are_two_polygons(tmp_path):
    two = shapely.MultiPolygon([cab_plan().boundary, shapely.box(500600, 6100000, 500700, 6100100)])
    plan = replace(cab_plan(), farm="A farm with a name that is far too long", boundary=two, job="dung " * 9, day=None)
    assert against_schema(ET.fromstring(taskdata_of(plan))) == []
    write_taskdata(tmp_path, plan)
    (field,) = read_partfields(open_folder(tmp_path, "TASKDATA"))
    assert len(field.boundary.geoms) == 2


@pytest.mark.parametrize(
    ("inside", "what"),
    [
        ('<PLN A="1"><LSG A="1"><PNT A="2" C="95" D="27"/></LSG></PLN>', "a point that is nowhere"),
        ('<PLN A="1"><LSG A="1"><PNT A="2" C="x" D="27"/></LSG></PLN>', "a point that is nowhere"),
        ('<PLN A="1"><LSG A="2"><PNT A="2" C="55" D="27"/></LSG></PLN>', "a boundary that is none"),
    ],
)
def test_fields_that_make_no_sense_are_refused(tmp_path, inside, what):
    text = f'<ISO11783_TaskData VersionMajor="4"><PFD A="PFD1" C="Park" D="1">{inside}</PFD></ISO11783_TaskData>'
    (tmp_path / "TASKDATA.XML").write_text(text)
    with pytest.raises(InputError, match=what):
        read_partfields(open_folder(tmp_path, "TASKDATA"))


def test_holes_without_a_closing_point_are_holes(tmp_path):
    """Version 3 closes rings by itself."""

    def ring(kind: int, x: float, y: float, size: float) -> str:
        corners = [(x, y), (x + size, y), (x + size, y + size), (x, y + size)]
        return f'<LSG A="{kind}">' + "".join(f'<PNT A="2" C="{b}" D="{a}"/>' for a, b in corners) + "</LSG>"

    inside = f'<PLN A="1">{ring(1, 27.0, 55.0, 0.01)}{ring(2, 27.004, 55.004, 0.002)}</PLN>'
    text = f'<ISO11783_TaskData VersionMajor="3"><PFD A="PFD1" C="" D="1">{inside}</PFD></ISO11783_TaskData>'
    (tmp_path / "TASKDATA.XML").write_text(text)
    (field,) = read_partfields(open_folder(tmp_path, "TASKDATA"))
    assert field.name == "PFD1" and isinstance(field.boundary.geoms[0], Polygon)
    assert field.boundary.area == pytest.approx(0.01**2 - 0.002**2)


def test_a_new_farm_takes_its_fields_from_task_data(tmp_path):
    plan = cab_plan()
    write_taskdata(tmp_path / "TASKDATA", plan)
    with zipfile.ZipFile(tmp_path / "from terminal.zip", "w") as packed:
        packed.write(tmp_path / "TASKDATA" / "TASKDATA.XML", "TASKDATA/TASKDATA.XML")
    for name in ("TASKDATA", "TASKDATA/TASKDATA.XML", "from terminal.zip"):
        boundaries, _ = read_boundary(tmp_path / name)
        assert list(boundaries.fields) == ["Notch & Pole"] and boundaries.crs == CRS
        assert boundaries.fields["Notch & Pole"].polygon.symmetric_difference(plan.boundary).area < 0.05
    empty = '<ISO11783_TaskData VersionMajor="4"><PFD A="PFD1" C="Park" D="1"/></ISO11783_TaskData>'
    (tmp_path / "TASKDATA" / "TASKDATA.XML").write_text(empty)
    with pytest.raises(InputError, match="no boundary"):
        read_boundary(tmp_path / "TASKDATA")
