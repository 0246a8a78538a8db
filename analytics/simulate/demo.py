"""The demo fleet: an invented hospital group of 41 probes on three sites, three years up to a given day.

``python -m analytics.simulate.demo FOLDER 2025-12-31`` writes the sample that is kept in ``data_demo/``.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.simulate import demo_paperwork as paperwork
from analytics.simulate.blunders import swapped_date
from analytics.simulate.breakdowns import Breakdowns
from analytics.simulate.checks import Checks
from analytics.simulate.demo_places import DAYS, JIG_STORIES, JIGS, SITES, SOURCE_STORIES, SOURCES, demo_probes
from analytics.simulate.demo_stories import Stories, tell
from analytics.simulate.design import Design
from analytics.simulate.fleet import Fleet, settle, simulate
from analytics.simulate.tables import at
from analytics.simulate.write import write_csv

SEED = 4711
SAMPLE_ENDS = date(2025, 12, 31)


def demo_tables(ending: date, seed: int = SEED) -> dict[str, pd.DataFrame]:
    """The demo's tables by kind, with the last readings on or shortly before ``ending``.

    >>> tables = demo_tables(date(2025, 12, 31))
    >>> len(tables["probes"]), tables["probes"]["site"].nunique(), f"{tables['readings']['taken_at'].max():%Y-%m-%d}"
    (41, 3, '2025-12-31')
    """
    return demo_fleet(ending, seed).tables


def demo_fleet(ending: date, seed: int = SEED) -> Fleet:
    """The demo with its truth."""
    return _told(ending, seed)[0]


def demo_truth(ending: date, seed: int = SEED) -> pd.DataFrame:
    """The truth as one table: what is wrong with each probe, source and jig, since when, and every blunder.

    Columns: ``about`` (probe, source, jig, reading), ``name`` (of a reading: the row of ``readings``, from 1),
    ``what``, ``cause``, ``since``, ``until``, ``rate_pct_per_year``, ``size_pct``, ``passes_10_pct_on``, ``story``.
    """
    fleet, stories = _told(ending, seed)
    return _truth_table(fleet, stories)


def _told(ending: date, seed: int) -> tuple[Fleet, Stories]:
    rng = np.random.default_rng(np.random.SeedSequence([seed, 3]))
    stories = tell(Breakdowns(demo_probes(rng)))
    starts_at = datetime.combine(ending + timedelta(days=1), time()) - timedelta(days=DAYS)
    design = Design(
        starts_at=starts_at,
        days=DAYS,
        sites=SITES,
        probes=tuple(stories.broken.probes),
        sources=SOURCES,
        jigs=JIGS,
        faults=tuple(stories.broken.faults),
        services=tuple(stories.broken.services),
        blunder_rate=0.004,
        missed_rate=0.025,
        spoiled=tuple(stories.spoiled),
    )
    swapped = ("OS-01", _first_swappable(*settle(design, seed), "OS-01"), "day_month_swapped")
    design = replace(design, spoiled=(*design.spoiled, swapped))
    fleet = simulate(design, seed)
    design, checks = settle(design, seed)
    tables = fleet.tables | {
        "inspections": paperwork.inspections(design, checks, rng),
        "uses": paperwork.uses(design, rng),
        "outcomes": paperwork.outcomes(design, stories),
    }
    return replace(fleet, tables=tables), stories


_COLUMNS = [
    "about",
    "name",
    "what",
    "cause",
    "since",
    "until",
    "rate_pct_per_year",
    "size_pct",
    "passes_10_pct_on",
    "story",
]


def _truth_table(fleet: Fleet, stories: Stories) -> pd.DataFrame:
    truth = fleet.truth
    story = truth.probes["probe"].map(stories.told)
    sound = truth.probes[truth.probes["fault"] == "none"]
    parts = [
        pd.DataFrame(
            {
                "about": "probe",
                "name": sound["probe"],
                "what": "none",
                "cause": "none",
                "story": story[sound.index].fillna("Sound all along."),
            }
        ),
        truth.faults.assign(
            about="probe",
            name=truth.faults["probe"],
            what=truth.faults["kind"],
            since=truth.faults["onset_at"],
            passes_10_pct_on=truth.faults["crosses_10_at"],
            story=truth.faults["probe"].map(stories.told),
        ),
        truth.sources.assign(
            about="source",
            name=truth.sources["source"],
            since=truth.sources["used_from"],
            until=truth.sources["used_to"],
            what=truth.sources["bad"].map({True: "record_wrong", False: "none"}),
            cause=truth.sources["bad"].map({True: "check_source", False: "none"}),
            size_pct=100.0 * (truth.sources["activity_factor"] - 1.0),
            rate_pct_per_year=0.0 - truth.sources["excess_decay_pct_per_year"],
            story=truth.sources["source"].map(SOURCE_STORIES),
        ),
        truth.jigs.assign(
            about="jig",
            name=truth.jigs["jig"],
            since=truth.jigs["knocked_at"],
            until=truth.jigs["mended_at"],
            what=np.where(truth.jigs["knocked_at"].isna(), "none", "knocked"),
            story=truth.jigs["jig"].map(JIG_STORIES),
        ),
        truth.blunders.assign(
            about="reading",
            name=truth.blunders["row"].astype("str"),
            what=truth.blunders["kind"],
            cause="record_error",
            story=[
                _mistake(str(one.kind), str(one.column), one.recorded, one.right) for one in truth.blunders.itertuples()
            ],
        ),
    ]
    kinds = {
        "about": "str",
        "name": "str",
        "what": "str",
        "cause": "str",
        "since": "datetime64[us]",
        "until": "datetime64[us]",
        "rate_pct_per_year": "float64",
        "size_pct": "float64",
        "passes_10_pct_on": "datetime64[us]",
        "story": "str",
    }
    table = pd.concat([part.reindex(columns=_COLUMNS).astype(kinds) for part in parts], ignore_index=True)
    return table.round({"rate_pct_per_year": 3, "size_pct": 3})


def _mistake(kind: str, column: str, recorded: object, right: object) -> str:
    if kind == "mis_seated":
        return "The source was not seated."
    if kind == "wrong_window":
        return "Counted with another window than the one written down."
    return f"{column}: {recorded} stands for {right}."


def _first_swappable(design: Design, checks: Checks, probe: str) -> int:
    """Number of the first check of the last year whose day and month can be changed over without anybody noticing."""
    number = next(number for number, one in enumerate(design.probes) if one.name == probe)
    own = range(checks.span[number].start, checks.span[number].stop)
    for place, check in enumerate(own):
        source, day = design.sources[int(checks.source[check])], float(checks.day[check])
        wrong = (swapped_date(pd.Timestamp(at(design, day))) - design.starts_at).total_seconds() / 86_400.0
        differs = abs(wrong - day) > 1.0
        if day > design.days - 365.0 and differs and source.used_from <= wrong < min(source.used_to, design.days):
            return place
    raise ValueError(f"no check of {probe} has a date that can be changed over")


def main(folder: str, ending: str = SAMPLE_ENDS.isoformat()) -> None:
    """Write the sample and its truth into a folder."""
    last = date.fromisoformat(ending)
    written = write_csv(demo_tables(last), Path(folder) / "sample")
    written += write_csv({"truth": demo_truth(last)}, Path(folder))
    for path in written:
        sys.stdout.write(f"{path} {path.stat().st_size:,} bytes\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
