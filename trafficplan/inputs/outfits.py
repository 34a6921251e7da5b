"""Outfits: one TOML file each, vehicles and axles front to back, loads and pressures checked."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import Field

from trafficplan.errors import InputError
from trafficplan.farm import defaults
from trafficplan.inputs.amounts import BAR_HIGH, BAR_LOW
from trafficplan.inputs.ledger import Ledger, listed
from trafficplan.inputs.paths import folder_inside, inside
from trafficplan.inputs.toml_file import Table, checked, read_toml
from trafficplan.machines.outfit import Axle, Outfit, Vehicle, Wheel
from trafficplan.machines.tyre import Tyre, assumed_aspect, track_from_sizes, tyre_from_code
from trafficplan.names import Note
from trafficplan.units import BAR, GRAVITY, KM_H, TONNE

#: Heaviest axle of a farm vehicle that is believed [t].
AXLE_T = 40.0
#: Product by the axles (full less empty) and `capacity_t` may differ by this share of the capacity.
CAPACITY_SHARE = 0.10
#: Most of the product that may go missing between axles and capacity before it is refused.
CAPACITY_REFUSED = 0.30


class TrackTable(Table):
    """A rubber track in place of a tyre."""

    width_m: float = Field(ge=0.1, le=2.0)
    length_m: float = Field(ge=0.2, le=8.0)
    rollers: int = Field(ge=1, le=40)


class AxleTable(Table):
    """One axle as written."""

    name: str
    behind_m: float = Field(default=0.0, ge=-15, le=15)
    tyre: str | None = None
    track: TrackTable | None = None
    wheels: Literal[1, 2, 4] = 2
    track_width_m: float | None = Field(default=None, ge=0.5, le=6)
    dual_gap_m: float | None = Field(default=None, ge=0.3, le=2)
    empty_t: float = Field(ge=0.0, le=AXLE_T)
    full_t: float | None = Field(default=None, ge=0.0, le=AXLE_T)
    field_bar: float | None = Field(default=None, ge=BAR_LOW, le=BAR_HIGH)
    track_bar: float | None = Field(default=None, ge=BAR_LOW, le=BAR_HIGH)
    adjust: Literal["none", "hose", "central"] = "none"
    adjust_min: float | None = Field(default=None, ge=0, le=120)
    plated_t: float | None = Field(default=None, ge=0.1, le=AXLE_T)
    least_field_bar: float | None = Field(default=None, ge=BAR_LOW, le=BAR_HIGH)
    least_track_bar: float | None = Field(default=None, ge=BAR_LOW, le=BAR_HIGH)
    steering: Literal["follow", "offset", "crab"] = "follow"
    offset_m: float = Field(default=0.0, ge=-4, le=4)


class VehicleTable(Table):
    """One vehicle as written."""

    name: str
    kind: Literal["powered", "drawn", "carried"]
    drawbar_m: float | None = Field(default=None, ge=0.5, le=15)
    hitch_behind_m: float | None = Field(default=None, ge=-1, le=6)
    hitch_limit_t: float | None = Field(default=None, ge=0.05, le=20)
    axle: list[AxleTable] = Field(default_factory=list)


class OutfitTable(Table):
    """One outfit file as written."""

    title: str | None = None
    width_m: float = Field(ge=0.5, le=60)
    radius_m: float | None = Field(default=None, ge=2, le=30)
    capacity_t: float = Field(default=0.0, ge=0, le=80)
    density_t_m3: float | None = Field(default=None, ge=0.05, le=3)
    body_m3: float | None = Field(default=None, ge=0.1, le=120)
    empties: Literal["front", "rear", "even"] = "even"
    field_km_h: float | None = Field(default=None, ge=0.5, le=40)
    track_km_h: float | None = Field(default=None, ge=1, le=80)
    antenna_behind_m: float | None = Field(default=None, ge=-15, le=15)
    vehicle: list[VehicleTable] = Field(min_length=1)


def read_outfits(ledger: Ledger) -> dict[str, Outfit | None]:
    """Return the outfits by the name of their file; None stands for one that is there but wrong."""
    before = ledger.count()
    folder = folder_inside(ledger, "outfits")
    paths = sorted(folder.glob("*.toml")) if folder else []
    if not paths and ledger.count() == before:
        ledger.problem(
            "no outfits",
            "outfits",
            "no file outfits/*.toml",
            "at least one outfit",
            "add outfits/NAME.toml with vehicles and axles",
        )
    outfits: dict[str, Outfit | None] = {}
    for path in paths:
        name = f"outfits/{path.name}"
        readable = inside(ledger, name, name) is not None
        outfits[path.stem] = _read_outfit(ledger, path) if readable else None
    return outfits


def _read_outfit(ledger: Ledger, path: Path) -> Outfit | None:
    where = path.relative_to(ledger.folder).as_posix()
    data = read_toml(ledger, path)
    table = checked(ledger, OutfitTable, data, where) if data is not None else None
    if table is None:
        return None
    before = ledger.count()
    notes: list[Note] = []
    vehicles = [
        _vehicle(ledger, table, vehicle, f"{where}, vehicle {vehicle.name}", path.stem, notes)
        for vehicle in table.vehicle
    ]
    _check_chain(ledger, table, where)
    _check_capacity(ledger, table, where)
    speeds = {
        key: _given(getattr(table, key), key, path.stem, ledger, notes)
        for key in ("radius_m", "field_km_h", "track_km_h", "antenna_behind_m")
    }
    ledger.notes.extend(notes)
    if ledger.count() > before:
        return None
    return Outfit(
        key=path.stem,
        title=table.title or path.stem,
        vehicles=tuple(vehicles),
        capacity_kg=table.capacity_t * TONNE,
        density_kg_m3=None if table.density_t_m3 is None else table.density_t_m3 * 1e3,
        width_m=table.width_m,
        radius_m=speeds["radius_m"],
        empties=table.empties,
        field_m_s=speeds["field_km_h"] * KM_H,
        track_m_s=speeds["track_km_h"] * KM_H,
        antenna_behind_m=speeds["antenna_behind_m"],
        notes=tuple(notes),
        body_m3=table.body_m3,
    )


def _given(value: float | None, key: str, what: str, ledger: Ledger, notes: list[Note]) -> float:
    """Return a value, or its default with a note."""
    if value is not None:
        return value
    notes.append(defaults.note(key, f"outfit {what}", ledger.defaults))
    return defaults.number(key, ledger.defaults)


def _vehicle(
    ledger: Ledger, outfit: OutfitTable, table: VehicleTable, where: str, key: str, notes: list[Note]
) -> Vehicle:
    what = f"{key}, {table.name}"
    axles = [
        _axle(ledger, outfit, axle, f"{where}, axle {axle.name}", f"{what}, {axle.name}", notes) for axle in table.axle
    ]
    drawbar = 0.0
    if table.kind == "drawn":
        drawbar = _given(table.drawbar_m, "drawbar_m", what, ledger, notes)
    last = outfit.vehicle[-1] is table
    hitch = defaults.number("hitch_behind_m", ledger.defaults)
    if table.hitch_behind_m is not None or not last:
        hitch = _given(table.hitch_behind_m, "hitch_behind_m", what, ledger, notes)
    limit = None if table.hitch_limit_t is None else table.hitch_limit_t * TONNE * GRAVITY
    return Vehicle(table.name, table.kind, tuple(axle for axle in axles if axle is not None), drawbar, hitch, limit)


def _axle(
    ledger: Ledger, outfit: OutfitTable, table: AxleTable, where: str, what: str, notes: list[Note]
) -> Axle | None:
    tyre = _tyre(ledger, table, where, what, notes)
    full = table.full_t
    if full is None and outfit.capacity_t > 0:
        ledger.problem(
            "a key is missing",
            f"{where}, full_t",
            "nothing",
            "the axle load at capacity, because the outfit carries a load",
            "weigh the full outfit axle by axle and add full_t",
        )
        return None
    full = table.empty_t if full is None else full
    if max(table.empty_t, full) < 0.05:
        ledger.problem(
            "an axle without load",
            f"{where}, empty_t",
            f"{table.empty_t:g} t",
            "the weight on this axle",
            "weigh it; an axle that never touches the ground is left out",
        )
        return None
    if table.plated_t is not None and max(full, table.empty_t) > table.plated_t:
        notes.append(
            Note(
                "warned",
                f"outfit {what}: load over the plated limit",
                f"{max(full, table.empty_t):g} t on {table.plated_t:g} t",
                "the load at capacity is more than the plate allows",
            )
        )
    pressures = _pressures(ledger, table, where, what, notes)
    if tyre is None or pressures is None:
        return None
    minutes = 0.0 if table.adjust == "none" else _given(table.adjust_min, "adjust_min", what, ledger, notes)
    return Axle(
        key=table.name,
        behind_m=table.behind_m,
        wheels=_wheels(ledger, table, tyre, what, notes),
        empty_n=table.empty_t * TONNE * GRAVITY,
        full_n=full * TONNE * GRAVITY,
        field_pa=pressures[0],
        track_pa=pressures[1],
        adjust=table.adjust,
        adjust_min=minutes,
        least_field_pa=None if table.least_field_bar is None else table.least_field_bar * BAR,
        least_track_pa=None if table.least_track_bar is None else table.least_track_bar * BAR,
        plated_n=None if table.plated_t is None else table.plated_t * TONNE * GRAVITY,
        steering=table.steering,
        offset_m=table.offset_m,
    )


def _tyre(ledger: Ledger, table: AxleTable, where: str, what: str, notes: list[Note]) -> Tyre | None:
    try:
        if table.track is not None and table.tyre is None:
            return track_from_sizes(table.track.width_m, table.track.length_m, table.track.rollers, f"{where}, track")
        if table.tyre is not None and table.track is None:
            tyre = tyre_from_code(table.tyre, f"{where}, tyre")
            aspect = assumed_aspect(table.tyre)
            if aspect is not None:
                notes.append(
                    Note(
                        "assumed",
                        f"outfit {what}: section height of {tyre.code}",
                        f"{aspect:g} x width",
                        "the code does not tell it",
                        "memory: usual sizes",
                    )
                )
            return tyre
    except InputError as error:
        ledger.take_over(error, f"{where}, tyre")
        return None
    found = "both" if table.tyre is not None else "neither"
    ledger.problem(
        "tyre or track not clear",
        where,
        found,
        "either tyre or track",
        'write tyre = "600/65R28", or track = { width_m, length_m, rollers }',
    )
    return None


def _pressures(
    ledger: Ledger, table: AxleTable, where: str, what: str, notes: list[Note]
) -> tuple[float, float] | None:
    """Return field and track pressure [Pa]; a missing one is the other's; a rubber track has none (0)."""
    if table.track is not None and table.tyre is None:
        return 0.0, 0.0
    if table.field_bar is None and table.track_bar is None:
        ledger.problem(
            "no tyre pressure",
            f"{where}, track_bar",
            "nothing",
            "the cold inflation pressure in bar",
            "add track_bar (and field_bar if it is another)",
        )
        return None
    track = table.field_bar if table.track_bar is None else table.track_bar
    field = table.track_bar if table.field_bar is None else table.field_bar
    if track is None or field is None:
        return None
    if table.field_bar is None or table.track_bar is None:
        absent = "field" if table.field_bar is None else "track"
        notes.append(
            Note(
                "assumed",
                f"outfit {what}: {absent} pressure",
                f"{field:g} bar",
                "not given; that of the other leg",
                defaults.SOURCE,
            )
        )
    if field > track:
        notes.append(
            Note(
                "warned",
                f"outfit {what}: field pressure above track pressure",
                f"{field:g} and {track:g} bar",
                "the two may be mixed up",
            )
        )
    return field * BAR, track * BAR


def _wheels(ledger: Ledger, table: AxleTable, tyre: Tyre, what: str, notes: list[Note]) -> tuple[Wheel, ...]:
    if table.wheels == 1:
        return (Wheel(tyre, 0.0),)
    half = _given(table.track_width_m, "track_width_m", what, ledger, notes) / 2
    if table.wheels == 2:
        return (Wheel(tyre, half), Wheel(tyre, -half))
    gap = _given(table.dual_gap_m, "dual_gap_m", what, ledger, notes)
    return tuple(Wheel(tyre, offset) for offset in (half + gap, half, -half, -half - gap))


def _check_chain(ledger: Ledger, table: OutfitTable, where: str) -> None:
    """Check that one vehicle is powered, drawn ones stand behind another, and axle names are unique."""
    kinds = [vehicle.kind for vehicle in table.vehicle]
    if "powered" not in kinds:
        ledger.problem(
            "no powered vehicle",
            where,
            listed(set(kinds)),
            "one vehicle of kind powered",
            "add the tractor, or call the self-propelled machine powered",
        )
    elif kinds[0] == "drawn":
        ledger.problem(
            "a drawn vehicle stands first",
            where,
            f"first vehicle {table.vehicle[0].name}",
            "vehicles from front to back",
            "put the powered vehicle before it",
        )
    for vehicle in table.vehicle:
        if vehicle.kind != "carried" and not vehicle.axle:
            ledger.problem(
                "a vehicle without axles",
                f"{where}, vehicle {vehicle.name}",
                "no axle",
                "at least one [[vehicle.axle]]",
                "add its axles, or call it carried if it is mounted",
            )
    names = [axle.name for vehicle in table.vehicle for axle in vehicle.axle]
    for name in sorted({name for name in names if names.count(name) > 1}):
        ledger.problem(
            "an axle name comes twice",
            f"{where}, axle {name}",
            name,
            "each axle name once in an outfit",
            f"rename one, as in trailer {name}",
        )
    for name in sorted({name for name in names if any(mark in name for mark in ":;*,")}):
        ledger.problem(
            "a mark in an axle name",
            f"{where}, axle {name}",
            name,
            "a name without : ; , *",
            "rename the axle",
        )


def _check_capacity(ledger: Ledger, table: OutfitTable, where: str) -> None:
    """Compare the product by the axles with the capacity: they are two weighings of the same thing."""
    axles = [axle for vehicle in table.vehicle for axle in vehicle.axle]
    if table.capacity_t <= 0 or any(axle.full_t is None for axle in axles):
        return
    product = sum((axle.full_t or 0.0) - axle.empty_t for axle in axles)
    gap = abs(product - table.capacity_t) / table.capacity_t
    found = f"full less empty {product:.2f} t, capacity_t {table.capacity_t:g} t"
    if gap > CAPACITY_REFUSED:
        ledger.problem(
            "axle loads and capacity do not agree",
            f"{where}, capacity_t",
            found,
            "the sum of full_t less empty_t equal to capacity_t",
            "weigh again, or correct the one that is wrong",
        )
    elif gap > CAPACITY_SHARE:
        ledger.warned(
            f"outfit {where}: product by the axles",
            found,
            "the two differ by more than a tenth; the axle loads count",
        )
