"""Text in other character sets than UTF-8 inside map layers: found, told, and read as farm.toml says."""

from __future__ import annotations

from pathlib import Path

from trafficplan.inputs.ledger import Ledger, file_parts
from trafficplan.inputs.table import decoded

#: Byte of a DBF header that names the character set; these two values name none.
_DBF_PAGE = 29
_NO_PAGE = (0x00, 0x57)
_DBF_RECORDS = slice(8, 10)  # length of the header: where the records begin, little-endian


def as_utf8(ledger: Ledger, path: Path, name: str) -> bytes | None:
    """Return a GeoJSON file's text in UTF-8 where the file is in another character set or has a mark, else None."""
    raw = path.read_bytes()
    marked = raw.startswith(b"\xef\xbb\xbf")
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return decoded(ledger, raw, name).encode()
    return raw[3:] if marked else None


def dbf_characters(ledger: Ledger, path: Path, name: str) -> str | None:
    """Return the character set of a Shapefile's table where the Shapefile itself does not say it.

    A .cpg file, or a code page in the header of the .dbf file, says it: None then. Else UTF-8 where the bytes
    are that, else what farm.toml tells, else Windows western with a note. Plain letters need no word.
    """
    parts = {part.suffix.lower(): part for part in file_parts(path)}
    if ".cpg" in parts or ".dbf" not in parts:
        return None
    raw = parts[".dbf"].read_bytes()
    if len(raw) <= _DBF_PAGE or raw[_DBF_PAGE] not in _NO_PAGE:
        return None
    cells = raw[int.from_bytes(raw[_DBF_RECORDS], "little") :]
    if cells.isascii():
        return None
    before = len(ledger.notes)
    decoded(ledger, cells, f"{name} (its table)")
    if len(ledger.notes) == before:
        return "UTF-8"
    return ledger.encoding or "cp1252"
