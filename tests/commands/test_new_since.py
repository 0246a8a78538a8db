"""``steadycount assess --new-since``: for a scheduler, what is new and who is told."""

from __future__ import annotations

import os
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from dashboard.commands import hook
from tests.commands.cli import document, run, said_in_one_line
from tests.commands.conftest import LAST, PROBES, write

HEADINGS = "probe,taken_at,window,measurement,counts,count_time_s,source,jig"


def check(probe: str, at: datetime, counts: int) -> list[list[object]]:
    """A background of 3 cps and one counting on the source."""
    return [
        [probe, at.isoformat(), "Co-57", "background", 30, 10, "", "J1"],
        [probe, (at + timedelta(minutes=1)).isoformat(), "Co-57", "source", counts, 10, "CK-A1", "J1"],
    ]


def asked(store, revision, *more):
    """The command at the end of the week after the log."""
    when = (LAST + timedelta(days=9)).isoformat()
    return run("assess", "--as-of", when, "--new-since", revision, "--store", store, *more)


@pytest.fixture
def dead(store, tmp_path):
    """The store after a further load in which one probe counted nothing, twice."""
    rows = [row for days in (7, 8) for row in check(PROBES[0], LAST + timedelta(days=days), 31)]
    assert run("load", write(tmp_path / "dead.csv", HEADINGS, rows), "--store", store).exit_code == 0
    return store


def test_a_new_alarm_ends_with_4_and_is_named(dead):
    """A probe that has lost its signal since that revision is named on standard error, with its changed patient use."""
    result = asked(dead, 1, "--json")
    assert result.exit_code == 4
    assert f"{PROBES[0]}: patient use is not until cleared, it was allowed." in result.stderr
    assert document(result)["revision"] == 2


def test_a_probe_that_was_not_on_record_then_is_not_said_to_have_been_in_use(store, tmp_path):
    """A probe registered since, and never read: undetermined, and no advice of then is made up for it."""
    assert run("load", write(tmp_path / "new.csv", "probe,site", [["GP-099", "North"]]), "--store", store).exit_code == 0
    result = asked(store, 1)
    assert result.exit_code == 4
    assert "GP-099: the advice is undetermined, it was not on record then." in result.stderr
    assert "it was use" not in result.stderr


def test_nothing_new_ends_with_0(dead):
    """Since its own revision an answer has nothing new."""
    result = asked(dead, 2)
    assert result.exit_code == 0
    assert "Nothing is new since revision 2" in result.stderr


def test_a_load_that_changes_no_answer_is_nothing_new(store, log):
    """The same files loaded again are no news."""
    run("load", *log.values(), "--store", store)
    assert asked(store, 1).exit_code == 0


def test_since_the_beginning_everything_is_new(store):
    """Revision 0 is the empty store: the drifting probe's alarms are new."""
    result = asked(store, 0)
    assert result.exit_code == 4
    assert PROBES[-1] in result.stderr


def test_a_revision_that_never_was_is_said(store):
    """A revision beyond the newest ends with 2 and changes nothing."""
    assert "there is no revision 99" in said_in_one_line(asked(store, 99))


def test_the_sites_command_is_told(dead, tmp_path):
    """``alarms.on_new`` gets one sentence a line on its standard input, and no shell reads its words."""
    heard = tmp_path / "heard.txt"
    script = tmp_path / "tell me.py"
    script.write_text(f"import sys; open({str(heard)!r}, 'w').write(sys.stdin.read())", encoding="utf-8")
    folder = tmp_path / "settings"
    folder.mkdir()
    command = f"{sys.executable} '{script}' $HOME ; false"
    (folder / "hook.toml").write_text(f'[alarms]\non_new = "{command}"\n', encoding="utf-8")
    assert asked(dead, 1, "--config", folder).exit_code == 4
    lines = heard.read_text(encoding="utf-8").splitlines()
    assert any(line.startswith(f"{PROBES[0]}: ") for line in lines)
    heard.unlink()
    assert asked(dead, 2, "--config", folder).exit_code == 0
    assert not heard.exists()


def test_a_command_that_cannot_be_run_is_said_and_the_news_stand(dead, tmp_path):
    """A broken hook hides nothing: still 4, with a line about the hook."""
    (tmp_path / "hook.toml").write_text('[alarms]\non_new = "no-such-program-anywhere"\n', encoding="utf-8")
    result = asked(dead, 1, "--config", tmp_path)
    assert result.exit_code == 4
    assert "alarms.on_new could not be run" in result.stderr


def test_the_sites_command_knows_the_store_and_no_name_can_speak_for_itself(tmp_path):
    """The command has the store and the revision in its environment, and a line end in a name makes no line."""
    heard = tmp_path / "heard.txt"
    script = tmp_path / "tell.py"
    script.write_text(
        "import os, sys\n"
        f"open({str(heard)!r}, 'w').write(sys.stdin.read() + os.environ['STEADYCOUNT_STORE'] + '|' + "
        "os.environ['STEADYCOUNT_REVISION'] + '|' + '|'.join(sys.argv[1:]))",
        encoding="utf-8",
    )
    hook.tell(f"{sys.executable} {script} '$(touch x); ls'", ("GP-1\nGP-2: all is well; rm -rf /",), tmp_path / "s", 7)
    said = heard.read_text(encoding="utf-8").splitlines()
    assert said == ["GP-1 GP-2: all is well; rm -rf /", f"{tmp_path / 's'}|7|$(touch x); ls"]
    assert not (tmp_path / "x").exists()


@pytest.mark.parametrize(
    ("command", "said"),
    [
        ("{python} -c 'import sys; sys.exit(3)'", "ended with 3"),
        ("{python} -c 'import time; time.sleep(60)'", "had not finished after 0.5 s"),
        ("'unfinished quote", "could not be run"),
        ("''", "could not be run"),
    ],
)
def test_a_command_that_fails_or_hangs_is_said(monkeypatch, capsys, tmp_path, command, said):
    """A failing, a hanging and an unreadable command of the site each give one line on standard error."""
    monkeypatch.setattr(hook, "LONGEST_S", 0.5)
    hook.tell(command.format(python=sys.executable), ("GP-1: news",), tmp_path / "s", 7)
    heard = capsys.readouterr()
    assert said in heard.err
    assert heard.out == ""


def alive(process: int) -> bool:
    """Whether a process runs; one that has ended and was not fetched yet does not."""
    try:
        os.kill(process, 0)
        stat = Path(f"/proc/{process}/stat")
        return not stat.exists() or stat.read_text(encoding="utf-8").rpartition(")")[2].split()[0] != "Z"
    except (ProcessLookupError, FileNotFoundError):
        return False


def test_a_hanging_command_is_ended_with_all_it_started(monkeypatch, tmp_path):
    """What a hanging command has started does not live on."""
    monkeypatch.setattr(hook, "LONGEST_S", 1.5)
    note = tmp_path / "child"
    script = tmp_path / "start.py"
    script.write_text(
        "import subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(60)'])\n"
        f"open({str(note)!r}, 'w').write(str(child.pid))\n"
        "time.sleep(60)",
        encoding="utf-8",
    )
    hook.tell(f"{sys.executable} {script}", ("GP-1: news",), tmp_path / "s", 7)
    child = int(note.read_text())
    deadline = time.monotonic() + 5.0
    while alive(child) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not alive(child)


def test_only_a_whole_answer_of_now_is_entered_in_the_log(store, tmp_path):
    """Neither an earlier moment nor one probe nor settings of this run are what was shown; a plain answer is, once."""
    from analytics.records.alert_log import alert_log

    (tmp_path / "site.toml").write_text("[alarms]\nbudget_per_probe_year = 1.0\n", encoding="utf-8")
    for asked_for in (["--as-of", "2024-03-01"], ["--probe", PROBES[-1]], ["--config", tmp_path]):
        assert run("assess", "--store", store, *asked_for).exit_code == 0
    assert alert_log(store).empty
    first, second = (run("assess", "--store", store, "--json") for _ in range(2))
    assert set(alert_log(store)["subject"]) == {PROBES[-1]}
    assert not alert_log(store).duplicated(["subject", "quantity", "rule", "direction", "signalled_at"]).any()
    assert document(first)["revision"] == document(second)["revision"] == 1


def test_an_answer_is_given_where_the_log_cannot_be_written(store, monkeypatch):
    """The answer stands, ends with 0, and one line on standard error says that it was not entered."""
    from analytics.errors import UserError
    from analytics.records import alerts

    def refused(*_given, **_named):
        raise UserError("the folder cannot be written to", where="here")

    monkeypatch.setattr(alerts.Store, "writing", refused)
    result = run("assess", "--store", store, "--json")
    assert result.exit_code == 0
    assert document(result)["probes"]
    assert "could not be entered in the store's alert log" in result.stderr
