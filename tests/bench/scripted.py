"""What a user would script for the outputs of the kernel: one series after the other, with pandas, numpy, statsmodels and Python.

Counts to responses by pandas; movement in common by numpy, all checks of a series at once (the independent route of the tests);
CUSUMs of three sizes on either side against a reference, and the best of forty splits, in Python; a local linear trend by
statsmodels. What the kernel has beside that is left out: references that are asked whether they moved, the spread of placing,
outliers, scatter, limits, slopes, three-position windows. So the loop has less to do than the kernel.
"""

from __future__ import annotations

import math
import time
import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd
import statsmodels.api as sm

from analytics.baseline.heard import WINDOW_SHARES, Known
from analytics.baseline.neighbours import Timelines, timelines
from analytics.baseline.rows import Floats, Rows
from analytics.charts.response import ResponseCharts
from analytics.counting.nuclides import half_life_days
from analytics.counting.tables import Counted
from analytics.records.snapshot import Records
from analytics.settings import Settings
from tests.baseline.plain_heard import heard_by_readout, neighbours, one_witness

SIZES_K = (0.25, 0.5, 1.1)
SPLITS = 40
ALIKE = 0.1  # counting errors: the kernel takes each check's background together with those before it, the loop does not
TWO_HOURS = pd.Timedelta(hours=2)


@dataclass(frozen=True)
class Loop:
    """Seconds for all series, from a sample of them."""

    counting: float
    shared: float
    charts: float
    trend: float

    @property
    def whole(self) -> float:
        """Of all four."""
        return self.counting + self.shared + self.charts + self.trend

    def said(self) -> str:
        """All five in words."""
        return (
            f"{self.whole:.1f} s: counts {self.counting:.1f}, movement in common {self.shared:.1f}, charts {self.charts:.1f}, "
            f"trend {self.trend:.1f}"
        )


def scripted(records: Records, counted: Counted, charts: ResponseCharts, settings: Settings, most: int = 40) -> Loop:
    """Time of the loop over some ``most`` series, times their number. Raises where its responses are not those of the kernel."""
    rows = charts.rows
    series = np.unique(rows.series)
    chosen = series[:: max(len(series) // most, 1)]
    lines = timelines(rows, counted.response_states.log_var[rows.index], len(counted.names.source))
    known = Known(charts.corrected.alpha, charts.corrected.alpha_var, charts.corrected.unit_placing)
    sources = records.sources.set_index("source")
    probes = records.probes.set_index("probe")
    took = dict.fromkeys(("counting", "shared", "charts", "trend"), 0.0)
    begin = time.perf_counter()
    of_probe = dict(tuple(records.readings.groupby("probe", observed=True)))
    grouped = time.perf_counter() - begin
    for one in chosen:
        mine = np.flatnonzero((rows.series == one) & rows.last)
        name = str(counted.names.probe[rows.probe[mine[0]]])
        window = str(counted.names.window[counted.response.keys.window[one]])
        begin = time.perf_counter()
        y, sd = responses(of_probe[name], window, sources, float(probes.loc[name, "dead_time_us"]))
        took["counting"] += time.perf_counter() - begin
        if len(y) == len(mine) and np.median(np.abs(y - rows.y[mine]) / sd) > ALIKE:
            raise RuntimeError(f"the loop has other responses for {name} than the kernel")
        begin = time.perf_counter()
        heard(lines, rows, mine, known, settings)
        took["shared"] += time.perf_counter() - begin
        if len(y) < 8:
            continue
        begin = time.perf_counter()
        walked((y - float(np.median(y[:20]))) / sd, y, sd)
        took["charts"] += time.perf_counter() - begin
        begin = time.perf_counter()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sm.tsa.UnobservedComponents(100.0 * y, "local linear trend").fit(disp=False, maxiter=50)
        took["trend"] += time.perf_counter() - begin
    scale = len(series) / max(len(chosen), 1)
    scaled = {name: seconds * scale for name, seconds in took.items()}
    return Loop(**(scaled | {"counting": scaled["counting"] + grouped}))


def responses(readings: pd.DataFrame, window: str, sources: pd.DataFrame, dead_time_us: float) -> tuple[Floats, Floats]:
    """Log response and its counting error of every check of one probe in one window."""
    mine = readings[(readings["window"] == window) & ~readings["excluded"] & readings["counts"].notna()].sort_values("taken_at")
    on = mine[mine["measurement"] == "source"]
    blank = mine[mine["measurement"] == "background"]
    check = (on["taken_at"].diff() > TWO_HOURS).cumsum()
    summed = on.groupby(check).agg(
        counts=("counts", "sum"), seconds=("count_time_s", "sum"), at=("taken_at", "first"), source=("source", "first")
    )
    empty = blank.groupby((blank["taken_at"].diff() > TWO_HOURS).cumsum()).agg(
        blank_counts=("counts", "sum"), blank_seconds=("count_time_s", "sum"), blank_at=("taken_at", "last")
    )
    joined = pd.merge_asof(
        summed.sort_values("at"), empty.sort_values("blank_at"), left_on="at", right_on="blank_at", direction="nearest"
    )
    tau = dead_time_us * 1e-6
    gross = joined["counts"] / joined["seconds"]
    background = (joined["blank_counts"] / joined["blank_seconds"]).fillna(0.0)
    net = gross / (1.0 - gross * tau) - background / (1.0 - background * tau)
    stated = sources.loc[joined["source"].astype(str)]
    age_days = (joined["at"].to_numpy() - stated["reference_at"].to_numpy()) / np.timedelta64(1, "D")
    half_lives = dict(zip(kinds := stated["nuclide"].astype(str).unique(), half_life_days(list(kinds)), strict=True))
    activity = stated["activity_kbq"].to_numpy(float) * np.exp(-math.log(2.0) * age_days / stated["nuclide"].astype(str).map(half_lives).to_numpy(float))
    told = net.to_numpy(float) > 0  # else no signal
    return np.log(net[told].to_numpy(float) / activity[told]), 1.0 / np.sqrt(joined["counts"][told].to_numpy(float))


def heard(lines: Timelines, rows: Rows, mine: np.ndarray, known: Known, settings: Settings) -> Floats:
    """What the neighbours of one series say that is shared, at each of its checks."""
    query = tuple(getattr(rows, name)[mine] for name in ("source", "at_days", "probe", "jig", "readout"))
    unit_probe, least = rows.unit_probe, settings.shared.least_probes
    views = neighbours(lines, *query, unit_probe, [share * settings.shared.window_days for share in WINDOW_SHARES])
    may = one_witness(views[0], (views[0].unit >= 0) & np.isfinite(known.anchor)[views[0].unit], known, unit_probe)
    beside = may & views[0].same_jig
    use = np.where(beside.sum(axis=0) >= least - 1, beside, may)
    return heard_by_readout(views, use, query[4], known, least).centre.value


def walked(z: Floats, y: Floats, sd: Floats) -> list[float]:
    """Six CUSUMs, and the best split of the past, at every check."""
    out: list[float] = []
    for k in SIZES_K:
        high = low = 0.0
        for one in z.tolist():
            high, low = max(0.0, high + one - k), max(0.0, low - one - k)
            out.append(max(high, low))
    weight = (1.0 / sd**2).tolist()
    for newest in range(5, len(y)):
        best, w_after, m_after = 0.0, 0.0, 0.0
        for split in range(newest, max(newest - SPLITS, 4), -1):
            w_after += weight[split]
            m_after += weight[split] * y[split]
            best = max(best, abs(m_after / w_after) * w_after)
        out.append(best)
    return out
