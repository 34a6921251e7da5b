"""The README is true: its commands can be read out and name what is there, its links and pictures exist."""

import re

import pytest
from conftest import REPO
from readme_commands import commands
from typer.testing import CliRunner

from trafficplan.cli.main import app

README = (REPO / "README.md").read_text(encoding="utf-8")


def test_the_first_two_blocks_set_everything_up_with_venv_and_pip():
    main_job, tests = commands()[:2]
    for block in (main_job, tests):
        first, second, _ = block.splitlines()
        assert first == "python3 -m venv .venv"
        assert second.startswith(".venv/bin/pip install ")
    (farm,) = re.findall(r"trafficplan map (\S+)", main_job)
    assert (REPO / farm / "farm.toml").exists() and "--out result" in main_job
    assert ".venv/bin/python -m pytest" in tests


@pytest.mark.parametrize(
    "page", ["README.md", "DEVELOPERS.md", *sorted(f"docs/{p.name}" for p in (REPO / "docs").glob("*.md"))]
)
def test_links_and_pictures_exist(page):
    text = (REPO / page).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#\s]+)", text):
        assert target.startswith("http") or ((REPO / page).parent / target).exists(), f"{page}: {target}"


@pytest.mark.parametrize("command", re.findall(r"^    trafficplan (\w+)", README, flags=re.MULTILINE))
def test_commands_of_the_readme_know_their_options(command):
    (usage,) = re.findall(rf"^    trafficplan {command} .*(?:\n {{20,}}.*)*", README, flags=re.MULTILINE)
    told = CliRunner().invoke(app, [command, "--help"], env={"COLUMNS": "200"})
    assert told.exit_code == 0
    for option in set(re.findall(r"--[a-z-]+", usage)):
        assert option in told.output, f"{command}: {option}"
