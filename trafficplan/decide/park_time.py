"""When the served outfit comes to the trailer, and how long it waits while the trailer is away."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trafficplan.routes.passes import Drive

#: A change of the load on board by less than this is no refill [kg].
LEAST_KG = 1.0


@dataclass(frozen=True)
class Refills:
    """Refills (or unloadings) in the order of driving.

    Attributes
    ----------
    times_s : end of each, since the start of the job [s]
    amounts_kg : product moved over
    vertices : of the drive, at which each begins
    """

    times_s: NDArray[np.float64]
    amounts_kg: NDArray[np.float64]
    vertices: NDArray[np.int64]


def refills_of(drive: Drive, fills: bool) -> Refills:
    """Return where the load on board jumps back: up where it empties (the first load among them), down where it fills.

    Parameters
    ----------
    fills : the load grows with the work (harvest); what is on board at the end is unloaded too

    Examples
    --------
    >>> import numpy as np
    >>> load = np.array([0.0, 500.0, 1000.0, 0.0, 500.0])
    >>> none = np.zeros(5, dtype=np.int8)
    >>> way = np.column_stack([np.arange(5.0), np.zeros(5)])
    >>> drive = Drive("x", way, np.arange(5.0), load, none, none, 3.0, 1, 0.0, 0.0)
    >>> refills_of(drive, fills=True).amounts_kg.tolist()
    [1000.0, 500.0]
    """
    sign = -1.0 if fills else 1.0
    change = sign * np.diff(drive.load_kg)
    starts, ends, amounts = [], [], []
    rising = np.flatnonzero(change > 1e-9)
    for group in np.split(rising, np.flatnonzero(np.diff(rising) > 1) + 1) if len(rising) else []:
        amount = float(change[group].sum())
        if amount > LEAST_KG:
            starts.append(int(group[0]))
            ends.append(float(drive.time_s[group[-1] + 1]))
            amounts.append(amount)
    if fills and len(drive.load_kg) and drive.load_kg[-1] > LEAST_KG:
        starts.append(len(drive.load_kg) - 1)
        ends.append(float(drive.time_s[-1]))
        amounts.append(float(drive.load_kg[-1]))
    if not fills and len(drive.load_kg) and drive.load_kg[0] > LEAST_KG:
        starts.insert(0, 0)
        ends.insert(0, float(drive.time_s[0]))
        amounts.insert(0, float(drive.load_kg[0]))
    return Refills(np.array(ends), np.array(amounts), np.array(starts, dtype=np.int64))


def scaled(found: Refills, need_kg: float) -> Refills:
    """Return refills whose amounts add up to the product of the whole job: a drive overlaps, or leaves corners.

    Examples
    --------
    >>> scaled(Refills(np.zeros(2), np.array([30.0, 10.0]), np.arange(2)), 20.0).amounts_kg.tolist()
    [15.0, 5.0]
    """
    whole = float(found.amounts_kg.sum())
    return found if whole <= 0 else replace(found, amounts_kg=found.amounts_kg * (need_kg / whole))


def waiting_s(refills: Refills, trailer_kg: float, away_s: float, trailers: int) -> float:
    """Return how long the served outfit waits in all [s].

    One trailer stands ready at the start; the others come right behind it. One that can give (or take) no more goes, is
    back ready after `away_s`, and the next ready one takes its place.

    Examples
    --------
    >>> two = Refills(np.array([0.0, 600.0, 1200.0]), np.full(3, 4e3), np.arange(3))
    >>> waiting_s(two, 8e3, 900.0, 1), waiting_s(two, 8e3, 900.0, 2), waiting_s(two, 4e3, 900.0, 1)
    (300.0, 0.0, 600.0)
    """
    ready = [0.0] * (trailers - 1)  # when each other trailer can take the place
    left, waited = trailer_kg, 0.0
    amounts = refills.amounts_kg.tolist()
    for number, (time, amount) in enumerate(zip(refills.times_s.tolist(), amounts, strict=True)):
        need = amount
        while need > 1e-6:
            if left <= 1e-6:
                ready.sort()
                wait = max(0.0, ready.pop(0) - (time + waited))
                waited += wait
                left = trailer_kg
            take = min(left, need)
            left, need = left - take, need - take
            if left <= 1e-6 and (need > 1e-6 or number + 1 < len(amounts)):
                ready.append(time + waited + away_s)
    return waited
