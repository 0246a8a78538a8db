"""Rows made by hand: one row a check, one unit a series, for charts fed with numbers and not with countings."""

from __future__ import annotations

import numpy as np

from analytics.baseline.rows import Rows
from analytics.charts.core import chart_of, core_inputs
from analytics.charts.running import running_sums


def plain_rows(lengths, y, at_days=None, *, source=None, probe=None, jig=None, readout=None) -> Rows:
    """Rows of units of these lengths, weekly unless the days are given; one probe and one series a unit."""
    lengths = np.asarray(lengths, np.int64)
    n, unit = int(lengths.sum()), np.repeat(np.arange(len(lengths)), lengths)
    first = np.append(0, np.cumsum(lengths))
    ordinal = np.arange(n) - first[unit]
    at = 7.0 * ordinal if at_days is None else np.asarray(at_days, float)
    zero = np.zeros(n, np.int64)
    of_unit = np.arange(len(lengths))
    probes = of_unit if probe is None else np.asarray(probe, np.int64)
    return Rows(
        index=np.arange(n), unit=unit, series=unit, probe=probes[unit],
        source=zero if source is None else np.asarray(source, np.int64),
        jig=zero - 1 if jig is None else np.asarray(jig, np.int64)[unit], readout=zero - 1 if readout is None else np.asarray(readout, np.int64),
        check=np.arange(n), at_days=at, first_days=at,
        y=np.asarray(y, float), first=np.ones(n, bool), last=np.ones(n, bool), ordinal=ordinal,
        partial=np.zeros(n, bool), unit_series=of_unit, unit_probe=probes, unit_first=first)


def core_chart(rows, *given):
    """The chart core on rows, without what service adds to it. given: as ``core_inputs`` has it."""
    return chart_of(rows.unit_first, core_inputs(rows, *given))


def chart(rows, noise, *, reference=np.nan, reference_variance=np.inf, arl0=1000.0, dead_band=0.0, persistent=0.0):
    """The chart core on such rows, every check admitted."""
    n = len(rows.unit)

    def full(value):
        return np.broadcast_to(np.asarray(value, float), n).copy()

    sums = running_sums(rows, rows.y, full(noise), np.ones(n, bool), np.zeros(n, bool))
    return core_chart(
        rows, rows.y, full(noise), full(persistent), sums, full(reference), full(reference_variance), (full(arl0), full(arl0)), dead_band)
