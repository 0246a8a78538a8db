"""The three window counts of every check that has them, with what the model reads from them.

Background is the one of the check's response: it is counted in the centred window and stands for all three.
"""

from __future__ import annotations

import numpy as np

from analytics.counting.arrays import Bools, Floats, Ints, Times, ratio
from analytics.counting.columns import SIDE, WINDOW_ABOVE, WINDOW_BELOW, Countings
from analytics.counting.columns import SOURCE as CENTRE
from analytics.counting.flags import Flag
from analytics.counting.line_model import WindowSetup
from analytics.counting.line_width import line_widths
from analytics.counting.pooled import pool
from analytics.counting.precision import ONE_SIDED_95
from analytics.counting.side import by_check
from analytics.counting.subchecks import SubChecks
from analytics.counting.tables import Responses, WindowChecks, series_keys
from analytics.counting.three_counts import ThreeCounts
from analytics.counting.window import fit_shift
from analytics.counting.window_width import fit_width
from analytics.records.snapshot import Records

_FITTED = ("shift_pct", "shift_sd", "width_pct", "width_sd", "scatter", "scatter_sd", "taken_fwhm_pct")


def window_points(countings: Countings, subs: SubChecks, final: Responses, records: Records) -> WindowChecks:
    """One point a check with all three counts; ``final`` gives its background."""
    below, above = pool(countings, subs, WINDOW_BELOW), pool(countings, subs, WINDOW_ABOVE)
    shared_placement, mixed = _one_placement(countings, subs)
    centre = pool(countings, subs, CENTRE, shared_placement)
    front = by_check(final, len(subs))
    sub = np.flatnonzero((below.time_s > 0) & (above.time_s > 0) & (centre.time_s > 0) & (front >= 0))
    at = front[sub]
    blank, blank_var = final.background_cps[at], final.background_var_cps2[at]
    counts = ThreeCounts(
        below.rate_cps[sub] - blank, centre.rate_cps[sub] - blank, above.rate_cps[sub] - blank,
        below.rate_var[sub] + blank_var, centre.rate_var[sub] + blank_var, above.rate_var[sub] + blank_var, blank_var)

    ratio_log, ratio_var = _log_ratio(counts)
    z_below = ratio(counts.centre - counts.below, np.sqrt(counts.centre_var + counts.below_var - 2.0 * blank_var))
    z_above = ratio(counts.centre - counts.above, np.sqrt(counts.centre_var + counts.above_var - 2.0 * blank_var))
    not_centred = ~((z_below > ONE_SIDED_95) & (z_above > ONE_SIDED_95))
    latest = np.maximum(np.maximum(below.last_at[sub], above.last_at[sub]), final.check_at[at])
    fitted, modelled, assumed = _fit(countings, subs, sub, counts, latest, records)
    flags = (
        final.flags[at] | np.where(not_centred, Flag.NOT_CENTRED, 0) | np.where(mixed[sub], Flag.MIXED_PLACEMENT, 0)
        | np.where(modelled & np.isnan(fitted["shift_pct"]), Flag.NOT_IDENTIFIED, 0)
        | np.where(assumed, Flag.ASSUMED_WIDTH, 0)).astype(np.int32)
    nuclide = countings.sources.nuclide[subs.source[sub]]
    keys, series = series_keys((subs.probe[sub], subs.window[sub], subs.jig[sub], subs.collimator[sub], nuclide))
    points = WindowChecks(
        keys=keys, series=series, check=sub, check_at=latest, source=subs.source[sub], jig=subs.jig[sub],
        readout=centre.readout[sub], below_cps=counts.below, centre_cps=counts.centre, above_cps=counts.above,
        below_var=counts.below_var, centre_var=counts.centre_var, above_var=counts.above_var, background_cps=blank,
        log_ratio=ratio_log, log_ratio_var=ratio_var, z_below=z_below, z_above=z_above, not_centred=not_centred,
        flags=flags, **fitted)
    return points.rows(np.lexsort((points.check, points.check_at.astype(np.int64), points.series)))


def _one_placement(countings: Countings, subs: SubChecks) -> tuple[Bools, Bools]:
    """The countings of ``subs.rows`` in one placement with the offset windows, and the checks that have no such one.

    The placement is that of the check's last offset-window counting. Where offset windows or centre lie in different
    placements, all centred countings are used and the check is marked.
    """
    rows, sub, size = subs.rows, subs.of_row, len(subs)
    kind = countings.measurement[rows]
    placement = np.cumsum(countings.reseated[rows] & (kind != SIDE))
    offset = (kind == WINDOW_BELOW) | (kind == WINDOW_ABOVE)
    lowest, highest = np.full(size, np.iinfo(np.int64).max), np.full(size, -1, np.int64)
    np.minimum.at(lowest, sub[offset], placement[offset])
    np.maximum.at(highest, sub[offset], placement[offset])
    same = placement == highest[sub]
    centred = np.zeros(size, bool)
    centred[sub[same & (kind == CENTRE)]] = True
    mixed = (highest >= 0) & ((lowest != highest) | ~centred)
    return same | mixed[sub] | (highest[sub] < 0), mixed


def _log_ratio(counts: ThreeCounts) -> tuple[Floats, Floats]:
    """ln(above/below) with the bias of both logarithms taken off, and its variance; NaN where either is not above 0."""
    good = (counts.above > 0) & (counts.below > 0)
    a, b = np.where(good, counts.above, 1.0), np.where(good, counts.below, 1.0)
    shared = counts.shared_var
    own = (counts.above_var - shared) / a**2 + (counts.below_var - shared) / b**2
    variance = own + shared * (1.0 / a - 1.0 / b) ** 2
    value = np.log(a / b) + 0.5 * (counts.above_var / a**2 - counts.below_var / b**2)
    return np.where(good, value, np.nan), np.where(good, variance, np.nan)


def _setups(
    countings: Countings, subs: SubChecks, sub: Ints, records: Records,
) -> tuple[list[WindowSetup | None], Ints]:
    """The distinct (window, nuclide) as setups, and the one of every row."""
    names = countings.names
    nuclide = countings.sources.nuclide[subs.source[sub]].astype(np.int64)
    pair = subs.window[sub].astype(np.int64) * (len(names.nuclide) + 1) + nuclide + 1
    found, which = np.unique(pair, return_inverse=True)
    register = records.windows.drop_duplicates("window", keep="last").set_index("window")
    figures = register.reindex(list(names.window))[["centre_kev", "width_pct", "offset_pct"]].to_numpy(np.float64)
    setups: list[WindowSetup | None] = []
    for code in found:
        window, source = divmod(int(code), len(names.nuclide) + 1)
        centre, width, offset = (float(one) for one in figures[window])
        setups.append(WindowSetup.of(names.nuclide[source - 1], centre, width, offset) if source > 0 else None)
    return setups, which


def _fit(
    countings: Countings, subs: SubChecks, sub: Ints, counts: ThreeCounts, at: Times, records: Records,
) -> tuple[dict[str, Floats], Bools, Bools]:
    """Fitted columns, where a model was there to fit, and where the width was assumed from the kind of detector."""
    out = {name: np.full(len(sub), np.nan) for name in _FITTED}
    assumed, modelled = np.zeros(len(sub), bool), np.zeros(len(sub), bool)
    setups, which = _setups(countings, subs, sub, records)
    for number, setup in enumerate(setups):
        if setup is None:
            continue
        rows = np.flatnonzero(which == number)
        part = ThreeCounts(*(getattr(counts, name)[rows] for name in ThreeCounts.__dataclass_fields__))
        probe = subs.probe[sub[rows]]
        width, guessed = line_widths(records, countings.names.probe, probe, at[rows], setup.photopeak_kev)
        shift, own_width = fit_shift(setup, part, width), fit_width(setup, part, narrowest_pct=0.5 * width)
        for name in ("shift_pct", "shift_sd", "scatter", "scatter_sd"):
            out[name][rows] = getattr(shift, name)
        out["taken_fwhm_pct"][rows] = width
        out["width_pct"][rows], out["width_sd"][rows] = own_width.width_pct, own_width.width_sd
        assumed[rows], modelled[rows] = guessed, True
    return out, modelled, assumed
