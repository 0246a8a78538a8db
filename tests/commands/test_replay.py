"""``steadycount replay``: the document, the table, and what is refused."""

from __future__ import annotations

from datetime import date, datetime

import pytest

from tests.commands.cli import document, run, run_apart, said_in_one_line
from tests.commands.conftest import DRIFTING, FIRST, LAST


@pytest.fixture(scope="module")
def replayed(loaded):
    """The document of the small log."""
    result = run("replay", "--json", "--store", loaded)
    assert result.exit_code == 0, result.stderr
    return document(result)


def test_the_document_is_that_of_the_contract(replayed):
    """Forecasts with whether their interval held, alerts with their lead, alarms on sound probes, causes; and how it was made."""
    assert {"forecasts", "coverage", "early_ends", "recalibration", "alerts", "passings", "lead_times", "alarms", "causes",
            "reliability", "until", "version", "revision", "config", "tolerance_pct", "month_ends"} == set(replayed)
    assert replayed["forecasts"]
    for one in replayed["forecasts"]:
        assert one["held"] in (True, False, None)
        assert one["verdict"] in {"held", "sooner", "later", "open", "already_passed"}
        assert (one["held"] is None) == (one["verdict"] in {"open", "already_passed"})
        assert date.fromisoformat(one["p05"])
        assert datetime.fromisoformat(one["made_at"]) > FIRST
    for one in replayed["alerts"]:
        assert {"probe", "rule", "signalled_at", "lead_days", "episode"} <= set(one)
    assert set(replayed["alarms"]) == {"confirmed", "unconfirmed", "open_probes"}


def test_the_drifting_probe_is_the_one_that_passed(replayed):
    """Of the six probes one loses 12 % a year: it alone has forecasts with both ends, and an alarm well before it passed."""
    assert {one["probe"] for one in replayed["forecasts"] if one["p95"] is not None} == {DRIFTING}
    (passed,) = replayed["passings"]
    assert passed["probe"] == DRIFTING
    assert passed["lead_days"] > 30


def test_no_outcome_on_record_confirms_nothing(replayed):
    """Without outcomes the alarm rate is unconfirmed, and no cause is judged."""
    assert replayed["alarms"]["confirmed"]["per_probe_year"] is None
    assert replayed["alarms"]["unconfirmed"]["probes"] >= 4
    assert replayed["causes"] == []
    assert replayed["reliability"]["bins"] == []


def test_until_takes_nothing_later(loaded):
    """With --until nothing later is judged by: month ends and forecasts end before."""
    result = document(run("replay", "--json", "--until", "2023-09-15", "--store", loaded))
    assert result["until"].startswith("2023-09-15")
    assert result["month_ends"][-1] == "2023-08-31"
    assert all(one["followed_until"] <= "2023-09-15" for one in result["forecasts"])


def test_a_person_gets_a_table_and_the_sums(loaded):
    """Without --json: one line a forecast on standard output, the sums in sentences on standard error."""
    result = run("replay", "--until", f"{LAST:%Y-%m-%d}", "--store", loaded)
    assert result.exit_code == 0
    first, *rest = result.stdout.splitlines()
    assert first.split()[:3] == ["said", "at", "probe"]
    assert any(DRIFTING in line for line in rest)
    assert "month ends up to" in result.stderr
    assert "No outcomes".lower() in result.stderr.lower()


def test_json_stands_alone_on_standard_output(loaded, tmp_path):
    """In a process of its own the document is all that standard output holds, and no bar is drawn where nobody watches."""
    result = run_apart("replay", "--json", "--store", str(loaded), cwd=tmp_path)
    assert result.returncode == 0
    assert document(result)["forecasts"]
    assert result.stderr == ""


def test_a_moment_that_is_none_is_said(loaded):
    """--until is ISO 8601."""
    assert "--until" in said_in_one_line(run("replay", "--until", "31.3.2024", "--store", loaded))


def test_before_all_records_there_is_nothing_to_replay(loaded):
    """A moment before the first reading gives an empty document, not an error."""
    result = document(run("replay", "--json", "--until", "2020-01-01", "--store", loaded))
    assert (result["month_ends"], result["forecasts"], result["coverage"]["coverage_pct"]) == ([], [], None)
