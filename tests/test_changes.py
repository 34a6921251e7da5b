"""Candidate changes: what is tried, what it spares as if the season were run again, and how they are ranked."""

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from shapely import LineString, box
from spoiled_farms import EAST, NORTH, write_good

from trafficplan.chain import Plan, prepare, run_field
from trafficplan.decide.alone import Bench, bench_of
from trafficplan.decide.candidates import Candidate, Swap, candidates, lowest_pressures, tramline_spacing
from trafficplan.decide.changes import best_three, combination, combined, ranked, safe_key
from trafficplan.decide.trials import Measure, Trial, try_scenario
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field, Gateway, SoilPatch
from trafficplan.farm.operation import Change, Log, Moisture, Operation, Scenario
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.write_scenario import scenario_toml
from trafficplan.machines.outfit import Outfit

PLAN = Plan(cell=1.0)
SMEARS = Moisture(5e3, 5e3, "smears")


def job(key: str, day: int, field: str = "Park", **more) -> Operation:
    outfit = more.pop("outfit", "spreader")
    return Operation(key, 2, dt.date(2026, 4, day), None, field, more.pop("job", key), outfit, **more)


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Farm:
    """One field of 60 m with two gates and three tramlines; a spreader, and the same on wider tyres."""
    farm = read_farm(write_good(tmp_path_factory.mktemp("changes") / "farm"))
    gates = (Gateway("south", "Park", EAST + 30, NORTH, 6.0), Gateway("north", "Park", EAST + 5, NORTH + 60, 6.0))
    lines = tuple(LineString([(EAST + x, NORTH), (EAST + x, NORTH + 60)]) for x in (6, 18, 30, 42, 54))
    field = Field("Park", box(EAST, NORTH, EAST + 60, NORTH + 60), "wheat", 0.2, 6.0, gates, lines)
    soil = (SoilPatch(sorted(farm.soil_units)[0], box(EAST - 99, NORTH - 99, EAST + 199, NORTH + 199)),)
    jobs = (
        job(
            "slurry",
            3,
            moisture=SMEARS,
            rate_kg_m2=3.0,
            change="empties",
            load_kg=6e3,
            gateway="south",
            latest=dt.date(2026, 4, 20),
        ),
        job("lime", 6, rate_kg_m2=1.0, change="empties", load_kg=5e3, gateway="south", width_m=10.0),
    )
    outfits = {**farm.outfits, "wide": wider(farm.outfits["spreader"])}
    return replace(farm, fields={"Park": field}, soil_map=soil, operations=jobs, logs={}, outfits=outfits)


def wider(outfit: Outfit) -> Outfit:
    """Return the outfit on tyres half as wide again at half the pressure."""
    vehicles = []
    for vehicle in outfit.vehicles:
        axles = []
        for axle in vehicle.axles:
            wheels = tuple(replace(w, tyre=replace(w.tyre, width_m=1.5 * w.tyre.width_m)) for w in axle.wheels)
            axles.append(replace(axle, wheels=wheels, field_pa=0.5 * axle.field_pa))
        vehicles.append(replace(vehicle, axles=tuple(axles)))
    return replace(outfit, key="wide", title="On wide tyres", vehicles=tuple(vehicles))


def at_pressure(outfit: Outfit, pressure_pa: float) -> Outfit:
    vehicles = [replace(v, axles=tuple(replace(a, field_pa=pressure_pa) for a in v.axles)) for v in outfit.vehicles]
    return replace(outfit, vehicles=tuple(vehicles))


@pytest.fixture(scope="module")
def bench(farm: Farm) -> Bench:
    known = {}
    return bench_of(farm, prepare(farm, farm.scenarios["base"], farm.fields["Park"], PLAN, known), known)


@pytest.fixture(scope="module")
def tried(farm: Farm, bench: Bench) -> tuple[tuple[Candidate, ...], list[Trial]]:
    def next_fit(one: Operation):
        return dt.date(2026, 4, 15) if one.key == "slurry" else None

    found = candidates(farm, (Swap("spreader", "wide", 9000.0),), next_fit)
    return found, [trial for one in found if (trial := try_scenario(bench, one.scenario, PLAN))]


def test_every_kind_is_tried(tried) -> None:
    found, _ = tried
    assert {one.kind for one in found} == {"pressure", "loads", "gate", "lanes", "wait", "outfit"}
    assert len({one.scenario.key for one in found}) == len(found)


def test_a_trial_is_the_season_run_again(farm: Farm, tried) -> None:
    """Hectares of every candidate are those of a fresh run of its scenario."""
    found, trials = tried
    by_key = {one.scenario.key: one.scenario for one in found}
    assert len(trials) >= 6
    for trial in trials:
        fresh = run_field(farm, by_key[trial.scenario], farm.fields["Park"], PLAN)
        assert trial.after.likely_ha == pytest.approx(fresh.summary.lasting_ha, abs=1e-9)
        assert trial.after.hours == pytest.approx(sum(part.hours for part in fresh.summary.parts))
        assert trial.after.drive_km == pytest.approx(sum(part.drive_km for part in fresh.summary.parts))


def test_wide_tyres_and_dry_days_spare_damage(tried) -> None:
    found, trials = tried
    kinds = {one.scenario.key: one.kind for one in found}
    spared = {kinds[one.scenario]: one.before.expected_ha[1] - one.after.expected_ha[1] for one in trials}
    assert spared["outfit"] > 0 and spared["wait"] > 0


def test_a_booked_day_is_never_moved(farm: Farm) -> None:
    booked = tuple(replace(one, fixed_because="contractor booked") for one in farm.operations)
    asked: list[str] = []

    def next_fit(one: Operation):
        asked.append(one.key)
        return dt.date(2026, 4, 15)

    assert not [one for one in candidates(replace(farm, operations=booked), (), next_fit) if one.kind == "wait"]
    assert asked == []
    free = [one for one in candidates(farm, (), next_fit) if one.kind == "wait"]
    assert [one.about for one in free] == ["slurry"] and asked == ["slurry"]  # lime has no window


def test_pressures_only_from_tables_and_never_below_them(farm: Farm) -> None:
    """Published with the farm: 710/70R42 carries 5,000 kg at 40 km/h with 1.6 bar, at 10 km/h with 1.0 bar."""
    assert not [one for one in candidates(replace(farm, tyre_tables={})) if one.kind == "pressure"]
    lowest = lowest_pressures(farm, "spreader")
    assert lowest == {"trailer": 1.0e5}  # 4.4 t a wheel; the tractor's tyres have no table
    (one,) = [one for one in candidates(farm) if one.kind == "pressure"]
    assert one.scenario.changes[0].pressures_pa == lowest
    assert one.stop_min == 0.0  # it was let down from 2.0 to 1.4 bar before, too
    hard = {**farm.outfits, "spreader": at_pressure(farm.outfits["spreader"], 2.0e5)}
    (one,) = [one for one in candidates(replace(farm, outfits=hard)) if one.kind == "pressure"]
    assert one.stop_min == 6.0  # the outfit's own minutes


def test_recorded_drives_keep_gate_and_lanes(farm: Farm) -> None:
    recorded = tuple(replace(one, drive="track:a.csv") for one in farm.operations)
    kinds = {one.kind for one in candidates(replace(farm, operations=recorded))}
    assert kinds <= {"pressure", "loads"}


def test_tramlines_are_told_by_their_spacing(farm: Farm) -> None:
    assert tramline_spacing(farm.fields["Park"]) == pytest.approx(12.0)
    assert tramline_spacing(replace(farm.fields["Park"], tramlines=())) is None
    (one,) = [one for one in candidates(farm) if one.scenario.key == "lanes Park tramlines"]
    assert one.scenario.changes == (Change(operations=("slurry", "lime"), drive="tramlines", width_m=12.0),)


def test_a_trailer_beside_a_harvester_takes_only_lanes_into_which_its_bouts_go(farm: Farm) -> None:
    """Lanes of 12 m: beside a cutter of 6 m the trailer can run on them, beside one of 9 m it cannot be reached."""
    field = farm.fields["Park"]
    chase = job("chase", 9, outfit="wide", change="fills", rate_kg_m2=1.0, width_m=12.0)

    def lanes(cut_m: float) -> set[str]:
        cut = job("cut", 9, change="constant", width_m=cut_m)
        there = replace(farm, fields={"Park": field}, operations=(cut, chase))
        found = [one for one in candidates(there) if one.scenario.key == "lanes Park tramlines"]
        return {key for one in found for change in one.scenario.changes for key in change.operations}

    assert "chase" in lanes(6.0) and "chase" not in lanes(9.0)


def measured(expected: float, hours: float = 0.0) -> Measure:
    return Measure(expected, (1.2 * expected, expected, 0.7 * expected), hours, 0.0)


def made(kind: str, about: str, key: str, saved: float, hours: float, field: str = "Park"):
    scenario = Scenario(key, key, (Change(fields=(field,), load_factor=0.5),))
    family = "other gates" if kind == "gate" else f"{kind} {about}"
    return Candidate(kind, family, about, scenario, (field,)), Trial(
        key, field, measured(2.0), measured(2.0 - saved, hours)
    )


def test_ranked_by_hectares_per_hour_with_an_hour_for_arranging() -> None:
    """By hand: 1 ha for 3 + 1 h = 0.25; 0.4 ha for 0 + 1 h = 0.4; 0.6 ha for 1 + 1 h = 0.3; 0.001 ha is not told."""
    pairs = [
        made("loads", "tanker", "a", 1.0, 3.0),
        made("pressure", "tanker", "b", 0.4, 0.0),
        made("loads", "spreader", "c", 0.6, 1.0),
        made("pressure", "drill", "d", 0.001, 0.0),
        made("wait", "dung", "e", -0.5, 0.0),
    ]
    told = ranked([one for one, _ in pairs], [trial for _, trial in pairs])
    assert [(one.scenario.key, round(one.worth, 3)) for one in told][:3] == [("b", 0.4), ("c", 0.3), ("a", 0.25)]
    assert len(told) == 3
    spared = told[0].spared_ha
    assert (spared.low, spared.middle, spared.high) == pytest.approx((0.28, 0.4, 0.48))
    assert (told[2].extra_hours.low, told[2].extra_hours.high) == pytest.approx((3.0, 4.2))


def test_money_ranks_where_prices_are_known() -> None:
    pairs = [made("loads", "tanker", "a", 1.0, 3.0), made("outfit", "tanker", "b", 1.0, 0.0)]
    costly = replace(pairs[1][0], cost=9000.0)
    told = ranked([pairs[0][0], costly], [trial for _, trial in pairs], hour_price=50.0)
    assert [one.scenario.key for one in told] == ["a", "b"]
    assert told[0].cost is not None and told[0].cost.middle == pytest.approx(150.0)
    assert told[1].cost is not None and told[1].cost.middle == pytest.approx(9000.0)


def test_each_field_takes_its_own_best_gate() -> None:
    pairs = [
        made("gate", "Park", "gate a", 0.2, 0.1),
        made("gate", "Park", "gate b", 0.3, 0.1),
        made("gate", "Lea", "gate c", 0.4, 0.1, "Lea"),
        made("gate", "Ham", "gate d", -0.4, 0.1, "Ham"),
    ]
    (told,) = ranked([one for one, _ in pairs], [trial for _, trial in pairs])
    assert told.spared_ha.middle == pytest.approx(0.7) and told.fields == ("Lea", "Park")
    assert {change.fields for change in told.scenario.changes} == {("Park",), ("Lea",)}


def test_the_first_three_do_not_stand_for_each_other() -> None:
    pairs = [
        made("loads", "tanker", "a", 1.0, 0.0),
        made("loads", "tanker", "b", 0.9, 0.0),
        made("outfit", "tanker", "c", 0.8, 0.0),
        made("pressure", "tanker", "d", 0.7, 0.0),
        made("pressure", "drill", "e", 0.6, 0.0),
    ]
    told = [replace(one, family=one.scenario.key) for one, _ in pairs]
    chosen = best_three(ranked(told, [trial for _, trial in pairs]))
    assert [one.scenario.key for one in chosen] == ["a", "c", "e"]
    assert combined(chosen).changes[0] == told[2].scenario.changes[0]  # other outfits first


def test_together_only_what_is_chosen_is_bought_and_each_outfit_stops_for_itself() -> None:
    """By hand: 9,000 of two offers for one tanker; 2 x 6 min x 5 ways of the tanker's hoses, the drill's take no time."""
    pairs = [
        made("outfit", "digger", "wide", 1.0, 0.0),
        made("outfit", "digger", "duals", 0.9, 0.0),
        made("pressure", "tanker", "low tanker", 0.8, 0.0),
        made("pressure", "drill", "low drill", 0.7, 0.0),
    ]
    costs, stops = (9000.0, 5000.0, None, None), (0.0, 0.0, 6.0, 0.0)
    tried = [replace(one, cost=cost, stop_min=stop) for (one, _), cost, stop in zip(pairs, costs, stops, strict=True)]
    chosen = best_three(ranked(tried, [trial for _, trial in pairs]))
    assert [one.scenario.key for one in chosen] == ["wide", "low tanker", "low drill"]
    trial = Trial("all three", "Park", measured(2.0), measured(1.0), {"tanker": 5, "drill": 100})
    whole = combination(chosen, tried, [trial], None)
    assert whole.cost is not None and (whole.cost.low, whole.cost.high) == (9000.0, 9000.0)
    assert whole.extra_hours.middle == pytest.approx(1.0)


def test_three_and_their_combination_are_scenarios_that_give_the_same_hectares_again(
    farm: Farm, bench: Bench, tried, tmp_path: Path
) -> None:
    found, trials = tried
    chosen = best_three(ranked(found, trials))
    assert len(chosen) == 3
    together = combined(chosen)
    trial = try_scenario(bench, together, PLAN)
    assert trial is not None
    whole = combination(chosen, found, [trial], None)
    assert whole.spared_ha.middle >= max(one.spared_ha.middle for one in chosen) - 0.05
    for proposal in (*chosen, whole):
        text = scenario_toml(proposal.scenario, farm)
        assert text.startswith("[") and "[[" in text
        fresh = run_field(farm, proposal.scenario, farm.fields["Park"], PLAN)
        before = run_field(farm, farm.scenarios["base"], farm.fields["Park"], PLAN)
        spared = before.summary.lasting_ha - fresh.summary.lasting_ha
        assert proposal.likely_spared_ha == pytest.approx(spared, abs=1e-9)


def test_lighter_loads_of_a_recorded_drive_take_longer_by_plan(farm: Farm) -> None:
    """The log cannot tell: its flow over the ground worked is the rate of two plans, and their difference counts."""
    y = np.concatenate([np.linspace(5, 55, 26) if i % 2 == 0 else np.linspace(55, 5, 26) for i in range(5)])
    x = np.repeat([6.0, 18.0, 30.0, 42.0, 54.0], 26)
    log = Log("cut", 2.0 * np.arange(130.0), EAST + x, NORTH + y, flow_kg_s=np.full(130, 40.0))
    one = job("cut", 9, drive="track:cut", change="fills", load_kg=8e3)
    recorded = replace(farm, operations=(one,), logs={"cut": log})
    known = {}
    laid = prepare(recorded, recorded.scenarios["base"], recorded.fields["Park"], PLAN, known)
    found = [each for each in candidates(recorded) if each.kind == "loads"]
    trials = [try_scenario(bench_of(recorded, laid, known), each.scenario, PLAN) for each in found]
    hours = {trial.scenario: trial.after.hours - trial.before.hours for trial in trials if trial}
    assert hours["lighter loads spreader 60 pct"] > 0  # three loads in place of two
    assert hours["lighter loads spreader 80 pct"] == pytest.approx(0.0, abs=0.05)  # two as before


def test_names_are_names_of_folders() -> None:
    assert safe_key('gate "North/2": <b>') == "gate North 2 b"
    assert safe_key("Base") == "Base as changed"
