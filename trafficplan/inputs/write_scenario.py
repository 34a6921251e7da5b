"""A scenario written as TOML, so that it can stand in a farm's scenarios.toml and be run again."""

from __future__ import annotations

import math
from collections.abc import Mapping

from trafficplan.farm.farm import Farm
from trafficplan.farm.operation import Change, Moisture, Scenario
from trafficplan.inputs.starter.tracks import toml_text
from trafficplan.units import BAR, KPA, TONNE


def scenario_toml(scenario: Scenario, farm: Farm) -> str:
    """Return a scenario as it is written in scenarios.toml; reading it there gives the same scenario again.

    Parameters
    ----------
    farm : whose operations and outfits it names

    Raises
    ------
    ValueError
        It has no change, or names what the farm does not have: the file could not be read.

    Examples
    --------
    >>> print(scenario_toml(Scenario("light", "Lighter", (Change(jobs=("slurry",), load_factor=0.8),)), None))
    [light]
    title = "Lighter"
    <BLANKLINE>
      [[light.change]]
      jobs = ["slurry"]
      load_factor = 0.8
    <BLANKLINE>
    """
    if not scenario.changes or scenario.key.lower() == "base":
        raise ValueError(f"scenario {scenario.key} changes nothing that can be written")
    key = _key(scenario.key)
    parts = [f"[{key}]\ntitle = {toml_text(scenario.title)}\n"]
    for change in scenario.changes:
        _check(change, farm)
        parts.append("\n".join([f"  [[{key}.change]]", *(f"  {line}" for line in _lines(change))]) + "\n")
    return "\n".join(parts)


def _key(text: str) -> str:
    """Return a bare TOML key where it can be one, else a quoted one."""
    bare = text.isascii() and text.replace("_", "").replace("-", "").isalnum()
    return text if bare else toml_text(text)


def _check(change: Change, farm: Farm | None) -> None:
    if farm is None:
        return
    known = {
        "operations": {one.key for one in farm.operations},
        "jobs": {one.job for one in farm.operations},
        "outfits": set(farm.outfits),
        "fields": set(farm.fields),
    }
    for name, names in known.items():
        unknown = sorted(set(getattr(change, name)) - names)
        if unknown:
            raise ValueError(f"{name} {', '.join(unknown)}: not in the farm")
    if change.outfit is not None and change.outfit not in farm.outfits:
        raise ValueError(f"outfit {change.outfit}: not in the farm")


def _lines(change: Change) -> list[str]:
    lines = [
        f"{name} = [{', '.join(toml_text(one) for one in getattr(change, name))}]"
        for name in ("operations", "jobs", "outfits", "fields")
        if getattr(change, name)
    ]
    if change.load_kg is not None:
        lines.append(f"load_t = {over(change.load_kg, TONNE)}")
    if change.load_factor is not None:
        lines.append(f"load_factor = {change.load_factor!r}")
    if change.pressures_pa:
        lines.append(f"pressure = {toml_text(pressure_words(change.pressures_pa))}")
    if change.moisture is not None:
        lines.append(f"moisture = {toml_text(moisture_words(change.moisture))}")
    if change.day is not None:
        lines.append(f"date = {change.day.isoformat()}")
    for name in ("gateway", "outfit", "drive"):
        if getattr(change, name) is not None:
            lines.append(f"{name} = {toml_text(getattr(change, name))}")
    for name in ("width_m", "heading_deg"):
        if getattr(change, name) is not None:
            lines.append(f"{name} = {getattr(change, name)!r}")
    return lines


def pressure_words(pressures_pa: Mapping[str, float]) -> str:
    """Return pressures as people write them: one for all axles, or axle by axle, in bar.

    Examples
    --------
    >>> pressure_words({"*": 80e3}), pressure_words({"front": 100e3, "rear": 140e3})
    ('0.8', 'front:1.0;rear:1.4')
    """
    return ";".join(f"{over(p, BAR)}" if axle == "*" else f"{axle}:{over(p, BAR)}" for axle, p in pressures_pa.items())


def moisture_words(moisture: Moisture) -> str:
    """Return moisture as it was given, else as tensions of both layers in kPa."""
    return moisture.words or f"top:{over(moisture.top_pa, KPA)},deep:{over(moisture.deep_pa, KPA)}"


def over(value: float, unit: float) -> str:
    """Write a value in a larger unit with the fewest digits that, multiplied by the unit, give just that value.

    Examples
    --------
    >>> over(6300.0, 1e3), over(80e3, 1e5), over(0.1 + 0.2, 1e3)
    ('6.3', '0.8', '0.00030000000000000003')
    """
    plain = value / unit
    for number in (plain, math.nextafter(plain, math.inf), math.nextafter(plain, -math.inf)):
        for digits in range(1, 18):
            text = f"{number:.{digits}g}"
            if float(text) * unit == value:
                return _decimal(text)
    return _decimal(repr(plain))


def _decimal(text: str) -> str:
    """Return a number without exponent."""
    number = float(text)
    plain = f"{number:.20f}".rstrip("0") if "e" in text else text
    return plain + "0" if plain.endswith(".") else plain if "." in plain else f"{plain}.0"
