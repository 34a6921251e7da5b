"""The outfit: the whole rolling combination, front to back, as plain data in SI units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from trafficplan.machines.tyre import Tyre
from trafficplan.names import Note


@dataclass(frozen=True)
class Wheel:
    """One wheel (or one track) of an axle: its tyre and the lateral offset of its centre, left positive
    [m]."""

    tyre: Tyre
    offset_m: float


@dataclass(frozen=True)
class Axle:
    """One axle and what it carries.

    Attributes
    ----------
    key : unique in the outfit ("front", "rear", "trailer 1")
    behind_m : distance behind the vehicle's reference point (the rear or only fixed axle; negative = ahead)
    [m] wheels : wheels or tracks, both sides; loads are shared equally unless `shares` says otherwise
    empty_n, full_n : axle load with the body empty and at the outfit's capacity [N]
    field_pa, track_pa : cold inflation pressure in the field and on the track [Pa]
    adjust : how the pressure can be changed
    adjust_min : minutes to change it once
    least_field_pa, least_track_pa : the person's own least pressure for stability [Pa], or None
    plated_n : plated (legal or maker's) axle limit [N], or None
    steering : "follow" (rigid or steered to follow), "offset" or "crab"
    offset_m : lateral offset of the axle in work when steering is offset or crab [m]
    """

    key: str
    behind_m: float
    wheels: tuple[Wheel, ...]
    empty_n: float
    full_n: float
    field_pa: float
    track_pa: float
    adjust: Literal["none", "hose", "central"] = "none"
    adjust_min: float = 0.0
    least_field_pa: float | None = None
    least_track_pa: float | None = None
    plated_n: float | None = None
    steering: Literal["follow", "offset", "crab"] = "follow"
    offset_m: float = 0.0


@dataclass(frozen=True)
class Vehicle:
    """One vehicle of the outfit.

    The path of a powered vehicle is that of its reference point; a drawn vehicle follows the hitch in front
    of it by a tractrix of length `drawbar_m`.

    Attributes
    ----------
    kind : "powered", "drawn", or "carried" (mounted: moves rigidly with the vehicle before it)
    drawbar_m : hitch eye to the drawn vehicle's reference point [m]; 0 for powered
    hitch_behind_m : the vehicle's own rear hitch behind its reference point [m]
    hitch_limit_n : plated vertical hitch limit [N], or None
    """

    key: str
    kind: Literal["powered", "drawn", "carried"]
    axles: tuple[Axle, ...]
    drawbar_m: float = 0.0
    hitch_behind_m: float = 1.0
    hitch_limit_n: float | None = None


@dataclass(frozen=True)
class Outfit:
    """The whole rolling combination.

    Attributes
    ----------
    capacity_kg : mass of product at which the axles carry `full_n`; 0 if the outfit carries none
    density_kg_m3 : density of the product carried, or None
    body_m3 : what the body or tank holds, or None; light product fills it before the mass allowed is reached
    width_m : working width [m]
    radius_m : least turning radius of the powered vehicle's reference point [m]
    empties : how the body empties: "front", "rear", "even"
    field_m_s, track_m_s : usual speeds [m/s]
    antenna_behind_m : antenna behind the powered vehicle's reference point (negative = ahead) [m]
    notes : what was assumed when the outfit was read
    """

    key: str
    title: str
    vehicles: tuple[Vehicle, ...]
    capacity_kg: float = 0.0
    density_kg_m3: float | None = None
    width_m: float = 3.0
    radius_m: float = 8.0
    empties: Literal["front", "rear", "even"] = "even"
    field_m_s: float = 2.2
    track_m_s: float = 5.5
    antenna_behind_m: float = 0.0
    notes: tuple[Note, ...] = ()
    body_m3: float | None = None

    def axles(self) -> tuple[Axle, ...]:
        """Return all axles, front to back."""
        return tuple(axle for vehicle in self.vehicles for axle in vehicle.axles)
