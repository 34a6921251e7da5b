"""Yield that lasting damage may cost: ranges of the literature, told only when asked for.

Never one number: the weather decides more in any one year, and the published trials are few.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from trafficplan.decide.audit import FieldAudit
from trafficplan.farm.farm import Farm
from trafficplan.farm.prices import Prices

#: Loss of yield on ground with lasting damage in the first crops after it, share (found: Penn State extension, axles of
#: 10-12 t about 15 % in the first year; Alakukku & Elonen 1995, barley 5 % over four years).
FIRST_LOSS = (0.05, 0.15)
#: Loss each year while it lasts, share (memory: Hakansson & Reeder 1994, about 2.5 % lasting after four passes; found:
#: Penn State extension, 3-5 % after ten years; RECARE Aarslev, 5.7 % as the after-effect of a heavy wheel).
LASTING_LOSS = (0.025, 0.057)


@dataclass(frozen=True)
class Loss:
    """What lasting damage may cost on one crop.

    Attributes
    ----------
    hectares : least and most ground with lasting damage
    first_t, lasting_t : yield lost in the first crop after it, and in each year while it lasts [t]; None without a yield
    first_money, lasting_money : the same in money; None without a price
    """

    crop: str
    hectares: tuple[float, float]
    first_t: tuple[float, float] | None
    lasting_t: tuple[float, float] | None
    first_money: tuple[float, float] | None
    lasting_money: tuple[float, float] | None


def losses(farm: Farm, audits: Sequence[FieldAudit], prices: Prices) -> tuple[Loss, ...]:
    """Return the ranges crop by crop; a crop without a price is told in hectares alone."""
    ground: dict[str, list[float]] = {}
    for one in audits:
        low, high = ground.setdefault(farm.fields[one.field].crop, [0.0, 0.0])
        both = (one.likely_ha, one.expected_ha)
        ground[farm.fields[one.field].crop] = [low + min(both), high + max(both)]
    return tuple(_loss(crop, (low, high), prices) for crop, (low, high) in sorted(ground.items()))


def _loss(crop: str, hectares: tuple[float, float], prices: Prices) -> Loss:
    price = prices.of(crop)
    if price is None:
        return Loss(crop, hectares, None, None, None, None)
    first, lasting = (
        (hectares[0] * low * price.yield_t_ha, hectares[1] * high * price.yield_t_ha)
        for low, high in (FIRST_LOSS, LASTING_LOSS)
    )
    money = [(low * price.price_t, high * price.price_t) for low, high in (first, lasting)]
    return Loss(crop, hectares, first, lasting, money[0], money[1])


def summed(told: Sequence[Loss]) -> Mapping[str, tuple[float, float]]:
    """Return the money of all crops with a price: `first` and `lasting`, least and most."""
    return {
        "first": _sum([one.first_money for one in told]),
        "lasting": _sum([one.lasting_money for one in told]),
    }


def _sum(ranges: Sequence[tuple[float, float] | None]) -> tuple[float, float]:
    known = [one for one in ranges if one is not None]
    return sum(one[0] for one in known), sum(one[1] for one in known)
