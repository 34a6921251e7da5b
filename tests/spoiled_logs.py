"""Spoiled logs: each is refused in words, or survived with a note."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from log_writers import DAY, DAYS_1980, TLG_HEADER, csv, drive, gpx, main_xml, nmea, records, taskdata

LOG = drive()
CSV, GPX, NMEA, TLG = csv(LOG), gpx(LOG), nmea(LOG), records(LOG)
WEST_AUSTRALIA = (115.0, -32.0)
XML_BOMB = b'<?xml version="1.0"?><!DOCTYPE g [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;">]><gpx><trk>&b;</trk></gpx>'


@dataclass(frozen=True)
class SpoiledLog:
    """A log by its name in tracks/ and its contents; `refused` what is said, or `noted` of one that is used."""

    name: str
    file: str
    content: bytes | Callable[[Path], object]
    refused: str = ""
    noted: str = ""
    mend: str = ""
    drive: str = ""


def elsewhere(lon: float, lat: float) -> bytes:
    return csv(type(LOG)(LOG.time, LOG.lon + lon, LOG.lat + lat, LOG.speed))


def cells(change: Callable[[int, list[str]], list[str]]) -> bytes:
    """Change the cells of each row of the CSV."""
    rows = [row.split(",") for row in CSV.decode().splitlines()]
    return "\n".join(",".join(change(i, row)) for i, row in enumerate(rows)).encode()


def row_cell(row: int, cell: int, value: str) -> bytes:
    return cells(lambda i, one: [*one[:cell], value, *one[cell + 1 :]] if i == row else one)


def zipped(files: dict[str, bytes | str]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in files.items():
            packed.writestr(name, content)
    return buffer.getvalue()


def hole(raw: bytes) -> bytes:
    """Return an archive with bytes of its first file overwritten."""
    return raw[:60] + b"\xaa" * 12 + raw[72:]


def task_set(**changes: bytes | str | None) -> Callable[[Path], object]:
    """Write a set of task data with files replaced or (None) removed; names with _ for the dot."""

    def write(path: Path) -> None:
        taskdata(path, LOG)
        for name, content in changes.items():
            file = path / name.replace("_", ".")
            if content is None:
                file.unlink()
            else:
                file.write_bytes(content.encode() if isinstance(content, str) else content)

    return write


def clock_set(days: int) -> bytes:
    """Return a time log whose clock was set back by days in the middle."""
    half = len(TLG) - 23 * 16
    later = records(LOG.part(slice(23, 46)).later(-86_400.0 * days), [[]] * 23)
    return TLG[:half] + later


def random_bytes(count: int) -> bytes:
    return np.random.default_rng(20261001).integers(0, 256, count, dtype=np.uint8).tobytes()


LOGS: tuple[SpoiledLog, ...] = (
    # tables
    SpoiledLog("empty", "a.csv", b"", "without fixes", mend="export"),
    SpoiledLog("header only", "a.csv", b"time,lon,lat\n", "without fixes"),
    SpoiledLog("one row", "a.csv", CSV[: CSV.index(b"\n", 40) + 1], "without fixes"),
    SpoiledLog("picture named csv", "a.csv", b"\x89PNG\r\n\x1a\n\0\0" + random_bytes(99), "not a text file"),
    SpoiledLog("utf-16", "a.csv", CSV.decode().encode("utf-16"), "not a text file", mend="UTF-8"),
    SpoiledLog("null bytes inside", "a.csv", CSV[:900] + b"\0\0\0" + CSV[900:], "not a text file"),
    SpoiledLog("another continent", "a.csv", elsewhere(90, -87), "touches no field"),
    SpoiledLog("swapped", "a.csv", CSV.replace(b"lon,lat", b"lat,lon"), "swapped", mend="swap"),
    SpoiledLog("wrong hemisphere", "a.csv", elsewhere(0, -110.0), "touches no field"),
    SpoiledLog("all at nowhere", "a.csv", cells(lambda i, r: r if i == 0 else [r[0], "0", "0", r[3]]), "without places"),
    SpoiledLog("metres as degrees", "a.csv", cells(lambda i, r: r if i == 0 else [r[0], "500030", "6100005", r[3]]),
               "without places", mend="units"),
    SpoiledLog("decimal comma", "a.csv", CSV.replace(b",", b";").replace(b".", b","), "not a", mend="decimal point"),
    SpoiledLog("text for a number", "a.csv", row_cell(7, 1, "east"), "not a number"),
    SpoiledLog("text for a time", "a.csv", row_cell(7, 0, "morning"), "not a time"),
    SpoiledLog("day first", "a.csv", row_cell(7, 0, "01/10/2026 06:00"), "not a time"),
    SpoiledLog("column twice", "a.csv", CSV.replace(b"speed_m_s", b"lat"), "comes twice"),
    SpoiledLog("no place columns", "a.csv", CSV.replace(b"lon,lat", b"a,b"), "column x is not known", mend="farm.toml"),
    SpoiledLog("areas as WKT", "a.csv", row_cell(3, 1, '"POLYGON ((27 55, 28 55))"'), "areas are offered"),
    SpoiledLog("areas as GeoJSON", "a.geojson", b'{"type": "FeatureCollection", "features": []}', "areas are offered",
               mend=".gpx"),
    SpoiledLog("areas as Shapefile", "a.shp", b"\0\0\x27\x0a" + bytes(96), "areas are offered"),
    SpoiledLog("another format", "a.dat", random_bytes(200), "format that is not read"),
    SpoiledLog("ragged row", "a.csv", row_cell(9, 3, "2.0,9,9,9"), "cannot be read as a table"),
    SpoiledLog("cut row", "a.csv", CSV[:-18], noted="rows without a place"),
    SpoiledLog("latin text", "a.csv", CSV.replace(b"speed_m_s", b"G\xe9schwindigkeit"), noted="character set"),
    SpoiledLog("no times, shuffled", "a.csv",
               b"lon,lat\n" + b"\n".join(b",".join(CSV.splitlines()[1 + i * 17 % 46].split(b",")[1:3]) for i in range(46)),
               "not in the order of driving"),
    SpoiledLog("pressure in psi as bar", "a.csv",
               cells(lambda i, r: [*r[:3], "tyre_pressure_bar" if i == 0 else "23"]), "cannot be", mend="psi"),
    SpoiledLog("pressure in kPa as bar", "a.csv",
               cells(lambda i, r: [*r[:3], "tyre_pressure_bar" if i == 0 else "160"]), "cannot be", mend="kPa"),
    SpoiledLog("load in kg as t", "a.csv",
               cells(lambda i, r: [*r[:3], "load_t" if i == 0 else "9000"]), "values of load that cannot be", mend="kg"),
    SpoiledLog("width in cm as m", "a.csv",
               cells(lambda i, r: [*r[:3], "width_m" if i == 0 else "1200"]), "values of width that cannot be", mend="cm"),
    SpoiledLog("flow beyond every machine", "a.csv",
               cells(lambda i, r: [*r[:3], "flow_kg_s" if i == 0 else "-1e30"]), "values of flow that cannot be"),
    SpoiledLog("one absurd flow", "a.csv", cells(lambda i, r: [*r[:3], "flow_kg_s" if i == 0 else "1e9" if i == 7 else "20"]),
               noted="values of flow that cannot be"),
    SpoiledLog("year zero", "a.csv", CSV.replace(b"2026-", b"0000-"), "values of time that cannot be"),
    # GPX
    SpoiledLog("XML bomb", "a.gpx", XML_BOMB, "document type or entity"),
    SpoiledLog("external entity", "a.gpx", b'<!DOCTYPE g SYSTEM "file:///etc/passwd"><gpx/>', "document type or entity"),
    SpoiledLog("route", "a.gpx", GPX.replace(b"trkpt", b"rtept"), "no recorded points", mend="not the route"),
    SpoiledLog("not XML", "a.gpx", b"time,lon,lat\n1,2,3\n", "not a readable XML"),
    SpoiledLog("cut GPX", "a.gpx", GPX[: len(GPX) * 2 // 3], noted="the end of the file is damaged"),
    SpoiledLog("GPX without numbers", "a.gpx", GPX.replace(b'lat="', b'lat="N'), "without places"),
    SpoiledLog("GPX with odd times", "a.gpx", GPX.replace(b"T06:00:0", b" at six ", 3), noted="times that are no times"),
    SpoiledLog("web page", "a.xml", b"<html><body>not found</body></html>", "no recorded points"),
    SpoiledLog("unknown encoding", "a.gpx", GPX.replace(b'"1.0"', b'"1.0" encoding="klingon"', 1), "not a readable XML"),
    # NMEA
    SpoiledLog("wrong checksums", "a.nmea", NMEA.replace(b"*", b"*0"), "wrong checksums", mend="cable"),
    SpoiledLog("one wrong checksum", "a.nmea", NMEA.replace(b",A,", b",V,", 1), noted="wrong checksum"),
    SpoiledLog("no quality", "a.nmea", nmea(LOG, "GGA", quality=0), "no fixes"),
    SpoiledLog("only speed", "a.log", nmea(LOG, "VTG"), "no fixes", mend="GGA or RMC"),
    SpoiledLog("noise", "a.nmea", random_bytes(5000), "no fixes"),
    SpoiledLog("no dates", "a.nmea", nmea(LOG, "GGA"), noted="date"),
    # task data
    SpoiledLog("no main file in zip", "a.zip", zipped({"TLG00001.BIN": TLG}), "zip without task data"),
    SpoiledLog("not a zip", "a.zip", b"PK\x03\x04" + random_bytes(300), "cannot be read"),
    SpoiledLog("zip slip", "a.zip", zipped({"../../TASKDATA.XML": main_xml()}), "leads out of it"),
    SpoiledLog("zip bomb", "a.zip", zipped({"TASKDATA.XML": main_xml(), "TLG00001.BIN": bytes(1 << 24)}),
               "unpacks to too much"),
    SpoiledLog("damaged zip", "a.zip", hole(zipped({"TASKDATA.XML": main_xml(more="<CTR/>" * 50)})), "cannot be read"),
    SpoiledLog("two sets in a zip", "a.zip", zipped({"a/TASKDATA.XML": main_xml(), "b/TASKDATA.XML": main_xml()}),
               "several sets"),
    SpoiledLog("header missing", "TASKDATA", task_set(TLG00001_xml=None), "file of the task data is missing"),
    SpoiledLog("binary missing", "TASKDATA", task_set(TLG00001_bin=None), "missing", drive="TASKDATA/TLG00001"),
    SpoiledLog("binary empty", "TASKDATA", task_set(TLG00001_bin=b""), "empty time log"),
    SpoiledLog("binary of noise", "TASKDATA", task_set(TLG00001_bin=random_bytes(4000)), "damaged time log"),
    SpoiledLog("binary cut", "TASKDATA", task_set(TLG00001_bin=TLG[:-5]), noted="the last record is not whole"),
    SpoiledLog("binary with a hole", "TASKDATA", task_set(TLG00001_bin=TLG[:203] + TLG[211:]), noted="damaged bytes"),
    SpoiledLog("header without positions", "TASKDATA", task_set(TLG00001_xml='<TIM A=""/>'), "without positions"),
    SpoiledLog("header with a bomb", "TASKDATA", task_set(TLG00001_xml=XML_BOMB), "document type or entity"),
    SpoiledLog("header cut", "TASKDATA", task_set(TLG00001_xml=TLG_HEADER[:40]), "not a readable XML"),
    SpoiledLog("value without number", "TASKDATA", task_set(TLG00001_xml=TLG_HEADER.replace("0043", "wide")),
               "value without its number"),
    SpoiledLog("main file of another kind", "TASKDATA", task_set(TASKDATA_XML="<kml/>"), "no task data"),
    SpoiledLog("version 9", "TASKDATA", task_set(TASKDATA_XML=main_xml(version=9)), "unknown version"),
    SpoiledLog("main file cut", "TASKDATA", task_set(TASKDATA_XML=main_xml()[:90]), "not a readable XML"),
    SpoiledLog("link out of the set", "TASKDATA", task_set(TASKDATA_XML=main_xml(more='<XFR A="../../x" B="1"/>')),
               "no external file"),
    SpoiledLog("external file missing", "TASKDATA", task_set(TASKDATA_XML=main_xml(more='<XFR A="TSK00007"/>')),
               "file of the task data is missing"),
    SpoiledLog("log name out of the set", "TASKDATA", task_set(TASKDATA_XML=main_xml(("../TLG",))), "no time log"),
    SpoiledLog("several logs", "TASKDATA", task_set(TLG00002_bin=TLG), "several logs", mend="TASKDATA/TLG00001"),
    SpoiledLog("no such log", "TASKDATA", task_set(), "no such log", drive="TASKDATA/TLG00009"),
    SpoiledLog("clock set back", "TASKDATA", task_set(TLG00001_bin=clock_set(400)), noted="jumps of the clock"),
    SpoiledLog("day zero", "TASKDATA", task_set(TLG00001_bin=records(LOG.later(-86_400.0 * (DAY - DAYS_1980)))),
               noted="day of its recorded track"),
    SpoiledLog("hours off", "TASKDATA", task_set(TLG00001_bin=records(LOG.later(7 * 3600.0))), noted="hours off its task"),
)  # fmt: skip
