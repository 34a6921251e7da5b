"""An earlier audit of the same farm, read back and held against this one."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from trafficplan.decide.audit_rows import Row
from trafficplan.decide.audit_tables import against
from trafficplan.errors import InputError, Problem
from trafficplan.names import Note
from trafficplan.report.audit_files import AUDIT, plain_rows


def audits_in(folder: Path) -> list[dict[str, Any]]:
    """Return every audit.json of a result folder: its own, or those of several farms.

    Raises
    ------
    InputError
        There is no audit in the folder.
    """
    found = []
    for path in (folder / AUDIT, *sorted(folder.glob(f"*/{AUDIT}"))):
        try:
            told = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            continue
        if isinstance(told, dict) and isinstance(told.get("fields"), list):
            found.append(told)
    if found:
        return found
    raise InputError(
        Problem(
            "no earlier audit",
            "option --against",
            str(folder),
            f"a result folder of trafficplan audit, with {AUDIT}",
            "check the path; a result of trafficplan map is none",
        )
    )


def of_farm(audits: Sequence[Mapping[str, Any]], key: str, title: str) -> Mapping[str, Any] | None:
    """Return the audit of a farm among those of several: of the same name, as farm.toml gives it.

    Folders of two clients may be called alike, so the folder's name decides only between farms of one name.

    Examples
    --------
    >>> two = [{"farm": "home", "title": "Oak"}, {"farm": "home", "title": "Pine"}]
    >>> of_farm(two, "home", "Pine")["title"], of_farm(two, "home", "Elm")
    ('Pine', None)
    """
    named = [one for one in audits if one.get("title") == title]
    here = named if len(named) == 1 else [one for one in named if one.get("farm") == key]
    return here[0] if len(here) == 1 else None


def compared(
    rows: Sequence[Row], told: Mapping[str, Any] | None, season: str, cell_m: float
) -> tuple[dict[str, Any] | None, tuple[Note, ...]]:
    """Return the comparison with an earlier audit, field by field, and what is odd about it.

    Parameters
    ----------
    rows : the fields of this audit
    told : the farm's earlier audit; None: none was found
    season, cell_m : of this audit
    """
    what = "earlier year"
    if told is None:
        why = "nothing is compared: a farm is found again by its name in farm.toml"
        return None, (Note("warned", what, "no audit of this farm in the folder given", why),)
    then = str(told.get("season", ""))
    pairs = plain_rows(against(rows, told["fields"]))
    if not pairs:
        why = "nothing is compared: fields are found again by their names"
        return None, (Note("warned", what, f"no field of season {then} has the name of one of now", why),)
    notes = []
    if then == season:
        notes.append(Note("warned", what, f"season {then}", "the same season as this one, not an earlier year"))
    elif then > season:
        notes.append(
            Note("warned", what, f"season {then}", f"later than {season}: differences are the other way round")
        )
    if told.get("cell_m") not in (None, cell_m):
        value = f"cells of {told['cell_m']:g} m then, {cell_m:g} m now"
        notes.append(Note("warned", what, value, "part of a difference may come from that"))
    return {"season": then, "rows": pairs}, tuple(notes)
