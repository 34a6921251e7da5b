"""Zipped map layers: names, sizes and ratio checked before a byte is unpacked, and bounded while it is."""

from __future__ import annotations

import lzma
import stat
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import IO

from trafficplan.inputs.ledger import Ledger, listed

#: Limits of a zip archive: files in it, their size unpacked, how much smaller than unpacked it may be.
MOST_FILES = 2000
MOST_BYTES = 500_000_000
MOST_RATIO = 200
#: Smaller files may be packed as tightly as they like [bytes].
SMALL_BYTES = 1_000_000

#: What the reading of a damaged or locked archive may raise.
BROKEN = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    NotImplementedError,
    RuntimeError,
    EOFError,
    OSError,
    ValueError,
)

#: Endings of archives; a KMZ is a zip archive with one KML.
ARCHIVES = (".zip", ".kmz")
#: Endings of what is looked for in an archive.
LAYER_ENDINGS = (".shp", ".gpkg", ".geojson", ".fgb", ".kml", ".gpx")
_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")


@contextmanager
def unpacked(ledger: Ledger, path: Path, name: str, layer: str | None) -> Iterator[tuple[Path, str] | None]:
    """Unpack the one map layer of a zip archive (of a KMZ: its KML) for a while; gives its path and the member's name, or None.

    Only the layer's own files are written, under names of ours, in a temporary folder that is removed again.
    """
    with tempfile.TemporaryDirectory(prefix="trafficplan-") as folder:
        try:
            with zipfile.ZipFile(path) as archive:
                member = _layer_in(ledger, archive, name, layer) if safe(ledger, archive, name) else None
                done = _extract(archive, member, Path(folder)) if member else None
        except BROKEN as error:
            damaged(ledger, name, str(error))
            member = done = None
        yield (done, member.filename) if done and member else None


def damaged(ledger: Ledger, name: str, said: str) -> None:
    """Record that an archive cannot be unpacked."""
    ledger.problem(
        "the zip archive cannot be read",
        name,
        said[:120],
        "a whole zip archive without a password",
        "make the archive again",
    )


def safe(ledger: Ledger, archive: zipfile.ZipFile, name: str) -> bool:
    """Check an archive's listing: number of files, names, links, sizes, ratio of size to packed size."""
    members = archive.infolist()
    before = ledger.count()
    if len(members) > MOST_FILES:
        _too_much(ledger, name, f"{len(members)} files", f"at most {MOST_FILES} files")
        return False
    if len({one.filename.lower() for one in members}) < len(members):
        ledger.problem(
            "a name comes twice in the zip archive",
            name,
            listed({one.filename for one in members}),
            "each file once",
            "make the archive again",
        )
    for one in members:
        if leaves(one.filename) or stat.S_ISLNK(one.external_attr >> 16):
            ledger.problem(
                "a name in the zip archive leads out of it",
                name,
                one.filename[:120],
                "plain names inside the archive",
                "do not use this archive; ask for the files themselves",
            )
        if one.flag_bits & 0x1:
            damaged(ledger, name, f"{one.filename} has a password")
        if one.file_size > SMALL_BYTES and one.file_size > MOST_RATIO * max(1, one.compress_size):
            ratio = one.file_size / max(1, one.compress_size)
            _too_much(ledger, name, f"{one.filename} grows {ratio:.0f} times", f"at most {MOST_RATIO} times")
    total = sum(one.file_size for one in members)
    if total > MOST_BYTES:
        _too_much(ledger, name, f"{total / 1e6:.0f} MB unpacked", f"at most {MOST_BYTES / 1e6:.0f} MB")
    return ledger.count() == before


def leaves(member: str) -> bool:
    """Tell whether a member's name could lead out of the folder into which it is unpacked.

    Examples
    --------
    >>> leaves("soil/units.shp"), leaves("../units.shp"), leaves("C:/units.shp")
    (False, True, True)
    """
    plain = member.replace("\\", "/")
    return plain.startswith("/") or ".." in plain.split("/") or ":" in plain or "\0" in plain


def _too_much(ledger: Ledger, name: str, found: str, needed: str) -> None:
    ledger.problem(
        "the zip archive is too large unpacked",
        name,
        found,
        needed,
        "unpack it yourself if you trust it, and keep only the layer that is needed",
    )


def _layer_in(ledger: Ledger, archive: zipfile.ZipFile, name: str, layer: str | None) -> zipfile.ZipInfo | None:
    wanted = (".kml",) if name.lower().endswith(".kmz") else LAYER_ENDINGS
    found = [
        one for one in archive.infolist() if PurePosixPath(one.filename).suffix.lower() in wanted and not one.is_dir()
    ]
    named = [one for one in found if layer in (PurePosixPath(one.filename).stem, one.filename)]
    if len(found) == 1:
        return found[0]
    if len(named) == 1:
        return named[0]
    names = listed([one.filename for one in found] or [one.filename for one in archive.infolist()])
    ledger.problem(
        "several map layers in the zip archive" if found else "no map layer in the zip archive",
        name,
        names,
        "one file ending in " + ", ".join(wanted),
        "name one of them in farm.toml, table layers" if found else "add the layer's files to the archive",
    )
    return None


def _extract(archive: zipfile.ZipFile, member: zipfile.ZipInfo, folder: Path) -> Path:
    """Write the layer's files into the folder under plain names; for a Shapefile all its parts."""
    whole = PurePosixPath(member.filename)
    ending = whole.suffix.lower()
    wanted = {ending: member}
    if ending == ".shp":
        for one in archive.infolist():
            part = PurePosixPath(one.filename)
            same = part.parent == whole.parent and part.stem.lower() == whole.stem.lower()
            if same and part.suffix.lower() in _PARTS:
                wanted[part.suffix.lower()] = one
    for suffix, one in wanted.items():
        with archive.open(one) as source, (folder / f"layer{suffix}").open("wb") as target:
            bounded_copy(source, target, one.file_size)
    return folder / f"layer{ending}"


def bounded_copy(source: IO[bytes], target: IO[bytes], size: int) -> None:
    """Copy a member of the size that the listing told; a longer one is an archive that lies (ValueError)."""
    left = size
    while piece := source.read(1 << 20):
        left -= len(piece)
        if left < 0:
            raise ValueError("a file in the archive is longer than the archive says")
        target.write(piece)
