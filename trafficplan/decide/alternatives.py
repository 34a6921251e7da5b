"""One way of doing a job beside others, as plain data: what it asks of the driver and what it does to the soil."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from trafficplan.names import Note


@dataclass(frozen=True)
class Alternative:
    """One alternative of a spreading plan, judged.

    Attributes
    ----------
    key : short name that comes once, such as "A"
    words : one line that tells it from the others
    heading_deg : direction of the swaths, clockwise from grid north; None: along the tramlines
    order : order of the swaths in words, such as "every third, back between"
    gateway : key of the gateway used; "" where the field has none
    fill_words : where it is filled, such as "at the yard"
    load_kg : product on board when full
    loads : how many loads
    size : how the load was sized, such as "full", "balanced", "to headland"
    pressures_words : field and track pressures as people read them; "" where none may be named
    deep_ha, deep_more_ha : ground whose chance of overstress below tillage depth is 0.5 or more after the job [ha],
        and how much of it the job adds
    lasting_ha, lasting_more_ha : expected hectares (sum over cells of chance times area) after the job, and added
    wheeled_pct : share of the field that a wheel of this job touched [%]
    traffic_t_km_ha : zone -> traffic of this job [t km/ha]
    hours, km, road_km : time and way of the whole job, and the part of the way outside the field
    litres : fuel for the whole job, or None where it cannot be told
    spread_ha, overlap_ha : ground spread at least once, and spread twice
    baseline : what the person does now
    recommended : what is advised
    non_dominated : no other alternative is at least as good in everything and better in something
    not_spread_ha : ground of the field that is not spread, for whatever reason
    efficiency : field efficiency: time at work / all time in the field
    idle_share : share of the way in the field that is not work
    notes : what was assumed for this one
    """

    key: str
    words: str
    heading_deg: float | None
    order: str
    gateway: str
    fill_words: str
    load_kg: float
    loads: int
    size: str
    pressures_words: str
    deep_ha: float
    deep_more_ha: float
    lasting_ha: float
    lasting_more_ha: float
    wheeled_pct: float
    traffic_t_km_ha: Mapping[str, float]
    hours: float
    km: float
    road_km: float
    litres: float | None
    spread_ha: float
    overlap_ha: float
    baseline: bool = False
    recommended: bool = False
    non_dominated: bool = False
    not_spread_ha: float = 0.0
    efficiency: float = 0.0
    idle_share: float = 0.0
    notes: tuple[Note, ...] = ()


def in_order(alternatives: list[Alternative]) -> list[Alternative]:
    """Return alternatives as people read them: what is done now, what is advised, the others by hectares added."""
    return sorted(alternatives, key=lambda one: (not one.baseline, not one.recommended, one.deep_more_ha, one.hours))
