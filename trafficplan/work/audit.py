"""The audit of farms: logs matched, every field computed and accounted for, changes tried, results written."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from trafficplan.chain import Plan
from trafficplan.decide.account import FieldAccount, Given, Together, account, try_together
from trafficplan.decide.audit_tables import rows_of
from trafficplan.decide.candidates import Candidate, NextFit, Swap, candidates
from trafficplan.decide.changes import Proposal, best_three, combination, combined, ranked, renamed
from trafficplan.decide.days import next_fit_day
from trafficplan.decide.farm_account import FarmAccount
from trafficplan.decide.loss import losses
from trafficplan.decide.trials import Trial
from trafficplan.errors import InputError, Problem
from trafficplan.farm import defaults
from trafficplan.farm.farm import Farm
from trafficplan.farm.operation import Operation
from trafficplan.farm.prices import Prices
from trafficplan.names import Note
from trafficplan.report.audit_earlier import compared
from trafficplan.report.audit_files import (
    AUDIT,
    SCENARIOS,
    result_of,
    scenarios_text,
    write_audit,
    write_map,
    write_tables,
)
from trafficplan.report.audit_page import write_audit_page
from trafficplan.report.picture import Picture
from trafficplan.report.run import RUN, run_record, write_json
from trafficplan.report.tables import write_zones
from trafficplan.report.vector import write_zones_map
from trafficplan.routes.copies import same_drive
from trafficplan.routes.matching import Matched, match
from trafficplan.routes.unlogged import Missing, same_time, with_unlogged
from trafficplan.work.field import Also
from trafficplan.work.hands import Hands, Lost
from trafficplan.work.part import part_of
from trafficplan.work.place import Place
from trafficplan.work.season import FieldsRun, compute_fields
from trafficplan.work.store import refusal

Told = Callable[[str, float], None]


@dataclass(frozen=True)
class Asked:
    """What is asked of an audit.

    Attributes
    ----------
    plan : cell and depths
    season : only operations of this year; None: all of operations.csv
    swaps : outfits offered in place of others
    prices : in place of the farm's own; None: the farm's own, if it has any
    """

    plan: Plan
    season: int | None = None
    swaps: tuple[Swap, ...] = ()
    prices: Prices | None = None


@dataclass(frozen=True)
class Driven:
    """A farm as it was driven: logs in place of plans, what nobody logged estimated."""

    farm: Farm
    matched: Matched
    missing: tuple[Missing, ...]
    estimated: tuple[str, ...]
    notes: tuple[Note, ...]


@dataclass(frozen=True)
class Audited:
    """The account of a farm, and each field's picture of the chance of lasting damage."""

    account: FarmAccount
    pictures: Mapping[str, Picture]


def as_driven(farm: Farm, season: int | None) -> Driven:
    """Return the farm of one season (None: of all its operations) as it was driven."""
    notes: list[Note] = []
    if season is not None:
        kept = tuple(one for one in farm.operations if one.day.year == season)
        if not kept:
            there = ", ".join(sorted({str(one.day.year) for one in farm.operations})) or "none"
            notes.append(Note("warned", f"season {season}: no operation", there, "years that operations.csv has"))
        farm = replace(farm, operations=kept, season=season)
    elif not farm.operations:
        notes.append(Note("warned", f"season {farm.season}: no operation", "none", "operations.csv has no row"))
    years = {one.day.year for one in farm.operations} | ({season} if season is not None else set())
    if len(years) > 1:
        value = f"operations of {' and '.join(map(str, sorted(years)))} counted together"
        notes.append(Note("assumed", f"season {farm.season}", value, "option --season YEAR takes one year alone"))
    matched = match(farm, years or {farm.season})
    driven, missing, more = with_unlogged(matched)
    notes += [*matched.notes, *more, *same_drive(farm, matched.outings), *same_time(farm.operations)]
    estimated = tuple(one.operation for one in missing if one.operation)
    told = tuple(dict.fromkeys(notes))
    used = {one.drive.removeprefix("track:") for one in driven.operations}
    logs = {key: log for key, log in driven.logs.items() if key in used}  # a day's whole log need not go to every field
    whole = replace(driven, logs=logs, notes=tuple(dict.fromkeys([*farm.notes, *told])))
    return Driven(whole, matched, missing, estimated, told)


def audit_farm(
    farm: Farm, asked: Asked, place: Place, at_work: Hands, told: Told = lambda _field, _share: None
) -> Audited:
    """Compute the account of one farm; the workers write the layers of its season to the place on the way.

    A field that cannot be computed is named in the account, and the others are done.

    Raises
    ------
    InputError
        No field can be computed, or an outfit that is offered is not in the farm.
    OutputError
        The place refuses.
    """
    driven = as_driven(farm, asked.season)
    whole = driven.farm
    _check_swaps(whole, asked.swaps)
    tried = candidates(whole, asked.swaps, _next_fit(whole))
    given = {key: _given(whole, key, tried, driven.estimated) for key in whole.fields}
    run = compute_fields(
        whole, list(whole.fields), ["base"], asked.plan, place, at_work, told, True, Also(account, given)
    )
    accounts = {
        key: one for key in sorted(run.done, key=_by_name) if isinstance(one := run.done[key].more, FieldAccount)
    }
    prices = asked.prices or whole.prices
    hour = prices.hour if prices else None
    trials = [trial for one in accounts.values() for trial in one.trials]
    proposals = ranked(tried, trials, hour)
    chosen = best_three(proposals)
    together = _together(whole, chosen, tried, accounts, asked.plan, at_work, hour)
    audits = tuple(one.audit for one in accounts.values())
    not_moved = _not_moved(whole, tried)
    notes = [*driven.notes, *_idle(whole, asked.swaps), *_unfit(whole, not_moved), *_refused(trials)]
    notes += _unpriced(whole, prices)
    told_of = FarmAccount(
        farm=whole,
        as_read=farm,
        season=str(asked.season or whole.season),
        cell_m=asked.plan.cell,
        fields=audits,
        summaries={one.field.key: one for one in run.summaries},
        failed=run.failed,
        matched=driven.matched,
        missing=driven.missing,
        proposals=renamed(proposals, farm.scenarios),
        chosen=renamed(chosen, farm.scenarios),
        together=renamed([together], farm.scenarios)[0] if together else None,
        prices=prices,
        losses=losses(whole, audits, prices) if prices else (),
        notes=tuple(dict.fromkeys([*notes, *(note for one in run.summaries for note in one.notes)])),
        not_moved=not_moved,
    )
    return Audited(told_of, {key: _lasting(run, key) for key in accounts})


def _by_name(key: str) -> list[tuple[int, int, str]]:
    """Return what sorts names as people do: Field 2 before Field 10.

    Examples
    --------
    >>> sorted(["F10", "F2", "A"], key=_by_name)
    ['A', 'F2', 'F10']
    """
    return [(0, int(part), "") if part.isdigit() else (1, 0, part.lower()) for part in re.split(r"(\d+)", key) if part]


def _lasting(run: FieldsRun, field: str) -> Picture:
    """Return the picture of the chance of lasting damage."""
    return next(one for one in run.done[field].pictures["base"] if one.layer == "lasting")


def _check_swaps(farm: Farm, swaps: Sequence[Swap]) -> None:
    problems = [
        Problem(
            "unknown outfit",
            "option --instead",
            name,
            f"one of {', '.join(sorted(farm.outfits))}",
            "put its file into outfits/, or correct the name",
        )
        for one in swaps
        for name in (one.outfit, one.instead)
        if name not in farm.outfits
    ]
    if problems:
        raise InputError(problems)


def _idle(farm: Farm, swaps: Sequence[Swap]) -> list[Note]:
    """Return a note of each outfit for which another is offered, but which did not drive."""
    used = {one.outfit for one in farm.operations}
    return [
        Note(
            "warned", f"{one.instead} in place of {one.outfit}", "not tried", f"{one.outfit} did not drive this season"
        )
        for one in swaps
        if one.outfit not in used
    ]


def _given(farm: Farm, field: str, tried: Sequence[Candidate], estimated: Sequence[str]) -> Given:
    mine = tuple(one for one in tried if field in one.fields)
    outfits = {change.outfit for one in mine for change in one.scenario.changes if change.outfit}
    here = {one.key for one in farm.operations if one.field == field}
    return Given(
        mine, tuple(key for key in estimated if key in here), {key: farm.outfits[key] for key in sorted(outfits)}
    )


def _next_fit(farm: Farm) -> NextFit | None:
    """Return what finds a fit day for an operation inside its own window; None without weather."""
    if farm.weather is None:
        return None
    limit = defaults.number("go_chance", farm.defaults)

    def found(operation: Operation) -> dt.date | None:
        return next_fit_day(farm, farm.fields[operation.field], operation, limit)

    return found


def _not_moved(farm: Farm, tried: Sequence[Candidate]) -> tuple[str, ...]:
    """Return the operations that could have waited, but for which no later day of their window is fit."""
    moved = {key for one in tried if one.kind == "wait" for change in one.scenario.changes for key in change.operations}
    free = (one.key for one in farm.operations if one.latest and not one.fixed_because and one.key not in moved)
    return tuple(free) if farm.weather is not None else ()


def _unfit(farm: Farm, free: Sequence[str]) -> list[Note]:
    """Return a note of operations that could have waited, but for which no day of their window is fit."""
    if not free:
        return []
    limit = defaults.number("go_chance", farm.defaults)
    value = ", ".join(free[:12]) + (f" and {len(free) - 12} more" if len(free) > 12 else "")
    why = f"from their day on no day of their own window has a chance of at most {limit:g}, or their own day has: not moved"
    return [Note("warned", "waiting for a fit day", value, why)]


def _unpriced(farm: Farm, prices: Prices | None) -> list[Note]:
    """Return a note of each price whose crop no field has: a name written otherwise prices nothing."""
    crops = sorted({one.crop for one in farm.fields.values()})
    there = ", ".join(one or "no crop named" for one in crops)
    known = {one.strip().lower() for one in crops}
    return [
        Note("warned", f"price of {crop}", "not used", f"no field of this farm has that crop; it has: {there}")
        for crop in sorted(prices.crops if prices else ())
        if crop not in known
    ]


def _together(
    farm: Farm,
    chosen: Sequence[Proposal],
    tried: Sequence[Candidate],
    accounts: Mapping[str, FieldAccount],
    plan: Plan,
    at_work: Hands,
    hour: float | None,
) -> Proposal | None:
    """Return what the chosen changes spare together: the fields that they touch are run again with all of them."""
    if len(chosen) < 2:
        return None
    scenario = combined(chosen)
    fields = sorted({field for one in chosen for field in one.fields} & set(accounts))
    laid = replace(farm, scenarios={**farm.scenarios, scenario.key: scenario})
    tasks = [Together(part_of(laid, key, [scenario.key]), key, plan, scenario, accounts[key].before) for key in fields]
    trials: list[Trial] = [
        answer
        for _, answer in at_work.each(try_together, tasks)
        if not isinstance(answer, Lost) and answer is not None and not answer.refused
    ]
    trials.sort(key=lambda one: one.field)
    return combination(chosen, tried, trials, hour)


def _refused(trials: Sequence[Trial]) -> list[Note]:
    return [
        Note("warned", f"change {one.scenario} in {one.field}: cannot be driven", "left out", one.refused)
        for one in trials
        if one.refused
    ]


def write_farm(
    audited: Audited, place: Place, out: str, earlier: Mapping[str, Any] | None = None, asked: bool = False
) -> tuple[dict[str, Any], FarmAccount]:
    """Write tables, map, scenarios, page, audit.json and run.json of a farm; return its answer and what was told.

    Parameters
    ----------
    out : where the result will stand, for the answer
    earlier : this farm's audit.json of an earlier result; None: there is none
    asked : a comparison with an earlier result was asked for

    Raises
    ------
    OutputError
        The place refuses.
    """
    told, folder = audited.account, place.folder
    tables = rows_of(told)
    before = None
    if asked:
        before, notes = compared(tables["fields"], earlier, told.season, told.cell_m)
        told = replace(told, notes=(*told.notes, *notes))
    summaries = [told.summaries[one.field] for one in told.fields]
    try:
        write_tables(folder / "tables", tables)
        write_map(folder / "audit.gpkg", told, tables)
        zones = [row for one in summaries for row in one.rows]
        write_zones(folder / "zones.csv", zones)
        shaped = [(row, one.zone_shapes[str(row["zone"])]) for one in summaries for row in one.rows]
        write_zones_map(folder / "zones.gpkg", shaped, told.farm.crs)
        (folder / SCENARIOS).write_text(scenarios_text(told), encoding="utf-8", newline="\n")
        write_audit_page(folder / "report.html", told, audited.pictures, before)
        result = result_of(told, tables, out, before)
        write_audit(folder / AUDIT, result)
        write_json(folder / RUN, run_record(told.farm, _parameters(told), _with_failed(told)))
    except OSError as error:
        raise refusal(place.store, "writing tables and report", error) from error
    return result, told


def _parameters(told: FarmAccount) -> dict[str, object]:
    return {
        "command": "audit",
        "season": told.season,
        "cell_m": told.cell_m,
        "fields": [one.field for one in told.fields],
        "scenarios": ["base"],
    }


def _with_failed(told: FarmAccount) -> list[Note]:
    failed = [
        Note("warned", f"field {key}: not computed", problem.what, f"{problem.where}: {problem.found}", problem.mend)
        for key, problems in told.failed.items()
        for problem in problems
    ]
    return [*told.notes, *failed]
