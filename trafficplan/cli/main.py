"""Entry point of the command line."""

import signal
import sys

from trafficplan.cli import audit, beneath, check, days, map, new, park, pressure, sources, spread  # noqa: A004, F401 - each registers its command
from trafficplan.cli.answer import INTERRUPTED, app


def run() -> None:
    """Run the program. A request to end (SIGTERM) is taken as an interrupt: nothing half written stays."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        app()
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)
