"""Checks that are not countings: due dates, what an event asks for, and compliance held against a plain count."""

from __future__ import annotations

import dataclasses
from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from analytics.advice.compliance import compliance, month_ends
from analytics.advice.other_checks import STATES, other_checks
from analytics.records.snapshot import EVENTS, INSPECTIONS, Records
from analytics.settings import load

NOW = datetime(2024, 6, 15, 12)


def records(inspections=(), events=(), probes=("GP-1",), sources=("CK-1",), withdrawn_on=None):
    """Records with these rows: inspections (subject, kind, day, result), events (probe, kind, day)."""
    empty = Records.nothing()
    done = pd.DataFrame(
        [
            {"inspection_id": n, "probe" if who.startswith("GP") else "source": who, "kind": kind,
             "done_at": datetime.fromisoformat(day), "result": result}
            for n, (who, kind, day, result) in enumerate(inspections, 1)
        ]
    )  # fmt: skip
    happened = pd.DataFrame(
        [
            {"event_id": n, "probe": who, "kind": kind, "happened_at": datetime.fromisoformat(day), "new_reference": False}
            for n, (who, kind, day) in enumerate(events, 1)
        ]
    )
    probe = pd.DataFrame({"probe": list(probes), "site": "North", "in_service_on": pd.Timestamp("2023-01-01")})
    source = pd.DataFrame(
        {"source": list(sources), "site": "North", "nuclide": "Co-57", "reference_at": pd.Timestamp("2023-01-01"),
         "withdrawn_on": withdrawn_on}
    )  # fmt: skip
    return dataclasses.replace(
        empty,
        probes=empty.probes.reindex(range(len(probe))).assign(**probe),
        sources=empty.sources.reindex(range(len(source))).assign(**source),
        inspections=Records.table(INSPECTIONS, done) if len(done) else empty.inspections,
        events=Records.table(EVENTS, happened) if len(happened) else empty.events,
    )


def found(*args, schedule=None, as_of=NOW, **kwargs):
    """Rows by subject and kind."""
    table = other_checks(records(*args, **kwargs), load({"schedule": schedule or {}}), as_of)
    return {(row.subject, row.kind): row for row in table.itertuples(index=False)}


def test_nothing_recorded_and_nothing_set_means_nothing_due():
    """A kind that was never recorded is not kept here, and not overdue (contract, Overdue)."""
    assert found() == {}


def test_a_set_interval_makes_a_kind_due_though_none_is_on_record():
    """Leak tests every 182 d: a source without one is past due, a withdrawn one is not asked for."""
    row = found(schedule={"leak_test_days": 182})["CK-1", "leak_test"]
    assert (row.state, row.due_on) == ("past_due", NOW.date())
    assert found(schedule={"leak_test_days": 182}, withdrawn_on=pd.Timestamp("2024-01-01")) == {}


@pytest.mark.parametrize(
    ("last", "state"),
    [("2023-12-16", "due_soon"), ("2023-12-15", "past_due"), ("2024-02-01", "in_date"), ("2024-01-10", "due_soon")],
)
def test_a_set_interval_is_counted_in_days_from_the_last_one(last, state):
    """182 d after 16 Dec 2023 is 15 Jun 2024: due on that day, past due on the next."""
    row = found([("CK-1", "leak_test", last, "pass")], schedule={"leak_test_days": 182})["CK-1", "leak_test"]
    assert row.due_on == date.fromisoformat(last) + timedelta(days=182)
    assert row.state == state


def test_without_an_interval_set_its_own_rhythm_counts_three_times():
    """Done every 30 d: due after 30 d, past due after 90 d; twice on record says nothing of a rhythm."""
    monthly = [("GP-1", "visual", day, "pass") for day in ("2024-01-01", "2024-01-31", "2024-03-01")]
    row = found(monthly)["GP-1", "visual"]
    assert (row.interval_days, row.due_on, row.state) == (30.0, date(2024, 3, 31), "past_due")
    assert found(monthly, as_of=datetime(2024, 5, 30))["GP-1", "visual"].state == "due_soon"
    assert found(monthly[:2])["GP-1", "visual"].state == "no_rhythm"


def test_a_failed_check_stands_until_one_passes():
    """A fail comes before everything else, and a later pass ends it."""
    failed = [("GP-1", "visual", "2024-06-01", "fail")]
    assert found(failed)["GP-1", "visual"].state == "failed"
    assert found([*failed, ("GP-1", "visual", "2024-06-02", "pass")])["GP-1", "visual"].state != "failed"


def test_a_drop_and_a_repair_ask_for_their_checks_until_they_are_done():
    """After a drop: visual, sensitivity and shielding as shipped; the one done since is no longer asked for."""
    events = [("GP-1", "dropped", "2024-06-01")]
    asked = {kind for (_, kind), row in found((), events).items() if row.state == "asked_for"}
    assert asked == {"visual", "sensitivity", "shielding"}
    asked = {kind for (_, kind), row in found([("GP-1", "visual", "2024-06-02", "pass")], events).items()
             if row.state == "asked_for"}  # fmt: skip
    assert asked == {"sensitivity", "shielding"}
    events = [("GP-1", "repair", "2024-06-01")]
    assert found((), events, schedule={"after_repair": ["resolution"]}).keys() == {("GP-1", "resolution")}


def test_the_yearly_set_is_of_the_kinds_that_are_done_here():
    """An interval for the yearly set asks every probe for the kinds on record anywhere, and for no other."""
    rows = found([("GP-1", "sensitivity", "2024-01-10", "pass")], schedule={"inspection_days": 365},
                 probes=("GP-1", "GP-2"))  # fmt: skip
    assert {key: row.state for key, row in rows.items()} == {
        ("GP-1", "sensitivity"): "in_date", ("GP-2", "sensitivity"): "past_due"
    }  # fmt: skip


def test_nothing_later_than_the_moment_takes_part():
    """As of an earlier day the answer is what it would have been then."""
    later = [("GP-1", "visual", "2024-06-20", "pass")]
    assert found(later, [("GP-1", "dropped", "2024-06-21")]) == {}


def test_what_needs_a_look_comes_first():
    """Rows are in the order of their states."""
    table = other_checks(
        records(
            [("GP-1", "visual", "2024-06-01", "fail"), ("GP-1", "power", "2024-06-10", "pass")],
            [("GP-1", "dropped", "2024-06-12")],
        ),
        load({"schedule": {"inspection_days_by_kind": {"power": 30}, "leak_test_days": 182}}),
        NOW,
    )
    ranks = [STATES.index(one) for one in table["state"]]
    assert ranks == sorted(ranks)
    assert table["state"].iloc[0] == "failed"


def test_compliance_is_what_a_plain_count_gives():
    """Random days of three kinds: the shares are those of a loop over subjects, month ends and days."""
    rng = np.random.default_rng(4)
    probes, sources = [f"GP-{n}" for n in range(6)], ["CK-1", "CK-2"]

    def day():
        return (datetime(2023, 1, 1) + timedelta(days=int(rng.integers(0, 530)))).isoformat()

    rows = [(str(rng.choice(probes)), str(rng.choice(["visual", "power"])), day(), "pass") for _ in range(60)]
    rows += [(str(rng.choice(sources)), "leak_test", day(), "pass") for _ in range(6)]
    given = records(rows, [("GP-2", "withdrawn", "2024-02-10")], probes, sources)
    limits = {"visual": 40.0, "leak_test": 182.0}
    settings = load({"schedule": {"inspection_days_by_kind": {"visual": 40}, "leak_test_days": 182}})
    table = compliance(given, settings, NOW, months=14)
    assert set(table["kind"]) == set(limits)
    for row in table.itertuples():
        end, names = row.month_end, (probes if row.kind == "visual" else sources)
        names = [n for n in names if not (n == "GP-2" and end >= pd.Timestamp("2024-02-10"))]
        kept = sum(
            any(
                who == name and kind == row.kind and 0 <= (end - pd.Timestamp(at)).total_seconds() <= limits[kind] * 86400
                for who, kind, at, _ in rows
            )
            for name in names
        )
        assert (row.subjects, row.in_date) == (len(names), kept), row


def test_without_an_interval_there_is_nothing_to_keep():
    """No interval set: no share, and not 100 %."""
    assert compliance(records([("GP-1", "visual", "2024-06-01", "pass")]), load(), NOW).empty
    assert len(month_ends(NOW, 1)) == 1
