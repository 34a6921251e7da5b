"""Entry point of the command line."""

from trafficplan.cli import beneath, check, map, new, pressure, sources  # noqa: A004, F401 - each registers its command
from trafficplan.cli.answer import app


def run() -> None:
    """Run the program."""
    app()
