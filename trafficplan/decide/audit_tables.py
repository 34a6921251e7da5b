"""The tables of an audit: one declaration of their columns, and their rows.

CSV, GeoPackage, page and JSON are written from them; names end with their unit.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from trafficplan.decide import audit_rows
from trafficplan.decide.audit_rows import Row
from trafficplan.decide.farm_account import FarmAccount


@dataclass(frozen=True)
class Table:
    """One table: its name (also of the CSV file), what a row is, and its columns: name -> meaning."""

    name: str
    about: str
    columns: Mapping[str, str]
    rows: Callable[[FarmAccount], list[Row]]


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
        audit_rows.fields,
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
        audit_rows.zones,
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
            "soil_top": "how wet the wettest soil of the field was on top, by the hand test: smears, moulds or crumbles",
            "soil_below": "the same of the layer below the top",
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
        audit_rows.operations,
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
        audit_rows.shared,
    ),
    Table(
        "groups",
        "operations left out together: all of one job, outfit, day or month",
        {
            "left_out": "job, outfit, day or month",
            "name": "its name",
            "operations": "how many",
            "gone_likely_ha": "likely lasting damage that is gone without them",
            "gone_expected_ha": "expected hectares that are gone without them",
        },
        audit_rows.groups,
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
        audit_rows.traffic,
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
        audit_rows.chance,
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
        audit_rows.places,
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
        audit_rows.changes,
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
        audit_rows.logs,
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
        audit_rows.missing,
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
        audit_rows.losses,
    ),
)


def rows_of(account: FarmAccount) -> dict[str, list[Row]]:
    """Return all tables of an account: name -> rows, each with the columns declared."""
    told: dict[str, list[Row]] = {}
    for table in TABLES:
        rows = table.rows(account)
        told[table.name] = [{name: row[name] for name in table.columns} for row in rows]
    return told


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
