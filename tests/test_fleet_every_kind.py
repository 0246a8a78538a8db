"""Never in hindsight, for every kind of alarm there is: one small fleet that has them all, asked at random dates."""

from __future__ import annotations

from datetime import timedelta
from functools import cache

import numpy as np
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from analytics import settings
from analytics.fleet import assess
from tests.baseline.forward_tables import alerts_upto, chart_rows, same_digits
from tests.baseline.logbook import START, Log, weekly

SHIPPED = settings.load()
WEEKS = 58
END = START + timedelta(days=7.0 * WEEKS)
KINDS = {
    "change_point", "drift", "action_level", "tolerance", "no_signal", "scatter", "background", "window_shift",
    "below_side_readings", "side",
}


def _on_other_devices(made, read):
    """A display that repeats itself, a source that falls too fast, one beyond its certificate, and a control unit that steps."""
    days = weekly(WEEKS)
    made.probe("same")
    for day in days:
        for repeat in range(1, 6):
            counts = round(12000 * 2.0 ** (-day / 271.74) * (1.0 + 0.01 * np.sin(day)))
            made.count("same", day + 0.3 + 2e-3 * repeat, "source", float(counts), repeat=repeat)
    for k in range(4):
        read(f"F-{k}", lambda day: np.exp(-0.15 * day / 365.0), 0.02 * k, source="CK-2")
        made.probe(f"W-{k}").checks(f"W-{k}", weekly(20, offset=0.02 * k), rate_cps=2000.0)
        made.checks(
            f"W-{k}", weekly(WEEKS - 20, 140.0, 0.02 * k), rate_cps=2200.0, source="CK-4", reference_day=140.0)
    for k in range(6):
        read(f"U-{k}", lambda day, unit=k < 3: 0.9 if unit and day > 200 else 1.0, 0.02 * k, source="CK-3",
             readout="CU-1" if k < 3 else "CU-2", jig="J-3")


@cache
def log():
    """Sound probes, one probe for each way to fail, two bad sources and a control unit that steps."""
    made = Log(11).source("CK-1").source("CK-2").source("CK-3")
    made.source("CK-4", reference_at=START + timedelta(days=140))
    made.windows.append(
        {"window": "Co-57", "nuclide": "Co-57", "centre_kev": 122.06, "width_pct": 20.0, "offset_pct": 10.0})
    days = weekly(WEEKS)

    def read(name, level=None, offset=0.0, **more):
        made.probe(name).checks(name, [d + offset for d in days], rate_cps=2000.0, level=level, **more)

    for k in range(4):
        read(f"S-{k}", offset=0.02 * k)
    read("step", lambda day: 0.92 if day > 140 else 1.0, 0.1)
    read("sink", lambda day: np.exp(-0.2 * day / 365.0), 0.12)
    made.event("sink", 200.0, "repair", new_reference=True)  # which did not end it
    read("late", lambda day: np.exp(-0.15 * max(day - 210.0, 0.0) / 365.0), 0.14)
    read("dead", lambda day: 1e-6 if 200 < day < 240 else 1.0, 0.16)
    read("wire", lambda day: 0.5 if day > 150 and int(day / 7) % 3 == 0 else 1.0, 0.18)
    dirty = weekly(WEEKS, offset=0.2)
    made.probe("dirty")
    for first, last, cps in ((0, 30, 3.0), (30, 34, 30.0), (34, WEEKS, 3.0)):
        made.checks("dirty", dirty[first:last], rate_cps=2000.0, background_cps=cps)
    read("slide", offset=0.22)
    read("leak", offset=0.24)
    for n, day in enumerate(days):
        made.count("leak", day + 0.246, "side", float(made.rng.poisson(900 if n > 30 else 300)))
        if n % 4 == 0:
            below, above = ((9000, 9000), (6000, 24000))[n > 30]
            for kind, counts in (("window_below", below), ("window_above", above)):
                made.count("slide", day + 0.226, kind, float(made.rng.poisson(counts * 2.0 ** (-day / 271.74))))
    _on_other_devices(made, read)
    return made


@cache
def records():
    """The snapshot of the log."""
    return log().records()


@cache
def at(day):
    """The answer on a day."""
    return assess(records(), SHIPPED, START + timedelta(days=day))


def test_every_kind_is_there():
    """The property below is not held by silence: every rule has an alarm, and so have a source for each reason and a control unit."""
    answer = at(7.0 * WEEKS)
    rules = {a.rule for s in answer.series for a in s.alerts}
    assert KINDS - rules == set()
    scatter = {a.direction for s in answer.series for a in s.alerts if a.rule == "scatter"}
    assert scatter >= {"high", "both"}
    by_name = {d.name: {a.rule for a in d.alerts} for d in (*answer.sources, *answer.readouts)}
    assert by_name["CK-2"] == {"drift"}
    assert by_name["CK-4"] == {"change_point"}
    assert by_name["CU-1"] == {"change_point"}
    assert by_name["CK-1"] == by_name["CK-3"] == by_name["CU-2"] == set()


@examples(max_examples=7, deadline=None, derandomize=True, database=None)
@given(day=st.floats(30.0, 7.0 * WEEKS))
def test_alerts_of_every_kind_stay_as_they_were_given(day):
    """At any moment, the alerts of probes and devices are those that the last answer dates before it."""
    moment = START + timedelta(days=day)
    assert alerts_upto(at(day), moment) == alerts_upto(at(7.0 * WEEKS), moment)


def test_shared_movement_and_charts_keep_their_digits():
    """What was taken off a check, its noise, reference and statistics are to the last digit what they were; whole steps of sources too."""
    then, later = (START + timedelta(days=d) for d in (215.3, 7.0 * WEEKS))
    assert same_digits(chart_rows(records(), SHIPPED, then)[0], chart_rows(records(), SHIPPED, later)[0]) == []
    early, late = (one.shared.set_index(["kind", "name", "at"]) for one in (at(215.3), at(7.0 * WEEKS)))
    closed = early[early.index.get_level_values("at") <= then - timedelta(days=31)]
    assert len(closed) >= 12
    assert late.loc[closed.index].equals(closed)
