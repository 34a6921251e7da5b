"""The tables of an audit: one declaration of their columns, and their rows.

CSV, GeoPackage, page and JSON are written from them; names end with their unit.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from trafficplan.assess.share import STEPS, concentration, expected_ha, likely_ha, steps_of_chance
from trafficplan.decide.audit import FieldAudit, JobPart
from trafficplan.decide.changes import Proposal
from trafficplan.decide.farm_account import FarmAccount, groups_of, traffic_of
from trafficplan.names import ZONES
from trafficplan.routes.matching import Outing
from trafficplan.units import BAR

Row = dict[str, object]


@dataclass(frozen=True)
class Table:
    """One table: its name (also of the CSV file), what a row is, and its columns: name -> meaning."""

    name: str
    about: str
    columns: Mapping[str, str]
    rows: Callable[[FarmAccount], list[Row]]


def _fields(account: FarmAccount) -> list[Row]:
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


def _operations(account: FarmAccount) -> list[Row]:
    return [_operation(one) for one in account.jobs]


def _operation(one: JobPart) -> Row:
    reach = one.reach
    return {
        "operation": one.operation,
        "date": one.day.isoformat(),
        "field": one.field,
        "job": one.job,
        "outfit": one.outfit,
        "drive_is": one.source,
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


def _shared(account: FarmAccount) -> list[Row]:
    return [
        {"field": one.field, "operation": one.operation, "with": other, "shared_ha": hectares}
        for one in account.jobs
        for other, hectares in one.shared_with
    ]


def _traffic(account: FarmAccount) -> list[Row]:
    return [
        {"by": one.by, "name": one.name, "traffic_t_km": one.t_km, "traffic_t_km_ha": one.t_km_ha}
        for one in traffic_of(account)
    ]


def _chance(account: FarmAccount) -> list[Row]:
    rows = []
    for one in account.fields:
        for zone, counts in one.counts.items():
            for step, hectares in enumerate(steps_of_chance(counts, one.cell_ha)):
                low, high = round(step / STEPS, 1), round((step + 1) / STEPS, 1)
                rows.append(
                    {"field": one.field, "zone": zone, "chance_from": low, "chance_to": high, "area_ha": hectares}
                )
    return rows


def _zones(account: FarmAccount) -> list[Row]:
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


def _places(account: FarmAccount) -> list[Row]:
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


def _groups(account: FarmAccount) -> list[Row]:
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


def _changes(account: FarmAccount) -> list[Row]:
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


def _logs(account: FarmAccount) -> list[Row]:
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


def _missing(account: FarmAccount) -> list[Row]:
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


def _losses(account: FarmAccount) -> list[Row]:
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


TABLES: tuple[Table, ...] = (
    Table(
        "fields",
        "one row per field",
        {
            "field": "name",
            "crop": "what grew",
            "area_ha": "area",
            "operations": "operations of the season",
            "wheeled_pct": "share that at least one wheel touched",
            "covered_pct": "wheel marks of all operations added up, over the area",
            "headland_wheeled_pct": "the same share on headlands",
            "gateway_wheeled_pct": "around gateways",
            "infield_wheeled_pct": "in-field",
            "traffic_t_km_ha": "axle load times distance over the area",
            "lasting_likely_ha": "chance of overstress below tillage depth of at least 0.5",
            "lasting_expected_ha": "that chance times area, added up",
            "worst_tenth_share_pct": "share of the expected hectares on the worst tenth of the area",
            "edge_share_pct": "share of them on headlands and gateways",
            "edge_area_pct": "share of the area that these are",
            "depth_reached_p95_m": "depth of the 50 kPa line, 95th percentile over all cells",
            "topsoil_over_ha": "over its strength above tillage depth",
            "topsoil_tilled_after_ha": "of this, tilled afterwards in the season",
            "loosening_reaches_ha": "likely lasting damage that ends above the depth of a deep loosener",
            "loosening_beyond_ha": "likely lasting damage that goes deeper: loosening does not mend it",
            "shared_lanes_wheeled_ha": "wheeled ground if passes of fitting widths had shared their lanes",
            "worn_before_ha": "ground that worn.geojson tells apart: worn out or loosened before the season",
            "worn_before_likely_ha": "likely lasting damage on it",
        },
        _fields,
    ),
    Table(
        "zones",
        "one row per field and zone",
        {
            "field": "name",
            "zone": "headland, gateway or infield",
            "area_ha": "area of the zone",
            "wheeled_pct": "share that at least one wheel touched",
            "passes_mean": "wheel passes, mean",
            "traffic_t_km_ha": "axle load times distance over the area",
            "lasting_likely_ha": "chance of overstress below tillage depth of at least 0.5",
            "lasting_expected_ha": "that chance times area, added up",
        },
        _zones,
    ),
    Table(
        "operations",
        "one row per operation and field, in the order of the season",
        {
            "operation": "id",
            "date": "day",
            "field": "field",
            "job": "job",
            "outfit": "outfit",
            "drive_is": "recorded, written plan, planned, or estimated",
            "trips": "loads",
            "drive_km": "driven, on the road too",
            "time_h": "time of the drive",
            "worked_ha": "ground worked",
            "wheeled_ha": "ground that its wheels touched",
            "traffic_t_km": "axle load times distance in the field",
            "alone_ha": "likely lasting damage that is gone when it is left out and the season run again",
            "shared_ha": "likely lasting damage for which it would have been enough, and others too",
            "enough_ha": "likely lasting damage for which it alone would have been enough",
            "gone_expected_ha": "expected hectares that are gone when it is left out",
            "shared_with": "the others, the one with most ground first",
            "deepest_axle": "axle whose wheel reached deepest",
            "deepest_wheel_kg": "load of that wheel",
            "deepest_pressure_bar": "its pressure",
            "depth_reached_m": "depth of its 50 kPa line",
            "depth_reached_upper_m": "the same by the upper run of the contact area",
        },
        _operations,
    ),
    Table(
        "shared",
        "one row per operation and other operation with which it shares likely lasting damage",
        {
            "field": "field",
            "operation": "id",
            "with": "id of the other",
            "shared_ha": "ground that both would have harmed alone",
        },
        _shared,
    ),
    Table(
        "groups",
        "operations left out together: all of one job, all of one outfit",
        {
            "left_out": "job or outfit",
            "name": "its name",
            "operations": "how many",
            "gone_likely_ha": "likely lasting damage that is gone without them",
            "gone_expected_ha": "expected hectares that are gone without them",
        },
        _groups,
    ),
    Table(
        "traffic",
        "load times distance in fields by job, outfit, month and zone",
        {
            "by": "job, outfit, month or zone",
            "name": "its name",
            "traffic_t_km": "axle load times distance",
            "traffic_t_km_ha": "over the ground of all fields; of a zone, over that zone's ground",
        },
        _traffic,
    ),
    Table(
        "chance",
        "hectares by chance of overstress below tillage depth, in steps of 0.1",
        {
            "field": "field",
            "zone": "headland, gateway or infield",
            "chance_from": "from this chance on",
            "chance_to": "to below this one (the last step: up to 1)",
            "area_ha": "ground",
        },
        _chance,
    ),
    Table(
        "places",
        "the worst places of the farm, the worst first",
        {
            "rank": "1 is worst",
            "field": "field",
            "place": "gateway, or side of headland or in-field",
            "zone": "headland, gateway or infield",
            "area_m2": "ground over the soil's strength below tillage depth",
            "chance_mean": "chance of lasting overstress, mean over the place",
            "stress_ratio_p95": "highest stress over strength below tillage depth, 95th percentile of that ground",
            "over_strength_to_m": "deepest depth that is over strength",
            "wheel_passes_p95": "wheel passes, 95th percentile of that ground",
            "why": "what pressed hardest",
        },
        _places,
    ),
    Table(
        "changes",
        "changes that would spare lasting damage, the best first; rank 0: the chosen ones together",
        {
            "rank": "1 is best",
            "scenario": "name in scenarios.toml of the result",
            "kind": "pressure, loads, gate, lanes, wait, outfit; all: together",
            "about": "outfit, field or job",
            "title": "in words",
            "fields": "where it changes something",
            "chosen": "one of the first three that can be done together",
            "spared_expected_ha": "expected hectares of lasting damage spared",
            "spared_expected_low_ha": "the least of it, for a soil stronger or weaker by half",
            "spared_expected_high_ha": "the most of it",
            "spared_likely_ha": "hectares that are no longer likely",
            "extra_time_low_h": "what it takes longer, by plan",
            "extra_time_high_h": "with real turns and trips",
            "extra_drive_km": "driven more",
            "cost_low": "money, by the prices given",
            "cost_high": "money",
        },
        _changes,
    ),
    Table(
        "logs",
        "recorded logs by field and day; an empty field: the road and outside of all fields",
        {
            "log": "file, and log in it",
            "field": "field, or empty",
            "date": "day in the farm's time zone",
            "outfit": "whose log it is, if known",
            "operation": "operation it was matched to, or that was added for it; empty: none",
            "work_km": "driven in work",
            "transport_km": "driven, not in work",
            "jumped_km": "steps that were not driven as recorded",
            "moving_h": "time moving",
            "standing_h": "time standing",
            "worked_ha": "distance in work times width",
            "mass_t": "flow added up",
        },
        _logs,
    ),
    Table(
        "missing",
        "trips that nobody logged",
        {
            "field": "field",
            "date": "day",
            "beside": "operation beside which they ran",
            "mass_t": "mass that left the field",
            "estimated_as": "operation that was added for them; empty: none",
            "loads": "loads of the estimate",
        },
        _missing,
    ),
    Table(
        "losses",
        "yield that lasting damage may cost, ranges of the literature; only with prices",
        {
            "crop": "crop",
            "ground_low_ha": "least ground with lasting damage",
            "ground_high_ha": "most",
            "first_year_low_t": "yield lost in the first crop after it",
            "first_year_high_t": "most",
            "each_year_low_t": "in each year while it lasts",
            "each_year_high_t": "most",
            "first_year_low_money": "in the currency of the prices",
            "first_year_high_money": "most",
            "each_year_low_money": "in each year while it lasts",
            "each_year_high_money": "most",
        },
        _losses,
    ),
)


def rows_of(account: FarmAccount) -> dict[str, list[Row]]:
    """Return all tables of an account: name -> rows, each with the columns declared."""
    told: dict[str, list[Row]] = {}
    for table in TABLES:
        rows = table.rows(account)
        told[table.name] = [{name: row[name] for name in table.columns} for row in rows]
    return told


def table_named(name: str) -> Table:
    """Return a table by its name."""
    return next(table for table in TABLES if table.name == name)


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


#: What is compared with an earlier year, field by field.
COMPARED = ("wheeled_pct", "covered_pct", "traffic_t_km_ha", "lasting_likely_ha", "lasting_expected_ha")


def against(now: Sequence[Row], earlier: Sequence[Mapping[str, object]]) -> list[Row]:
    """Return each field beside itself in an earlier result: value then, value now; fields of only one are left out."""
    before = {str(row.get("field")): row for row in earlier}
    rows = []
    for row in now:
        old = before.get(str(row["field"]))
        if old is None:
            continue
        told: Row = {"field": row["field"]}
        for name in COMPARED:
            told[f"earlier_{name}"], told[name] = _number(old.get(name)), _number(row[name])
        rows.append(told)
    return rows
