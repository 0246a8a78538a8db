"""A small store whose texts are as awkward as a log's can be, and what a report gathers from it."""

from __future__ import annotations

import csv
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import numpy as np

from analytics.fleet import assess
from analytics.records.load import load_files
from analytics.records.papers import papers
from analytics.records.people import decide, exclude
from analytics.settings import load
from dashboard.report.gathered import Gathered, Scope, gather, period

FORMULA, MARKUP = '=HYPERLINK("http://x","y")', '#eval("panic(1)") *b* _i_ $x$ @ref \\ <lab> // `raw`'
RIGHT_TO_LEFT, EMOJI, LONG = "גלאי-7", "GP-😀", "X" * 120
PROBES = (FORMULA, MARKUP[:60], RIGHT_TO_LEFT, EMOJI, LONG, "+GP-6", "-GP-7", "@GP-8")
SITE, OTHER_SITE = '=cmd|" /C calc"!A0', "Nord/Süd #1"
FALLING = "+GP-6"
FIRST = datetime(2024, 1, 1, 8)
AS_OF = datetime(2024, 12, 31, 12)
BY = "A. Lind #strong[x] 😀"
WEEKS = 30


@cache
def store() -> Path:
    """The store; no test may write to it."""
    folder = Path(mkdtemp(prefix="steadycount-test-"))
    rng = np.random.default_rng(11)
    rows: list[list[object]] = []
    for week in range(WEEKS):
        for number, probe in enumerate(PROBES):
            at = FIRST + timedelta(weeks=week, minutes=4 * number)
            rate = 2000 * 2 ** (-((at - FIRST).days) / 271.74) * (1 + 0.006 * rng.standard_normal())
            if probe == FALLING:
                rate *= 1 - 0.006 * max(week - 8, 0)
            rows.append([probe, at.isoformat(), "Co-57", "background", rng.poisson(30), 10, "", MARKUP])
            at += timedelta(minutes=1)
            rows.append([probe, at.isoformat(), "Co-57", "source", rng.poisson(10 * rate + 30), 10, "@CK-1", MARKUP])
    files = [
        _write(folder / "probes.csv", "probe,site", [[one, SITE if n % 2 else OTHER_SITE] for n, one in enumerate(PROBES)]),
        _write(folder / "sources.csv", "source,nuclide,reference_at,activity_kbq", [["@CK-1", "Co-57", "2024-01-01", 2000]]),
        _write(folder / "uses.csv", "probe,used_at,case_reference",
               [[FALLING, (FIRST + timedelta(weeks=w, hours=30)).isoformat(), f"={w}+1"] for w in range(0, WEEKS, 3)]),
        _write(folder / "readings.csv", "probe,taken_at,window,measurement,counts,count_time_s,source,note", rows),
    ]  # fmt: skip
    path = folder / "fleet.duckdb"
    report = load_files(path, files, by=BY, create=True)
    assert len(report.held) == 0, report.held
    exclude(path, [2], by=BY, reason=MARKUP)
    decide(path, "seen", probe=FALLING, episode="E-1", by=BY, reason=FORMULA, now=AS_OF - timedelta(days=3))
    return path


def _write(path: Path, headings: str, rows: list[list[object]]) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(headings.split(","))
        writer.writerows(rows)
    return path


@cache
def gathered(scope: Scope = Scope()) -> Gathered:  # noqa: B008 - frozen
    """What a report on the scope is made from."""
    told, settings = papers(store()), load()
    span = period(AS_OF, None, None, None)
    return gather(told, settings, _answers(told.records, settings), span, scope, by=BY, made_at=AS_OF)


def _answers(records, settings):
    """The answer at a moment, each worked out once."""

    @cache
    def answer(when: datetime):
        return assess(records, settings, when)

    return answer
