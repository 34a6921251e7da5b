"""The answer about pressures as data (--json), and as text for the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from trafficplan.decide.advice import Advice, moisture_line, place
from trafficplan.decide.pressure import AxleFigures, AxleRows, Ladder, Setting, days_of, ladder_of
from trafficplan.decide.rolling import SLIP_SHEARS
from trafficplan.decide.trip import STEEPEST, Hitch, hitch_load, limits, steering_share
from trafficplan.farm.farm import Farm
from trafficplan.farm.seen import Seen
from trafficplan.machines.tyre_table import TyreRow
from trafficplan.names import Note
from trafficplan.report.cautions import Caution, cautions_for
from trafficplan.report.pressure_words import answer_lines, no_pressure_reason
from trafficplan.soil.unit import SoilUnit
from trafficplan.units import BAR, GRAVITY, KM_H, KPA, PSI, pressure_text

#: Chance from which the scale counts as full (ours).
FULL_SCALE = 0.85


@dataclass(frozen=True)
class Told:
    """All that is told: one advice per load, the heaviest last; it is the one that leads."""

    farm: str
    units: str
    field: str
    advices: tuple[Advice, ...]
    ladders: tuple[Ladder, ...]
    hitch: Hitch | None
    words: Mapping[str, str]
    seen: tuple[Seen, ...]
    notes: tuple[Note, ...]
    cautions: tuple[Caution, ...]

    def lead(self) -> Advice:
        """Return the advice of the heaviest load."""
        return self.advices[-1]


def tell(farm: Farm, field: str, advices: Sequence[Advice], words: Mapping[str, str], notes: Sequence[Note]) -> Told:
    """Gather all that is told of some loads (lighter first) in one place."""
    lead = advices[-1]
    question = lead.question
    days, more = days_of(question)
    gathered = [*notes, *more, *_model_notes(lead)]
    hitch = hitch_load(question.outfit, question.load_kg, farm.defaults)
    if hitch is not None:
        gathered.append(hitch[1])
    gathered += limits(question.outfit, question.load_kg, hitch[0] if hitch else None, lead.shift_n())
    gathered += _set_too_low(lead)
    ladders = [ladder_of(question, rows, days) for rows in lead.rows]
    seen = [one for one in farm.seen if one.outfit == question.outfit.key and field in ("", one.field)]
    situations = {"chance", "hitch", "slope"} | ({"pressure"} if lead.advised() else set())
    if any(no_pressure_reason(rows, question.legs).startswith("no maker") for rows in lead.rows):
        situations.add("no_table")
    if lead.verdict.chance >= FULL_SCALE and all(unit_is_assumed(unit) for unit in question.units):
        situations.add("full_scale")
    return Told(
        farm.title,
        farm.units,
        field,
        tuple(advices),
        tuple(one for one in ladders if one is not None),
        hitch[0] if hitch else None,
        words,
        tuple(seen),
        tuple(dict.fromkeys(gathered)),
        cautions_for(situations),
    )


def unit_is_assumed(unit: SoilUnit) -> bool:
    """Return whether no horizon of a soil has a measured strength."""
    return all(horizon.strength_pa is None for horizon in unit.horizons)


def _model_notes(advice: Advice) -> list[Note]:
    """Return what the figures beside stress rest on."""
    notes = [
        Note("assumed", "cone index of the ground", "soft, tilled or firm by moisture", "not measured",
             "memory: classes of ASAE D497; which word stands for which is ours"),
        Note("assumed", "fuel", "0.27 l/kWh at the engine, 85 % to the axles", "for rolling and pulling alone",
             "memory"),
        Note("assumed", "hitch height", "0.5 m", "for what the pull shifts to the rear axle",
             "common practice, no source"),
    ]  # fmt: skip
    if any(rows.derate < 1 for rows in advice.rows):
        notes.append(Note("assumed", "duals and triples", "0.88 and 0.82 of the table each", "they share unevenly",
                          "memory: US Tire and Rim Association"))  # fmt: skip
    if advice.question.tills and advice.question.draft_n == 0:
        notes.append(Note("warned", "draft of the implement", "not given", "slip, fuel and the pull's shift are too "
                          "low; give --pull-kn", ""))  # fmt: skip
    slip = advice.chosen.rolling.slip
    if slip is None or slip > SLIP_SHEARS:
        value = "over 30 %" if slip is None else f"{100 * slip:.0f} %"
        notes.append(Note("warned", "slip", value, "slip above 15 % shears and smears the topsoil", "Brixius 1987"))
    return notes


def _set_too_low(advice: Advice) -> list[Note]:
    """Return a warning for each axle whose pressure in the outfit's file is below its table."""
    notes = []
    for rows in advice.rows:
        for leg in advice.question.legs:
            row = rows.rows[leg.name]
            given = rows.axle.field_pa if leg.on_soil else rows.axle.track_pa
            if isinstance(row, TyreRow) and given < row.pressure_pa - 1.0 and rows.one_pa is not None:
                notes.append(
                    Note("warned", f"axle {rows.axle.key}, {leg.name}: pressure in the outfit's file",
                         pressure_text(given), f"below the table: {pressure_text(row.pressure_pa)} for "
                         f"{row.load_kg:.0f} kg at {row.speed_m_s / KM_H:.0f} km/h", "tyre_tables.csv")
                )  # fmt: skip
    return notes


def result_of(told: Told) -> dict[str, Any]:
    """Return the answer as plain data; names end with their unit."""
    lead = told.lead()
    question, verdict, cost = lead.question, lead.verdict, lead.cost
    share = steering_share(question.outfit, question.load_kg, lead.shift_n())
    return {
        "answer": answer_lines(lead, told.units),
        "outfit": question.outfit.key,
        "field": told.field,
        "moisture": moisture_line(question.tension_pa),
        "tension_top_kpa": question.tension_pa[0] / KPA,
        "tension_deep_kpa": question.tension_pa[1] / KPA,
        "tillage_depth_m": question.tillage_m,
        "judged_depth_m": question.judged_m,
        "protect": lead.protect,
        "go": verdict.go,
        "go_chance": verdict.limit,
        "wait_for": verdict.wait_for,
        "lighter_load_t": None if verdict.lighter_kg is None else verdict.lighter_kg / 1e3,
        "change_pressure": lead.stop,
        "legs": [
            {"leg": leg.name, "speed_km_h": round(leg.speed_m_s / KM_H, 3), "on_soil": leg.on_soil}
            for leg in question.legs
        ],
        "loads": [_load(one) for one in told.advices],
        "ladders": [_ladder(one, question.depths_m) for one in told.ladders],
        "hitch": None
        if told.hitch is None
        else {
            "full_kg": told.hitch.full_n / GRAVITY,
            "empty_kg": told.hitch.empty_n / GRAVITY,
            "least_kg": told.hitch.least_n / GRAVITY,
            "limit_kg": None if told.hitch.limit_n is None else told.hitch.limit_n / GRAVITY,
        },
        "steering_axle_pct": None if share is None else 100 * share,
        "stop": None
        if cost is None
        else {
            "minutes_min": cost.minutes,
            "area_ha": cost.hectares,
            "standing_l": cost.standing_l,
            "saved_l": cost.saved_l,
            "saved_per": "load" if cost.per_load else "hour",
        },
        "slower_track": None
        if lead.slower is None
        else {
            "speed_km_h": round(lead.slower.speed_m_s / KM_H, 3),
            "one_pressure_bar": {key: round(value / BAR, 3) for key, value in lead.slower.one_pa.items()},
            "does_both": lead.slower.closes,
        },
        "more": {
            "lighter": None
            if lead.lighter is None
            else {"load_t": lead.lighter[0] / 1e3, **_state(lead, lead.lighter[1])},
            "twice_the_wheels": _state(lead, lead.doubled),
            "moisture": {word: _state(lead, one) for word, one in lead.words.items()},
        },
        "seen": [_seen(one) for one in told.seen],
        "cautions": [one.text for one in told.cautions],
    }


def _load(advice: Advice) -> dict[str, Any]:
    return {
        "load_t": advice.question.load_kg / 1e3,
        "governing_axle": advice.rows[advice.chosen.governing()].axle.key,
        "advised": _state(advice, advice.chosen),
        "let_down": _state(advice, advice.field),
        "one_pressure": _state(advice, advice.track),
        "as_given": _state(advice, advice.given),
        "axles": [_axle(advice, rows, figures) for rows, figures in zip(advice.rows, advice.chosen.axles, strict=True)],
    }


def _state(advice: Advice, setting: Setting) -> dict[str, Any]:
    k, half = place(advice.question, advice.question.judged_m), place(advice.question, 0.5)
    top, stress = place(advice.question, 0.10), setting.stress_pa() / KPA
    chance, soil = setting.judged()
    return {
        "stress_top_kpa": float(stress[top]),
        "stress_judged_kpa": float(stress[k]),
        "stress_half_metre_kpa": float(stress[half]),
        "depth_reached_m": setting.reach_m(),
        "chance": chance,
        "soil": soil,
        "slip_pct": None if setting.rolling.slip is None else 100 * setting.rolling.slip,
        "tractive_efficiency": setting.rolling.efficiency,
        "pull_kn": setting.rolling.pull_n / 1e3,
        "fuel_l_h": setting.rolling.litres_per_h,
    }


def _axle(advice: Advice, rows: AxleRows, figures: AxleFigures) -> dict[str, Any]:
    one, rolls = figures.rungs, advice.chosen.rolling
    i = next(k for k, other in enumerate(advice.rows) if other is rows)
    steep = advice.question.slope > STEEPEST
    return {
        "axle": rows.axle.key,
        "tyre": rows.axle.wheels[0].tyre.code,
        "adjust": rows.axle.adjust,
        "field_load_kg": rows.field.load_n / GRAVITY,
        "track_load_kg": rows.track.load_n / GRAVITY,
        "from_pull_kg": rows.field.pull_n / GRAVITY,
        "heaviest_at_t": rows.field.board_kg / 1e3,
        "wheel_load_kg": rows.field.wheel_n() / GRAVITY,
        "downhill_pct": 100 * rows.field.downhill,
        "derate": rows.derate,
        "rows": [
            {"leg": name, "load_kg": row.load_kg, "speed_km_h": round(row.speed_m_s / KM_H, 3),
             "pressure_bar": row.pressure_pa / BAR}
            if isinstance(row, TyreRow) and not steep
            else {"leg": name, "no_pressure": "slope" if isinstance(row, TyreRow) else row.reason}
            for name, row in rows.rows.items()
        ],
        "no_pressure": no_pressure_reason(rows, advice.question.legs),
        **_pressure("lowest_field", rows.field_pa),
        **_pressure("lowest_track", rows.track_pa),
        **_pressure("one", rows.one_pa),
        **_pressure("advised_field", rows.field_pa if advice.stop else rows.one_pa),
        **_pressure("advised_track", rows.track_pa if advice.stop else rows.one_pa),
        "contact_area_m2": float(one.area_m2[0]),
        "mean_contact_stress_kpa": float(one.mean_pa[0]) / KPA,
        "depth_reached_m": float(one.reach_m[0]),
        "chance_tilled": figures.tilled,
        "chance_deep": figures.deep,
        "chance_judged": figures.judged[0],
        "rolling_resistance_kn": rolls.resistance_n[i] / 1e3,
        "depths": [
            {"depth_m": float(depth), "stress_kpa": float(central) / KPA, "stress_upper_kpa": float(upper) / KPA,
             "chance": float(chance)}
            for depth, central, upper, chance in zip(
                advice.question.depths_m, one.stress_pa[0], one.upper_pa[0], figures.chance, strict=True
            )
        ],
    }  # fmt: skip


def _pressure(name: str, value: float | None) -> dict[str, float | None]:
    return {
        f"{name}_bar": None if value is None else round(value / BAR, 3),
        f"{name}_psi": None if value is None else round(value / PSI, 1),
    }


def _ladder(ladder: Ladder, depths_m: Any) -> dict[str, Any]:
    one = ladder.rungs
    return {
        "axle": ladder.rows.axle.key,
        "steps": [
            {
                "pressure_bar": round(float(p) / BAR, 3),
                "pressure_psi": round(float(p) / PSI, 1),
                "legs": list(ladder.legs[i]),
                "contact_area_m2": float(one.area_m2[i]),
                "mean_contact_stress_kpa": float(one.mean_pa[i]) / KPA,
                "depth_reached_m": float(one.reach_m[i]),
                "depths": [
                    {"depth_m": float(d), "stress_kpa": float(s) / KPA, "stress_upper_kpa": float(u) / KPA,
                     "chance": float(c)}
                    for d, s, u, c in zip(
                        depths_m, one.stress_pa[i], one.upper_pa[i], ladder.chance[i], strict=True
                    )
                ],
            }
            for i, p in enumerate(one.pressures_pa)
        ],
    }  # fmt: skip


def _seen(one: Seen) -> dict[str, Any]:
    return {
        "date": one.day.isoformat(),
        "field": one.field,
        "pressures_bar": {key: value / BAR for key, value in one.pressures_pa.items()},
        "rut_cm": None if one.rut_m is None else 100 * one.rut_m,
        "slip_pct": None if one.slip is None else 100 * one.slip,
        "surface": one.surface,
    }
