"""`trafficplan beneath`: what wheels do to the soil beneath them, without a farm folder."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand

from trafficplan.cli.answer import Json, answer, app

if TYPE_CHECKING:
    from trafficplan.decide.beneath import Ground, Models, WheelAnswer

#: Options that belong to one wheel; all others hold for all wheels.
WHEEL_OPTIONS = ("tyre", "track", "track_width", "load_kg", "pressure_bar", "dual", "furrow", "gauge_celsius")

_ORDER = "trafficplan.beneath.order"


class _InOrder(TyperCommand):
    """Remembers in which order the options came, since each --tyre starts a new wheel."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Join the two values of --track, note the order, then parse as usual."""
        joined, rest = [], list(args)
        while rest:
            word = rest.pop(0)
            joined.append(word)
            if word == "--track" and len(rest) >= 2 and not rest[1].startswith("--"):
                joined.append(f"{rest.pop(0)} {rest.pop(0)}")
        _, _, order = self.make_parser(ctx).parse_args(args=list(joined))
        ctx.meta[_ORDER] = [param.name for param in order if param.name in WHEEL_OPTIONS]
        return super().parse_args(ctx, joined)


@dataclass
class _Row:
    """The options of one wheel as they were written."""

    given: dict[str, str] = field(default_factory=dict)
    twice: list[str] = field(default_factory=list)
    last: str = ""


@app.command("beneath", cls=_InOrder)
def beneath_command(
    ctx: typer.Context,
    tyre: Annotated[
        list[str] | None, typer.Option(help="Size code; each --tyre starts a new wheel.", metavar="CODE")
    ] = None,
    load_kg: Annotated[
        list[str] | None,
        typer.Option(help="Load on this wheel, kg; of a dual on both tyres together.", metavar="KG"),
    ] = None,
    pressure_bar: Annotated[list[str] | None, typer.Option(help="Cold inflation pressure, bar.", metavar="BAR")] = None,
    dual: Annotated[
        list[str] | None, typer.Option(help="A dual: gap between the two side walls, m.", metavar="GAP")
    ] = None,
    track: Annotated[
        list[str] | None,
        typer.Option(help="A rubber track: length on the ground, m, and number of rollers.", metavar="LENGTH ROLLERS"),
    ] = None,
    track_width: Annotated[
        list[str] | None,
        typer.Option(
            help="Width of the belt, m; without it that of --tyre. Starts a new wheel after a --tyre.",
            metavar="WIDTH",
        ),
    ] = None,
    furrow: Annotated[
        int,
        typer.Option(
            "--furrow",
            show_default=False,
            count=True,
            help="This wheel runs in the open furrow, as deep as --till.",
            metavar="",
        ),
    ] = 0,
    gauge_celsius: Annotated[
        list[str] | None,
        typer.Option(help="The gauge was read at this tyre temperature; 20 is cold.", metavar="CELSIUS"),
    ] = None,
    soil: Annotated[
        str | None, typer.Option(help="smears, moulds, crumbles, kPa of tension, or top:WORD,deep:WORD.")
    ] = None,
    texture: Annotated[str | None, typer.Option(help="USDA texture class.")] = None,
    strength_kpa: Annotated[float | None, typer.Option(help="Measured strength (precompression stress), kPa.")] = None,
    till: Annotated[float | None, typer.Option(help="Depth of the regular tillage, m; 0: none.")] = None,
    depths: Annotated[
        str | None, typer.Option(help="Depths, cm; else 10,20,35,50,70,100 and just below the tillage.")
    ] = None,
    area: Annotated[str | None, typer.Option(help="Contact area model by name (see `trafficplan sources`).")] = None,
    shape: Annotated[str | None, typer.Option(help="Shape of contact stress: quartic, uniform, parabolic.")] = None,
    nu: Annotated[
        float | None, typer.Option(help="Concentration factor, 3 to 6, in place of the one by moisture.")
    ] = None,
    plot: Annotated[Path | None, typer.Option(help="Write a picture: FILE.png or FILE.svg.")] = None,
    as_json: Json = False,
) -> None:
    """Tell what wheels do to the soil: contact, stress with depth, strength, chance, depth reached.

    Each --tyre starts a new wheel with its own --load-kg, --pressure-bar, --dual, --track, --furrow and
    --gauge-celsius; the other options hold for all wheels. No pressure is advised here.
    """
    written = {
        "tyre": tyre,
        "load_kg": load_kg,
        "pressure_bar": pressure_bar,
        "dual": dual,
        "track": track,
        "track_width": track_width,
        "furrow": ["yes"] * furrow,
        "gauge_celsius": gauge_celsius,
    }
    rows = _rows(ctx.meta[_ORDER], {name: list(values or ()) for name, values in written.items()})
    inputs: dict[str, Any] = {
        "wheels": [row.given for row in rows],
        "soil": soil,
        "texture": texture,
        "strength_kpa": strength_kpa,
        "till_m": till,
        "depths_cm": depths,
        "area": area,
        "shape": shape,
        "nu": nu,
        "plot": str(plot) if plot else None,
    }
    answer("beneath", inputs, as_json, lambda: _beneath(rows, inputs))


def _rows(order: Sequence[str], written: Mapping[str, list[str]]) -> list[_Row]:
    """Return the wheels: each --tyre starts one, and so does a --track or --track-width that does not fit."""
    left = {name: list(values) for name, values in written.items()}
    rows = [_Row()]
    for name in order:
        row, value = rows[-1], left[name].pop(0)
        if (
            (name == "tyre" and row.given.keys() & {"tyre", "track"})
            or (name == "track" and "track" in row.given)
            or (name == "track_width" and row.given.keys() & {"tyre", "track_width"})
        ):
            rows.append(_Row())
            if name == "track_width" and row.last == "track":  # `--track L N --track-width W` stays together
                rows[-1].given["track"] = row.given.pop("track")
        row = rows[-1]
        if name in row.given:
            row.twice.append(name)
        row.given[name] = value
        row.last = name
    return rows


def _beneath(rows: Sequence[_Row], asked: Mapping[str, Any]) -> dict[str, Any]:
    from trafficplan.cli.wheels import ground_asked, models_asked, wheels_asked
    from trafficplan.decide.beneath import stress_beneath, usual_depths
    from trafficplan.report.beneath_words import in_words

    ground, assumed = ground_asked(asked)
    wheels, notes = wheels_asked([(row.given, row.twice) for row in rows], ground)
    models = models_asked(asked)
    depths = _depths_asked(asked["depths_cm"]) or usual_depths(ground.tillage_m)
    answers = [stress_beneath(wheel, ground, depths, models) for wheel in wheels]
    told: dict[str, Any] = {"wheels": [_as_dict(one) for one in answers]}
    smears: list[WheelAnswer] = []
    if asked["soil"] is None:
        smears = _if_it_smears(answers, ground, depths, models)
        told["wheels_if_soil_smears"] = [_as_dict(one) for one in smears]
    every = sorted({*assumed, *notes, *(note for one in answers for note in one.notes)})
    if asked["plot"] is not None:
        from trafficplan.report.beneath_chart import write_beneath_chart

        write_beneath_chart(answers, ground, Path(asked["plot"]))
        told["plot"] = asked["plot"]
    return {
        "result": told,
        "text": in_words(answers, smears, ground, every),
        "assumptions": [note.as_dict() for note in every if note.kind == "assumed"],
        "warnings": [note.as_dict() for note in every if note.kind != "assumed"],
    }


def _depths_asked(text: str | None) -> tuple[float, ...] | None:
    from trafficplan.cli.asked import depths_of

    return None if text is None else depths_of(text)


def _if_it_smears(
    answers: Sequence[WheelAnswer], ground: Ground, depths: Sequence[float], models: Models
) -> list[WheelAnswer]:
    """Return the answers for the wettest word: moisture was not told."""
    from dataclasses import replace

    from trafficplan.decide.beneath import stress_beneath
    from trafficplan.soil.moisture import HAND_TEST

    wet = replace(ground, top_pa=HAND_TEST["smears"], deep_pa=HAND_TEST["smears"])
    return [stress_beneath(one.case, wet, depths, models) for one in answers]


def _as_dict(one: WheelAnswer) -> dict[str, Any]:
    """Return one wheel as it stands in the JSON result."""
    from trafficplan.units import BAR, GRAVITY, KPA

    case = one.case
    return {
        "wheel": case.tyre.code, "load_kg": round(case.load_n / GRAVITY, 3),
        "pressure_bar": round(case.pressure_pa / BAR, 4) if case.tyre.kind == "tyre" else None,
        "tyres": case.tyres, "dual_gap_m": case.dual_gap_m, "furrow_m": case.furrow_m,
        "contact_area_m2": round(one.area_m2, 5),
        "mean_contact_stress_kpa": round(one.mean_pa / KPA, 3),
        "peak_contact_stress_kpa": round(one.peak_pa / KPA, 3),
        "topsoil_stress_kpa": round(one.topsoil_pa / KPA, 3),
        "words_follow": one.governs,
        "depths": [
            {
                "depth_m": row.depth_m, "layer": row.layer, "stress_kpa": round(row.stress_pa / KPA, 3),
                "stress_upper_kpa": round(row.upper_pa / KPA, 3),
                "stress_lowest_kpa": round(row.lowest_pa / KPA, 3),
                "stress_highest_kpa": round(row.highest_pa / KPA, 3),
                "strength_kpa": round(row.strength_pa / KPA, 3),
                "strength_low_kpa": round(row.strength_low_pa / KPA, 3),
                "strength_high_kpa": round(row.strength_high_pa / KPA, 3),
                "ratio": round(row.ratio, 4), "chance": round(row.chance, 4), "step": row.step,
            }
            for row in one.depths
        ],
        "depth_reached_m": round(one.reached_m, 4),
    }  # fmt: skip
