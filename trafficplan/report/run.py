"""run.json and timings.json: what went in, what was assumed, and how long each step took."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path

from trafficplan import __version__
from trafficplan.farm.farm import Farm
from trafficplan.names import Note

RUN = "run.json"


def run_record(farm: Farm, parameters: Mapping[str, object], notes: Sequence[Note]) -> dict[str, object]:
    """Return the content of run.json: the same inputs give the same bytes."""
    every = sorted(dict.fromkeys([*farm.notes, *notes]))
    return {
        "program": "trafficplan",
        "version": __version__,
        "farm": farm.title,
        "season": farm.season,
        "crs": farm.crs,
        "parameters": dict(parameters),
        "inputs": dict(sorted(farm.inputs.items())),
        "assumptions": [note.as_dict() for note in every if note.kind == "assumed"],
        "warnings": [note.as_dict() for note in every if note.kind != "assumed"],
    }


def write_json(path: Path, content: Mapping[str, object]) -> None:
    """Write one JSON object, readable and stable."""
    path.write_text(json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")


def read_run(folder: Path) -> dict[str, object] | None:
    """Return the run.json of a result folder, or None when the folder is not one of ours."""
    try:
        content = json.loads((folder / RUN).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return content if isinstance(content, dict) and content.get("program") == "trafficplan" else None
