"""Plain data written as text and read back exactly: what a finished field leaves behind, and what a hash is taken of.

No pickles: a file that someone else could have put there must never be able to run anything when it is read.
"""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import importlib
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path, PurePath
from typing import Any

import numpy as np
import shapely

PACKAGE = "trafficplan."
DATES: dict[str, Any] = {"date": dt.date, "datetime": dt.datetime, "time": dt.time}


def _whole(data: bytes) -> str:
    return base64.b64encode(data).decode()


def _hashed(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _plain(value: Any, bulk: Callable[[bytes], str]) -> Any:
    """Return a value as JSON can hold it: everything that is no text, whole number, float or list is {kind: content}."""
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, np.generic):
        return _plain(value.item(), bulk)
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else {"float": str(value)}
    if isinstance(value, list):
        return [_plain(one, bulk) for one in value]
    return _kind(value, bulk)


def _kind(value: Any, bulk: Callable[[bytes], str]) -> dict[str, Any]:
    if is_dataclass(value) and not isinstance(value, type):
        parts = {one.name: _plain(getattr(value, one.name), bulk) for one in fields(value) if one.init}
        name = f"{type(value).__module__.removeprefix(PACKAGE)}:{type(value).__qualname__}"
        return {"of": name, "is": parts}
    if isinstance(value, tuple):
        return {"tuple": [_plain(one, bulk) for one in value]}
    if isinstance(value, frozenset | set):
        return {"set": [_plain(one, bulk) for one in sorted(value)]}
    if isinstance(value, Mapping):
        return {"map": [[_plain(key, bulk), _plain(one, bulk)] for key, one in value.items()]}
    if isinstance(value, bytes):
        return {"bytes": bulk(value)}
    if isinstance(value, np.ndarray):
        return {"array": [value.dtype.str, list(value.shape), bulk(np.ascontiguousarray(value).tobytes())]}
    if isinstance(value, shapely.Geometry):
        return {"shape": bulk(shapely.to_wkb(value, include_srid=True))}
    for name, kind in DATES.items():
        if type(value) is kind:
            return {name: value.isoformat()}
    if isinstance(value, PurePath):
        return {"path": value.as_posix()}
    raise TypeError(f"{type(value).__name__} is not plain data")


def text_of(value: Any) -> str:
    """Return plain data as text that `value_of` reads back exactly.

    Parameters
    ----------
    value : dataclasses of this package, numbers, text, dates, geometries, arrays, and collections of them

    Raises
    ------
    TypeError
        Something else is in it.

    Examples
    --------
    >>> value_of(text_of({("a", 1): (0.1, float("inf"))}))
    {('a', 1): (0.1, inf)}
    """
    return json.dumps(_plain(value, _whole), ensure_ascii=False, separators=(",", ":"))


def hash_of(value: Any) -> str:
    """Return the sha256 of plain data: equal content, equal hash, on every machine.

    Examples
    --------
    >>> hash_of((1, "a"))[:8], hash_of((1, "b"))[:8]
    ('a5250a4c', '65e28217')
    """
    return _hashed(json.dumps(_plain(value, _hashed), ensure_ascii=False).encode())


def value_of(text: str) -> Any:
    """Return the value that `text_of` wrote.

    Raises
    ------
    ValueError
        The text is not of that form.
    """
    try:
        return _value(json.loads(text))
    except (KeyError, TypeError, AttributeError, ImportError, shapely.errors.ShapelyError) as error:
        raise ValueError(f"not written here: {type(error).__name__}") from None


def _value(told: Any) -> Any:
    if isinstance(told, list):
        return [_value(one) for one in told]
    if not isinstance(told, dict):
        return told
    if "of" in told:
        return _record(told["of"], told["is"])
    ((kind, content),) = told.items()
    if kind in ("tuple", "set"):
        return (tuple if kind == "tuple" else frozenset)(_value(one) for one in content)
    if kind == "map":
        return {_value(key): _value(one) for key, one in content}
    if kind == "array":
        dtype, shape, data = content
        return np.frombuffer(base64.b64decode(data), dtype).reshape(shape).copy()
    if kind in DATES:
        return DATES[kind].fromisoformat(content)
    readers: dict[str, Callable[[str], Any]] = {
        "float": float,
        "bytes": base64.b64decode,
        "shape": lambda data: shapely.from_wkb(base64.b64decode(data)),
        "path": Path,
    }
    return readers[kind](content)


def _record(name: str, parts: Mapping[str, Any]) -> Any:
    """Return a dataclass of this package; no other class is ever made from a file."""
    module, _, klass = name.partition(":")
    found = getattr(importlib.import_module(PACKAGE + module), klass)
    if not (isinstance(found, type) and is_dataclass(found) and found.__module__ == PACKAGE + module):
        raise ValueError(f"{name} is no plain data of this program")
    return found(**{key: _value(one) for key, one in parts.items()})
