"""Notes and problems that say the same of many things, told once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from trafficplan.errors import Problem
from trafficplan.names import Note

#: From so many on they are told together; so many names are written out. Ours.
_MANY_NOTES, _MANY_PROBLEMS = 3, 4
_NAMED = 12
_SHOWN = 3


def alike_notes(notes: Sequence[Note]) -> list[Note]:
    """Return the notes, those that say the same of three or more things as one, in the order of the first.

    Examples
    --------
    >>> three = [Note("assumed", f"outfit {name}: antenna", "0 m", "not given") for name in "abc"]
    >>> [one.what for one in alike_notes(three)]
    ['3 outfits (a, b, c): antenna']
    """
    groups: dict[tuple[str, ...], list[Note]] = {}
    for note in notes:
        quantity = note.what.rpartition(": ")[2]
        groups.setdefault((note.kind, quantity, note.value, note.why, note.source), []).append(note)
    told: list[Note] = []
    for (_, quantity, *_), group in groups.items():
        things = list(dict.fromkeys(note.what.rpartition(": ")[0] for note in group))
        if len(things) < _MANY_NOTES or not all(things):
            told += group
        else:
            told.append(replace(group[0], what=f"{_together(things)}: {quantity}"))
    return told


def _together(things: Sequence[str]) -> str:
    """Return "3 outfits (a, b, c)" for outfit a, outfit b, outfit c; without a common word the things themselves."""
    word = things[0].partition(" ")[0]
    same = word.isalpha() and all(thing.startswith(f"{word} ") for thing in things)
    names = [thing.partition(" ")[2] if same else thing for thing in things]
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return f"{len(things)} {word if same else 'place'}s ({', '.join(names[:_NAMED])}{more})"


def alike_problems(problems: Sequence[Problem]) -> list[Problem]:
    """Return the problems, the same one at four or more places of one file as one, in the order of the first.

    Examples
    --------
    >>> many = [Problem("no name", f"a.csv, row {i}", "nothing", "a name", "write it") for i in range(2, 94)]
    >>> alike_problems(many)[0].where
    'a.csv, 92 places (row 2, row 3, row 4 and 89 more)'
    """
    groups: dict[tuple[str, ...], list[Problem]] = {}
    for one in problems:
        groups.setdefault((one.what, one.needed, one.where.partition(", ")[0]), []).append(one)
    told: list[Problem] = []
    for (_, _, file), group in groups.items():
        if len(group) < _MANY_PROBLEMS:
            told += group
            continue
        first = group[0]
        places = ", ".join(one.where.partition(", ")[2] for one in group[:_SHOWN])
        where = f"{file}, {len(group)} places ({places} and {len(group) - _SHOWN} more)"
        found = first.found if len({one.found for one in group}) == 1 else f"{first.found}, and the like"
        mend = first.mend if len({one.mend for one in group}) == 1 else f"{first.mend}; the others likewise"
        told.append(replace(first, where=where, found=found, mend=mend))
    return told
