"""The columns that the farm's files may have, ours by name (docs/farm-folder.md says what each means)."""

from __future__ import annotations

from collections.abc import Sequence

#: Places of soil samples in a table: degrees, or metres of a told system.
PLACES = ("lon", "lat", "x", "y")

HORIZON = (
    "texture",
    "sand_pct",
    "silt_pct",
    "clay_pct",
    "organic_pct",
    "density_g_cm3",
    "stones_pct",
    "stones_mass_pct",
    "strength_kpa",
    "cores",
    "swelling",
)

KNOWN: dict[str, tuple[str, ...]] = {
    "fields": ("field", "crop", "tillage_depth_m", "headland_width_m"),
    "soil": ("unit", "title", *HORIZON),
    "access": ("kind", "name", "field", "width_m", "surface", "max_t", "height_m"),
    "tramlines": ("field", "width_m"),
    "worn": ("kind", "name", "depth_m"),
    "horizons": ("unit", "component", "top_m", "bottom_m", "state", *HORIZON),
    "components": ("unit", "component", "name", "share_pct"),
    "operations": (
        "id",
        "date",
        "start_time",
        "field",
        "job",
        "outfit",
        "rate",
        "load",
        "change",
        "pressure",
        "drive",
        "heading_deg",
        "gateway",
        "width_m",
        "till_depth_m",
        "runs_at_depth_m",
        "moisture",
        "surface",
        "earliest",
        "latest",
        "fixed_because",
    ),
    "weather": ("date", "rain_mm", "et0_mm", "tmin_c", "tmax_c", "rh_pct", "wind_m_s", "sun_h", "radiation_mj_m2"),
    "tyre_tables": ("tyre", "load_kg", "speed_km_h", "pressure_bar"),
    "seen": ("date", "field", "outfit", "pressures", "rut_cm", "slip_pct", "surface"),
}


def map_hint(known: Sequence[str], ours: str, theirs: str) -> str:
    """Say how farm.toml maps a column of the file that has these known columns, or "".

    Examples
    --------
    >>> map_hint(KNOWN["fields"], "field", "NAME")
    'write in farm.toml, table columns.fields: field = "NAME"'
    """
    kind = next((kind for kind, names in KNOWN.items() if tuple(known[: len(names)]) == names), "")
    return f'write in farm.toml, table columns.{kind}: {ours} = "{theirs}"' if kind else ""
