"""One check more is worked out in its own group alone, and the answer is that of the whole, to the last digit."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import cache

import numpy as np
import pytest

from analytics import settings
from analytics.fleet import assess
from analytics.records.standing import Standing
from analytics.simulate import scoring_fleet, to_records
from analytics.spread.kept import KeptFleet
from tests.baseline.forward_tables import rebuilt
from tests.spread.test_same_digits import same

SHIPPED = settings.load()
FAULTS = {"gain_drift": 0.2, "efficiency_loss": 0.2, "step": 0.2, "contamination_splash": 0.1}


@cache
def fleet():
    """Eighteen probes on six sites for ten months, and the last day of it."""
    made = scoring_fleet(5, probes=18, years=0.8, sites=6, mix=FAULTS, repaired=0.7, two_windows=0.3)
    return to_records(made), made.ends_at


def stand_of(records, base=None):
    """The standing of records in hand: a print is of the rows themselves."""
    def prints(table):
        return {
            str(probe): hash(tuple(part[["reading_id", "counts", "excluded"]].itertuples(index=False, name=None)))
            for probe, part in table.groupby("probe", observed=True)
        }

    base = records if base is None else base
    before, now = prints(base.readings), prints(records.readings)
    altered = frozenset(one for one in {*before, *now} if before.get(one) != now.get(one))
    rows = records.readings[records.readings["probe"].isin(altered)].reset_index(drop=True)
    return Standing(base, before, replace(records, readings=rows), now, altered)


def with_rows(keep):
    """The records with some of the readings, as if the others had not been entered yet."""
    records, _ = fleet()
    return rebuilt(records, records.readings[keep].reset_index(drop=True))


@pytest.mark.parametrize("seed", [1, 2])
def test_whatever_the_order_of_entry_the_answer_is_that_of_the_whole(seed):
    """Checks of all ages entered late, in any order, a few at a time: every answer equals one worked out whole."""
    records, end = fleet()
    rng = np.random.default_rng(seed)
    keep = np.ones(len(records.readings), bool)
    late = rng.choice(np.flatnonzero(records.readings["taken_at"] > end - timedelta(days=40)), 6, replace=False)
    old = rng.choice(len(keep), 2, replace=False)
    keep[late] = keep[old] = False
    kept, base = KeptFleet(), with_rows(keep)
    same(kept.answer(stand_of(base), SHIPPED, end), assess(base, SHIPPED, end))
    entered = rng.permutation(np.concatenate([late, old]))
    for some in np.array_split(entered, 4):
        keep[some] = True
        now = with_rows(keep)
        same(kept.answer(stand_of(now, base), SHIPPED, end), assess(now, SHIPPED, end))
    assert kept.passes < 5  # not everything was worked out every time


def test_only_the_group_of_the_check_is_worked_out(monkeypatch):
    """After one check of today: one group is prepared, of one site, and nothing is worked out whole."""
    from analytics.spread import stages

    records, end = fleet()
    keep = np.ones(len(records.readings), bool)
    keep[-1] = False
    kept, base = KeptFleet(), with_rows(keep)
    kept.answer(stand_of(base), SHIPPED, end)
    seen = []
    prepare = stages.prepare

    def watched(part, *rest):
        seen.append(part)
        return prepare(part, *rest)

    monkeypatch.setattr(stages, "prepare", watched)
    stand = stand_of(records, base)
    first = kept.answer(stand, SHIPPED, end)
    assert kept.passes == 1
    assert len(seen) == 1
    assert seen[0].records.readings["probe"].nunique() < 9
    same(first, assess(records, SHIPPED, end))
    kept.answer(stand, SHIPPED, end)  # asked again: the group stands
    assert len(seen) == 1


def test_what_concerns_everybody_is_worked_out_whole():
    """Another moment, other settings, another source in the registry, a probe lent to another site: a pass over everything."""
    records, end = fleet()
    kept = KeptFleet()
    kept.answer(stand_of(records), SHIPPED, end)
    tighter = settings.load({"limits": {"tolerance_pct": 8.0}})
    sources = records.sources.copy()
    sources["activity_kbq"] = sources["activity_kbq"] * 1.01
    readings = records.readings.copy()
    site = dict(zip(records.probes["probe"], records.probes["site"], strict=True))
    of = readings["probe"].astype(object).map(site)
    lent = readings.loc[(of == of.iloc[0]) & readings["source"].notna(), "source"].iloc[0]
    other = readings.index[(of != of.iloc[0]) & readings["source"].notna()][-1]
    readings.loc[other, "source"] = lent
    readings.loc[other, "counts"] += 1  # the print of these tests is of counts
    for stand, chosen, moment in (
        (stand_of(records), SHIPPED, end - timedelta(days=1)),
        (stand_of(records), tighter, end - timedelta(days=1)),
        (stand_of(replace(records, sources=sources)), tighter, end - timedelta(days=1)),
        (stand_of(rebuilt(replace(records, sources=sources), readings), records), tighter, end - timedelta(days=1)),
    ):
        before = kept.passes
        same(kept.answer(stand, chosen, moment), assess(stand.records, chosen, moment))
        assert kept.passes == before + 1


def test_nothing_recorded():
    """No reading: an empty answer, worked out whole each time."""
    records, end = fleet()
    empty = rebuilt(records, records.readings.iloc[:0])
    kept = KeptFleet()
    for _ in range(2):
        same(kept.answer(stand_of(empty), SHIPPED, end), assess(empty, SHIPPED, end))
