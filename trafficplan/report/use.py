"""One model or number in use, as the list of sources tells it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class InUse:
    """One model or number in use: what it is part of, its name, value in words, source and mark (`MARKS`)."""

    part: str
    name: str
    value: str
    source: str
    mark: str
