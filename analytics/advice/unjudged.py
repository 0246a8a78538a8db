"""Checks that were made and tell nothing of the probe, and why: none of them may pass in silence for a good one.

Counted faster than dead time can be corrected for, on a nuclide without a half-life, or so many half-lives from the reference
date that date or nuclide cannot be right: the counts are kept, and there is no response to chart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.baseline.rows import Bools, Floats, Rows, days
from analytics.counting.columns import Names
from analytics.counting.flags import Flag
from analytics.counting.grouping import CHECK_SPAN_US
from analytics.counting.nuclides import MOST_HALF_LIVES
from analytics.counting.tables import Responses, WindowChecks
from analytics.words import day

OFFSET = ("window_below", "window_above")
ADRIFT = 1.0  # variance of the log of what is common to a source: a factor of three either way
SPAN_DAYS = CHECK_SPAN_US / 86_400e6  # what lies closer together is one session


@dataclass(frozen=True)
class Unjudged:
    """The checks of one probe that gave no response.

    newest: the newest check of the probe is one of them, and nothing that was counted with it tells of the probe. all: so are
    all of its checks.
    """

    sentence: str
    newest: bool
    all: bool


def unjudged(table: Responses, names: Names, rows: Rows, shift_var: Floats) -> dict[int, Unjudged]:
    """By probe code; only probes with such a check. No signal is another matter.

    table: every check at its last state. rows, shift_var: what was charted, with the variance of the movement taken off each row.
    """
    mute = np.isnan(table.log_response) & ~table.no_signal
    adrift = _adrift(table, rows, shift_var)
    if not (mute | adrift).any():
        return {}
    probe, at = table.keys.probe[table.series], days(table.check_at)
    out = {}
    for code in np.unique(probe[mute | adrift]).tolist():
        mine = probe == code
        bad, good = np.flatnonzero(mine & (mute | adrift)), np.flatnonzero(mine & ~(mute | adrift))
        last = int(bad[np.argmax(at[bad])])
        newest = len(good) == 0 or bool(at[last] > at[good].max() + SPAN_DAYS)
        if adrift[last] and newest:
            out[code] = Unjudged(_not_bridged(names.source[table.source[last]], float(at[last])), newest, False)
        elif (mine & mute).any():
            bad = np.flatnonzero(mine & mute)
            last = int(bad[np.argmax(at[bad])])
            said = f"{_counted(len(bad), int(mine.sum()), float(at[last]))}: {_why(table, last, names)}"
            out[code] = Unjudged(said, newest, len(good) == 0)
    return out


def looks_without_a_shift(readings: pd.DataFrame, windows: WindowChecks, names: Names) -> dict[int, str]:
    """By probe code: its newest window check has not all three counts, and the shift of the photopeak cannot be told from it."""
    some = readings[readings["measurement"].isin(OFFSET) & ~readings["excluded"].to_numpy(bool)]
    if len(some) == 0:
        return {}
    began = some.groupby(some["probe"].astype(object))["taken_at"].max()
    told = np.full(len(names.probe), -np.inf)
    np.maximum.at(told, windows.keys.probe[windows.series], days(windows.check_at))
    code = {name: place for place, name in enumerate(names.probe)}
    return {
        code[probe]: f"Its window check on {day(at)} tells nothing: a count below, on or above the photopeak is missing, all on one source."
        for probe, at in zip(began.index, days(began.to_numpy("datetime64[us]")).tolist(), strict=True)
        if probe in code and at > told[code[probe]] + SPAN_DAYS
    }


def _adrift(table: Responses, rows: Rows, shift_var: Floats) -> Bools:
    """Checks on a source whose strength against the one before is not known at all: neither certificate nor other probes tell it."""
    out = np.zeros(len(table.series), bool)
    loose = rows.check[rows.last & (shift_var > ADRIFT)]
    if len(loose):
        out[np.isin(table.check, loose)] = True
    return out


def _counted(bad: int, of: int, at_days: float) -> str:
    if of == 1:
        return "Its one check gives no response"
    return f"{bad} of its {of} checks {'gives' if bad == 1 else 'give'} no response ({'' if bad == 1 else 'the last '}on {day(at_days)})"


def _not_bridged(source: str, at_days: float) -> str:
    return (
        f"Its newest check, on {day(at_days)}, cannot be held against those before: {source} or the source before states no activity, "
        "and too few other probes had been read on both; read it again when they have, or let a new reference begin."
    )


def _why(table: Responses, row: int, names: Names) -> str:
    source, flags = names.source[table.source[row]], int(table.flags[row])
    nuclide_code = int(table.keys.nuclide[table.series[row]])
    nuclide = names.nuclide[nuclide_code] if nuclide_code >= 0 else "its nuclide"
    if flags & Flag.NO_HALF_LIFE:
        return f"no half-life is known for {nuclide}, the nuclide of {source}; put it right there, or give its half-life in the settings."
    if flags & Flag.DECAYED_AWAY:
        return (
            f"it lies more than {MOST_HALF_LIVES:g} half-lives of {nuclide} from the reference date of {source}; "
            "that date or the nuclide cannot be right."
        )
    if not flags & Flag.BRANCH_REFUSED:
        return "its background is beyond what the dead time of the probe lets be corrected; look for what was counted there."
    rate = table.gross_counts[row] / table.gross_time_s[row]
    return (
        f"{rate:.0f} counts a second are more than the dead time of {1e6 * table.dead_time_s[row]:g} µs lets be corrected; "
        "use a weaker source, or put the dead time right."
    )
