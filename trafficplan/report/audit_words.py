"""The answer of an audit in plain words: five sentences, and what each change means."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from trafficplan.decide.changes import Proposal, Range
from trafficplan.decide.farm_account import FarmAccount, Whole, days_of, deepest_of, groups_of, whole_of
from trafficplan.decide.loss import summed
from trafficplan.farm.farm import Farm
from trafficplan.farm.operation import Change
from trafficplan.report.answer import FULL_SCALE_SHARE, add_up, number_of
from trafficplan.report.words import figure, say, say_day, unit_of
from trafficplan.units import BAR, pressure_text

#: Days and operations named in a sentence at most.
NAMED = 3
#: Two seasons that differ by less are told as alike [ha].
SAME_HA = 0.005


@dataclass(frozen=True)
class AuditAnswer:
    """What the first page says: a headline, five sentences, and whether the scale is full."""

    headline: str
    sentences: tuple[str, ...]
    full_scale: bool


def answer_of(account: FarmAccount) -> AuditAnswer:
    """Return what the first page says of an account."""
    whole = whole_of(account.fields)
    units = account.farm.units
    if not account.jobs:
        return AuditAnswer(
            f"Nothing drove in season {account.season}", ("There is no operation in this season.",), False
        )
    totals = add_up([account.summaries[one.field] for one in account.fields])
    full = totals.wheeled_ha > 0 and totals.far_over_ha >= FULL_SCALE_SHARE * totals.wheeled_ha
    lasting, area = say("area", whole.expected_ha, units), say("area", whole.area_ha, units)
    headline = (
        f"Lasting damage expected on {lasting} of {area}"
        if whole.expected_ha
        else f"No lasting damage expected on {area}"
    )
    sentences = [
        _wheeled(account, whole, full),
        _days(account, units),
        _deepest(account, units),
        _mended(whole, units),
        _changes(account, whole),
    ]
    return AuditAnswer(headline, tuple(sentence for sentence in sentences if sentence), full)


def answer_lines(account: FarmAccount, earlier: Mapping[str, object] | None = None) -> tuple[str, ...]:
    """Return the answer of an account as lines of text: headline, sentences, changes, an earlier year, and what failed."""
    said = answer_of(account)
    changes = (
        f"  {rank}. {one.scenario.title}: {say_range('area', one.spared_ha.low, one.spared_ha.high, account.farm.units)} spared, "
        f"{cost_words(one, account)}"
        for rank, one in enumerate(account.chosen, 1)
    )
    failed = (f"  not computed: {key}: {problems[0].sentence()}" for key, problems in sorted(account.failed.items()))
    head = f"{account.farm.title}, season {account.season}: {said.headline}"
    beside = [
        *(beside_changes(account) if account.jobs else ()),
        *([earlier_words(account, earlier)] if earlier else []),
    ]
    return head, *(f"  {sentence}" for sentence in said.sentences), *changes, *(f"  {one}" for one in beside), *failed


def earlier_words(account: FarmAccount, earlier: Mapping[str, object]) -> str:
    """Return the comparison with an earlier audit (`audit_earlier.compared`) in a sentence."""
    units, rows = account.farm.units, earlier["rows"]
    assert isinstance(rows, list)
    now, then = (sum(number_of(row, f"{before}lasting_expected_ha") for row in rows) for before in ("", "earlier_"))
    fields = "the one field" if len(rows) == 1 else f"the {len(rows)} fields"
    apart = say("area", abs(now - then), units)
    told = "as much" if abs(now - then) < SAME_HA else f"{apart} less" if now < then else f"{apart} more"
    return (
        f"Against {earlier['season']}: on {fields} of both, {told} lasting damage is expected ({say('area', now, units)} against "
        f"{say('area', then, units)}). Weather, crops and the order of jobs differ: a difference is not the merit of one change."
    )


def say_range(quantity: str, low: float, high: float, units: str) -> str:
    """Return a range as people read it; one number where both ends read alike.

    Examples
    --------
    >>> say_range("area", 1.23, 4.56, "metric"), say_range("time", 2.0, 2.01, "metric")
    ('1.2 to 4.6 ha', '2.0 h')
    """
    first, last = figure(quantity, low, units), figure(quantity, high, units)
    if first == last:
        return say(quantity, high, units)
    return f"{first} to {last} {unit_of(quantity, units)}".rstrip()


def _wheeled(account: FarmAccount, whole: Whole, full: bool) -> str:
    units = account.farm.units
    told = account.concentrated
    start = (
        f"Wheels touched {say('area', whole.wheeled_ha, units)} ({say('share', whole.wheeled_pct, units)}) at least once, and on "
        f"{say_range('area', whole.stronger_ha, whole.weaker_ha, units)} the pressure probably went below the plough, for a soil "
        "stronger or weaker by half"
    )
    if whole.expected_ha > 0:
        start += (
            f"; headlands and gateways, {say('share', 100 * told.edge_area_share, units)} of the ground, carry "
            f"{say('share', 100 * told.edge_share, units)} of this damage"
        )
    if full:
        start += "; the scale is full there, so go by the depth reached and by what the changes spare"
    return f"{start}.{_unlogged(account)}"


def _unlogged(account: FarmAccount) -> str:
    """Return what left the fields on vehicles that nobody logged: it is not in the figures, or estimated."""
    lost = sum(one.mass_kg for one in account.missing if not one.operation) / 1e3
    guessed = sum(one.mass_kg for one in account.missing if one.operation) / 1e3
    told = f" Not in these figures: {lost:,.0f} t left the fields on trailers that are in no log." if lost else ""
    return told + (f" The trips for {guessed:,.0f} t that nobody logged are estimated." if guessed else "")


def _days(account: FarmAccount, units: str) -> str:
    days = [one for one in days_of(account) if one.expected_ha > 0][:NAMED]
    if not days:
        return ""
    told = [f"{say_day(one.day)} ({', '.join(one.jobs[:2])}: {say('area', one.expected_ha, units)})" for one in days]
    if len(days) == 1:
        return f"It was done on {told[0]}: that much would be gone without that day."
    every = sum(one.expected_ha for one in days)  # what days share between them comes on top
    return (
        f"The days that did most were {_listed(told)}: without them at least {say('area', every, units)} would be gone."
    )


def _deepest(account: FarmAccount, units: str) -> str:
    one = deepest_of(account)
    if one is None or one.reach is None:
        return ""
    reach = one.reach
    mass = say("mass", reach.wheel_kg, units)
    depth = say_range("depth", reach.depth_m, reach.upper_m, units)
    outfit = account.farm.outfits[one.outfit]
    return (
        f"Deepest reached a wheel of the {reach.axle.replace('_', ' ')} axle, {outfit.title or one.outfit}, on {say_day(one.day)} in "
        f"{one.field} ({one.job}): {mass} on it at {_pressure(reach.pressure_pa, units)} pressed with "
        f"more than {say('stress', 50, units)} as deep as {depth}."
    )


def _pressure(pascal: float, units: str) -> str:
    return pressure_text(pascal) if units == "metric" else say("pressure", pascal / BAR, units)


def _mended(whole: Whole, units: str) -> str:
    topsoil = say("area", whole.over_topsoil_ha, units)
    if whole.over_topsoil_ha <= 0:
        start = "The tilled layer was nowhere pressed beyond its strength"
    elif whole.mended_ha <= 0:
        start = f"On {topsoil} the layer above tillage depth was pressed beyond its strength, and no tillage of this season came after"
    else:
        start = (
            f"On {topsoil} the layer above tillage depth was pressed beyond its strength; later tillage mended "
            f"{say('area', whole.mended_ha, units)} of that"
        )
    if whole.likely_ha <= 0:
        return f"{start}."
    return (
        f"{start}. Below it, of {say('area', whole.likely_ha, units)} where damage is likely, a deep loosener would reach "
        f"{say('area', whole.loosened_ha, units)}; on {say('area', whole.beyond_ha, units)} it goes deeper, and nothing mends it."
    )


def _changes(account: FarmAccount, whole: Whole) -> str:
    if not account.chosen:
        return "None of the changes that were tried spares lasting damage worth telling."
    best = account.together or account.chosen[0]
    number = {1: "The one change", 2: "Two changes together", 3: "Three changes together"}[len(account.chosen)]
    spared = say_range("area", best.spared_ha.low, best.spared_ha.high, account.farm.units)
    part = say("share", 100 * best.spared_ha.middle / whole.expected_ha, "metric") if whole.expected_ha else "0 %"
    verb = "takes" if len(account.chosen) == 1 else "take"
    return (
        f"{number} would spare {spared}, {part} of the damage expected, and {verb} {cost_words(best, account)}: the season was run "
        "again with each."
    )


def beside_changes(account: FarmAccount) -> tuple[str, ...]:
    """Return what is to be known beside the changes: whose the rest is, why nothing waits, what lanes ask of people."""
    return tuple(one for one in (_culprit(account), _waiting(account), _lanes(account)) if one)


def _culprit(account: FarmAccount) -> str:
    """Return the outfit without which most would be gone, and the most that a change of it spares."""
    units, whole = account.farm.units, whole_of(account.fields)
    outfits = [one for one in groups_of(account) if one.kind == "outfit"]
    if len(outfits) < 2 or outfits[0].expected_ha <= 0:
        return ""  # of one outfit the headline says it all
    group = outfits[0]
    jobs = list(dict.fromkeys(one.job for one in account.jobs if one.outfit == group.name))
    about = [
        one
        for one in account.proposals
        if one.kind in ("pressure", "loads", "outfit", "wait") and one.about in (group.name, *jobs)
    ]
    best = max(about, key=lambda one: one.spared_ha.middle, default=None)
    spares = (
        f"The most that a change of it spares is {say('area', best.spared_ha.middle, units)} ({best.scenario.title})."
        if best
        else "No change of it that was tried spares anything worth telling."
    )
    offered = any(one.kind == "outfit" and one.about == group.name for one in account.proposals)
    more = "" if offered else " Other tyres or another outfit in its place can be tried with --instead."
    return (
        f"What did most: {account.farm.outfits[group.name].title or group.name} ({_listed(jobs[:NAMED])}). Without it "
        f"{say('area', group.expected_ha, units)} of {say('area', whole.expected_ha, units)} would be gone. {spares}{more}"
    )


def _waiting(account: FarmAccount) -> str:
    held = account.not_moved
    if not held:
        return ""
    named = ", ".join(held[:NAMED]) + (f" and {len(held) - NAMED} more" if len(held) > NAMED else "")
    what = "1 operation has" if len(held) == 1 else f"{len(held)} operations have"
    return (
        f"Waiting: {what} days to choose from ({named}), but by the soil water no later day of them was fit, or their own was. They "
        "were not moved."
    )


def _lanes(account: FarmAccount) -> str:
    if not any(one.kind == "lanes" for one in account.chosen):
        return ""
    return "Shared lanes: only where the machines of a field steer by one set of lines; the time of turning is that of the plan."


def cost_words(one: Proposal, account: FarmAccount) -> str:
    """Return what a change takes: time, and money where prices are known or a cost was given."""
    told = [_time_words(one.extra_hours, account.farm.units)]
    if one.cost is not None:
        told.append(_money_words(one.cost, account.prices.currency if account.prices else ""))
    return " and ".join(told)


def _time_words(hours: Range, units: str) -> str:
    if abs(hours.middle) < 0.05:
        return "no extra time"
    if hours.middle < 0:
        return f"{say_range('time', -hours.high, -hours.low, units)} less"
    return f"{say_range('time', hours.low, hours.high, units)} more"


def _money_words(cost: Range, currency: str) -> str:
    if max(abs(cost.high), abs(cost.low)) < 1:
        return "no money"
    if cost.middle < 0:
        return f"{money(-cost.high, -cost.low, currency)} less"
    return money(cost.low, cost.high, currency)


def money(low: float, high: float, currency: str) -> str:
    """Return a range of money, two digits of it.

    Examples
    --------
    >>> money(123.0, 4567.0, "EUR"), money(-5.0, 100.0, "EUR")
    ('EUR 120 to 4,600', 'EUR -5 to 100')
    """
    first, last = (float(f"{one:.2g}") for one in (low, high))
    text = f"{first:,.0f}" if first == last else f"{first:,.0f} to {last:,.0f}"
    return f"{currency} {text}" if currency else f"{text} of your money"


def loss_words(account: FarmAccount) -> str:
    """Return what the lasting damage may cost, as ranges of the literature; "" unless prices are known."""
    if account.prices is None or not account.losses:
        return ""
    told = summed(account.losses)
    if told["first"][1] <= 0:
        return ""
    currency = account.prices.currency
    lacking = [one.crop or "no crop named" for one in account.losses if one.first_money is None]
    more = f" Without a price, and not in it: {', '.join(lacking)}." if lacking else ""
    return (
        f"By published ranges the lasting damage may cost {money(*told['first'], currency)} in the first crop after it, and "
        f"{money(*told['lasting'], currency)} in each year while it lasts. Weather decides more in any one year.{more}"
    )


def change_lines(one: Proposal, farm: Farm) -> list[str]:
    """Return what a proposal changes, one line per change, as people would tell it; fields with one change share a line."""
    fields: dict[tuple[str, str], list[str]] = {}
    for change in one.scenario.changes:
        fields.setdefault((_whose(change, farm), _what(change, farm)), []).extend(change.fields)
    return [
        f"{whose}{f' in {_listed(list(dict.fromkeys(places)))}' if places else ''}: {what}"
        for (whose, what), places in fields.items()
    ]


def _what(change: Change, farm: Farm) -> str:
    parts = []
    if change.outfit is not None:
        parts.append(f"with {farm.outfits[change.outfit].title or change.outfit}")
    if change.load_factor is not None:
        parts.append(f"filled to {100 * change.load_factor:.0f} %")
    if change.load_kg is not None:
        parts.append(f"loaded with {say('mass', change.load_kg, farm.units)}")
    if change.pressures_pa:
        parts.append(
            ", ".join(
                f"{'all axles' if axle == '*' else axle.replace('_', ' ')} {_pressure(pascal, farm.units)}"
                for axle, pascal in change.pressures_pa.items()
            )
        )
    if change.day is not None:
        parts.append(f"on {say_day(change.day)}")
    if change.gateway is not None:
        parts.append(f"by {change.gateway}")
    if change.drive is not None:
        parts.append(f"along the {change.drive}")
    if change.width_m is not None:
        parts.append(f"{say('length', change.width_m, farm.units)} wide")
    if change.heading_deg is not None:
        parts.append(f"heading {change.heading_deg:.0f} degrees")
    return ", ".join(parts)


def _whose(change: Change, farm: Farm) -> str:
    chosen = [one for one in farm.operations if one.key in change.operations]
    jobs = change.jobs or tuple(dict.fromkeys(one.job for one in chosen))
    if jobs:
        return _listed(list(jobs))
    return _listed([farm.outfits[key].title or key for key in change.outfits]) or "every outfit"


def _listed(words: Sequence[str]) -> str:
    """Return words as people list them.

    Examples
    --------
    >>> _listed(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)
