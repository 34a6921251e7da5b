"""Memory that is let go goes back to the system."""

from __future__ import annotations

import ctypes
from functools import cache

#: `M_MMAP_THRESHOLD` of the GNU C library's malloc.h.
MMAP_THRESHOLD = -3
#: Blocks from this size on are asked of the system, and given back to it, one by one [bytes].
FROM_BYTES = 1 << 20


@cache
def give_back() -> None:
    """Let this process give the arrays of a field back to the system when they are let go.

    Left alone, the GNU C library raises its own threshold to the size of our arrays and then keeps them for later, in
    pieces that fit the next field badly: two workers then hold 1.6 times as much. Other C libraries have no such knob.
    """
    try:
        ctypes.CDLL(None).mallopt(MMAP_THRESHOLD, FROM_BYTES)
    except (AttributeError, TypeError, OSError):
        return
