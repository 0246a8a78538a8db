"""How the tests call the command line: in this process for speed, in one of its own where that is what is tested."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from typer.testing import CliRunner, Result

from dashboard.commands.app import app

ROOT = Path(__file__).resolve().parents[2]


def run(*arguments: object) -> Result:
    """The command line in this process; `.exit_code`, `.stdout` and `.stderr` are apart."""
    return CliRunner().invoke(app, [str(one) for one in arguments])


def run_apart(*arguments: object, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command line in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "dashboard.commands", *map(str, arguments)],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


def said_in_one_line(result: Result | subprocess.CompletedProcess[str]) -> str:
    """The one line on standard error of a command that was not understood; nothing else may have been said."""
    code = result.exit_code if isinstance(result, Result) else result.returncode
    assert code == 2, result.stderr
    assert result.stdout == ""
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1, result.stderr
    assert "Traceback" not in lines[0]
    return lines[0]


def document(result: Result | subprocess.CompletedProcess[str]) -> Any:
    """The one JSON document that standard output holds; NaN and Infinity are refused."""
    return json.loads(result.stdout, parse_constant=lambda word: (_ for _ in ()).throw(AssertionError(word)))
