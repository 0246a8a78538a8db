"""When each probe is checked, on which source and jig, and what is counted at that check."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from analytics.simulate.design import Design, Probe
from analytics.simulate.physics import Floats, moved_away

Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Checks:
    """One value a check, ordered by probe and time; ``span[p]`` is the slice of probe p."""

    probe: Ints
    day: Floats
    source: Ints
    jig: Ints
    jig_factor: Floats
    with_background: Bools
    with_window_check: Bools
    with_side: Bools
    temperature_c: Floats
    battery_pct: Floats
    on_minutes: Floats
    operator: Ints
    span: tuple[slice, ...]


def plan_checks(design: Design, rng: Generator) -> Checks:
    """Draw the checks of a whole fleet: cadence with jitter, skipped ones, gaps, half-yearly window checks."""
    sites = {site.name: site for site in design.sites}
    jig_of = {jig.name: number for number, jig in enumerate(design.jigs)}
    per_probe = [_days_of(design, probe, sites[probe.site].weekday, rng) for probe in design.probes]
    lengths = np.array([len(days) for days in per_probe], dtype=np.intp)
    ends = np.cumsum(lengths)
    span = tuple(slice(int(end - length), int(end)) for end, length in zip(ends, lengths, strict=True))
    day = np.concatenate(per_probe) if per_probe else np.zeros(0)
    probe = np.repeat(np.arange(len(design.probes), dtype=np.intp), lengths)
    source = np.full(len(day), -1, dtype=np.intp)
    background, window, side = (np.zeros(len(day), dtype=bool) for _ in range(3))
    room, swing = np.zeros(len(day)), np.zeros(len(day))
    for number, one in enumerate(design.probes):
        where = span[number]
        for index, candidate in enumerate(design.sources):
            if candidate.site == one.site:
                used = (day[where] >= candidate.used_from) & (day[where] < candidate.used_to)
                source[where] = np.where(used, index, source[where])
        background[where] = np.arange(lengths[number]) % one.background_every == 0
        window[where] = _first_of_each(day[where], one.window_check_days, one.window_check_phase)
        side[where] = _first_of_each(day[where], one.side_every_days, one.window_check_phase)
        room[where], swing[where] = sites[one.site].room_c, sites[one.site].room_swing_c
    if (source < 0).any():
        lonely = design.probes[int(probe[int(np.argmax(source < 0))])]
        raise ValueError(f"no source in use at {lonely.site} for a check of {lonely.name}")
    jig = np.array([jig_of.get(one.jig, -1) for one in design.probes], dtype=np.intp)[probe]
    factor = np.ones(len(day))
    for number, holder in enumerate(design.jigs):
        knocked = (jig == number) & (day >= holder.knocked_day) & (day < holder.mended_day)
        factor[knocked] = moved_away(holder.distance_mm, holder.by_mm)
    warm = swing * np.sin(2 * np.pi * (day - 110.0) / 365.2422)
    return Checks(
        probe=probe,
        day=day,
        source=source,
        jig=jig,
        jig_factor=factor,
        with_background=background,
        with_window_check=window,
        with_side=side,
        temperature_c=np.round(room + warm + rng.normal(0.0, 0.8, len(day)), 1),
        battery_pct=np.round(rng.uniform(22.0, 100.0, len(day))),
        on_minutes=np.round(np.clip(rng.exponential(11.0, len(day)), 1.0, 90.0)).astype(np.float64),
        operator=rng.integers(0, 1 << 30, len(day)).astype(np.intp),
        span=span,
    )


def _days_of(design: Design, probe: Probe, weekday: int, rng: Generator) -> Floats:
    """Check times of one probe in days since the start, at some minute of the morning."""
    first = max(0.0, probe.checked_from)
    last = min(design.days, probe.checked_to)
    planned = np.arange((weekday - design.starts_at.weekday()) % 7 + probe.phase_days, design.days, probe.cadence_days)
    reach = 1 if probe.cadence_days <= 10 else 3
    days = np.floor(planned) + rng.integers(-reach, reach + 1, len(planned)) * (rng.random(len(planned)) < 0.3)
    today = (design.starts_at.weekday() + days) % 7  # nobody checks at the weekend
    days += np.where(today == 5, -1.0, np.where(today == 6, 1.0, 0.0))
    days += np.floor(rng.uniform(7.4, 10.6, len(planned)) * 60) / 1440  # whole minutes between 7:24 and 10:36
    keep = (days >= first) & (days < last) & (rng.random(len(planned)) >= design.missed_rate)
    for gap_from, gap_to in probe.gaps:
        keep &= ~((days >= gap_from) & (days < gap_to))
    return np.asarray(np.unique(days[keep]), dtype=np.float64)


def _first_of_each(day: Floats, every_days: float, phase: float) -> Bools:
    """Marks the first check of each period of ``every_days``."""
    if not np.isfinite(every_days) or not len(day):
        return np.zeros(len(day), dtype=bool)
    period = np.floor(day / every_days - phase)
    return np.asarray(np.diff(period, prepend=-1.0) > 0, dtype=np.bool_)
