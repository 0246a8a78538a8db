"""What the README shows works as it stands."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dashboard.commands.app import COMMANDS
from tests.commands.cli import document, run


@pytest.fixture
def readme(root: Path) -> str:
    """The text."""
    return (root / "README.md").read_text(encoding="utf-8")


def test_the_two_commands_stand_as_they_must(readme):
    """Both commands of a fresh machine stand in it word for word."""
    assert "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/steadycount demo" in readme
    assert "python3 -m venv .venv && .venv/bin/pip install '.[dev]' && .venv/bin/pytest" in readme


def test_the_tables_it_shows_load_as_they_stand(readme, tmp_path):
    """The four example tables load together with nothing held."""
    tables = re.findall(r"`(\w+\.csv)`[^\n]*\n\n```\n(.*?)```", readme, re.DOTALL)
    assert [name for name, _ in tables] == ["probes.csv", "sources.csv", "windows.csv", "readings.csv"]
    for name, text in tables:
        (tmp_path / name).write_text(text, encoding="utf-8")
    result = run("load", *(tmp_path / name for name, _ in tables), "--store", tmp_path / "x.duckdb", "--json")
    assert result.exit_code == 0, result.stderr
    assert sum(one["stored"] for one in document(result)["files"]) == 7


def test_every_command_it_shows_exists(readme):
    """No line names a command or an option that the tool does not have."""
    for line in re.findall(r"steadycount ((?:[a-z-]+)(?: [^\n`]*)?)", readme):
        command, *rest = line.split()
        if command not in COMMANDS:
            continue
        help_text = run(command, "--help").stdout
        for option in (one for one in rest if one.startswith("--")):
            assert option in help_text, line


def test_it_opens_with_the_job(readme):
    """The first paragraph says what the tool is for before anything else."""
    first = readme.split("\n\n")[1]
    assert first.startswith("Surgical gamma probes")
    assert "drifting" in first
