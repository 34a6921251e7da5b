"""Spoiled tables: marks of thousands, units in cells, soil samples, stones, fields of task data, recorded pressures."""

from __future__ import annotations

import io
import os
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
from log_writers import csv, drive, use
from spoiled_farms import EAST, NORTH, OPS, Spoiling, all_of, feature, prop, text, write
from spoiled_vectors import toml, top

STONES = "unit,top_m,bottom_m,texture,density_g_cm3,stones_mass_pct,stones_pct\nA,0,1,loam,{}\nB,0,1,loam,1.4,,\n"


def samples(header: str, *rows: str) -> Callable[[Path], None]:
    """Give the farm its soil as a table of samples."""

    def spoil(folder: Path) -> None:
        (folder / "soil.geojson").unlink()
        (folder / "soil.csv").write_text("\n".join([header, *rows, ""]), encoding="utf-8")

    return spoil


def archive(name: str, files: dict[str, bytes]) -> Callable[[Path], None]:
    """Give the farm its fields as an archive."""

    def spoil(folder: Path) -> None:
        target = io.BytesIO()
        with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as packed:
            for one, content in files.items():
                packed.writestr(one, content)
        (folder / "fields.geojson").unlink()
        (folder / name).write_bytes(target.getvalue())

    return spoil


def comment_and_entity(folder: Path) -> None:
    """Give the farm a KML whose declaration stands behind 100 kB of comments."""
    (folder / "fields.geojson").unlink()
    asides = f"<!-- a <kml> that is none {'.' * 100_000} --><?pi <kml> ?>"
    (folder / "fields.kml").write_text(f'<?xml version="1.0"?>{asides}<!DOCTYPE k [<!ENTITY a "b">]><kml>&a;</kml>')


def task_fields(inside: str) -> Callable[[Path], None]:
    """Give the farm its fields as task data."""

    def spoil(folder: Path) -> None:
        (folder / "TASKDATA").mkdir()
        content = f"<ISO11783_TaskData VersionMajor='4'>{inside}</ISO11783_TaskData>"
        (folder / "TASKDATA" / "TASKDATA.XML").write_text(content)
        toml('[files]\nfields = "TASKDATA"\n')(folder)

    return spoil


def pressure_log(axle: str) -> Callable[[Path], None]:
    """Give the farm a log with tyre pressures, described in farm.toml."""

    def spoil(folder: Path) -> None:
        rows = csv(drive()).decode().splitlines()
        lines = [rows[0] + ",tyre", *(row + ",1.2" for row in rows[1:])]
        use(folder, "day.csv", "\n".join(lines).encode())
        form = "".join(
            f'{ours} = {{ column = "{theirs}", unit = "{unit}" }}\n'
            for ours, theirs, unit in (("time", "time", "iso"), ("x", "lon", "degrees"), ("y", "lat", "degrees"))
        )
        form += f'pressure = {{ column = "tyre", unit = "bar", axle = "{axle}" }}\n'
        toml_file = folder / "farm.toml"
        toml_file.write_text(f'{toml_file.read_text()}\n[tracks."day.csv"]\n{form}')

    return spoil


def utf16(folder: Path) -> None:
    """Write farm.toml as UTF-16."""
    path = folder / "farm.toml"
    path.write_bytes(path.read_text(encoding="utf-8").encode("utf-16"))


def link_out(name: str) -> Callable[[Path], None]:
    """Move a folder of the farm out of it and leave a link."""

    def spoil(folder: Path) -> None:
        outside = folder.with_name(f"{folder.name}_{name}")
        shutil.move(folder / name, outside)
        (folder / name).symlink_to(outside)

    return spoil


def dangling(folder: Path) -> None:
    (folder / "weather.csv").unlink()
    (folder / "weather.csv").symlink_to("gone.csv")


def soil_at_points(values: list[str]) -> Callable[[Path], None]:
    return samples("x,y,unit", *(f"{EAST + x},{NORTH + 50},{unit}" for x, unit in zip((20, 80), values, strict=False)))


ZEROS = np.zeros(40_000_000, dtype=np.uint8).tobytes()

TABLES: tuple[Spoiling, ...] = (
    # numbers as people write them
    Spoiling(
        "thousands by space",
        text("tyre_tables.csv", ",4000,", ",4 000,"),
        "row 2, column load_kg",
        "not a number",
        mend="write 4000",
    ),
    Spoiling(
        "thousands by apostrophe",
        text("tyre_tables.csv", ",4000,", ",4'000,"),
        "row 2, column load_kg",
        "not a number",
        mend="write 4000",
    ),
    Spoiling(
        "thousands or decimal comma",
        text("tyre_tables.csv", ",4000,", ',"4,000",'),
        "row 2, column load_kg",
        "not a number",
        mend="write 4000 if the comma marks thousands, 4.000 if it is a decimal comma",
    ),
    Spoiling(
        "thousands by point",
        text("tyre_tables.csv", ",4000,", ',"4.000,5",'),
        "row 2, column load_kg",
        "not a number",
        mend="write 4000.5",
    ),
    Spoiling(
        "thousands in an amount",
        text(OPS, ",9 t,", ",9 000 kg,"),
        "row 4, column load",
        "without its unit",
        mend="write 9000",
    ),
    Spoiling(
        "thousands by comma in an amount",
        text(OPS, ",9 t,", ',"9,000 kg",'),
        "row 4, column load",
        "not a number",
        mend="write 9000 if",
    ),
    Spoiling(
        "unit in a cell",
        feature("fields.geojson", 0, prop("tillage_depth_m", "25 cm")),
        "column tillage_depth_m",
        "not a number",
        found="25 cm",
        mend="write the number alone, in m",
    ),
    Spoiling(
        "units mixed in a column",
        text("weather.csv", "2026-03-19,0.0,1.4", "2026-03-19,0.0 in,1.4"),
        "row 3, column rain_mm",
        "not a number",
        mend="write the number alone, in mm",
    ),
    Spoiling(
        "kg in an amount of t",
        text(OPS, ",9 t,", ",9000 t,"),
        "row 4, column load",
        "far over the capacity",
        found="9000",
    ),
    Spoiling(
        "milliseconds called seconds",
        all_of(
            write(
                "tracks/harvest.tsv",
                "time\tlong\tlat\tmass\tdist\n"
                + "".join(f"{1_790_841_600_000 + i * 1000}\t27.0005\t{55.0469 + i * 1e-5}\t1\t40\n" for i in range(40)),
            )
        ),
        "tracks/harvest.tsv",
        "values of time that cannot be",
        mend='unit = "ms"',
    ),
    # TOML that the parser itself gives up
    Spoiling("a number without end", text("farm.toml", "2026", "9" * 5000), "farm.toml", "not valid TOML", "digits"),
    Spoiling("lists in lists", text("farm.toml", "2026", "[" * 5000), "farm.toml", "not valid TOML", "without end"),
    Spoiling("a word for a table", top('files = "x"'), "farm.toml, files", "wrong kind"),
    Spoiling("TOML in UTF-16", utf16, "farm.toml", "not a text file", mend="text editor"),
    # links and things that are no files
    Spoiling(
        "a pipe among the outfits",
        lambda folder: os.mkfifo(folder / "outfits" / "x.toml"),
        "outfits/x.toml",
        "not a readable file",
    ),
    Spoiling("tracks by a link", link_out("tracks"), "tracks", "leads out", mend="copy of the folder", problems=2),
    Spoiling("outfits by a link", link_out("outfits"), "outfits", "leads out", mend="copy of the folder"),
    Spoiling("a link to nowhere", dangling, "weather.csv", "leads nowhere"),
    # soil samples and stones
    Spoiling(
        "samples without places",
        samples("sample,unit", "1,A"),
        "soil.csv, row 1",
        "without their places",
        mend="columns.soil",
    ),
    Spoiling(
        "samples without a system",
        all_of(soil_at_points(["A", "B"]), text("farm.toml", 'crs = "EPSG:32635"\n', "")),
        "soil.csv",
        "no coordinate system",
        mend="coordinate_systems",
    ),
    Spoiling(
        "samples in degrees called metres",
        samples("x,y,unit", "27.0,55.0,A"),
        "soil.csv",
        "degrees in a coordinate system of metres",
    ),
    Spoiling("samples elsewhere", samples("lon,lat,unit", "10.0,20.0,A"), "soil.csv", "entirely elsewhere"),
    Spoiling(
        "samples with a word for a number",
        samples("lon,lat,unit", "east,55.0,A"),
        "soil.csv, row 2, column lon",
        "not a number",
    ),
    Spoiling("samples with semicolons", samples("lon;lat;unit", "27;55;A"), "soil.csv, row 1", "semicolons"),
    Spoiling("no sample", samples("lon,lat,unit"), "soil.csv", "no soil samples"),
    Spoiling(
        "sample of an unknown unit", soil_at_points(["A", "C"]), "horizons.csv", "without horizons", found="C (0.50 ha"
    ),
    Spoiling(
        "stones by mass without density",
        write("horizons.csv", STONES.format(",30,")),
        "row 2, column stones_mass_pct",
        "without a density",
        mend="density_g_cm3",
    ),
    Spoiling(
        "stones twice",
        write("horizons.csv", STONES.format("1.4,30,20")),
        "row 2, column stones_mass_pct",
        "given twice",
    ),
    # archives and task data as fields
    Spoiling(
        "KMZ without a KML",
        archive("fields.kmz", {"a.geojson": b"{}"}),
        "fields.kmz",
        "no map layer",
        found="a.geojson",
    ),
    Spoiling("KMZ bomb", archive("fields.kmz", {"doc.kml": ZEROS}), "fields.kmz", "too large unpacked", found="times"),
    Spoiling("KMZ that leads out", archive("fields.kmz", {"../doc.kml": b"<kml/>"}), "fields.kmz", "leads out"),
    Spoiling(
        "KMZ with entities",
        archive("fields.kmz", {"doc.kml": b'<!DOCTYPE k [<!ENTITY a "b">]><kml>&a;</kml>'}),
        "fields.kmz",
        "document type or entities",
    ),
    Spoiling("entities behind a long comment", comment_and_entity, "fields.kml", "document type or entities"),
    Spoiling("task data without a field", task_fields("<PFD A='PFD1' C='Park'/>"), "TASKDATA", "no boundary"),
    Spoiling(
        "task data with a field nowhere",
        task_fields("<PFD A='PFD1'><PLN A='1'><LSG A='1'><PNT A='2' C='91' D='27'/></LSG></PLN></PFD>"),
        "TASKDATA",
        "nowhere",
    ),
    # recorded pressures
    Spoiling(
        "pressure of an unknown axle",
        pressure_log("trailor"),
        'farm.toml, tracks."day.csv", pressure, axle',
        "unknown axle",
        mend="write trailer",
    ),
)
