"""What is asked about parking: the trailer, the outfit that it serves, the product, and whether it may be uncoupled."""

from __future__ import annotations

from dataclasses import dataclass, replace

from trafficplan.chain import Plan
from trafficplan.decide.trip import Hitch, hitch_load
from trafficplan.farm import defaults
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Operation
from trafficplan.machines.outfit import Outfit
from trafficplan.names import Note
from trafficplan.routes.parking import Bodies, bodies_of
from trafficplan.routes.parking_heap import Heap, with_heap
from trafficplan.soil.moisture import moisture_word
from trafficplan.units import GRAVITY

#: A hitch load below this counts as near zero: the trailer may tip back when it is uncoupled [N] (ours).
LEAST_HITCH_N = 300 * GRAVITY


@dataclass(frozen=True)
class ParkJob:
    """What is asked.

    Attributes
    ----------
    farm, field : as read; the outfits of both operations are the farm's
    trailer : the outfit that is parked, power unit and all
    operation : the job of the outfit that is served: rate, change ("empties": the trailer brings, "fills": it takes),
        day, moisture, drive
    plan : cell and depths
    need_kg : product of the whole job; trailer_kg : product of one trailer load
    uncoupled : it is left standing without its power unit
    count : places to look at
    pad_m : sides of what lies under the jack stand [m]
    stay_s : how long it stands each time, or None: as long as the job takes
    tension_pa : of the top and the deep layer, of the wettest soil under the field
    notes : what was assumed of the question
    heap : what stands in place of the trailer, which tips it (or fetches it) and drives away; None: the trailer stands
    """

    farm: Farm
    field: Field
    trailer: Outfit
    operation: Operation
    plan: Plan
    need_kg: float
    trailer_kg: float
    uncoupled: bool
    count: int
    pad_m: tuple[float, float]
    stay_s: float | None = None
    tension_pa: tuple[float, float] = (defaults.MOISTURE_PA, defaults.MOISTURE_PA)
    notes: tuple[Note, ...] = ()
    heap: Heap | None = None

    @property
    def minute_m2(self) -> float:
        """Lasting damage that weighs as much as a minute [m2]."""
        return defaults.number("minute_m2", self.farm.defaults)

    @property
    def fills(self) -> bool:
        """Whether the trailer is filled by the outfit that it serves (harvest), and leaves loaded."""
        return self.operation.change == "fills"

    @property
    def served(self) -> Outfit:
        """The outfit that is served."""
        return self.farm.outfits[self.operation.outfit]

    @property
    def thing(self) -> str:
        """What stands, in a word."""
        return "trailer" if self.heap is None else "heap"

    def bodies(self) -> tuple[Bodies, tuple[Note, ...]]:
        """Return what stands as rectangles, the outfit that brings a heap included, and what was assumed of it."""
        found, notes = bodies_of(self.trailer)
        return with_heap(found, self.heap), notes


@dataclass(frozen=True)
class Uncoupling:
    """Whether the trailer may be left without its power unit: hitch load while its load changes, and why not."""

    allowed: bool
    hitch: Hitch | None
    why: str


def uncoupling(job: ParkJob) -> tuple[Uncoupling, tuple[Note, ...]]:
    """Return whether the trailer may be uncoupled: refused where the hitch load comes near zero or below while the load
    changes.
    """
    if job.heap is not None:
        return Uncoupling(False, None, "a heap stands, no trailer"), ()
    found = hitch_load(job.trailer, job.trailer_kg, job.farm.defaults)
    if found is None:
        return Uncoupling(False, None, "the outfit draws nothing that could be left"), ()
    hitch, note = found
    if hitch.least_n < 0:
        return Uncoupling(False, hitch, "the trailer would tip back"), (note,)
    if hitch.least_n < LEAST_HITCH_N:
        return Uncoupling(False, hitch, "that is near zero: the trailer may tip back"), (note,)
    return Uncoupling(True, hitch, ""), (note,)


def bring(job: ParkJob) -> Operation:
    """Return the trailer's own operation: at road pressure, because it came by road."""
    pressures = {axle.key: axle.track_pa for axle in job.trailer.axles()}
    return replace(
        job.operation, key=f"{job.operation.key} trailer", job="trailer", outfit=job.trailer.key, rate_kg_m2=None,
        load_kg=None, change="constant", pressures_pa=pressures, width_m=None, till_depth_m=0.0, runs_at_depth_m=0.0,
    )  # fmt: skip


def farm_notes(job: ParkJob) -> tuple[Note, ...]:
    """Return what was assumed or warned of while the farm was read, as far as it concerns this field and its outfits.

    Recorded tracks are not driven here and are left out. Pressures are, too: the trailer stands at its road pressure, and none is named for a tyre without its table.
    """
    ours = (f"field {job.field.key}:", f"field {job.field.key},", *_starts(job.trailer), *_starts(job.served))
    others = ("field ", "outfit ", "operation ")
    return tuple(
        note
        for note in job.farm.notes
        if (note.what.startswith(ours) or not note.what.startswith(others))
        and not any(word in note.what for word in ("antenna", "pressure", "tracks/"))
    )


def _starts(outfit: Outfit) -> tuple[str, str]:
    return f"outfit {outfit.key}:", f"outfit {outfit.key},"


def top_word_of(job: ParkJob) -> str:
    """Return the hand-test word of the top layer, on which wheels pull."""
    return moisture_word(job.tension_pa[0])
