"""numba's compiler, with a cache that many processes may fill at once.

numba keeps the compiled forms of one function (one for each combination of types) in numbered files beside an index,
without a lock: two processes that compile two forms at the same moment can both take the same number, and the index then
names the other one's file, for good. A number that nobody else takes cannot be mistaken.
"""

from __future__ import annotations

import uuid
from typing import Any

from numba import njit
from numba.core import caching

__all__ = ["njit"]


def _own_name(file: Any, _number: int) -> str:
    """Return the name of a file that no other process takes, in place of the next number in a row."""
    name: str = file._data_name_pattern.format(number=uuid.uuid4().int)
    return name


caching.IndexDataCacheFile._data_name = _own_name  # type: ignore[method-assign]
