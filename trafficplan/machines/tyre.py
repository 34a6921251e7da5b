"""Tyres and rubber tracks: geometry from the size code."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from trafficplan.errors import InputError, Problem
from trafficplan.units import INCH


@dataclass(frozen=True)
class Tyre:
    """Geometry of one tyre, or of one rubber track.

    Attributes
    ----------
    code : size code as on the side wall ("650/65R30.5"), or a name for a track
    kind : "tyre" or "track"
    width_m : nominal section width (belt width of a track)
    diameter_m : overall diameter (of a track: 0)
    section_height_m : section height (of a track: 0)
    track_length_m : length of belt on the ground (of a tyre: 0)
    rollers : number of rollers that carry the belt (of a tyre: 0)
    """

    code: str
    kind: Literal["tyre", "track"]
    width_m: float
    diameter_m: float
    section_height_m: float
    track_length_m: float = 0.0
    rollers: int = 0


#: Section height over section width that is assumed for inch codes, which do not tell it; from memory of
#: usual sizes.
INCH_ASPECT = 0.85
LOW_SECTION_ASPECT = 0.70

_RIM = r"(?P<rim>\d{1,2}(?:\.\d{1,2})?)"
_FORMS: dict[str, re.Pattern[str]] = {
    "metric": re.compile(r"(?:IF|VF|LT)?\s*(?P<width>\d{3,4})/(?P<aspect>\d{2,3})\s*[RDB-]\s*" + _RIM),
    "inch aspect": re.compile(r"(?P<width>\d{1,2}(?:\.\d{1,2})?)/(?P<aspect>\d{2})\s*[RDB-]\s*" + _RIM),
    "inch": re.compile(r"(?P<width>\d{1,2}(?:\.\d{1,2})?)(?P<low>L?)\s*[RDB-]\s*" + _RIM),
    "flotation": re.compile(
        r"(?P<diameter>\d{2,3}(?:\.\d{1,2})?)\s*X\s*(?P<width>\d{2}(?:\.\d{1,2})?)\s*L?[RDB-]\s*" + _RIM
    ),
}
#: What may stand behind the size: load index and speed symbol, ply rating, stars, trade marks of a few
#: letters.
_INDEX = r"\d{2,3}(?:/\d{2,3})?\s?[A-J]\d?"
_SERVICE = re.compile(rf"(?:\s*\(?{_INDEX}(?:/{_INDEX})?\)?|\s*\d{{1,2}}\s?PR|\s*\*|\s+[A-Z]{{1,4}}(?:-\d)?)*\s*")
_EXAMPLES = "710/70R42, VF 520/85R42, 710/70R42 173D, 18.4R38, 28L-26, 12.5/80-18, 850/50-30.5 or 66x43.00-25"


def tyre_from_code(code: str, where: str = "tyre") -> Tyre:
    """Return the geometry of a tyre from its size code.

    Parameters
    ----------
    code : metric (width mm / aspect %, rim inch), inch (width, rim), inch with aspect, low section (L), or
        flotation (diameter x width - rim, inch); IF, VF or LT in front and load index, ply rating and the
        like behind are allowed
    where : file and key, for the message

    Raises
    ------
    InputError : when the code has none of these forms, or sizes that no farm tyre has

    Notes
    -----
    ISO 4223-1 code forms; diameter = rim + 2 x section height (catalogues differ by 1.5 %). Where
    `assumed_aspect` is not None, the section height is assumed and the caller lists that.

    Examples
    --------
    >>> round(tyre_from_code("710/70R42").diameter_m, 4)
    2.0608
    """
    form, match = _match(code, where)
    rim = float(match["rim"]) * INCH
    width = float(match["width"]) * (1e-3 if form == "metric" else INCH)
    if form == "flotation":
        height = 0.5 * (float(match["diameter"]) * INCH - rim)
    else:
        height = width * (assumed_aspect(code) or float(match.groupdict().get("aspect") or 0.0) / 100.0)
    diameter = rim + 2.0 * height
    if not (0.1 <= width <= 1.5 and 0.03 <= height <= 1.0 and 0.3 <= diameter <= 3.0):
        raise InputError(_unknown(code, where))
    return Tyre(" ".join(code.split()), "tyre", width, diameter, height)


def assumed_aspect(code: str) -> float | None:
    """Return the aspect (height over width) that an inch code needs assumed, or None where the code tells it.

    Examples
    --------
    >>> assumed_aspect("18.4R38"), assumed_aspect("28L-26"), assumed_aspect("710/70R42")
    (0.85, 0.7, None)
    """
    form, match = _match(code, "tyre")
    if form != "inch":
        return None
    return LOW_SECTION_ASPECT if match["low"] else INCH_ASPECT


def _match(code: str, where: str) -> tuple[str, re.Match[str]]:
    plain = code.strip().upper().replace(",", ".").replace("\u00d7", "X").replace("\u2013", "-")
    for form, pattern in _FORMS.items():
        match = pattern.match(plain)
        if match and len(plain) < 60 and _SERVICE.fullmatch(plain[match.end() :]):
            return form, match
    raise InputError(_unknown(code, where))


def _unknown(code: str, where: str) -> Problem:
    return Problem(
        "tyre size not understood",
        where,
        repr(code),
        "the size code as on the side wall",
        f"write it like {_EXAMPLES}; a rubber track needs its width, length and rollers instead",
    )


def track_from_sizes(width_m: float, length_m: float, rollers: int, where: str = "track") -> Tyre:
    """Return a rubber track from the belt's width and length on the ground [m] and the number of rollers
    that carry it.

    Raises
    ------
    InputError : when a size is not above zero or there is no roller

    Examples
    --------
    >>> track_from_sizes(0.6, 1.8, 4).code
    'track 0.6 x 1.8 m'
    """
    if not (0.0 < width_m <= 2.0 and 0.0 < length_m <= 8.0 and 1 <= rollers <= 40):
        raise InputError(
            Problem(
                "sizes that no rubber track has",
                where,
                f"width {width_m:g} m, length {length_m:g} m, rollers {rollers}",
                "width up to 2 m, length on the ground up to 8 m, rollers 1 to 40",
                "write it like { width_m = 0.6, length_m = 1.8, rollers = 4 }",
            )
        )
    return Tyre(f"track {width_m:g} x {length_m:g} m", "track", width_m, 0.0, 0.0, length_m, rollers)
