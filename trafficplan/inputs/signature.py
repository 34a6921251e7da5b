"""What a file really is, by its first bytes, whatever its name says; opened only when the two agree."""

from __future__ import annotations

import re
from pathlib import Path

from trafficplan.inputs.ledger import Ledger

#: First bytes -> what the file is, in words.
_SIGNATURES: tuple[tuple[bytes, str], ...] = (
    (b"SQLite format 3\x00", "a GeoPackage"),
    (b"\x00\x00\x27\x0a", "a Shapefile"),
    (b"fgb\x03fgb", "a FlatGeobuf"),
    (b"PK\x03\x04", "a zip archive"),
    (b"PK\x05\x06", "an empty zip archive"),
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"%PDF", "a PDF document"),
    (b"II*\x00", "a TIFF image"),
    (b"MM\x00*", "a TIFF image"),
    (b"II+\x00", "a TIFF image"),
    (b"MM\x00+", "a TIFF image"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"Rar!", "a rar archive"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"\xd0\xcf\x11\xe0", "a document of an office program"),
    (b"MZ", "a program"),
    (b"\x7fELF", "a program"),
)

#: Ending -> what the file has to be.
EXPECTED: dict[str, str] = {
    ".gpkg": "a GeoPackage",
    ".shp": "a Shapefile",
    ".fgb": "a FlatGeobuf",
    ".zip": "a zip archive",
    ".kmz": "a zip archive",
    ".geojson": "a GeoJSON",
    ".json": "a GeoJSON",
    ".kml": "a KML",
    ".gpx": "a GPX",
    ".tif": "a TIFF image",
    ".tiff": "a TIFF image",
}

_HEAD = 4096
#: XML whose first element comes later than this is refused: what is declared stands before it.
_PROLOGUE = 1 << 20


def what_it_is(path: Path) -> str:
    """Return in words what the first bytes of a file say that it is."""
    with path.open("rb") as stream:
        head = stream.read(_HEAD)
    if not head.strip():
        return "an empty file"
    for start, words in _SIGNATURES:
        if head.startswith(start):
            return words
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if text.startswith((b"{", b"[")):
        return "a GeoJSON"
    if text.startswith(b"<"):
        return _xml_kind(text)
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "a text file in UTF-16"
    return "a text file" if b"\x00" not in head else "a binary file of an unknown kind"


def _xml_kind(text: bytes) -> str:
    element = re.search(rb"<([A-Za-z_][\w.:-]*)", re.sub(rb"<!--.*?-->|<\?.*?\?>", b"", text, flags=re.DOTALL))
    root = element.group(1).decode("ascii", "replace").rpartition(":")[2].lower() if element else ""
    if root.startswith(("ogrvrt", "vrtdataset")):
        return "a virtual map file that points to other files"
    words = {"kml": "a KML", "gpx": "a GPX", "html": "a web page", "svg": "a picture (SVG)"}
    return words.get(root, "an XML file of another kind")


def is_as_named(ledger: Ledger, path: Path, name: str) -> bool:
    """Check that a file is what its ending says and that its XML, if it is some, declares nothing."""
    needed = EXPECTED.get(path.suffix.lower())
    found = what_it_is(path)
    if needed is None:
        ledger.problem(
            "a format that is not read",
            name,
            f"{found}, named {path.suffix or 'without an ending'}",
            f"a file named {', '.join(list(EXPECTED)[:8])}",
            "save it as GeoJSON or GeoPackage",
        )
        return False
    if found != needed:
        ledger.problem(
            "the file is not what its name says, and cannot be read",
            name,
            found,
            needed,
            "save it again from the program that made it, as GeoJSON or GeoPackage",
        )
        return False
    if needed in ("a KML", "a GPX") and not _declares_nothing(path):
        ledger.problem(
            "XML that declares a document type or entities",
            name,
            "<!DOCTYPE or <!ENTITY",
            "plain KML or GPX",
            "save it again from the program that made it",
        )
        return False
    return True


def _declares_nothing(path: Path) -> bool:
    """Tell whether an XML file comes to its first element without a declaration, whatever comments stand before."""
    with path.open("rb") as stream:
        text = stream.read(_PROLOGUE)
    place = text.find(b"<")
    while place >= 0:
        rest = text[place : place + 4]
        if rest.startswith((b"<!--", b"<?")):
            closing = b"-->" if rest.startswith(b"<!--") else b"?>"
            end = text.find(closing, place)
            place = text.find(b"<", end) if end >= 0 else -1
            continue
        return not rest.startswith(b"<!")
    return False
