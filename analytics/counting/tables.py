"""What counting hands on: one frozen table of arrays a quantity, one row a check point.

Codes are places in ``Names`` (−1: none). ``series`` is a row of the table's ``keys``. Rows are sorted by
(series, check_at, check). NaN: not known. Flags are bits of ``flags.Flag``.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Self

import numpy as np
import pandas as pd

from analytics.counting.arrays import Bools, Codes, Floats, Ints, Kinds, Times
from analytics.counting.columns import Names

OWN, BORROWED, RUNNING, GROSS = range(4)  # ``background_kind``


@dataclass(frozen=True)
class Keys:
    """The series of one quantity, sorted by name, none first. Row = series code."""

    probe: Codes
    window: Codes
    jig: Codes
    collimator: Codes
    nuclide: Codes

    def __len__(self) -> int:
        return len(self.probe)


class _Rows:
    """Selection of rows; the keys stay whole, so series codes keep their meaning."""

    def rows(self, index: Ints | Bools) -> Self:
        """The rows of this index or mask."""
        own = {f.name: getattr(self, f.name) for f in dataclasses.fields(self)}  # type: ignore[arg-type]
        picked = {name: value if isinstance(value, Keys) else value[index] for name, value in own.items()}
        return type(self)(**picked)

    def __len__(self) -> int:
        return len(self.series)  # type: ignore[attr-defined]


@dataclass(frozen=True)
class Responses(_Rows):
    """Net, dead-time- and decay-corrected response of every check."""

    keys: Keys
    series: Codes
    check: Ints
    check_at: Times               # taken_at of the counting that completes the value
    first_at: Times               # taken_at of the first counting of the check's source countings
    source: Codes
    jig: Codes
    readout: Codes                # of the last source counting
    operator: Codes
    temperature_c: Floats         # means over the source countings that state it
    battery_pct: Floats
    on_minutes: Floats
    repeats: Codes                # source countings in the check
    placements: Codes             # 1 + how often the probe was taken out and put back
    gross_counts: Floats
    gross_time_s: Floats
    background_counts: Floats     # own and borrowed background only, else NaN
    background_time_s: Floats
    background_kind: Kinds        # OWN, BORROWED, RUNNING, GROSS
    background_cps: Floats        # dead-time corrected; 0 where gross
    background_var_cps2: Floats
    net_cps: Floats               # dead-time corrected, background off, not decayed
    dead_time_s: Floats
    dead_time_model: Kinds
    dead_time_loss: Floats        # fraction of the true counts
    dead_time_factor: Floats      # F = d true / d observed
    age_days: Floats              # since the source's reference date; negative before it
    decay_factor: Floats          # mean over the counting time
    activity_kbq: Floats          # stated, at the reference date; NaN: none
    response: Floats              # cps/kBq, or cps decayed to the reference date where no activity is stated
    log_response: Floats          # ln(response) with the bias of the logarithm taken off; NaN: no signal
    log_var: Floats               # counting variance of it, from the observed counts, rounding included
    rounding_var: Floats          # the part of log_var that is the rounding of a displayed rate
    rounding_counts2: Floats      # the same in counts² of the gross counts
    half_life_var: Floats         # shared by all checks of a nuclide, not in log_var; NaN: u(T½) not known
    decision_limit_cps: Floats    # Currie L_C of the net rate
    no_signal: Bools
    chi_square: Floats            # of raw counts of equal-time repeats of one placement; NaN: none
    chi_square_dof: Codes
    flags: Codes


@dataclass(frozen=True)
class Sides(_Rows):
    """Counts beside the shielded shaft over those in front of it."""

    keys: Keys
    series: Codes
    check: Ints
    check_at: Times
    source: Codes
    jig: Codes
    readout: Codes
    side_counts: Floats
    side_time_s: Floats
    side_pct: Floats              # net side rate over net front rate, per cent; may be below 0 by chance
    side_var_pct2: Floats
    log_side: Floats              # ln(side_pct/100); NaN where the side shows no signal
    log_var: Floats
    flags: Codes


@dataclass(frozen=True)
class Backgrounds(_Rows):
    """Background countings of every check; key: probe, window, collimator (jig and nuclide are none)."""

    keys: Keys
    series: Codes
    check: Ints
    check_at: Times
    readout: Codes
    counts: Floats
    time_s: Floats
    rate_cps: Floats              # dead-time corrected
    rate_var: Floats              # (1/s)²
    flags: Codes


@dataclass(frozen=True)
class WindowChecks(_Rows):
    """Three counts with the window below, on and above the photopeak, and what the model reads from them."""

    keys: Keys
    series: Codes
    check: Ints
    check_at: Times
    source: Codes
    jig: Codes
    readout: Codes
    below_cps: Floats             # net, dead-time corrected
    centre_cps: Floats
    above_cps: Floats
    below_var: Floats
    centre_var: Floats
    above_var: Floats
    background_cps: Floats
    log_ratio: Floats             # ln(above/below); NaN where either shows no net counts
    log_ratio_var: Floats
    z_below: Floats               # (centre − below) in standard deviations
    z_above: Floats
    not_centred: Bools
    shift_pct: Floats             # photopeak against window centre, % of its energy; NaN: not registered or identified
    shift_sd: Floats
    width_pct: Floats             # FWHM, % of energy, no scatter assumed; NaN where three counts cannot tell it
    width_sd: Floats
    scatter: Floats               # flat part over the lines' part of the centred window, the width taken as known
    scatter_sd: Floats
    taken_fwhm_pct: Floats        # the width shift and scatter were fitted with: measured, or typical (ASSUMED_WIDTH)
    flags: Codes


@dataclass(frozen=True)
class Counted:
    """All that counting says about one state of the records."""

    names: Names
    response: Responses
    response_states: Responses    # each check after each moment at which one of its countings came in
    side: Sides
    background: Backgrounds
    windows: WindowChecks
    members: pd.DataFrame         # results.COUNTING_COLUMNS


def series_keys(parts: tuple[Codes, Codes, Codes, Codes, Codes]) -> tuple[Keys, Codes]:
    """The distinct (probe, window, jig, collimator, nuclide) in order, and the row of each entry in them."""
    if len(parts[0]) == 0:
        empty = np.empty(0, np.int32)
        return Keys(empty, empty, empty, empty, empty), empty
    sizes = [int(part.max()) + 2 for part in parts]
    combined = np.zeros(len(parts[0]), np.int64)
    for part, size in zip(parts, sizes, strict=True):
        combined = combined * size + (part.astype(np.int64) + 1)
    found, inverse = np.unique(combined, return_inverse=True)
    columns = []
    for size in reversed(sizes):
        columns.append((found % size - 1).astype(np.int32))
        found = found // size
    probe, window, jig, collimator, nuclide = reversed(columns)
    return Keys(probe, window, jig, collimator, nuclide), inverse.astype(np.int32)
