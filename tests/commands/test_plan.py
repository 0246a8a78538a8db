"""``steadycount plan``: visits, sources and cover for a horizon."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from icalendar import Calendar

from tests.commands.cli import document, run, said_in_one_line
from tests.commands.conftest import DRIFTING, PROBES


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
    assert {"visits", "sources", "uncovered", "risk_days", "cost"} <= set(plan)
    assert set(plan["due_date_plan"]) == {"visits", "cost", "risk_days", "uncovered_probe_days"}
    assert plan["gap_pct"] <= 1.0
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


def test_a_plan_that_begins_in_the_past_is_that_of_its_first_day(store, readings_file):
    """Made from what was on record then: what is loaded for a later day changes nothing in it, and it says so."""
    asked = ("plan", "--from", "2023-10-02", "--to", "2023-12-31", "--json", "--store", store)
    before = run(*asked)
    assert "as of 2023-10-02" in before.stderr
    plan = document(before)
    assert {date.fromisoformat(one["on"]) for one in plan["visits"]} <= {date(2023, 10, 2) + timedelta(n) for n in range(91)}
    assert [one for visit in plan["visits"] for one in visit["probes"] if one["probe"] == DRIFTING]
    later = [{"taken_at": f"2023-10-{day:02d}T09:00:00", "counts": 40} for day in range(3, 9)]
    assert run("load", readings_file(*later), "--store", store).exit_code == 0
    assert document(run(*asked)) == plan


def test_a_horizon_reversed_or_too_long_is_refused(loaded):
    """A plan ends after it begins, and no further than a forecast reaches."""
    now = today()
    assert "five years" in said_in_one_line(run("plan", "--from", "2020-01-01", "--to", now, "--store", loaded))
    assert "before" in said_in_one_line(run("plan", "--from", now, "--to", "2020-01-01", "--store", loaded))
    assert "five years" in said_in_one_line(run("plan", "--from", "9999-12-30", "--store", loaded))


def test_a_day_that_is_none_is_said(loaded):
    """Days are ISO 8601."""
    assert "--from" in said_in_one_line(run("plan", "--from", "1.4.2030", "--store", loaded))


def test_the_calendar_file_holds_the_same_visits(loaded, tmp_path):
    """--ics writes one event a visit, on its day; twice the same file, since its stamp is that of the newest record."""
    wanted = ("plan", "--json", "--store", loaded, "--ics")
    plan = document(run(*wanted, tmp_path / "a.ics"))
    run(*wanted, tmp_path / "b.ics")
    events = Calendar.from_ical((tmp_path / "a.ics").read_bytes()).walk("VEVENT")
    found = sorted((str(one["location"]), one.decoded("dtstart").isoformat()) for one in events)
    assert found == sorted((visit["site"], visit["on"]) for visit in plan["visits"])
    assert found
    assert (tmp_path / "a.ics").read_bytes() == (tmp_path / "b.ics").read_bytes()


def test_a_calendar_file_nowhere_is_said(loaded, tmp_path):
    """A folder that is not there gets one line before anything is worked out."""
    assert "folder" in said_in_one_line(run("plan", "--store", loaded, "--ics", tmp_path / "no" / "a.ics"))


def test_prices_that_are_none_are_refused_and_missing_ones_named(loaded, tmp_path):
    """A negative price is not understood; without prices the cost is not known, and the settings wanted are named."""
    (tmp_path / "site.toml").write_text("[costs]\nvisit = -5.0\n")
    assert "costs.visit" in said_in_one_line(run("plan", "--store", loaded, "--config", tmp_path))
    assert "costs.visit" in run("plan", "--store", loaded).stderr
    (tmp_path / "site.toml").write_text("[cover]\nleast_fit_probes = 9\n")
    short = document(run("plan", "--json", "--store", loaded, "--config", tmp_path))["uncovered"]
    assert all(one["least"] == 9 and one["fit"] < 9 for one in short)
    assert short
