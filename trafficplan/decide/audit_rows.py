"""The rows of an audit's tables; audit_tables.py says what their columns mean."""

from __future__ import annotations

from trafficplan.assess.share import STEPS, concentration, expected_ha, likely_ha, steps_of_chance
from trafficplan.decide.audit import FieldAudit, JobPart
from trafficplan.decide.changes import Proposal
from trafficplan.decide.farm_account import FarmAccount, groups_of, traffic_of
from trafficplan.farm.water import SOIL_SHARE, moistures_of, soil_shares
from trafficplan.names import ZONES
from trafficplan.routes.outings import Outing
from trafficplan.soil.moisture import moisture_word
from trafficplan.units import BAR

Row = dict[str, object]


def fields(account: FarmAccount) -> list[Row]:
    """Return the rows of the table `fields`."""
    return [_field(account, one) for one in account.fields]


def _field(account: FarmAccount, one: FieldAudit) -> Row:
    summary = account.summaries[one.field]
    zones = {str(row["zone"]): row for row in summary.rows}
    whole = zones.get("all", {})
    told = concentration(one.counts)
    return {
        "field": one.field,
        "crop": account.farm.fields[one.field].crop,
        "area_ha": one.area_ha,
        "operations": len(one.jobs),
        "wheeled_pct": whole.get("wheeled_pct", 0.0),
        "covered_pct": 100 * one.lanes.covered_ha / one.area_ha if one.area_ha else 0.0,
        "headland_wheeled_pct": zones.get("headland", {}).get("wheeled_pct", 0.0),
        "gateway_wheeled_pct": zones.get("gateway", {}).get("wheeled_pct", 0.0),
        "infield_wheeled_pct": zones.get("infield", {}).get("wheeled_pct", 0.0),
        "traffic_t_km_ha": whole.get("traffic_t_km_ha", 0.0),
        "lasting_likely_ha": one.likely_ha,
        "lasting_expected_ha": one.expected_ha,
        "worst_tenth_share_pct": 100 * told.worst_share,
        "edge_share_pct": 100 * told.edge_share,
        "edge_area_pct": 100 * told.edge_area_share,
        "depth_reached_p95_m": whole.get("depth_reached_m_p95", 0.0),
        "topsoil_over_ha": one.mended.over_ha,
        "topsoil_tilled_after_ha": one.mended.tilled_after_ha,
        "loosening_reaches_ha": one.loosening.reached_ha,
        "loosening_beyond_ha": one.loosening.beyond_ha,
        "shared_lanes_wheeled_ha": one.lanes.shared_ha,
        "worn_before_ha": one.worn.area_ha,
        "worn_before_likely_ha": one.worn.likely_ha,
    }


def operations(account: FarmAccount) -> list[Row]:
    """Return the rows of the table `operations`."""
    soils = soils_met(account)
    return [_operation(one, soils.get((one.field, one.operation), ("", ""))) for one in account.jobs]


def soils_met(account: FarmAccount) -> dict[tuple[str, str], tuple[str, str]]:
    """Return by field and operation how wet the wettest soil of the field was that day, on top and below, in words."""
    farm, found = account.farm, {}
    units = {key: soil_shares(farm, farm.fields[key]) for key in {one.field for one in account.jobs}}
    for operation in farm.operations:
        here = [unit for unit, share in units.get(operation.field, {}).items() if share >= SOIL_SHARE]
        if here:
            tensions, _ = moistures_of(farm, operation, here)
            top, deep = (min(layer) for layer in zip(*tensions, strict=True))
            found[operation.field, operation.key] = moisture_word(top), moisture_word(deep)
    return found


def _operation(one: JobPart, soil: tuple[str, str]) -> Row:
    reach = one.reach
    return {
        "operation": one.operation,
        "date": one.day.isoformat(),
        "field": one.field,
        "job": one.job,
        "outfit": one.outfit,
        "drive_is": one.source,
        "soil_top": soil[0],
        "soil_below": soil[1],
        "trips": one.trips,
        "drive_km": one.drive_km,
        "time_h": one.hours,
        "worked_ha": one.worked_ha,
        "wheeled_ha": sum(one.wheeled_ha.values()),
        "traffic_t_km": sum(one.traffic_t_km.values()),
        "alone_ha": one.alone_ha,
        "shared_ha": one.shared_ha,
        "enough_ha": one.own_ha,
        "gone_expected_ha": one.expected_ha,
        "shared_with": "; ".join(name for name, _ in one.shared_with),
        "deepest_axle": reach.axle if reach else "",
        "deepest_wheel_kg": reach.wheel_kg if reach else 0.0,
        "deepest_pressure_bar": reach.pressure_pa / BAR if reach else 0.0,
        "depth_reached_m": reach.depth_m if reach else 0.0,
        "depth_reached_upper_m": reach.upper_m if reach else 0.0,
    }


def shared(account: FarmAccount) -> list[Row]:
    """Return the rows of the table `shared`."""
    return [
        {"field": one.field, "operation": one.operation, "with": other, "shared_ha": hectares}
        for one in account.jobs
        for other, hectares in one.shared_with
    ]


def traffic(account: FarmAccount) -> list[Row]:
    """Return the rows of the table `traffic`."""
    return [
        {"by": one.by, "name": one.name, "traffic_t_km": one.t_km, "traffic_t_km_ha": one.t_km_ha}
        for one in traffic_of(account)
    ]


def chance(account: FarmAccount) -> list[Row]:
    """Return the rows of the table `chance`."""
    rows = []
    for one in account.fields:
        for zone, counts in one.counts.items():
            for step, hectares in enumerate(steps_of_chance(counts, one.cell_ha)):
                low, high = round(step / STEPS, 1), round((step + 1) / STEPS, 1)
                rows.append(
                    {"field": one.field, "zone": zone, "chance_from": low, "chance_to": high, "area_ha": hectares}
                )
    return rows


def zones(account: FarmAccount) -> list[Row]:
    """Return the rows of the table `zones`."""
    rows = []
    for one in account.fields:
        table = {str(row["zone"]): row for row in account.summaries[one.field].rows}
        for zone in ZONES:
            if zone in one.counts and zone in table:
                row = table[zone]
                rows.append(
                    {
                        "field": one.field,
                        "zone": zone,
                        "area_ha": row["area_ha"],
                        "wheeled_pct": row["wheeled_pct"],
                        "passes_mean": row["passes_mean"],
                        "traffic_t_km_ha": row["traffic_t_km_ha"],
                        "lasting_likely_ha": likely_ha(one.counts[zone], one.cell_ha),
                        "lasting_expected_ha": expected_ha(one.counts[zone], one.cell_ha),
                    }
                )
    return rows


def places(account: FarmAccount) -> list[Row]:
    """Return the rows of the table `places`."""
    return [
        {
            "rank": rank,
            "field": one.field,
            "place": one.name,
            "zone": one.zone,
            "area_m2": one.area_m2,
            "chance_mean": one.lasting_mean,
            "stress_ratio_p95": one.ratio,
            "over_strength_to_m": one.deepest_m,
            "wheel_passes_p95": one.crossings,
            "why": one.reason,
        }
        for rank, one in enumerate(account.worst, 1)
    ]


def groups(account: FarmAccount) -> list[Row]:
    """Return the rows of the table `groups`."""
    return [
        {
            "left_out": one.kind,
            "name": one.name,
            "operations": one.operations,
            "gone_likely_ha": one.likely_ha,
            "gone_expected_ha": one.expected_ha,
        }
        for one in groups_of(account)
    ]


def changes(account: FarmAccount) -> list[Row]:
    """Return the rows of the table `changes`."""
    rows = [change_row(one, rank, one in account.chosen) for rank, one in enumerate(account.proposals, 1)]
    if account.together is not None:
        rows.append(change_row(account.together, 0, True))
    return rows


def change_row(one: Proposal, rank: int, chosen: bool) -> Row:
    """Return a proposal as a row; rank 0: the chosen ones together."""
    money = one.cost
    return {
        "rank": rank,
        "scenario": one.scenario.key,
        "kind": one.kind,
        "about": one.about,
        "title": one.scenario.title,
        "fields": "; ".join(one.fields),
        "chosen": chosen,
        "spared_expected_ha": one.spared_ha.middle,
        "spared_expected_low_ha": one.spared_ha.low,
        "spared_expected_high_ha": one.spared_ha.high,
        "spared_likely_ha": one.likely_spared_ha,
        "extra_time_low_h": one.extra_hours.low,
        "extra_time_high_h": one.extra_hours.high,
        "extra_drive_km": one.extra_km,
        "cost_low": money.low if money else None,
        "cost_high": money.high if money else None,
    }


def logs(account: FarmAccount) -> list[Row]:
    """Return the rows of the table `logs`."""
    taken = {id(one): key for key, group in account.matched.by_operation.items() for one in group}
    for key, one in account.matched.added.items():
        taken[id(one)] = key
    return [_log(one, taken.get(id(one), "")) for one in account.matched.outings]


def _log(one: Outing, operation: str) -> Row:
    return {
        "log": one.log,
        "field": one.field,
        "date": one.day.isoformat() if one.day else "",
        "outfit": one.outfit,
        "operation": operation,
        "work_km": one.work_m / 1e3,
        "transport_km": one.transport_m / 1e3,
        "jumped_km": one.jumped_m / 1e3,
        "moving_h": one.moving_s / 3600,
        "standing_h": one.standing_s / 3600,
        "worked_ha": None if one.worked_m2 != one.worked_m2 else one.worked_m2 / 1e4,
        "mass_t": None if one.mass_kg is None else one.mass_kg / 1e3,
    }


def missing(account: FarmAccount) -> list[Row]:
    """Return the rows of the table `missing`."""
    return [
        {
            "field": one.field,
            "date": one.day.isoformat(),
            "beside": one.beside,
            "mass_t": one.mass_kg / 1e3,
            "estimated_as": one.operation,
            "loads": one.loads,
        }
        for one in account.missing
    ]


def losses(account: FarmAccount) -> list[Row]:
    """Return the rows of the table `losses`."""
    rows = []
    for one in account.losses:
        row: Row = {"crop": one.crop, "ground_low_ha": one.hectares[0], "ground_high_ha": one.hectares[1]}
        for name, pair in (
            ("first_year_{}_t", one.first_t),
            ("each_year_{}_t", one.lasting_t),
            ("first_year_{}_money", one.first_money),
            ("each_year_{}_money", one.lasting_money),
        ):
            row[name.format("low")], row[name.format("high")] = pair or (None, None)
        rows.append(row)
    return rows
