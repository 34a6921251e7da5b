"""Texture: the twelve classes of the USDA triangle."""

from __future__ import annotations

from trafficplan.errors import InputError, Problem

#: The twelve classes, coarse to fine.
TEXTURES = (
    "sand",
    "loamy sand",
    "sandy loam",
    "loam",
    "silt loam",
    "silt",
    "sandy clay loam",
    "clay loam",
    "silty clay loam",
    "sandy clay",
    "silty clay",
    "clay",
)


def texture_class(sand: float, clay: float) -> str:
    """Return the USDA texture class of a fine earth; silt (2-50 um) is the rest.

    Parameters
    ----------
    sand, clay : mass fractions, 0..1, together at most 1

    Raises
    ------
    InputError : when a fraction is outside 0..1 or their sum exceeds 1

    Notes
    -----
    USDA texture triangle (Soil Survey Manual). Convert silt of 2-63 um classifications first.

    Examples
    --------
    >>> texture_class(0.40, 0.20)
    'loam'
    """
    if not (0.0 <= sand <= 1.0 and 0.0 <= clay <= 1.0 and sand + clay <= 1.0 + 1e-9):
        raise InputError(
            Problem(
                "sand and clay do not make a soil",
                "texture",
                f"sand {sand * 100:g} %, clay {clay * 100:g} %",
                "each from 0 to 100 %, together at most 100 %",
                "check the two columns and their unit",
            )
        )
    s, c = 100.0 * sand, 100.0 * clay
    silt = 100.0 - s - c
    if c < 20.0 or (c < 27.0 and s <= 52.0 and silt >= 28.0):
        return _light_class(s, c, silt)
    return _heavy_class(s, c, silt)


def _light_class(s: float, c: float, silt: float) -> str:
    """Return the class where clay is low; percentages."""
    if silt + 1.5 * c < 15.0:
        return "sand"
    if silt + 2.0 * c < 30.0:
        return "loamy sand"
    if silt >= 80.0 and c < 12.0:
        return "silt"
    if silt >= 50.0:
        return "silt loam"
    if c >= 7.0 and silt >= 28.0 and s <= 52.0:
        return "loam"
    return "sandy loam"


def _heavy_class(s: float, c: float, silt: float) -> str:
    """Return the class where clay is 20 % or more; percentages."""
    if c < 35.0 and silt < 28.0 and s > 45.0:
        return "sandy clay loam"
    if c >= 35.0 and s > 45.0:
        return "sandy clay"
    if c < 40.0:
        return "clay loam" if s > 20.0 else "silty clay loam"
    return "silty clay" if silt >= 40.0 else "clay"
