"""The outfits of Ostara Flats and their tyre tables: invented, but with loads that balance.

What the drawbar puts on the tractor is shared between its axles by the lever of its hitch, so that the axle
loads of an outfit always add up to its masses.
"""

from __future__ import annotations

from dataclasses import dataclass

HITCH_BEHIND_M = 1.0


@dataclass(frozen=True)
class Rim:
    """Tyres of one axle, their pressures in field and on track [bar], how those change, plated load [t]."""

    tyre: str
    field_bar: float
    track_bar: float
    track_width_m: float = 2.0
    dual_gap_m: float | None = None
    adjust: str = "none"
    plated_t: float | None = None


@dataclass(frozen=True)
class Trailer:
    """A drawn vehicle: what its hitch and its axles carry, empty and full [t], and the axles' places [m]."""

    name: str
    drawbar_m: float
    hitch_t: tuple[float, float]
    axles: tuple[tuple[str, float, Rim, float, float], ...]
    hitch_limit_t: float = 4.0


def axle_toml(name: str, behind_m: float, rim: Rim, empty_t: float, full_t: float) -> str:
    """Return one [[vehicle.axle]] table."""
    lines = [
        "",
        "  [[vehicle.axle]]",
        f'  name = "{name}"',
        f"  behind_m = {behind_m}",
        f"  tyre = {rim.tyre}" if rim.tyre.startswith("{") else f'  tyre = "{rim.tyre}"',
        f"  wheels = {4 if rim.dual_gap_m else 2}",
        f"  track_width_m = {rim.track_width_m}",
        *([f"  dual_gap_m = {rim.dual_gap_m}"] if rim.dual_gap_m else []),
        f"  empty_t = {empty_t:.2f}",
        f"  full_t = {full_t:.2f}",
        f"  field_bar = {rim.track_bar if rim.adjust == 'none' else rim.field_bar}",  # one pressure for both
        f"  track_bar = {rim.track_bar}",
        f'  adjust = "{rim.adjust}"',
        *([f"  adjust_min = {3 if rim.adjust == 'central' else 15}"] if rim.adjust != "none" else []),
        *([f"  plated_t = {rim.plated_t}"] if rim.plated_t else []),
    ]
    return "\n".join(lines).replace("  tyre = {", "  track = {") + "\n"


def vehicle_toml(name: str, kind: str, *more: str) -> str:
    """Return the head of one [[vehicle]] table."""
    return "\n".join(["", "[[vehicle]]", f'name = "{name}"', f'kind = "{kind}"', *more]) + "\n"


def tractor_toml(front_t: float, rear_t: float, base_m: float, front: Rim, rear: Rim, trailer: Trailer | None) -> str:
    """Return a tractor of axle loads `front_t`, `rear_t`, and with what a trailer's hitch adds to them."""
    loads = []
    for hitch_t in trailer.hitch_t if trailer else (0.0, 0.0):
        lever = hitch_t * HITCH_BEHIND_M / base_m
        loads.append((front_t - lever, rear_t + hitch_t + lever))
    (front_empty, rear_empty), (front_full, rear_full) = loads
    more = [f"hitch_behind_m = {HITCH_BEHIND_M}"]
    more += [f"hitch_limit_t = {trailer.hitch_limit_t}"] if trailer else []
    return (
        vehicle_toml("tractor", "powered", *more)
        + axle_toml("front", -base_m, front, front_empty, front_full)
        + axle_toml("rear", 0.0, rear, rear_empty, rear_full)
    )


def trailer_toml(trailer: Trailer) -> str:
    """Return a drawn vehicle."""
    head = vehicle_toml(trailer.name, "drawn", f"drawbar_m = {trailer.drawbar_m}")
    return head + "".join(axle_toml(*axle) for axle in trailer.axles)


def head_toml(title: str, **values: float | str) -> str:
    """Return the top of an outfit's file."""
    lines = [f'title = "{title}"']
    lines += [f'{key} = "{value}"' if isinstance(value, str) else f"{key} = {value}" for key, value in values.items()]
    return "\n".join(["# Invented.", *lines]) + "\n"


MIDDLE_FRONT = Rim("540/65R30", 1.4, 1.6, 1.9)
MIDDLE_REAR = Rim("650/65R42", 1.6, 1.6, 1.9, plated_t=8.5)
BIG_FRONT = Rim("600/65R30", 1.4, 1.6, 2.0)
BIG_REAR = Rim("710/70R42", 1.6, 1.8, 2.0, plated_t=11.0)

SPREADER = Trailer(
    "spreader",
    5.2,
    (0.5, 2.0),
    (("spreader", 0.0, Rim("650/75R38", 2.0, 2.4, 2.1, adjust="hose"), 4.5, 12.0),),
    3.0,
)
TANK_RIM = Rim("750/60R30.5", 1.8, 2.2, 2.05, adjust="central", plated_t=10.5)
TANKER = Trailer(
    "tanker",
    6.4,
    (1.0, 3.0),
    (("tank_front", -0.9, TANK_RIM, 3.25, 9.25), ("tank_rear", 0.9, TANK_RIM, 3.25, 9.25)),
)
CHASER_RIM = Rim("650/65R30.5", 2.6, 2.8, 2.05, plated_t=11.0)
CHASER = Trailer(
    "chaser", 6.0, (1.0, 2.6),
    (("chaser_front", -0.95, CHASER_RIM, 4.0, 11.0), ("chaser_rear", 0.95, CHASER_RIM, 4.0, 11.0)),
)  # fmt: skip
SPRAYER = Trailer("sprayer", 4.6, (0.5, 1.1), (("sprayer", 0.0, Rim("380/90R46", 1.8, 2.2, 1.8), 3.1, 6.5),))
DRILL_RIM = Rim("500/45R22.5", 1.6, 2.0, 2.2, dual_gap_m=0.75)
DRILL = Trailer("drill", 5.5, (0.9, 1.3), (("drill", 0.0, DRILL_RIM, 4.2, 6.2),))
CULTIVATOR = Trailer("cultivator", 5.8, (1.2, 1.2), (("cultivator", 0.0, Rim("500/45R22.5", 1.6, 2.0, 2.1), 3.2, 3.2),))
BELT = "{ width_m = 0.76, length_m = 2.5, rollers = 4 }"


def outfits() -> dict[str, str]:
    """Return the outfits' files by name."""
    middle = {"radius_m": 6.5, "field_km_h": 8.0, "track_km_h": 35.0}
    return {
        "spreader": head_toml(
            "Tractor with trailed dung spreader",
            width_m=12.0,
            capacity_t=9.0,
            density_t_m3=0.7,
            empties="rear",
            **middle,
        )
        + tractor_toml(3.4, 4.8, 2.8, MIDDLE_FRONT, MIDDLE_REAR, SPREADER)
        + trailer_toml(SPREADER),
        "slurry": head_toml(
            "Tractor with tandem slurry tanker and trailing hoses",
            width_m=24.0,
            radius_m=7.5,
            capacity_t=14.0,
            density_t_m3=1.0,
            empties="even",
            field_km_h=7.0,
            track_km_h=35.0,
        )  # fmt: skip
        + tractor_toml(4.6, 5.9, 2.95, BIG_FRONT, BIG_REAR, TANKER)
        + trailer_toml(TANKER),
        "combine": head_toml(
            "Combine with a 9 m cutter bar",
            width_m=9.0,
            radius_m=8.0,
            capacity_t=8.5,
            density_t_m3=0.76,
            field_km_h=5.5,
            track_km_h=20.0,
        )  # fmt: skip
        + vehicle_toml("combine", "powered")
        + axle_toml("front", 0.0, Rim("800/70R32", 2.4, 2.8, 3.0), 13.0, 19.0)
        + axle_toml("rear", 3.8, Rim("500/85R24", 1.6, 1.8, 2.7), 5.5, 8.0),
        "chaser": head_toml(
            "Tractor with tandem chaser trailer",
            width_m=27.0,
            radius_m=7.5,
            capacity_t=15.6,
            density_t_m3=0.76,
            field_km_h=8.0,
            track_km_h=35.0,
        )  # fmt: skip
        + tractor_toml(4.6, 5.9, 2.95, BIG_FRONT, BIG_REAR, CHASER)
        + trailer_toml(CHASER),
        "sprayer": head_toml(
            "Tractor with trailed 24 m sprayer",
            width_m=24.0,
            radius_m=6.0,
            capacity_t=4.0,
            density_t_m3=1.0,
            empties="even",
            field_km_h=10.0,
            track_km_h=35.0,
        )  # fmt: skip
        + tractor_toml(2.9, 3.9, 2.6, Rim("380/85R28", 1.6, 1.6, 1.8), Rim("380/90R46", 1.6, 1.8, 1.8), SPRAYER)
        + trailer_toml(SPRAYER),
        "drill": head_toml(
            "Rubber-tracked tractor with 6 m drill",
            width_m=6.0,
            radius_m=8.0,
            capacity_t=2.4,
            density_t_m3=0.7,
            empties="even",
            field_km_h=10.0,
            track_km_h=30.0,
        )  # fmt: skip
        + vehicle_toml("tractor", "powered", "hitch_behind_m = 1.6", "hitch_limit_t = 4.0")
        + axle_toml("belts", 0.0, Rim(BELT, 1.0, 1.0, 2.2), 14.9, 15.3)
        + trailer_toml(DRILL),
        "cultivator": head_toml(
            "Tractor on rear duals with 6 m cultivator",
            width_m=6.0,
            radius_m=8.5,
            field_km_h=9.0,
            track_km_h=30.0,
        )
        + tractor_toml(
            5.0,
            7.0,
            2.95,
            Rim("480/70R34", 1.2, 1.6, 1.9),
            Rim("520/85R42", 0.8, 1.0, 1.8, dual_gap_m=0.65),
            CULTIVATOR,
        )
        + trailer_toml(CULTIVATOR),
        "plough": head_toml(
            "Tractor with mounted five-furrow plough",
            width_m=2.2,
            radius_m=6.5,
            field_km_h=7.0,
            track_km_h=30.0,
        )
        + tractor_toml(4.1, 6.8, 2.8, Rim("540/65R30", 1.2, 1.6, 1.8), Rim("650/65R42", 1.2, 1.6, 1.8), None)
        + vehicle_toml("plough", "carried"),
    }


#: Tyre -> load [kg] that it is said to carry at 1.6 bar and 40 km/h, lowest and highest pressure [bar].
TYRES: dict[str, tuple[float, float, float]] = {
    "380/85R28": (1800, 0.8, 2.4),
    "380/90R46": (2750, 0.8, 3.2),
    "480/70R34": (2550, 0.8, 2.4),
    "500/45R22.5": (1900, 1.0, 3.2),
    "500/85R24": (3300, 0.8, 3.2),
    "520/85R42": (4000, 0.6, 2.4),
    "540/65R30": (2700, 0.6, 2.4),
    "600/65R30": (3150, 0.6, 2.4),
    "650/65R30.5": (3950, 1.0, 4.0),
    "650/65R42": (4300, 0.6, 2.4),
    "650/75R38": (4700, 0.8, 3.2),
    "710/70R42": (5300, 0.6, 2.4),
    "750/60R30.5": (4600, 1.0, 4.0),
    "800/70R32": (6300, 0.8, 3.6),
}
SPEEDS = ((10, 1.30), (20, 1.15), (30, 1.07), (40, 1.0), (50, 0.92))
EXPONENT = 0.65  # load ~ pressure ** 0.65: the shape that such tables have, like the shares above (memory)


def tyre_tables_csv() -> str:
    """Return tyre_tables.csv: load rises with pressure and falls with speed."""
    rows = ["tyre,load_kg,speed_km_h,pressure_bar"]
    for tyre, (load_kg, lowest, highest) in TYRES.items():
        for speed, share in SPEEDS:
            for tenths in range(round(lowest * 10), round(highest * 10) + 1, 2):
                carried = load_kg * share * (tenths / 16) ** EXPONENT
                rows.append(f"{tyre},{carried // 10 * 10:.0f},{speed},{tenths / 10}")
    return "\n".join(rows) + "\n"
