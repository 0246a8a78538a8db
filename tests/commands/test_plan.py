"""``steadycount plan``: visits, sources and cover for a horizon."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from tests.commands.cli import document, run, said_in_one_line
from tests.commands.conftest import PROBES


def today() -> date:
    """The day on the site's clock, which is UTC as shipped."""
    return datetime.now(UTC).date()


def test_the_document_is_that_of_the_contract(loaded):
    """Visits by site and day, with probes, reasons and kinds; sources; what is not covered; risk and cost."""
    first = today()
    last = first + timedelta(days=60)
    result = run("plan", "--from", first, "--to", last, "--json", "--store", loaded)
    assert result.exit_code == 0, result.stderr
    plan = document(result)
    assert set(plan) == {"visits", "sources", "uncovered", "risk_days", "cost"}
    assert plan["visits"], "a log that ended months ago has overdue checks"
    for visit in plan["visits"]:
        assert set(visit) == {"site", "on", "probes"}
        assert first <= date.fromisoformat(visit["on"]) <= last
        for task in visit["probes"]:
            assert set(task) == {"probe", "why", "kind"}
            assert task["probe"] in PROBES
            assert task["kind"] in {"check", "window_check", "service", "replace"}
    for source in plan["sources"]:
        assert set(source) == {"source", "replace_by", "why"}


def test_the_coming_quarter_is_planned_where_no_days_are_given(loaded):
    """Without --from and --to the plan is for the next 91 days, and a person reads it in columns."""
    result = run("plan", "--store", loaded)
    assert result.exit_code == 0
    assert result.stdout.splitlines()[0].split() == ["on", "site", "probe", "what", "why"]
    assert str(today() + timedelta(days=91)) in result.stderr


def test_a_horizon_in_the_past_or_reversed_is_refused(loaded):
    """A plan begins today or later and ends after it begins."""
    now = today()
    assert "before" in said_in_one_line(run("plan", "--from", "2020-01-01", "--to", now, "--store", loaded))
    assert "before" in said_in_one_line(run("plan", "--from", now, "--to", "2020-01-01", "--store", loaded))


def test_a_day_that_is_none_is_said(loaded):
    """Days are ISO 8601."""
    assert "--from" in said_in_one_line(run("plan", "--from", "1.4.2030", "--store", loaded))
