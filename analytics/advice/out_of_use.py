"""Out of patient use and back: what bars a probe, and what answers it.

Beyond tolerance, or without signal twice, bars patient use until a named person clears the probe on a check that
verifies it, or a service with a good check after it answers the alarm. A check verifies where the newest check of every
series in the alarm's window, made after the alarm and before the clearing, counts above the decision limit and lies
within tolerance of its reference. A clearing on anything else is kept in the history and clears nothing. Nor does
a clearing outlive the next check beyond tolerance while the alarm still stands. A probe taken out by a person or
withdrawn comes back by a clearing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Floats, Ints, days
from analytics.charts.response import ResponseCharts
from analytics.counting.tables import Counted
from analytics.results import Alert
from analytics.words import day

NEVER = float("-inf")


@dataclass(frozen=True)
class Checks:
    """The response checks of the fleet, ordered by (probe, time); arrays as in ``Verifying``."""

    probe_first: Ints  # [probes + 1] offsets of the checks of each probe
    at_days: Floats
    series: Ints
    window: Ints
    change: Floats
    silent: Ints

    @classmethod
    def of(cls, counted: Counted, charts: ResponseCharts) -> Checks:
        """All of them. A change is NaN where nothing was counted or no reference is known."""
        table, rows, c = counted.response, charts.rows, charts.corrected
        last = rows.last_rows
        row_of = np.full(max(table.check.max(initial=-1), rows.check.max(initial=-1)) + 1, -1, np.int64)
        row_of[rows.check[last]] = last
        row = row_of[table.check]
        has = row >= 0
        change = np.full(len(row), np.nan)
        change[has] = c.x[row[has]] - c.alpha[rows.unit[row[has]]]
        probe, at = table.keys.probe[table.series], days(table.check_at)
        order = np.lexsort((at, probe))
        return cls(
            np.searchsorted(probe[order], np.arange(len(counted.names.probe) + 1)),
            at[order],
            table.series[order].astype(np.int64),
            table.keys.window[table.series[order]].astype(np.int64),
            change[order],
            table.no_signal[order].astype(np.int64),
        )

    def of_probe(self, probe: int) -> Verifying:
        """Those of one probe; none where its code is below 0."""
        part = slice(*self.probe_first[probe : probe + 2].tolist()) if probe >= 0 else slice(0)
        return Verifying(self.at_days[part], self.series[part], self.window[part], self.change[part], self.silent[part])


@dataclass(frozen=True)
class Verifying:
    """The checks of one probe, in time: day, series code, window code, change against the reference (log), no signal."""

    at_days: Floats
    series: Ints
    window: Ints
    change: Floats
    silent: Ints

    def good(self, window: int, after: float, until: float, tolerance: float) -> bool:
        """Whether the newest check of each series in the window, in that time, is good; False where there is none."""
        here = np.flatnonzero((self.window == window) & (self.at_days > after) & (self.at_days <= until))
        if len(here) == 0:
            return False
        low, high = float(np.log1p(-tolerance)), float(np.log1p(tolerance))
        newest = [here[self.series[here] == one][-1] for one in np.unique(self.series[here])]
        return all(not self.silent[i] and low <= self.change[i] <= high for i in newest)


@dataclass(frozen=True)
class Barred:
    """What bars patient use at a moment, if anything."""

    since: str | None = None  # day of the alarm that nothing has answered
    taken_out: bool = False
    withdrawn: str | None = None
    sentences: tuple[str, ...] = ()
    verified: bool = True  # a clearing made now would rest on checks that verify it
    cleared: bool = False  # a person cleared it after every alarm that stands, on checks that were good and still are


def barred(
    alerts: Sequence[tuple[Alert, int]],
    events: Sequence[tuple[float, str]],
    clearings: Sequence[tuple[float, str]],
    taken_out: Sequence[float],
    services: Sequence[tuple[float, str]],
    checks: Verifying,
    unrestored: bool,
    tolerance: float,
    now: float,
) -> Barred:
    """What stands between a probe and the patient.

    alerts: openings with the code of their window. clearings: day and who. taken_out: days set out of use by a person.
    services: day and kind. unrestored: after the last service the response surely lies beyond tolerance of what it was
    before the fault, and no detector was replaced, so that its own new reference proves nothing. tolerance: fraction.
    """
    said: list[str] = []
    withdrawn = max([w for w, k in events if k == "withdrawn"], default=NEVER)
    cleared = max([w for w, _ in clearings], default=NEVER)
    since: str | None = None
    verified = True
    for alert, window in sorted(alerts, key=lambda a: a[0].signalled_at):
        if alert.rule not in ("tolerance", "no_signal"):
            continue
        when = _when(alert)
        open_ = alert.settled_at is None
        served = [w for w, _ in services if w > when]
        if served and not open_ and not unrestored and _read_since(checks, max(served), now):
            continue
        later = [(w, who) for w, who in clearings if w > when]
        valid = [(w, who) for w, who in later if checks.good(window, when, w, tolerance)]
        if valid and not (open_ and not checks.good(window, when, now, tolerance)):
            continue
        since = alert.signalled_at.date().isoformat()
        verified = verified and checks.good(window, when, now, tolerance)
        if valid:
            said.append(
                f"Cleared on {day(valid[-1][0])} by {valid[-1][1]}; the newest check is beyond the limit again, so that it waits to be cleared anew."
            )
        elif later:
            said.append(
                f"Cleared on {day(later[-1][0])} by {later[-1][1]}, but no check between the alarm of {since} and then verifies it"
                " (with signal, and within tolerance of its reference): it still waits to be cleared."
            )
        elif served and unrestored:
            said.append(
                "The checks after the service still lie beyond tolerance of what it was before, so that they verify nothing."
            )
    return Barred(
        since, max([withdrawn, *taken_out]) > cleared, day(withdrawn) if withdrawn > cleared else None, tuple(said[-1:]), verified,
        cleared > max([_when(a) for a, _ in alerts if a.settled_at is None], default=cleared)
        and all(checks.good(w, NEVER, until, tolerance) for w in np.unique(checks.window).tolist() for until in (cleared, now)),
    )


def _when(alert: Alert) -> float:
    return float(days(np.array([alert.signalled_at], "datetime64[us]"))[0])


def _read_since(checks: Verifying, when: float, now: float) -> bool:
    """Read with signal since then: the newest such check is good news only if it counts."""
    later = np.flatnonzero((checks.at_days > when) & (checks.at_days <= now))
    return len(later) > 0 and not bool(checks.silent[later[-1]])
