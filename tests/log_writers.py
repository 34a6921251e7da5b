"""One drive over the good farm, and its log written in each format: CSV, GPX, NMEA 0183, ISO 11783-10."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from pyproj import Transformer
from spoiled_farms import CRS, EAST, NORTH, OPS, text

#: 1 October 2026, 06:00 UTC: days since 1970 (56 years x 365 + 14 leap days + 273 days of the year).
DAY = 56 * 365 + 14 + 273
START_S = DAY * 86_400 + 6 * 3600
#: Days from 1 January 1970 to 1 January 1980.
DAYS_1980 = 10 * 365 + 2


@dataclass(frozen=True)
class Driven:
    """Fixes: seconds since 1970, degrees rounded to 1e-7, speed in m/s, whether it worked."""

    time: np.ndarray
    lon: np.ndarray
    lat: np.ndarray
    speed: np.ndarray

    def part(self, chosen: Sequence[int] | slice | np.ndarray) -> Driven:
        return Driven(*(one[chosen] for one in (self.time, self.lon, self.lat, self.speed)))

    def later(self, seconds: float) -> Driven:
        return replace(self, time=self.time + seconds)


def place(east: np.ndarray, north: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return longitude and latitude of places by their offset from the farm's corner [m]."""
    change = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    lon, lat = change.transform(EAST + np.asarray(east), NORTH + np.asarray(north))
    return lon.round(7), lat.round(7)


def drive(columns: Sequence[float] = (30.0, 42.0), every_s: float = 2.0) -> Driven:
    """Return a drive up and down the field of 1 ha, 4 m from fix to fix."""
    up = np.arange(5, 96, 4.0)
    north = np.concatenate([up if i % 2 == 0 else up[::-1] for i in range(len(columns))])
    east = np.repeat(columns, len(up))
    lon, lat = place(east, north)
    count = len(lon)
    return Driven(START_S + every_s * np.arange(count), lon, lat, np.full(count, 4.0 / every_s))


def stamp(seconds: float) -> str:
    """Return seconds since 1970 as ISO 8601."""
    return f"{np.datetime64(round(seconds * 1000), 'ms')}Z"


def csv(log: Driven) -> bytes:
    rows = zip(log.time, log.lon, log.lat, log.speed, strict=True)
    lines = [f"{stamp(t)},{x:.7f},{y:.7f},{v:.3f}" for t, x, y, v in rows]
    return "\n".join(["time,lon,lat,speed_m_s", *lines, ""]).encode()


def gpx(log: Driven, more: str = "") -> bytes:
    rows = zip(log.time, log.lon, log.lat, log.speed, strict=True)
    points = "".join(
        f'<trkpt lat="{y:.7f}" lon="{x:.7f}"><time>{stamp(t)}</time>'
        f"<extensions><g:speed>{v:.3f}</g:speed></extensions></trkpt>\n"
        for t, x, y, v in rows
    )
    head = '<?xml version="1.0"?>\n<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1" xmlns:g="urn:g">'
    return f"{head}<trk><name>day</name><trkseg>{points}</trkseg></trk>{more}</gpx>\n".encode()


def sentence(body: str) -> str:
    """Return a body with its checksum: XOR of its characters."""
    total = 0
    for one in body.encode():
        total ^= one
    return f"${body}*{total:02X}\r\n"


def nmea_place(degrees: float, letters: str, digits: int) -> str:
    whole = int(abs(degrees))
    minutes = (abs(degrees) - whole) * 60
    return f"{whole:0{digits}d}{minutes:010.7f},{letters[0] if degrees >= 0 else letters[1]}"


def nmea(log: Driven, kinds: str = "GGA RMC", quality: int = 4) -> bytes:
    out = []
    for t, x, y, v in zip(log.time, log.lon, log.lat, log.speed, strict=True):
        clock = stamp(t)[11:23].replace(":", "")
        date = stamp(t)[8:10] + stamp(t)[5:7] + stamp(t)[2:4]
        at = f"{nmea_place(y, 'NS', 2)},{nmea_place(x, 'EW', 3)}"
        bodies = {
            "GGA": f"GPGGA,{clock},{at},{quality},12,0.8,100.0,M,20.0,M,,",
            "RMC": f"GPRMC,{clock},A,{at},{v * 3600 / 1852:.5f},0.0,{date},,",
            "VTG": f"GPVTG,0.0,T,,M,{v * 3600 / 1852:.5f},N,{v * 3.6:.5f},K",
            "ZDA": f"GPZDA,{clock},{date[:2]},{date[2:4]},20{date[4:]},00,00",
        }
        out += [sentence(bodies[kind]) for kind in kinds.split()]
    return "".join(out).encode()


TLG_HEADER = '<TIM A="" D="4"><PTN A="" B="" D=""/><DLV A="0043" B="" C="DET-1"/><DLV A="008D" B="" C="DET-1"/></TIM>'


def records(log: Driven, values: Sequence[Sequence[tuple[int, int]]] | None = None, status: int = 4) -> bytes:
    """Return the binary of a time log; values: pairs of index and number for each record."""
    out = b""
    for i, (t, x, y) in enumerate(zip(log.time, log.lon, log.lat, strict=True)):
        pairs = values[i] if values is not None else [(0, 12_000), (1, 1)] if i == 0 else []
        day, second = divmod(t, 86_400)
        out += struct.pack("<IHiiBB", round(second * 1000), int(day) - DAYS_1980, round(y * 1e7), round(x * 1e7),
                           status, len(pairs))  # fmt: skip
        out += b"".join(struct.pack("<Bi", *pair) for pair in pairs)
    return out


def main_xml(logs: Sequence[str] = ("TLG00001",), version: int = 4, more: str = "", tasks: bool = True) -> str:
    inner = "".join(f'<TLG A="{one}" C="1"/><TIM A="2026-10-01T06:00:00" D="4"/>' for one in logs)
    device = (
        '<DVC A="DVC-1"><DET A="DET-1" B="1" C="1" D="machine" E="0" F="0"/>'
        '<DET A="DET-2" B="2" C="4" D="left" E="1" F="1"/><DET A="DET-3" B="3" C="4" D="right" E="2" F="1"/></DVC>'
    )
    task = f'<TSK A="TSK1" E="PFD1" G="4">{inner}</TSK>' if tasks else ""
    return f'<?xml version="1.0"?><ISO11783_TaskData VersionMajor="{version}">{device}{task}{more}</ISO11783_TaskData>'


def taskdata(folder: Path, log: Driven, version: int = 4, header: str = TLG_HEADER, **kw: object) -> Path:
    """Write a set with one time log and return its folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "TASKDATA.XML").write_text(main_xml(version=version))
    (folder / "TLG00001.xml").write_text(header)
    (folder / "TLG00001.bin").write_bytes(records(log, **kw))  # type: ignore[arg-type]
    return folder


def use(farm: Path, name: str, content: bytes | None = None) -> Path:
    """Name a log of tracks/ as the drive of operation 3, and write it when its content is given."""
    if content is not None:
        (farm / "tracks" / name.split("/")[0]).write_bytes(content)
    text(OPS, "harvest.tsv", name)(farm)
    return farm
