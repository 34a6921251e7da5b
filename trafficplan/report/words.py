"""Words and numbers for people: one function for every text from data, one for every quantity."""

from __future__ import annotations

import datetime as dt

from markupsafe import Markup

from trafficplan import units as factor

_PLAIN = frozenset(" .,-_()/%")

#: Quantity -> unit system -> (factor from the program's value, unit, least decimals). Values enter in the
#: unit named in
#: the comment; farm people read the one on the right.
QUANTITIES: dict[str, dict[str, tuple[float, str, int]]] = {
    "area": {"metric": (1.0, "ha", 1), "us": (factor.HECTARE / factor.ACRE, "acres", 1)},  # ha
    "patch": {"metric": (1.0, "m²", 0), "us": (1 / factor.FOOT**2, "sq ft", 0)},  # m2
    "depth": {"metric": (100.0, "cm", 0), "us": (1 / factor.INCH, "in", 0)},  # m
    "length": {"metric": (1.0, "m", 0), "us": (1 / factor.FOOT, "ft", 0)},  # m
    "distance": {"metric": (1.0, "km", 1), "us": (1e3 / (5280 * factor.FOOT), "miles", 1)},  # km
    "stress": {"metric": (1.0, "kPa", 0), "us": (factor.KPA / factor.PSI, "psi", 1)},  # kPa
    "pressure": {"metric": (1.0, "bar", 1), "us": (factor.BAR / factor.PSI, "psi", 0)},  # bar
    "mass": {"metric": (1.0, "kg", 0), "us": (1 / factor.POUND, "lb", 0)},  # kg
    "traffic": {  # t km/ha; short ton miles per acre (2000 lb, 5280 ft)
        "metric": (1.0, "t km/ha", 0),
        "us": (
            1e3 / (2000 * factor.POUND) * 1e3 / (5280 * factor.FOOT) * factor.ACRE / factor.HECTARE,
            "ton miles/acre",
            0,
        ),
    },
    "haul": {  # t km
        "metric": (1.0, "t km", 0),
        "us": (1e3 / (2000 * factor.POUND) * 1e3 / (5280 * factor.FOOT), "ton miles", 0),
    },
    "time": {"metric": (1.0, "h", 1), "us": (1.0, "h", 1)},  # h
    "share": {"metric": (1.0, "%", 0), "us": (1.0, "%", 0)},  # %
    "ratio": {"metric": (1.0, "", 2), "us": (1.0, "", 2)},
    "chance": {"metric": (1.0, "", 1), "us": (1.0, "", 1)},
    "passes": {"metric": (1.0, "passes", 0), "us": (1.0, "passes", 0)},
}

#: Quantities that are written with more digits when small and fewer when large.
_ADAPTIVE = frozenset({"area", "distance", "time"})

#: Chance of overstress in words: upper bound and word. Our own scale; the chance is an uncalibrated index.
CHANCE_WORDS: tuple[tuple[float, str], ...] = (
    (0.1, "very unlikely"),
    (0.3, "unlikely"),
    (0.5, "possible"),
    (0.7, "likely"),
    (0.9, "very likely"),
    (float("inf"), "nearly certain"),
)

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def safe(text: object) -> Markup:
    """Return a text from data that is harmless in HTML, in a script string and in a template string alike.

    Letters, digits and `` .,-_()/%`` stay; every other character becomes a numeric character reference.

    Examples
    --------
    >>> str(safe("${x}</b>"))
    '&#36;&#123;x&#125;&#60;/b&#62;'
    """
    return Markup(
        "".join(sign if sign.isalnum() or sign in _PLAIN else f"&#{ord(sign)};" for sign in str(text) if sign >= " ")
    )


def unit_of(quantity: str, units: str) -> str:
    """Return the unit in which people read a quantity."""
    return QUANTITIES[quantity][units][1]


def figure(quantity: str, value: float, units: str, sign: bool = False) -> str:
    """Return the number alone, in the unit people read; three digits are enough for anyone.

    `sign` writes a plus or minus, for differences.

    Examples
    --------
    >>> figure("area", 0.043, "metric"), figure("area", 164.2, "metric"), figure("mass", 6000.0, "us")
    ('0.04', '164', '13,200')
    """
    scale, _, decimals = QUANTITIES[quantity][units]
    shown = value * scale
    size = abs(shown)
    if quantity in _ADAPTIVE:
        decimals = 0 if size >= 100 else 2 if 0 < size < 1 else max(1, decimals)
    if size >= 1000:
        shown = float(f"{shown:.3g}")
    text = f"{abs(shown):,.{decimals}f}"
    if float(text.replace(",", "")) == 0:
        return "0"
    return ("+" if sign and shown > 0 else "\N{MINUS SIGN}" if shown < 0 else "") + text


def say(quantity: str, value: float, units: str, sign: bool = False) -> str:
    """Return number and unit, as people read them.

    Examples
    --------
    >>> say("depth", 0.35, "metric"), say("depth", 0.35, "us"), say("stress", 100.0, "us")
    ('35 cm', '14 in', '14.5 psi')
    """
    unit = unit_of(quantity, units)
    number = figure(quantity, value, units, sign)
    return f"{number} {unit}".rstrip()


def count(number: int, thing: str) -> str:
    """Return a number and its thing.

    Examples
    --------
    >>> count(1, "crossing"), count(3, "trailer load"), count(1200, "day")
    ('1 crossing', '3 trailer loads', '1,200 days')
    """
    return f"{number:,} {thing}" if number == 1 else f"{number:,} {thing}s"


def chance_word(chance: float) -> str:
    """Return the word for a chance of overstress.

    Examples
    --------
    >>> chance_word(0.5), chance_word(0.95)
    ('likely', 'nearly certain')
    """
    rounded = round(chance, 6)
    return next(word for upper, word in CHANCE_WORDS if rounded < upper)


def say_chance(chance: float) -> str:
    """Return a chance in a step of 0.1 and in words.

    Examples
    --------
    >>> say_chance(0.68)
    'likely (0.7)'
    """
    step = min(round(chance, 1), 0.9)
    more = " and more" if chance >= 0.9 else ""
    return f"{chance_word(chance)} ({step:.1f}{more})"


def say_day(day: dt.date) -> str:
    """Return a date without its year, the same in every locale.

    Examples
    --------
    >>> import datetime
    >>> say_day(datetime.date(2026, 3, 14))
    '14 Mar'
    """
    return f"{day.day} {MONTHS[day.month - 1]}"
