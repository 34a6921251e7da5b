"""What is done with each field where it is computed: its account, and every candidate change tried on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from trafficplan.chain import Drives, FieldResult, Plan, prepare
from trafficplan.decide.alone import as_it_was, bench_of
from trafficplan.decide.audit import FieldAudit, audit_field
from trafficplan.decide.candidates import Candidate
from trafficplan.decide.trials import Measure, Trial, measure, try_scenario
from trafficplan.farm.farm import Farm
from trafficplan.farm.operation import Scenario
from trafficplan.machines.outfit import Outfit


@dataclass(frozen=True)
class Given:
    """What is tried on a field.

    Attributes
    ----------
    candidates : those that touch the field
    estimated : operations that were added for trips which nobody logged
    outfits : the outfits that candidates name, by key
    """

    candidates: tuple[Candidate, ...] = ()
    estimated: tuple[str, ...] = ()
    outfits: Mapping[str, Outfit] = field(default_factory=dict)


@dataclass(frozen=True)
class FieldAccount:
    """A field's account, the season as it was in numbers, and what the candidates did."""

    audit: FieldAudit
    before: Measure
    trials: tuple[Trial, ...]


def account(farm: Farm, result: FieldResult, plan: Plan, known: Drives, given: object) -> FieldAccount:
    """Return the account of the field that a result is of.

    Parameters
    ----------
    farm : cut to the field
    given : a Given; nothing is tried without one
    """
    asked = given if isinstance(given, Given) else Given()
    whole = replace(farm, outfits={**asked.outfits, **farm.outfits})
    bench = bench_of(whole, result.laid, known)
    before = measure(bench, as_it_was(bench))
    trials = (try_scenario(bench, one.scenario, plan, before) for one in asked.candidates)
    audit = audit_field(bench, result, asked.estimated)
    return FieldAccount(audit, before, tuple(one for one in trials if one is not None))


@dataclass(frozen=True)
class Together:
    """A scenario to be tried on one field (the farm is cut to it), and the field as it was."""

    farm: Farm
    field: str
    plan: Plan
    scenario: Scenario
    before: Measure


def try_together(task: Together) -> Trial | None:
    """Return what a scenario does in a field; None where it changes nothing there."""
    known: Drives = {}
    place = task.farm.fields[task.field]
    bench = bench_of(task.farm, prepare(task.farm, task.farm.scenarios["base"], place, task.plan, known), known)
    return try_scenario(bench, task.scenario, task.plan, task.before)
