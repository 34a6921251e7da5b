"""Every Python block of the tutorial runs, in order, and prints what stands below it; the API is whole and light."""

import contextlib
import io
import re
import subprocess
import sys
from pathlib import Path

import trafficplan

TUTORIAL = Path(__file__).resolve().parents[1] / "docs" / "tutorial.md"


def run_blocks(text):
    """The text with what each block prints put below it (block by block, one namespace)."""
    space, parts = {}, re.split(r"(```python\n.*?```\n(?:\n```text\n.*?```\n)?)", text, flags=re.DOTALL)
    for number, part in enumerate(parts):
        block = re.match(r"```python\n(.*?)```\n", part, flags=re.DOTALL)
        if block is None:
            continue
        out = io.StringIO()
        with contextlib.redirect_stdout(out):
            exec(compile(block[1], f"tutorial block {number}", "exec"), space)
        printed = f"\n```text\n{out.getvalue()}```\n" if out.getvalue() else ""
        parts[number] = block[0] + printed
    return "".join(parts)


def test_tutorial_runs_and_prints_what_it_says():
    text = TUTORIAL.read_text(encoding="utf-8")
    assert text.count("```python") > 5
    assert run_blocks(text) == text


def test_every_public_name_is_there_and_documented():
    for name in trafficplan.__all__:
        thing = getattr(trafficplan, name)
        assert thing.__doc__ and not thing.__doc__.startswith(f"{name}("), name
        assert name in dir(trafficplan)
    assert set(trafficplan._HOMES) == set(trafficplan.__all__)
    assert not hasattr(trafficplan, "nothing")


def test_import_alone_is_light():
    code = "import trafficplan, sys; print({'numpy', 'scipy', 'numba', 'typer'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
