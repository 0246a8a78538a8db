"""The command line before any work is done: help, version, speed, and what is not understood."""

from __future__ import annotations

import os
import resource
import subprocess
import sys

import pytest

from analytics import __version__
from dashboard.commands.app import COMMANDS
from tests.commands.cli import ROOT, run, run_apart, said_in_one_line

HEAVY = ("duckdb", "numpy", "pandas", "plotly", "pyarrow", "pydantic", "rich", "scipy", "streamlit")


def test_help_lists_every_command():
    """``steadycount --help`` names all commands and ends with 0."""
    result = run("--help")
    assert result.exit_code == 0
    assert [one for one in COMMANDS if f"\n  {one} " not in result.stdout] == []


def test_no_command_shows_the_help():
    """A newcomer who types the bare name is shown what there is."""
    assert run().stdout == run("--help").stdout


def test_version_is_that_of_the_package():
    """``--version`` prints the one version there is."""
    assert run("--version").stdout.strip() == f"steadycount {__version__}"


def test_nothing_heavy_is_imported_for_the_help():
    """The command line is there before the libraries are."""
    code = f"import sys, dashboard.commands.app; print([one for one in {HEAVY} if one in sys.modules])"
    answer = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert answer.stdout.strip() == "[]"


def test_help_takes_less_than_four_tenths_of_a_second(tmp_path):
    """The best of five runs of ``--help`` costs under 0.4 s of processor time, start-up included."""
    costs = []
    for _ in range(5):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        assert run_apart("--help", cwd=tmp_path).returncode == 0
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        costs.append(after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)
    assert min(costs) < 0.4


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["lod"], "No such command 'lod'"),
        (["--nonsense"], "No such option: --nonsense"),
        (["assess", "--nonsense"], "No such option: --nonsense"),
        (["load"], "Missing argument"),
        (["undo", "three"], "LOAD"),
        (["held", "burn"], "burn"),
        (["design"], "--chart"),
        (["open", "--port", "many"], "--port"),
    ],
)
def test_what_is_not_understood_is_said_in_one_line(arguments, said):
    """A slip of the pen ends with 2 and one line that names it and where help is."""
    line = said_in_one_line(run(*arguments))
    assert said in line
    assert "--help" in line


def test_a_usage_error_in_a_process_of_its_own_is_the_same_line(tmp_path):
    """The console ends like the runner: 2, one line, no traceback."""
    assert "No such option" in said_in_one_line(run_apart("assess", "--nonsense", cwd=tmp_path))


NEEDS_A_STORE = {
    "open": ["--no-browser"],
    "undo": ["1"],
    "held": [],
    "exclude": ["1", "--reason", "x"],
    "correct": ["counts=1", "1", "--reason", "x"],
    "assess": [],
    "plan": [],
    "replay": [],
    "check-store": [],
    "report": ["--out", "report.pdf"],
    "export": ["--out", "folder"],
    "backup": ["copy.duckdb"],
    "watch": [".", "--once"],
}


@pytest.mark.parametrize("command", NEEDS_A_STORE)
def test_a_store_that_is_not_there_is_said(command, tmp_path):
    """Every command but load, demo, restore and design says that there is no store, and makes none."""
    line = said_in_one_line(run(command, *NEEDS_A_STORE[command], "--store", tmp_path / "none.duckdb"))
    assert "there is no store here" in line
    assert "none.duckdb" in line
    assert list(tmp_path.iterdir()) == []


def test_commands_that_need_no_store_are_the_ones_the_contract_names():
    """What makes a store or needs none is load, demo, restore and design; all others were tried without one."""
    assert set(COMMANDS) - set(NEEDS_A_STORE) == {"load", "demo", "restore", "design"}


def test_the_store_is_found_through_the_environment(tmp_path):
    """``STEADYCOUNT_STORE`` names the store where --store does not."""
    line = said_in_one_line(run_apart("assess", cwd=tmp_path, STEADYCOUNT_STORE=str(tmp_path / "named.duckdb")))
    assert "named.duckdb" in line


def test_without_any_word_the_store_is_the_one_in_the_working_folder(tmp_path):
    """The default store is steadycount.duckdb where one stands."""
    assert "steadycount.duckdb: there is no store here" in said_in_one_line(run_apart("assess", cwd=tmp_path))


def test_a_failure_of_the_tool_is_one_line_and_the_log_holds_the_rest(monkeypatch, tmp_path):
    """An unexpected error ends with 1, says its name and where the log is, and the log has the traceback."""
    from analytics.charts import design

    def broken(*_arguments, **_options):
        raise ZeroDivisionError("nothing to divide by")

    log = tmp_path / "logs" / "failures.log"
    monkeypatch.setenv("STEADYCOUNT_LOG", str(log))
    monkeypatch.setattr(design, "chart_rows", broken)
    result = run("design", "--chart", "cusum", "--k", "0.5", "--h", "5", "--shifts=0")
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.strip() == (
        f"steadycount design: the tool failed (ZeroDivisionError: nothing to divide by). The log is {log}."
    )
    assert "Traceback" in log.read_text(encoding="utf-8")


def test_a_full_disk_is_called_by_its_name(monkeypatch):
    """No space left is said as such and not as an error number."""
    import errno

    from analytics.charts import design

    def full(*_arguments, **_options):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(design, "chart_rows", full)
    result = run("design", "--chart", "cusum", "--k", "0.5", "--h", "5", "--shifts=0")
    assert result.exit_code == 1
    assert "the disk is full" in result.stderr


def test_a_reader_that_goes_away_is_no_failure(tmp_path):
    """A pipe that is closed early (``steadycount … | head``) ends the command without a word."""
    process = subprocess.Popen(
        [sys.executable, "-m", "dashboard.commands", "design", "--chart", "shewhart", "--limit", "3", "--shifts=0"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    process.stdout.close()
    said = process.stderr.read()
    process.stderr.close()
    process.wait(60)
    assert b"Traceback" not in said
    assert b"BrokenPipe" not in said


def test_breaking_off_ends_without_a_traceback(monkeypatch):
    """Ctrl-C in the middle of a command ends it with 130, the shell's code for it, and says no more."""
    from analytics.charts import design

    def interrupted(*_arguments, **_options):
        raise KeyboardInterrupt

    monkeypatch.setattr(design, "chart_rows", interrupted)
    result = run("design", "--chart", "cusum", "--k", "0.5", "--h", "5", "--shifts=0")
    assert result.exit_code == 130
    assert "Traceback" not in result.stderr
