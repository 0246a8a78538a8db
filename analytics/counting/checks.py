"""Records in, check points out: every quantity a chart can show, and which countings made each of them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from analytics.counting.arrays import Bools, Codes, Floats, Ints, expand_ranges
from analytics.counting.background import Blocks, Paired, background_points, blocks
from analytics.counting.columns import MEASUREMENTS, Countings, from_records
from analytics.counting.grouping import check_groups
from analytics.counting.repeats import repeat_chi_square
from analytics.counting.response import response_states
from analytics.counting.side import side_points
from analytics.counting.subchecks import SubChecks, split
from analytics.counting.tables import Counted, Responses
from analytics.counting.window_points import window_points
from analytics.records.snapshot import Records
from analytics.settings import Settings

ROLES = (*MEASUREMENTS, "borrowed_background")


def count_records(records: Records, settings: Settings) -> Counted:
    """Everything counting says about these records; the caller has cut them to the moment that is asked for.

    Excluded readings take no part. A table without rows is returned where nothing of its kind was counted; nothing is
    guessed and nothing raises for lack of data.
    """
    countings = from_records(records, settings)
    owner = countings.probe.astype(np.int64) * (len(countings.names.window) + 1) + countings.window
    group = check_groups(owner, countings.taken_at)
    earlier = blocks(countings, group)
    subs = split(countings, group)
    states, last, paired = response_states(countings, subs, earlier)
    value, dof = repeat_chi_square(countings, subs)
    states = _with_chi_square(states, last, value, dof)
    final = states.rows(last)
    background, block_check = background_points(earlier, len(subs))
    used = Paired(*(getattr(paired, name)[last] for name in Paired.__dataclass_fields__))
    return Counted(
        names=countings.names, response=final, response_states=states, side=side_points(countings, subs, final),
        background=background, windows=window_points(countings, subs, final, records),
        members=_members(countings, subs, earlier, block_check, final.check, used))


def _with_chi_square(states: Responses, last: Ints, value: Floats, dof: Codes) -> Responses:
    """Chi-square belongs to the whole check, so only its last state carries it."""
    chi, freedom = states.chi_square.copy(), states.chi_square_dof.copy()
    chi[last], freedom[last] = value[states.check[last]], dof[states.check[last]]
    return dataclasses.replace(states, chi_square=chi, chi_square_dof=freedom)


def _members(
    countings: Countings, subs: SubChecks, earlier: Blocks, block_check: Ints, check: Ints, used: Paired,
) -> pd.DataFrame:
    """``results.COUNTING_COLUMNS``, ordered by (check, reading_id)."""
    lent: Bools = used.first_block >= 0
    first, last = used.first_block[lent], used.last_block[lent]
    begin = earlier.start[first]
    length = earlier.start[last] + earlier.length[last] - begin
    borrowed = earlier.rows[expand_ranges(begin, length)]
    ids = np.concatenate((subs.of_row, np.repeat(check[lent], length), np.repeat(block_check, earlier.length)))
    rows = np.concatenate((subs.rows, borrowed, earlier.rows))
    role = countings.measurement[rows].astype(np.int8)
    role[len(subs.rows):len(subs.rows) + len(borrowed)] = len(MEASUREMENTS)
    reading = countings.reading_id[rows]
    # Rows come nearly in order; one key sorts them faster than two.
    order = np.argsort(ids * (int(reading.max(initial=0)) + 1) + reading, kind="stable")
    return pd.DataFrame({
        "check": ids[order], "reading_id": reading[order],
        "role": pd.Categorical.from_codes(role[order], categories=pd.Index(ROLES))})
