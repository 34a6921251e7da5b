"""Bytes read many at once: numbers, stamps and GPX against readers that go one by one."""

import math
from pathlib import Path
from xml.etree import ElementTree
from xml.sax.saxutils import escape

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import trafficplan.inputs.gpx
from trafficplan.errors import InputError
from trafficplan.inputs.cells import instants, numbers
from trafficplan.inputs.gpx import read_gpx

LAWS = settings(
    max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def cells(texts: list[str]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return texts one behind the other, with a mark after each."""
    raw = [text.encode() for text in texts]
    ends = np.cumsum([len(one) + 1 for one in raw])
    return np.frombuffer(b"|".join(raw) + b"|", np.uint8), np.append(0, ends[:-1]), ends - 1


@LAWS
@given(
    st.lists(
        st.floats(allow_nan=False, allow_infinity=False).map(repr)
        | st.floats(-180, 180).map("{:.7f}".format)
        | st.integers(-(10**16), 10**16).map(str)
        | st.sampled_from(
            ["", "5.", ".5", "-", "+3", " 7 ", "1e2", "--1", "1.2.3", "nan", "inf", "1_0", "0x1", "54,5"]
        ),
        min_size=1,
        max_size=20,
    )
)
def test_numbers_are_those_of_one_by_one(texts: list[str]) -> None:
    for text, value in zip(texts, numbers(*cells(texts)), strict=True):
        try:
            wanted = float(text) if "_" not in text else math.nan
        except ValueError:
            wanted = math.nan
        assert value == wanted if math.isfinite(wanted) else np.isnan(value), text


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        # days since 1970 by hand: 2024-02-29 is 54 years x 365 + 13 leap days + 31 + 28 days
        ("2024-02-29T00:00:01Z", (54 * 365 + 13 + 59) * 86_400 + 1),
        ("2024-02-29T00:00:01.25Z", (54 * 365 + 13 + 59) * 86_400 + 1.25),
        ("2024-02-29T02:00:01+02:00", (54 * 365 + 13 + 59) * 86_400 + 1),
        ("2024-02-29 00:00:01", (54 * 365 + 13 + 59) * 86_400 + 1),
        (" 2024-02-29T00:00:01Z\n", (54 * 365 + 13 + 59) * 86_400 + 1),
        ("2024-02-29", (54 * 365 + 13 + 59) * 86_400),
        ("1969-12-31T23:59:59Z", -1),
        ("2023-02-29T00:00:01Z", math.nan),
        ("2024-02-29T25:00:01Z", math.nan),
        ("2024-02-29T00:00:0xZ", math.nan),
        ("yesterday", math.nan),
        ("", math.nan),
        ("Z", math.nan),
        ("1" * 200, math.nan),
    ],
)
def test_stamps(text: str, seconds: float) -> None:
    first, other = instants(*cells([text, "1970-01-01T00:00:05Z"]))
    assert other == 5 and (first == seconds or (math.isnan(seconds) and np.isnan(first)))


def one_by_one(raw: bytes) -> list[tuple[float, float, str, float]]:
    """Return lat, lon, time and speed of each point by the standard library's tree."""
    out = []
    for point in ElementTree.fromstring(raw).iter():
        if point.tag.rpartition("}")[2] != "trkpt":
            continue
        speeds = [one.text for one in point.iter() if one.tag.rpartition("}")[2] == "speed"]
        times = [one.text or "" for one in point if one.tag.rpartition("}")[2] == "time"]
        place = [float(point.get(name, "nan")) for name in ("lat", "lon")]
        out.append((*place, times[-1].strip() if times else "", float(speeds[-1] or "nan") if speeds else math.nan))
    return out


POINTS = st.tuples(
    st.floats(-90, 90).map("{:.7f}".format),
    st.floats(-180, 180).map(repr),
    st.sampled_from(
        [
            "",
            "<ele>5.0</ele>",
            "<!-- </trkpt> > -->",
            "<?pi a>?>",
            "<cmt>a &amp; b</cmt>",
            "<cmt><![CDATA[<b>]]></cmt>",
            "<desc>1 > 0</desc>",
            "<sat/>",
            "\n\t",
        ]
    ),
    st.sampled_from(
        [
            "",
            "<time>2026-04-30T07:30:0{}Z</time>",
            "<time> 2026-04-30T07:30:0{}.5Z\n</time>",
            "<time/>",
            "<time>2026-04-30T07:30:0&#5{};Z</time>",
        ]
    ),
    st.sampled_from(
        [
            "",
            "<speed>{}.5</speed>",
            "<extensions><g:a><g:speed>{}</g:speed></g:a></extensions>",
            "<h:speedy>9</h:speedy>",
        ]
    ),
    st.sampled_from(
        [
            '<trkpt lat="{0}" lon="{1}">',
            '<trkpt lon="{1}" lat="{0}">',
            "<trkpt lat='{0}' lon='{1}'>",
            '<g:trkpt lat="{0}" lon="{1}">',
            '<trkpt\n lat = "{0}" lon="{1}" id="7">',
            '<trkpt\tlat="{0}"  lon="{1}" >',
        ]
    ),
)


def written(points: list[tuple[str, ...]], name: str) -> bytes:
    head = '<?xml version="1.0"?><gpx xmlns="http://www.topografix.com/GPX/1/1" xmlns:g="urn:g" xmlns:h="urn:h">'
    text = ""
    for number, (lat, lon, aside, time, speed, start) in enumerate(points):
        end = "</g:trkpt>" if "g:trkpt" in start else "</trkpt>"
        text += f"{start.format(lat, lon)}{aside}{time.format(number % 8)}{speed.format(number)}{end}\n"
    return f"{head}<trk><name>{escape(name)}</name><trkseg>{text}</trkseg></trk></gpx>".encode()


@LAWS
@given(
    points=st.lists(POINTS, min_size=1, max_size=12),
    name=st.sampled_from(["day", "a & b", "<i>", "ä"]),
    chunk=st.sampled_from([7, 64, 1 << 20]),
)
def test_gpx_of_any_layout_is_that_of_the_tree(
    points: list[tuple[str, ...]], name: str, chunk: int, tmp_path: Path
) -> None:
    raw = written(points, name)
    (tmp_path / "a.gpx").write_bytes(raw)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(trafficplan.inputs.gpx, "_CHUNK", chunk)
        log = read_gpx(tmp_path / "a.gpx", "a.gpx", "tracks/a.gpx")
    wanted = one_by_one(raw)
    assert log.rows == len(wanted) and all("heights" in note.what for note in log.notes)
    assert log.columns["y"].tolist() == [one[0] for one in wanted]
    assert log.columns["x"].tolist() == [one[1] for one in wanted]
    stamps = [np.datetime64(one[2].rstrip("Z"), "ms").astype(int) / 1e3 if one[2] else math.nan for one in wanted]
    assert np.array_equal(log.columns["time"], stamps, equal_nan=True)
    assert np.array_equal(
        log.columns.get("speed", [math.nan] * len(wanted)), [one[3] for one in wanted], equal_nan=True
    )


@LAWS
@given(points=st.lists(POINTS, min_size=3, max_size=8), share=st.floats(0, 1), chunk=st.sampled_from([7, 1 << 20]))
def test_cut_gpx_has_the_points_before_the_cut(
    points: list[tuple[str, ...]], share: float, chunk: int, tmp_path: Path
) -> None:
    raw = written(points, "day")
    (tmp_path / "a.gpx").write_bytes(raw[: int(share * (len(raw) - 1))])
    parser = ElementTree.XMLPullParser(["start"])
    parser.feed(raw[: int(share * (len(raw) - 1))])
    begun = [one for _, one in parser.read_events() if one.tag.rpartition("}")[2] == "trkpt"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(trafficplan.inputs.gpx, "_CHUNK", chunk)
        if not begun:
            with pytest.raises(InputError, match="not a readable XML"):
                read_gpx(tmp_path / "a.gpx", "a.gpx", "tracks/a.gpx")
            return
        log = read_gpx(tmp_path / "a.gpx", "a.gpx", "tracks/a.gpx")
    assert abs(log.rows - len(begun)) <= 1 and "end of the file is damaged" in log.notes[-1].what
    assert log.columns["y"].tolist() == [float(one.get("lat", "nan")) for one in begun][: log.rows]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "iso-8859-1", "us-ascii"])
def test_gpx_in_other_character_sets(encoding: str, tmp_path: Path) -> None:
    name = "M\u00fcller" if encoding != "us-ascii" else "Muller"
    text = written([("54.5", "10.5", "", "", "", '<trkpt lat="{0}" lon="{1}">')] * 3, name).decode()
    (tmp_path / "a.gpx").write_bytes(
        text.replace('version="1.0"', f'version="1.0" encoding="{encoding}"').encode(encoding)
    )
    log = read_gpx(tmp_path / "a.gpx", "a.gpx", "tracks/a.gpx")
    assert log.columns["x"].tolist() == [10.5] * 3


def test_hostile_layouts_take_no_time(tmp_path: Path) -> None:
    point = '<trkpt lat="54.5" lon="10.5"><time>2026-04-30T07:30:00Z</time></trkpt>'
    asides = [
        "<?p " + "<?" * 300_000 + "?>",
        "?>" * 300_000,
        "<!--" + "<?" * 300_000 + "-->",
        "<cmt>" + "<?a?>" * 100_000 + "</cmt>",
    ]
    text = f"<gpx><trk><trkseg>{point}{point.join(asides)}{point}<speed>{'1' * 2_000_000}</speed></trkseg></trk></gpx>"
    (tmp_path / "a.gpx").write_text(
        text.replace("<speed>", '<trkpt lat="54.5" lon="10.5"><speed>').replace("</speed>", "</speed></trkpt>")
    )
    log = read_gpx(tmp_path / "a.gpx", "a.gpx", "tracks/a.gpx")
    assert log.rows == 6 and "speed" not in log.columns
