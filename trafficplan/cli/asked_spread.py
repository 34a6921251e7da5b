"""What a spreading plan is asked for on the command line, checked, as a job to plan."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from string import ascii_uppercase
from typing import Any, Literal, cast

import shapely
from pyproj import CRS, Transformer
from shapely import Point

from trafficplan.chain import LOAD_MOST
from trafficplan.cli.asked import known, refuse
from trafficplan.decide.cab import Unspread
from trafficplan.decide.heap import heap_jobs
from trafficplan.decide.spread import Fill, SpreadJob, baseline
from trafficplan.decide.trip import STEEPEST, most_within_plates, over_plate
from trafficplan.errors import InputError
from trafficplan.farm import defaults
from trafficplan.farm.distances import forbidden
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.ground import as_area
from trafficplan.farm.operation import Moisture, Operation
from trafficplan.farm.water import SOIL_SHARE, moistures_of, soil_shares
from trafficplan.inputs.amounts import parse_amount, parse_moisture
from trafficplan.inputs.ledger import Ledger
from trafficplan.machines.outfit import Outfit
from trafficplan.names import Note
from trafficplan.soil.unit import SoilUnit
from trafficplan.units import pressure_text

#: Rates beyond these are a slip of the pen [kg/m2]: 100 kg/ha and 200 t/ha (common practice, no source).
RATES = (0.01, 20.0)
#: A fill point may lie this far from the field and the farm tracks [m].
FILL_AWAY_M = 300.0
SURFACES = ("frozen", "snow", "waterlogged")
#: Kinds of `--keep` beside the places of access.geojson.
KEEPS = ("overhead_line", "watercourse", "well", "public_road", "boundary")
JOB = "spreading plan"


def asked_of(farm: Farm, folder: Path, key: str, asked: Mapping[str, Any]) -> SpreadJob:
    """Return one field's job.

    Raises
    ------
    InputError
        An option is wrong, or the ground is closed to spreading.
    """
    notes: list[Note] = []
    field = farm.fields[key]
    outfit = farm.outfits[known("--outfit", [asked["outfit"]], farm.outfits)[0]]
    _open_ground(asked["surface"])
    rate, density = rate_of(folder, outfit, asked["rate"], asked["job"], notes)
    full = _full_load(outfit, asked["load_t"], density, notes)
    day = _day(farm, field, asked, notes)
    moisture = moisture_of(folder, asked["soil"])
    drive = "tramlines" if field.tramlines and not asked["off_tramlines"] else "swaths"
    operation = Operation(
        "plan", 0, day, None, key, asked["job"] or JOB, outfit.key, rate, full, "empties", drive=drive,
        heading_deg=asked["heading_deg"], moisture=moisture,
    )  # fmt: skip
    gateways = _gateways(farm, field, asked)
    strips, more = strips_of(farm, field, asked["keep"])
    notes += [*more, defaults.note("hour_worth_ha", "the advice", farm.defaults)]
    closed = as_area(shapely.union_all([one.shape for one in strips])) if strips else None
    units = _units(farm, field)
    tensions, told = moistures_of(farm, operation, [unit.key for unit in units])
    tension = min(top for top, _ in tensions), min(deep for _, deep in tensions)
    words = moisture.words if moisture else "; ".join(dict.fromkeys(note.value for note in told[:1]))
    job = SpreadJob(
        farm, field, operation, tuple(gateways), _fill(farm, field, asked, notes), full, asked["load_t"] is not None,
        as_area(field.polygon.difference(closed)) if closed else None, units, tension, words, _slope(farm, field),
        defaults.number("hour_worth_ha", farm.defaults), density if _is_volume(asked["rate"]) else None, strips=strips,
        notes=tuple(dict.fromkeys(notes)),
    )  # fmt: skip
    job = replace(job, notes=(*job.notes, *_below_table(job), *_steep(job)))
    job = _with_heap(job, asked)
    if job.spread_on is not None and job.spread_on.area < 100.0:
        raise refuse(
            "nothing of the field may be spread", f"--field {key}", f"{job.spread_on.area:.0f} m2 left",
            "ground outside the distances to water, wells and boundaries", "check the distances with --keep",
        )  # fmt: skip
    return job


def _below_table(job: SpreadJob) -> list[Note]:
    """Return a warning for every axle whose pressure on file lies below its tyre's table."""
    axles = {axle.key: axle.field_pa for axle in job.farm.outfits[job.operation.outfit].axles()}
    return [
        Note("warned", f"outfit {job.operation.outfit}, {axle}: {pressure_text(axles[axle])} in the field",
             f"{pressure_text(pressure)} taken", "the tyre's table asks for it at the full load", "tyre_tables.csv")
        for axle, pressure in baseline(job).pressures.field_pa.items()
    ]  # fmt: skip


def _steep(job: SpreadJob) -> list[Note]:
    """Return the warning that no pressure is named on a slope."""
    if job.slope <= STEEPEST:
        return []
    value, why = f"up to {100 * job.slope:.0f} %", f"above {100 * STEEPEST:.0f} % no lowest pressure is advised"
    return [Note("warned", f"field {job.field.key}: slope", value, f"{why}; part-filled tanks surge", "elevation")]


def _gateways(farm: Farm, field: Field, asked: Mapping[str, Any]) -> list[str]:
    """Return the field's gateways that may be used: those named, or all where none of it is named."""
    mine = [gate.key for gate in field.gateways]
    fields = [field, *(farm.fields[key] for key in asked.get("field", ()) if key in farm.fields)]
    named = known("--gateway", asked["gateway"], {gate.key for one in fields for gate in one.gateways})
    return [key for key in named if key in mine] or mine


def _with_heap(job: SpreadJob, asked: Mapping[str, Any]) -> SpreadJob:
    """Return the job with the loader's shuttles and the lorries' trips, where they were named."""
    outfits = {}
    for option, name in (("--loader", asked["loader"]), ("--brought-by", asked["brought_by"])):
        if name is None:
            continue
        outfits[option] = job.farm.outfits[known(option, [name], job.farm.outfits)[0]]
        if job.fill.kind != "heap" or job.fill.xy is None:
            raise refuse("there is no heap", option, asked["fill_at"], "--fill-at heap@x,y", "say where the heap lies")
        if outfits[option].capacity_kg <= 0:
            raise refuse("this outfit carries nothing", option, name, "an outfit with capacity_t (of its bucket or body)",
                         f"add capacity_t to outfits/{name}.toml")  # fmt: skip
    if not outfits or job.fill.xy is None:
        return job
    ground = job.spread_on if job.spread_on is not None else job.field.polygon
    also, more = heap_jobs(
        job.farm, job.field, job.operation, job.fill.xy, (job.operation.rate_kg_m2 or 0.0) * ground.area,
        outfits.get("--loader"), outfits.get("--brought-by"),
    )  # fmt: skip
    return replace(job, also=also, notes=(*job.notes, *more))


def _open_ground(surface: str | None) -> None:
    if surface is None:
        return
    (word,) = known("--surface", [surface], SURFACES)
    raise refuse(
        "spreading is refused on this ground", "--surface", word,
        "soil that is neither waterlogged nor frozen nor under snow", "choose another day; local rules decide",
    )  # fmt: skip


def rate_of(folder: Path, outfit: Outfit, text: str, job: str | None, notes: list[Note]) -> tuple[float, float | None]:
    """Return the rate [kg/m2], and the product's density where it is known [kg/m3]."""
    ledger = Ledger(folder)
    amount = parse_amount(
        ledger, re.sub(r"^([\d.,]+)(?=[a-zA-Z])", r"\1 ", text.strip()), "option --rate", per_area=True
    )
    if amount is None:
        raise InputError(ledger.problems)
    value, is_volume = amount
    density = outfit.density_kg_m3
    if density is None and (name := defaults.density_key(job or "")) is not None:
        density = defaults.number(name) * 1e3
        notes.append(defaults.note(name, "the rate"))
    if is_volume:
        if density is None:
            raise refuse("a volume whose density is not known", "--rate", text, "t/ha, or a density",
                         "write t/ha, add density_t_m3 to the outfit, or name the product with --job")  # fmt: skip
        value *= density
    if not RATES[0] <= value <= RATES[1]:
        raise refuse("rate out of range", "--rate", f"{text}: {value * 10:g} t/ha",
                     f"{RATES[0] * 10:g} to {RATES[1] * 10:g} t/ha", "check number and unit")  # fmt: skip
    return value, density


def _is_volume(rate: str) -> bool:
    """Return whether a rate that could be read is a volume."""
    return any(unit in rate.lower() for unit in ("m3", "m³", "gal", "l/"))


def _full_load(outfit: Outfit, asked_t: float | None, density: float | None, notes: list[Note]) -> float:
    """Return the largest load that is allowed [kg]: by mass, by volume and by the plates, or the one asked for."""
    if outfit.capacity_kg <= 0:
        raise refuse("this outfit carries nothing", "--outfit", outfit.key, "an outfit with capacity_t",
                     f"add capacity_t to outfits/{outfit.key}.toml, or name another outfit")  # fmt: skip
    load = outfit.capacity_kg
    if asked_t is not None:
        load = asked_t * 1e3
        if not 0 < load <= LOAD_MOST * outfit.capacity_kg:
            raise refuse("the load does not suit the outfit", "--load", f"{asked_t:g} t",
                         f"more than 0 and at most {LOAD_MOST:g} times its {outfit.capacity_kg / 1e3:.1f} t",
                         "give tonnes")  # fmt: skip
    if outfit.body_m3 is not None and density is not None and outfit.body_m3 * density < load:
        load = outfit.body_m3 * density
        why = f"{outfit.body_m3:g} m3 at {density / 1e3:g} t/m3: the body is full before the mass allowed is reached"
        notes.append(Note("warned", f"outfit {outfit.key}: load", f"{load / 1e3:.1f} t", why))
    if over_plate(outfit, load):
        most = most_within_plates(outfit, load)
        if asked_t is not None or most <= 0:
            raise refuse("an axle over its plate", "--load", f"{load / 1e3:g} t", f"at most {most / 1e3:.1f} t",
                         "load less, or check the weights of the outfit")  # fmt: skip
        notes.append(Note("warned", f"outfit {outfit.key}: load", f"{most / 1e3:.1f} t",
                          "more would put an axle over its plate", f"outfits/{outfit.key}.toml"))  # fmt: skip
        load = most
    return load


def _day(farm: Farm, field: Field, asked: Mapping[str, Any], notes: list[Note]) -> dt.date:
    """Return the day asked for, else the one after all operations on all fields of the day."""
    text = asked["date"]
    if text is not None:
        try:
            day = dt.date.fromisoformat(text)
        except ValueError:
            raise refuse("not a date", "--date", text, "a day as YYYY-MM-DD", "write for example 2026-04-03") from None
        if day.year != farm.season:
            notes.append(Note("warned", "day of the job", day.isoformat(), f"not in the farm's season {farm.season}",
                              "option --date"))  # fmt: skip
        return day
    fields = {field.key, *asked.get("field", ())}
    days = [one.day for one in farm.operations if one.field in fields]
    day = max(days) + dt.timedelta(days=1) if days else dt.date(farm.season, 1, 1)
    notes.append(Note("assumed", f"field {field.key}: day of the job", day.isoformat(),
                      "no --date: after all operations of the season"))  # fmt: skip
    return day


def moisture_of(folder: Path, text: str | None) -> Moisture | None:
    """Return the soil's moisture that was asked for, None where none was."""
    if text is None:
        return None
    ledger = Ledger(folder)
    moisture = parse_moisture(ledger, text, "option --soil")
    if moisture is None:
        raise InputError(ledger.problems)
    return moisture


def _fill(farm: Farm, field: Field, asked: Mapping[str, Any], notes: list[Note]) -> Fill:
    """Return where the outfit is filled."""
    minutes = asked["fill_min"]
    if minutes is None:
        minutes = defaults.number("fill_min", farm.defaults)
        notes.append(defaults.note("fill_min", "each load", farm.defaults))
    if not 0 <= minutes <= 240:
        raise refuse("minutes out of range", "--fill-min", minutes, "0 to 240 minutes", "give the time of one filling")
    kind, _, place = asked["fill_at"].partition("@")
    kind = known("--fill-at", [kind.strip()], ("gateway", "yard", "trailer", "heap"))[0]
    seconds = minutes * 60.0
    if kind in ("trailer", "heap"):
        xy = point_of(farm, "--fill-at", place)
        away = min([field.polygon.distance(Point(xy)), *(track.line.distance(Point(xy)) for track in farm.tracks)])
        if away > FILL_AWAY_M:
            raise refuse("the fill point is far from field and tracks", "--fill-at", f"{place}: {away:.0f} m away",
                         f"a place within {FILL_AWAY_M:.0f} m", "check the coordinates")  # fmt: skip
        where = "in the field" if field.polygon.contains(Point(xy)) else "outside the field"
        return Fill(cast(Literal["trailer", "heap"], kind), xy, f"at the {kind} {where}", seconds)
    if place:
        raise refuse("a place that needs none", "--fill-at", asked["fill_at"], kind, "write @x,y after trailer or heap")
    if kind == "gateway":
        if not field.gateways:
            raise refuse("the field has no gateway", "--fill-at", "gateway", "a gateway in access.geojson",
                         "add one, or fill at the yard")  # fmt: skip
        return Fill("gateway", None, "at the gateway", seconds)
    return Fill("yard", None, "at the yard", seconds)


def point_of(farm: Farm, option: str, text: str) -> tuple[float, float]:
    """Return a place written as x,y in the farm's CRS, or as longitude,latitude."""
    match = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*,\s*(-?\d+(?:\.\d+)?)\s*", text)
    if match is None:
        raise refuse("not a place", option, text or "nothing", "x,y in metres of the farm's CRS, or longitude,latitude",
                     "write for example heap@24.9012,55.3021")  # fmt: skip
    x, y = float(match[1]), float(match[2])
    if abs(x) <= 180 and abs(y) <= 90:
        x, y = Transformer.from_crs(CRS("EPSG:4326"), CRS(farm.crs), always_xy=True).transform(x, y)
    return x, y


def strips_of(farm: Farm, field: Field, keeps: Sequence[str]) -> tuple[tuple[Unspread, ...], list[Note]]:
    """Return the ground that may not be spread, and what was assumed of distances.

    `keeps` are the person's own distances for this product, KIND:METRES; the others are the farm's, or cautious ones.
    """
    own: dict[str, float] = {}
    for text in keeps:
        match = re.fullmatch(r"\s*([a-z_]+)\s*:\s*(\d+(?:\.\d+)?)\s*m?\s*", text)
        if match is None or float(match[2]) > 1000:
            raise refuse("not a distance", "--keep", text, "a kind, a colon and metres", "write --keep watercourse:6")
        own[known("--keep", [match[1]], KEEPS)[0]] = float(match[2])
    given = {**farm.defaults, **{f"distance_{kind}_m": metres for kind, metres in own.items() if kind != "boundary"}}
    found, notes = forbidden(farm.places, field.polygon, given)
    strips = [
        Unspread(one.area, one.area.area, f"{one.kind.replace('_', ' ')} {one.place.key}: {one.distance_m:g} m kept")
        for one in found
    ]
    if own.get("boundary", 0.0) > 0:
        edge = as_area(field.polygon.difference(field.polygon.buffer(-own["boundary"])))
        strips.append(Unspread(edge, edge.area, f"boundary: {own['boundary']:g} m kept"))
    asked = {f"distance_{kind}_m" for kind in own}
    told = [
        Note(note.kind, note.what, note.value, "asked for", "option --keep") if _is(note, asked) else note
        for note in notes
    ]
    return tuple(strips), told


def _is(note: Note, keys: set[str]) -> bool:
    return any(defaults.DEFAULTS[key].what in note.what for key in keys if key in defaults.DEFAULTS)


def _units(farm: Farm, field: Field) -> tuple[SoilUnit, ...]:
    """Return the soil units of which at least a hundredth of the field consists."""
    keys = [unit for unit, share in soil_shares(farm, field).items() if share >= SOIL_SHARE] or list(farm.soil_units)
    return tuple(farm.soil_units[unit] for unit in sorted(keys))


def _slope(farm: Farm, field: Field) -> float:
    """Return the steepest slope of the field (rise over run), 0 where no heights are known."""
    if farm.elevation is None:
        return 0.0
    from trafficplan.farm.elevation import slopes_within

    found = slopes_within(farm.elevation, field.polygon)
    return float(found.max()) if found.size else 0.0


def check_take(farm: Farm, asked: Mapping[str, Any]) -> None:
    """Refuse a plan that could not be taken into the farm folder, before it is worked out."""
    if asked["take"] is None:
        return
    letters = ascii_uppercase[: asked["alternatives"]]
    if len(asked["take"]) != 1 or asked["take"].upper() not in letters:
        raise refuse("no such alternative", "--take", asked["take"] or "nothing", f"one letter from A to {letters[-1]}",
                     "look at the table first, then take a letter of it")  # fmt: skip
    name = asked["take_as"]
    if not re.fullmatch(r"\w[\w -]{0,59}", name):
        raise refuse("not a name", "--take-as", name or "nothing", "up to 60 letters, digits, spaces, - and _",
                     "give the operation a plain name")  # fmt: skip
    names = [name] if len(asked["field"]) == 1 else [f"{name} {field}" for field in asked["field"]]
    taken = {operation.key for operation in farm.operations} | set(farm.plans)
    for one in names:
        if one in taken or f"{one} as before" in farm.scenarios:
            raise refuse("a name that is there already", "--take-as", one, "a name that no operation, plan or scenario has",
                         "give another name")  # fmt: skip


def check_numbers(asked: Mapping[str, Any]) -> None:
    """Refuse numbers of options that make no sense."""
    bounds = (
        ("alternatives", "--alternatives", 2, 26), ("candidates", "--candidates", 1, 2000), ("cell_m", "--cell", 0.1, 10),
        ("hours", "--hours", 0.1, 24 * 14), ("heading_deg", "--heading", 0, 360),
    )  # fmt: skip
    for key, option, low, high in bounds:
        value = asked[key]
        if value is not None and not low <= value <= high:
            raise refuse("number out of range", option, value, f"{low:g} to {high:g}", "give a number in this range")
