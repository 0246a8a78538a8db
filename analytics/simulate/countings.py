"""From the true state to countings: rates, dead time, Poisson, and the numbers people write down."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from analytics.simulate.blunders import COUNTED_LONGER, KINDS, Blunders
from analytics.simulate.checks import Bools, Checks, Ints
from analytics.simulate.design import Design, Window
from analytics.simulate.physics import HALF_LIFE_DAYS, YEAR_DAYS, Floats, remaining, seen_rate, window_share
from analytics.simulate.state import State, window_edges

SLOT_SECONDS = 20.0
SIDE_TIME_S = 60.0
DEAD_RATE_CPS = 0.02
WARM_UP_MINUTES = 12.0
USUAL_ROOM_C = 21.0


def of_probes(design: Design, name: str) -> NDArray[np.float64]:
    """One field of every probe as an array."""
    return np.array([getattr(probe, name) for probe in design.probes], dtype=np.float64)


def plan_countings(design: Design, checks: Checks, outlying: Bools, rng: Generator) -> pd.DataFrame:
    """One row a counting: check, measurement, window number, offset, repeat, reseated, placing, slot; unordered."""
    repeats = of_probes(design, "repeats")[checks.probe]
    reseats = of_probes(design, "reseated_repeats")[checks.probe] > 0
    windows = all_windows(design)
    has = np.array([[window in probe.windows for window in windows] for probe in design.probes], dtype=bool).reshape(
        -1, len(windows)
    )
    every = np.ones(len(checks.day), dtype=bool)
    again = outlying & (rng.random(len(checks.day)) < design.repeat_after_outlier) & (repeats == 1)
    again[[span.stop - 1 for span in checks.span if span.stop > span.start]] = False  # nobody has got round to the last
    parts: list[pd.DataFrame] = []
    slot = 0

    def add(
        chosen: Bools,
        measurement: str,
        window: int,
        *,
        offset: int = 0,
        repeat: int = 1,
        placing: int = 0,
        reseated: Bools | None = None,
    ) -> None:
        nonlocal slot
        at = np.flatnonzero(chosen)
        reseated_here = reseated[at] if reseated is not None else np.zeros(len(at), dtype=bool)
        parts.append(
            pd.DataFrame(
                {
                    "check": at,
                    "measurement": measurement,
                    "window_number": window,
                    "offset": offset,
                    "repeat": repeat,
                    "reseated": reseated_here,
                    "placing": np.where(reseated_here, placing, 4 if measurement == "side" else 0),
                    "slot": slot,
                }
            )
        )
        slot += 1

    for number in range(len(windows)):
        here = has[checks.probe, number]
        add(checks.with_background & here, "background", number)
        for repeat in range(1, int(repeats.max(initial=1)) + 1 if number == 0 else 2):
            add(
                here & (repeats >= repeat),
                "source",
                number,
                repeat=repeat,
                placing=repeat + 10,
                reseated=reseats & (repeat > 1),
            )
        if number == 0:
            add(checks.with_window_check & here, "window_below", number, offset=-1)
            add(checks.with_window_check & here, "window_above", number, offset=1)
            add(again & here, "source", number, repeat=2, placing=3, reseated=every)
    add(checks.with_side, "side", 0)
    return pd.concat(parts, ignore_index=True)


def all_windows(design: Design) -> list[Window]:
    """Every window in use, the first one being the one that probes are judged in."""
    found: list[Window] = []
    for probe in design.probes:
        found += [window for window in probe.windows if window not in found]
    return found


def placing_factors(
    rows: pd.DataFrame, checks: Checks, spread_pct: Floats, blunders: Blunders, rng: Generator
) -> Floats:
    """Factor of each counting's placing: one draw for each (check, placing); blunders spoil the first placing only."""
    check, placing = rows["check"].to_numpy(), rows["placing"].to_numpy()
    keys, place = np.unique(check * 100 + placing, return_inverse=True)
    draw = np.exp(rng.normal(0.0, 1.0, len(keys)) * spread_pct[checks.probe[keys // 100]] / 100.0)
    factor = draw[place]
    seated = blunders.is_kind("mis_seated")[check] & (placing == 0)
    window = blunders.is_kind("wrong_window")[check] & (placing == 0) & (rows["measurement"] == "source").to_numpy()
    return np.asarray(
        np.where(seated | (window & (rows["window_number"] == 0).to_numpy()), factor * blunders.factor[check], factor)
    )


def true_activity_kbq(design: Design, source: Ints, day: Floats) -> Floats:
    """True activity of the numbered sources at ``day``: stated × factor, decayed from the true reference time."""
    stated = np.array([one.activity_kbq * one.activity_factor for one in design.sources])[source]
    recorded = np.array([one.reference_day for one in design.sources])[source]
    error = np.array([one.reference_error_days for one in design.sources])[source]
    excess = np.array([one.excess_decay_pct_per_year for one in design.sources])[source]
    age = day - (recorded - error)
    return np.asarray(stated * remaining(age, HALF_LIFE_DAYS["Co-57"]) * (1.0 - excess / 100.0) ** (age / YEAR_DAYS))


def count(
    design: Design,
    checks: Checks,
    state: State,
    rows: pd.DataFrame,
    dropped: Floats,
    blunders: Blunders,
    rng: Generator,
) -> pd.DataFrame:
    """Add counts, times, and the truth of each counting to the planned rows.

    dropped: factor of lost contact for each counting (1: none).
    """
    check = rows["check"].to_numpy().astype(np.intp)
    probe = checks.probe[check]
    measurement = rows["measurement"].to_numpy().astype(str)
    windows = all_windows(design)
    site_of = {site.name: site for site in design.sites}
    sites = [site_of[one.site] for one in design.probes]
    background, is_side = measurement == "background", measurement == "side"
    time_s = np.array([site.count_time_s for site in sites])[probe]
    time_s = np.where(
        background, np.array([site.background_time_s for site in sites])[probe], np.where(is_side, SIDE_TIME_S, time_s)
    )
    judged = (measurement == "source") & (rows["window_number"].to_numpy() == 0) & (rows["placing"].to_numpy() == 0)
    spoiled_time = blunders.is_kind("count_time_wrong")[check] & judged & (rows["repeat"].to_numpy() == 1)
    counted_s = np.where(spoiled_time, time_s * COUNTED_LONGER, time_s)
    day = checks.day[check] + rows["slot"].to_numpy() * SLOT_SECONDS / 86_400.0

    # background of the place, with its own drift from check to check, and what stuck to the probe
    level = np.array([site.background_cps for site in sites])[checks.probe]
    spread = np.array([site.background_overdispersion for site in sites])[checks.probe]
    shape = 1.0 / np.maximum(spread, 1e-6) ** 2
    level = level * rng.gamma(shape, 1.0 / shape)
    place_cps = level[check] + state.background_added[check]

    rate = np.where(
        background,
        0.0,
        true_activity_kbq(design, checks.source[check], day) * _per_activity(design, checks, state, rows),
    )
    rate *= (
        checks.jig_factor[check]
        * dropped
        * placing_factors(rows, checks, of_probes(design, "repositioning_pct"), blunders, rng)
    )
    leak_pct = of_probes(design, "side_leak_pct")[probe] + state.side_leak_added[check]
    rate *= np.where(is_side, leak_pct / 100.0, 1.0)
    total = np.where(state.dead[check], DEAD_RATE_CPS, rate + place_cps)
    seen = seen_rate(total, of_probes(design, "dead_time_us")[probe], of_probes(design, "paralysable")[probe] > 0)
    counts = _draw(seen * counted_s, state.regular[check], state.doubled[check], rng)
    counts = counts + np.where(state.dead[check], 0.0, np.round(state.steady_added[check] * counted_s)).astype(np.int64)
    return rows.assign(
        probe=probe,
        day=day,
        counts=counts,
        count_time_s=time_s,
        window=np.array([one.name for one in windows])[rows["window_number"]],
        kind=np.where(
            judged & ((rows["repeat"].to_numpy() == 1) | (blunders.factor[check] != 1.0)),
            np.array(KINDS)[blunders.kind[check]],
            "",
        ),
    )


def _per_activity(design: Design, checks: Checks, state: State, rows: pd.DataFrame) -> Floats:
    """True rate for each kBq of every counting, in its own window position, passing upsets included."""
    check = rows["check"].to_numpy().astype(np.intp)
    probe = checks.probe[check]
    windows = all_windows(design)
    first = windows[0]
    gain0 = 1.0 + of_probes(design, "gain_offset_pct") / 100.0
    fwhm, scatter = of_probes(design, "fwhm_pct"), of_probes(design, "scatter_per_kev")
    as_set_up = window_share(*window_edges(first, 0.0), gain0, fwhm, scatter)
    offset = rows["offset"].to_numpy()
    low, high = np.zeros(len(rows)), np.zeros(len(rows))
    for number, window in enumerate(windows):
        for side in (-1, 0, 1):
            chosen = ((rows["window_number"] == number) & (offset == side)).to_numpy()
            low[chosen], high[chosen] = window_edges(window, side * window.offset_pct)
    share = window_share(
        low, high, gain0[probe] * state.gain[check], fwhm[probe] * state.fwhm_factor[check], scatter[probe]
    )
    upset = state.per_degree * (checks.temperature_c - USUAL_ROOM_C)
    upset = upset + state.per_empty_battery * np.clip((40.0 - checks.battery_pct) / 40.0, 0.0, 1.0)
    upset = upset + state.warm_up * (1.0 - np.exp(-checks.on_minutes / WARM_UP_MINUTES))
    sensitivity = of_probes(design, "sensitivity_cps_per_kbq")[probe]
    return np.asarray(sensitivity * share / as_set_up[probe] * np.exp(state.ln_efficiency + upset)[check])


def _draw(mean: Floats, regular: Floats, doubled: Floats, rng: Generator) -> NDArray[np.int64]:
    """Poisson counts; clocked pulses take their share of the spread away, pulses counted twice add to both."""
    counts = rng.poisson(mean)
    calm = np.maximum(np.round(mean + (counts - mean) * np.sqrt(1.0 - regular)), 0).astype(np.int64)
    counts = np.where(regular > 0, calm, counts)
    # the share counted twice wanders from counting to counting: relative spread 0.8, gamma
    share = np.minimum(doubled * rng.gamma(1.5625, 0.64, len(mean)), 0.9)
    twice = np.zeros(len(counts), dtype=np.int64)
    hit = np.flatnonzero(doubled > 0)
    twice[hit] = rng.binomial(counts[hit], share[hit])
    return np.asarray(counts + twice, dtype=np.int64)
