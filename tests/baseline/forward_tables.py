"""What an answer says about the past, keyed so that two answers of different moments can be laid side by side."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np
import pandas as pd

from analytics.charts.quantities import quantity_charts
from analytics.charts.response import chart_responses
from analytics.counting import count_records
from analytics.cut import cut
from analytics.fleet import activity_variance
from analytics.records.snapshot import READINGS, Records
from analytics.results import FleetAssessment
from analytics.settings import Settings


def alerts_upto(answer: FleetAssessment, moment: datetime) -> set[tuple]:
    """Every alert signalled at or before a moment, of probes, sources, jigs and control units; settling aside."""
    owners = [
        ((s.probe, s.window, s.jig, s.collimator, s.nuclide, s.quantity), s.alerts) for s in answer.series
    ] + [((d.kind, d.name), d.alerts) for d in (*answer.sources, *answer.jigs, *answer.readouts)]
    return {
        (owner, a.episode, a.rule, a.signalled_at, a.onset_estimate, a.direction, a.detail)
        for owner, alerts in owners
        for a in alerts
        if a.signalled_at <= moment
    }


def chart_rows(records: Records, settings: Settings, moment: datetime) -> tuple[pd.DataFrame, dict[str, pd.DataFrame]]:
    """The charts' numbers at every row known at a moment: of the response, and of each other quantity by its name."""
    known = cut(records, moment)
    counted = count_records(known, settings)
    charts = chart_responses(
        counted.response_states, counted.names, known.events, activity_variance(known, counted, settings), settings)
    rows, states, c = charts.rows, counted.response_states, charts.corrected
    place = _series(counted.names, states.keys, rows.series)
    response = place.assign(
        source=np.array([*counted.names.source, ""], object)[rows.source], first_at=states.first_at[rows.index],
        at=states.check_at[rows.index], x=c.x, shift=c.shift, noise=c.noise, persistent=c.persistent,
        reference=c.alpha_then, anchor=c.anchor_then, z_local=charts.outliers.z_local, pending=charts.outliers.pending,
        low=charts.core.ratio_low, high=charts.core.ratio_high, scatter=charts.spread.ratio_scatter,
        outliers=charts.spread.ratio_outliers, too_low=charts.spread.ratio_low, repeats=charts.spread.ratio_repeats)
    others = {}
    for q in quantity_charts(counted, known.events, settings):
        others[q.quantity] = _series(counted.names, q.keys, q.series).assign(
            source=np.array([*counted.names.source, ""], object)[q.source], at=q.check_at, value=q.value,
            centre=q.centre, z=q.chart.z, ratio=q.chart.ratio)
    return response, others


def _series(names, keys, series) -> pd.DataFrame:
    parts = {}
    for part in ("probe", "window", "jig", "collimator", "nuclide"):
        parts[part] = np.array([*getattr(names, part), ""], object)[getattr(keys, part)[series]]
    return pd.DataFrame(parts)


KEYS = ["probe", "window", "jig", "collimator", "nuclide", "source", "first_at", "at"]


def same_digits(then: pd.DataFrame, later: pd.DataFrame) -> list[str]:
    """Columns in which a row known then reads otherwise later, to the last digit; all rows must still be there."""
    on = [name for name in KEYS if name in then]
    both = then.merge(later, on=on, how="left", suffixes=("", "_later"), indicator=True, validate="one_to_one")
    lost = both.index[both["_merge"] != "both"]
    wrong = [f"{len(lost)} rows are gone"] if len(lost) else []
    for name in then.columns.difference(on):
        a, b = both[name].to_numpy(), both[f"{name}_later"].to_numpy()
        differ = (a != b) & ~(pd.isna(a) & pd.isna(b))
        if differ.any():
            wrong.append(f"{name}: {int(differ.sum())} of {len(a)}, first {a[differ][0]!r} then {b[differ][0]!r}")
    return wrong


def rebuilt(records: Records, readings: pd.DataFrame, **others: pd.DataFrame) -> Records:
    """The same records with these readings, their categories made anew from what is left."""
    plain = readings.assign(**{n: readings[n].astype(object) for n, kind in READINGS.items() if kind == "cat"})
    return replace(records, readings=Records.table(READINGS, plain.reset_index(drop=True)), **others)
