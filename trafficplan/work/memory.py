"""Memory that is let go goes back to the system."""

from __future__ import annotations

import ctypes


def give_back() -> None:
    """Give the arrays of a field that are let go back to the system.

    Left alone, the GNU C library keeps them for later, in pieces that fit the next field badly: two workers then hold 1.6
    times as much. Told to give each array back at once it takes a fifth more time, for the pages that each new one
    touches first. So: once after each field. Other C libraries have no such call.
    """
    try:
        ctypes.CDLL(None).malloc_trim(0)
    except (AttributeError, TypeError, OSError):
        return
