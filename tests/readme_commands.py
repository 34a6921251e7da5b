"""Print the README's commands: `python tests/readme_commands.py 1` runs the main job, `2` the tests."""

import re
import sys
from pathlib import Path


def commands() -> list[str]:
    """The shell blocks of the README, in order; the first two are the two set-up commands."""
    text = (Path(__file__).resolve().parents[1] / "README.md").read_text(encoding="utf-8")
    return [block.strip() for block in re.findall(r"```sh\n(.*?)```", text, flags=re.DOTALL)]


if __name__ == "__main__":
    print(commands()[int(sys.argv[1]) - 1])
