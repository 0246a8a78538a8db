"""``steadycount assess --new-since``: for a scheduler, what is new and who is told."""

from __future__ import annotations

import sys
from datetime import datetime, timedelta

import pytest

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
