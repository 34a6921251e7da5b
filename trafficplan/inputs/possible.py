"""Values of a recorded log that no machine and no calendar has: single ones are left out, many are asked about."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from trafficplan.inputs.recording import Floats, Recording, count_note, refused

#: Share of a column's values beyond what is possible at which the column is in another unit.
_MANY = 0.5


@dataclass(frozen=True)
class _Most:
    """The most that a column can hold, in SI and in words, and the unit that is asked about (ours)."""

    value: float
    words: str
    unit: str


#: Wide enough for every machine: above them a value is in another unit, or damaged (ours).
_MOST = {
    "time": _Most(4_102_444_800.0, "stamps before the year 2100", "ms"),
    "load": _Most(100_000.0, "at most 100 t on board", "kg"),
    "flow": _Most(1_000.0, "a flow of at most 1,000 kg/s", "kg/s"),
    "width": _Most(100.0, "a working width of at most 100 m", "cm"),
}


def only_possible(recording: Recording) -> Recording:
    """Return the recording without values that cannot be.

    Raises
    ------
    InputError
        Half of a column or more cannot be: it is in another unit.
    """
    columns = dict(recording.columns)
    notes = list(recording.notes)
    for name, most in _MOST.items():
        if name not in columns:
            continue
        values: Floats = columns[name]
        beyond = np.abs(values) > most.value
        count, known = int(beyond.sum()), int(np.isfinite(values).sum())
        if not count:
            continue
        if count >= _MANY * known:
            raise refused(
                f"values of {name} that cannot be",
                recording.where,
                f"{count} of {known}, such as {values[beyond][0]:.6g} in SI units",
                most.words,
                f'tell the unit in farm.toml, table tracks: {name} = {{ column = "...", unit = "{most.unit}" }}',
            )
        columns[name] = np.where(beyond, np.nan, values)
        notes += count_note(recording.where, f"values of {name} that cannot be", count, known, f"needed: {most.words}")
    return replace(recording, columns=columns, notes=tuple(notes))
