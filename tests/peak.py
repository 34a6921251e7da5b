"""The most memory that a process has held, for tests that bound it."""

from __future__ import annotations

import resource
import sys
from pathlib import Path


def peak_mb() -> float:
    """Return the most memory that this process has held [MB].

    Where the system tells it, of this program alone: `ru_maxrss` of a process that a test starts begins with what the
    test's own process once held.
    """
    status = Path("/proc/self/status")
    if not status.exists():
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)
    (told,) = [line for line in status.read_text().splitlines() if line.startswith("VmHWM:")]
    return int(told.split()[1]) / 1e3
