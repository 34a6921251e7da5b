"""The changes that help most: trials of single fields added up, ranked, and combined.

Ranked by expected hectares of lasting damage spared per hour that a change costs (or per amount of money, where prices
are known); an hour is added to each for the trouble of arranging it, so that a change that costs nothing and spares
nothing is not the best.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from trafficplan.decide.candidates import Candidate
from trafficplan.decide.trials import Trial
from trafficplan.farm.operation import Change, Scenario

#: Hours added to each change for arranging it (ours).
ARRANGE_H = 1.0
#: Real turns and trips take up to so many times as long as planned ones (memory: 10-40 % longer).
LONGER = 1.4
#: Changes that spare less than this [ha], and less than this share of the damage, are not worth telling (ours).
LEAST_HA, LEAST_PART = 0.01, 0.005
#: How many changes are proposed.
MOST = 3


@dataclass(frozen=True)
class Range:
    """A number with its range."""

    low: float
    middle: float
    high: float


@dataclass(frozen=True)
class Proposal:
    """A change for the whole farm, as tried.

    Attributes
    ----------
    scenario : to be run again
    spared_ha : expected hectares of lasting damage spared; the range by a soil half as strong again or weaker
    likely_spared_ha : hectares that are no longer likely (chance of at least 0.5)
    extra_hours : what it takes longer; negative: saved
    extra_km : driven
    cost : money, where prices or the user say, else None
    worth : what ranks it: spared hectares per hour, or per amount of money
    """

    kind: str
    about: str
    scenario: Scenario
    fields: tuple[str, ...]
    spared_ha: Range
    likely_spared_ha: float
    extra_hours: Range
    extra_km: float
    cost: Range | None
    worth: float


def ranked(
    tried: Sequence[Candidate], trials: Iterable[Trial], hour_price: float | None = None
) -> tuple[Proposal, ...]:
    """Return the proposals that spare lasting damage, the best first.

    Parameters
    ----------
    tried : the candidates
    trials : what they did, field by field
    hour_price : money per hour of an outfit with its driver, or None
    """
    by_scenario: dict[str, list[Trial]] = {}
    damage: dict[str, float] = {}
    for trial in trials:
        damage[trial.field] = trial.before.expected_ha[1]
        if not trial.refused:
            by_scenario.setdefault(trial.scenario, []).append(trial)
    families: dict[str, list[Candidate]] = {}
    for one in tried:
        families.setdefault(one.family if one.kind in BY_FIELD else one.scenario.key, []).append(one)
    proposals = [_proposal(family, by_scenario, hour_price) for family in families.values()]
    least = min(LEAST_HA, LEAST_PART * sum(damage.values()))
    good = [one for one in proposals if one is not None and one.spared_ha.middle > least]
    return tuple(sorted(good, key=lambda one: (-one.worth, one.scenario.key)))


#: Kinds of which every field takes its own best variant, and only where it helps.
BY_FIELD = ("gate", "lanes", "wait")


def _proposal(
    family: Sequence[Candidate], trials: Mapping[str, Sequence[Trial]], hour_price: float | None
) -> Proposal | None:
    """Return what a family of variants comes to over the farm; None where no trial helps."""
    pairs = [(one, trial) for one in family for trial in trials.get(one.scenario.key, ())]
    first = family[0]
    if first.kind in BY_FIELD:
        best: dict[str, tuple[Candidate, Trial]] = {}
        for one, trial in pairs:
            held = best.get(trial.field)
            if _spared(trial) > max(0.0, _spared(held[1]) if held else 0.0):
                best[trial.field] = (one, trial)
        pairs = list(best.values())
    if not pairs:
        return None
    scenario = first.scenario if len(family) == 1 and first.kind not in BY_FIELD else _joined(first, pairs)
    chosen = [trial for _, trial in pairs]
    hours = sum(one.after.hours - one.before.hours for one in chosen)
    hours += sum(2 * one.stop_min * sum(trial.stops.values()) for one, trial in pairs) / 60
    return _told(first, scenario, chosen, hours, hour_price, first.cost)


def _spared(trial: Trial) -> float:
    return trial.before.expected_ha[1] - trial.after.expected_ha[1]


def _joined(first: Candidate, pairs: Sequence[tuple[Candidate, Trial]]) -> Scenario:
    """Return one scenario of the best variant of each field."""
    changes: list[Change] = []
    for one, trial in pairs:
        mine = [replace(change, fields=(trial.field,)) for change in one.scenario.changes]
        changes += [change for change in mine if change not in changes]
    title = f"{first.about} waits for a fit day" if first.kind == "wait" else first.family.capitalize()
    fields = ", ".join(dict.fromkeys(trial.field for _, trial in pairs))
    return Scenario(first.family, f"{title}: {fields}", tuple(changes))


def _told(
    first: Candidate,
    scenario: Scenario,
    trials: Sequence[Trial],
    hours: float,
    hour_price: float | None,
    cost: float | None,
) -> Proposal:
    spared = [sum(one.before.expected_ha[i] - one.after.expected_ha[i] for one in trials) for i in range(3)]
    extra = Range(min(hours, hours * LONGER), hours, max(hours, hours * LONGER))
    money = None
    if hour_price is not None or cost is not None:
        price = hour_price or 0.0
        money = Range(*(each * price + (cost or 0.0) for each in (extra.low, extra.middle, extra.high)))
    pays = max(hours, 0.0) + ARRANGE_H
    if money is not None and hour_price:
        pays = max(money.middle, 0.0) + ARRANGE_H * hour_price
    return Proposal(
        first.kind,
        first.about,
        replace(scenario, key=safe_key(scenario.key)),
        tuple(sorted({one.field for one in trials})),
        Range(min(spared), spared[1], max(spared)),
        sum(one.before.likely_ha - one.after.likely_ha for one in trials),
        extra,
        sum(one.after.drive_km - one.before.drive_km for one in trials),
        money,
        spared[1] / pays,
    )


def safe_key(text: str) -> str:
    """Return a name that a scenario, and so a folder, can have.

    Examples
    --------
    >>> safe_key("gate North/2"), safe_key("base")
    ('gate North 2', 'base as changed')
    """
    plain = " ".join(re.sub(r'[/\\:*?"<>|\x00-\x1f]', " ", text).split()).strip(".")
    return f"{plain} as changed" if plain.lower() in ("base", "") else plain


def renamed(proposals: Sequence[Proposal], taken: Collection[str]) -> tuple[Proposal, ...]:
    """Return the proposals under names that no scenario of the farm has: those of an earlier audit may stand there."""
    return tuple(
        replace(one, scenario=replace(one.scenario, key=free_key(one.scenario.key, taken))) for one in proposals
    )


def free_key(key: str, taken: Collection[str]) -> str:
    """Return a name that is not taken.

    Examples
    --------
    >>> free_key("shared lanes", ["base"]), free_key("shared lanes", ["base", "Shared lanes"])
    ('shared lanes', 'shared lanes 2')
    """
    lower = {one.lower() for one in taken}
    numbered = (f"{key} {number}" for number in itertools.count(2))
    return key if key.lower() not in lower else next(one for one in numbered if one.lower() not in lower)


def best_three(proposals: Sequence[Proposal]) -> tuple[Proposal, ...]:
    """Return the first three that can be done together: of one kind and subject only the best."""
    chosen: list[Proposal] = []
    for one in proposals:
        if len(chosen) < MOST and not any(_instead(one, other) for other in chosen):
            chosen.append(one)
    return tuple(chosen)


def _instead(one: Proposal, other: Proposal) -> bool:
    """Tell whether two proposals stand for each other: the same kind for one subject, or tyres that no longer are."""
    if one.about == other.about and one.kind == other.kind:
        return True
    kinds = {one.kind, other.kind}
    return one.about == other.about and kinds == {"pressure", "outfit"}


def combined(chosen: Sequence[Proposal]) -> Scenario:
    """Return the scenario of several proposals together: other outfits first, for they drop loads and pressures."""
    ordered = sorted(chosen, key=lambda one: one.kind != "outfit")
    changes = tuple(change for one in ordered for change in one.scenario.changes)
    return Scenario("all three" if len(chosen) == MOST else "all of them", "All of these together", changes)


def combination(
    chosen: Sequence[Proposal], tried: Sequence[Candidate], trials: Sequence[Trial], hour_price: float | None
) -> Proposal:
    """Return what the proposals spare together, from the trials of their combined scenario."""
    scenario = combined(chosen)
    hours = sum(one.after.hours - one.before.hours for one in trials)
    stop_min = {one.about: one.stop_min for one in tried if one.kind == "pressure"}
    lowered = {one.about for one in chosen if one.kind == "pressure"}
    hours += sum(2 * stop_min[key] * n for one in trials for key, n in one.stops.items() if key in lowered) / 60
    bought = {each.scenario.key for each in chosen if each.kind == "outfit"}
    cost = [one.cost for one in tried if one.cost is not None and safe_key(one.scenario.key) in bought]
    first = Candidate("all", "all", "all", scenario, ())
    return _told(first, scenario, trials, hours, hour_price, sum(cost) if cost else None)
