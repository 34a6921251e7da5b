"""Weighing alternatives against each other: which are beaten in everything, and which one is advised."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from trafficplan.decide.alternatives import Alternative

#: Differences below these are no differences (ours): hectares, share [%], t km/ha, hours, kilometres, litres.
STEPS = (0.01, 0.5, 1.0, 0.05, 0.1, 1.0)
#: Ground left unspread beyond what the baseline leaves, as share of the field, at which a way is no alternative (ours).
LEFT_OUT = 0.01


def measures(one: Alternative) -> tuple[int, ...]:
    """Return what counts, less is better, in steps below which nobody sees a difference."""
    hectares, share, traffic, hours, km, fuel = STEPS
    zones = [one.traffic_t_km_ha[zone] / traffic for zone in ("headland", "gateway", "infield")]
    values = [
        one.deep_ha / hectares, one.lasting_ha / hectares, one.wheeled_pct / share, *zones,
        one.hours / hours, one.km / km, (one.litres or 0.0) / fuel,
    ]  # fmt: skip
    return tuple(round(value) for value in values)


def beats(one: Sequence[int], other: Sequence[int]) -> bool:
    """Return whether one is at least as good in everything and better in something."""
    return all(a <= b for a, b in zip(one, other, strict=True)) and tuple(one) != tuple(other)


def unbeaten(alternatives: Sequence[Alternative]) -> list[Alternative]:
    """Return those that no other beats; of several alike in everything the first."""
    kept: list[tuple[tuple[int, ...], Alternative]] = []
    for one in alternatives:
        mine = measures(one)
        if any(beats(other, mine) or other == mine for other, _ in kept):
            continue
        kept = [(other, that) for other, that in kept if not beats(mine, other)]
        kept.append((mine, one))
    return [one for _, one in kept]


def covering(alternatives: Sequence[Alternative], base: Alternative, field_ha: float) -> list[Alternative]:
    """Return those that spread as much of the field as the baseline, or nearly."""
    return [one for one in alternatives if one.not_spread_ha <= base.not_spread_ha + LEFT_OUT * field_ha]


def advised(alternatives: Sequence[Alternative], hour_ha: float, hours: float | None) -> Alternative:
    """Return the one that adds least, expected lasting hectares and time together, among those that fit the time.

    Parameters
    ----------
    alternatives : at least one
    hour_ha : expected lasting damage that an hour is worth sparing [ha]
    hours : time there is; None: no limit. If none fits, the quickest is advised
    """
    fits = [one for one in alternatives if hours is None or one.hours <= hours + 1e-9]
    fits = fits or [min(alternatives, key=lambda one: (one.hours, one.lasting_ha))]
    return min(fits, key=lambda one: (round(one.lasting_more_ha + hour_ha * one.hours, 4), one.hours, one.km))


def shortlist(
    found: Sequence[Alternative], field_ha: float, count: int, hour_ha: float, hours: float | None = None
) -> list[Alternative]:
    """Return the baseline (the first found), the advised one and others that nothing beats, `count` at most, marked.

    The others are those that stand farthest from the ones already chosen, so that the list shows the range there is.
    """
    base = replace(found[0], baseline=True)
    standing = unbeaten([base, *covering(found[1:], base, field_ha)])
    best = advised(standing, hour_ha, hours)
    chosen = [base] if best.key == base.key else [base, best]
    rest = [one for one in standing if one.key not in {best.key, base.key}]
    scale = [max(1, *(column)) for column in zip(*(measures(one) for one in [base, *standing]), strict=True)]
    while rest and len(chosen) < count:
        farthest = max(rest, key=lambda one: (min(_apart(one, other, scale) for other in chosen), -one.hours))
        rest.remove(farthest)
        chosen.append(farthest)
    keys = {one.key for one in standing}
    return [replace(one, recommended=one.key == best.key, non_dominated=one.key in keys) for one in chosen]


def _apart(one: Alternative, other: Alternative, scale: Sequence[int]) -> float:
    return sum(abs(a - b) / s for a, b, s in zip(measures(one), measures(other), scale, strict=True))
