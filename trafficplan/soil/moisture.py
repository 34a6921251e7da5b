"""Moisture as people tell it: hand-test words or a tension, for the top and the deep layer."""

from __future__ import annotations

import re

from trafficplan.errors import InputError, Problem

#: Soil water tension of the hand-test words at 35 cm [Pa]; ours: wet, moist and dry of the usual suction
#: classes.
HAND_TEST: dict[str, float] = {"smears": 5e3, "moulds": 15e3, "crumbles": 33e3}

#: Limits between the words [Pa]: below the first `smears`, up to the second `moulds` (Swiss soil-protection
#: practice at 35 cm).
WORD_LIMITS = (10e3, 20e3)

_NUMBER = re.compile(r"(\d+(?:\.\d+)?)\s*(?:kpa)?")


def moisture_word(tension_pa: float) -> str:
    """Return the hand-test word of a tension.

    Examples
    --------
    >>> moisture_word(8_000.0), moisture_word(20_000.0), moisture_word(25_000.0)
    ('smears', 'moulds', 'crumbles')
    """
    if tension_pa < WORD_LIMITS[0]:
        return "smears"
    return "moulds" if tension_pa <= WORD_LIMITS[1] else "crumbles"


def least_tension_bfe_1997(mass_kg: float, contact_pa: float, clay: float = 0.0) -> float:
    """Return the least soil water tension at 35 cm [Pa] at which a machine may drive.

    Swiss soil-protection practice: tension [kPa] = mass [t] x mean contact pressure [kg/cm2] x 1.25, never
    below 10 kPa; above 30 % clay 10 kPa more and at least 20 kPa. After more than 10 mm of rain in 24 h no
    reading counts.

    Parameters
    ----------
    mass_kg : whole machine [kg]
    contact_pa : mean contact pressure [Pa]
    clay : mass fraction, 0..1

    Notes
    -----
    Swiss pipeline guidelines (BFE 1997), soil-protection leaflets of the cantons Lucerne and Zurich. Made
    for tracked construction machines: a stop-or-go overlay, not stress science.
    """
    rule = 1.25e3 * (mass_kg / 1e3) * (contact_pa / 98_066.5)
    return max(rule + 10e3, 20e3) if clay > 0.30 else max(rule, WORD_LIMITS[0])


def tensions_from_text(text: str, where: str = "moisture") -> tuple[float, float]:
    """Return the tension of the top and the deep layer [Pa] from what a person wrote.

    Parameters
    ----------
    text : a hand-test word, a tension in kPa ("12", "12 kPa"), or both layers: "top:crumbles,deep:smears".
        One value counts for both layers.
    where : file, row and column, for the message

    Raises
    ------
    InputError : when the text is none of these

    Examples
    --------
    >>> tensions_from_text("top:crumbles, deep:12")
    (33000.0, 12000.0)
    """
    plain = text.strip().lower()
    if ":" not in plain:
        tension = _tension(plain, text, where)
        return tension, tension
    layers: dict[str, float] = {}
    for part in re.split(r"[,;]", plain):
        name, _, value = part.partition(":")
        layers[name.strip()] = _tension(value.strip(), text, where)
    if set(layers) != {"top", "deep"}:
        raise InputError(_problem(text, where))
    return layers["top"], layers["deep"]


def _tension(value: str, text: str, where: str) -> float:
    if value in HAND_TEST:
        return HAND_TEST[value]
    match = _NUMBER.fullmatch(value)
    if match is None or not 0.1 <= float(match[1]) <= 1500.0:
        raise InputError(_problem(text, where))
    return 1e3 * float(match[1])


def _problem(text: str, where: str) -> Problem:
    return Problem(
        "moisture not understood",
        where,
        repr(text),
        "smears, moulds, crumbles, a tension from 0.1 to 1500 kPa, or top:...,deep:...",
        "write for example 'moulds', '12' or 'top:crumbles,deep:smears'",
    )
