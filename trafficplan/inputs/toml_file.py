"""TOML files and the plain tables in them: syntax, unknown keys, kinds and ranges of values."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails

from trafficplan.inputs.ledger import Ledger, listed, nearest
from trafficplan.inputs.record import range_mend
from trafficplan.inputs.table import read_text


class Table(BaseModel):
    """A TOML table of ours: no unknown keys, no text where a number belongs, no NaN."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)


Model = TypeVar("Model", bound=Table)


def read_toml(ledger: Ledger, path: Path) -> dict[str, Any] | None:
    """Return the content of a TOML file, or None with a problem that names the line."""
    name = path.relative_to(ledger.folder).as_posix()
    text = read_text(ledger, path)
    if text is None:
        return None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line = _line_of(str(error), text)
        twice = "overwrite" in str(error) or "twice" in str(error) or "declare" in str(error)
        ledger.problem(
            "a key comes twice" if twice else "the file is not valid TOML",
            f"{name}, line {line}",
            f"{text.splitlines()[line - 1].strip()[:60]!r} ({error})" if text.strip() else "an empty file",
            "each key once" if twice else "lines such as key = value, with texts in quotation marks",
            "remove one of the two" if twice else "correct this line, or the one before it",
        )
    except (ValueError, RecursionError) as error:  # a number of thousands of digits, lists in lists without end
        deep = isinstance(error, RecursionError)
        ledger.problem(
            "the file is not valid TOML",
            name,
            "lists or tables nested without end" if deep else "a number of thousands of digits",
            "lines such as key = value, with texts in quotation marks",
            "write the file anew after the form in docs/farm-folder.md",
        )
    return None


def _line_of(message: str, text: str) -> int:
    """Return the line number from the parser's message (the last line where it says "end of document")."""
    digits = message.partition("at line ")[2].partition(",")[0]
    return int(digits) if digits.isdigit() else max(1, len(text.splitlines()))


def checked(ledger: Ledger, model: type[Model], data: Mapping[str, Any], where: str) -> Model | None:
    """Return the data as the model, or None with one problem per wrong key."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        for detail in error.errors():
            _explain(ledger, model, detail, where)
        return None


def checked_in_part(ledger: Ledger, model: type[Model], data: Mapping[str, Any], where: str) -> Model | None:
    """Return the model made of the right keys alone, so that reading can go on; wrong ones are problems."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        rest = dict(data)
        for detail in error.errors():
            _explain(ledger, model, detail, where)
            rest.pop(str(detail["loc"][0]), None)
        return checked(ledger, model, rest, where)


def _explain(ledger: Ledger, model: type[Table], detail: ErrorDetails, where: str) -> None:
    """Turn one finding of the checker into a problem in the words of the trade."""
    loc = detail["loc"]
    key = str(loc[-1])
    place = f"{where}, {_path(loc)}"
    kind, value, context = detail["type"], detail.get("input"), detail.get("ctx", {})
    if kind == "extra_forbidden":
        known = _known_keys(model, loc[:-1])
        near = nearest(key, known)
        ledger.problem(
            "unknown key", place, key, f"one of {listed(known, 40)}", f"write {near}" if near else "remove it"
        )
    elif kind == "missing":
        ledger.problem("a key is missing", place, "nothing", f"the key {key}", f"add {key} = ...")
    elif kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        limits = _limits(model, loc)
        low, high = (
            limits.get("ge", limits.get("gt", float("-inf"))),
            limits.get("le", limits.get("lt", float("inf"))),
        )
        unit = _unit_of(key)
        ledger.problem(
            "number out of range",
            place,
            f"{value} {unit}".rstrip(),
            f"a number from {low:g} to {high:g} {unit}".rstrip(),
            range_mend(float(value), low, high, unit),
        )
    elif kind == "literal_error":
        allowed = str(context.get("expected", "")).replace("'", "").replace(" or ", ", ").split(", ")
        near = nearest(str(value), allowed)
        ledger.problem(
            "unknown word",
            place,
            str(value),
            f"one of {listed(allowed)}",
            f"write {near}" if near else "use one of these",
        )
    else:
        ledger.problem(
            "a value of the wrong kind",
            place,
            repr(value)[:80],
            _kind_words(kind, detail["msg"]),
            _kind_mend(kind, value),
        )


def _kind_words(kind: str, said: str) -> str:
    """Return in plain words what kind of value belongs there."""
    if kind in ("model_type", "dict_type", "dataclass_type", "model_attributes_type"):
        return "a table of keys and values"
    return {"list_type": "a list, or tables in double brackets", "int_type": "a whole number"}.get(kind, said.lower())


def _kind_mend(kind: str, value: object) -> str:
    if kind.startswith(("float", "int")) and isinstance(value, str):
        return "write the number alone, without quotation marks and unit, with a decimal point"
    if kind.startswith("string"):
        return "put the value in quotation marks"
    if kind == "finite_number":
        return "write a number, or remove the key"
    return "see docs/farm-folder.md for the form of this key"


def _path(loc: tuple[int | str, ...]) -> str:
    """Write a place as people count: the second axle is number 2."""
    words: list[str] = []
    for part in loc:
        if isinstance(part, int):
            words[-1] = f"{words[-1]} {part + 1}"
        elif part not in ("str", "float", "list[str]"):
            words.append(part)
    return ", ".join(words)


def _unit_of(key: str) -> str:
    for ending, unit in (
        ("_km_h", "km/h"),
        ("t_m3", "t/m3"),
        ("_m", "m"),
        ("_t", "t"),
        ("_bar", "bar"),
        ("_min", "min"),
        ("_deg", "degrees"),
    ):
        if key.endswith(ending):
            return unit
    return ""


def _model_at(model: type[Table], loc: tuple[int | str, ...]) -> type[Table] | None:
    """Return the model of the table at a place."""
    here: type[Table] | None = model
    for part in loc:
        if here is None or isinstance(part, int):
            continue
        info = here.model_fields.get(part) or next((f for f in here.model_fields.values() if f.alias == part), None)
        if info is None:
            continue
        here = _table_in(info.annotation)
    return here


def _table_in(annotation: object) -> type[Table] | None:
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return annotation
    return next((found for one in get_args(annotation) if (found := _table_in(one))), None)


def _known_keys(model: type[Table], loc: tuple[int | str, ...]) -> list[str]:
    here = _model_at(model, loc)
    return [info.alias or name for name, info in here.model_fields.items()] if here else []


def _limits(model: type[Table], loc: tuple[int | str, ...]) -> dict[str, float]:
    here = _model_at(model, loc[:-1])
    info = here.model_fields.get(str(loc[-1])) if here else None
    limits: dict[str, float] = {}
    for rule in info.metadata if info else ():
        for name in ("ge", "gt", "le", "lt"):
            if getattr(rule, name, None) is not None:
                limits[name] = float(getattr(rule, name))
    return limits
