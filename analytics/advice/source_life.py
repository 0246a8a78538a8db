"""How long to count on each source this month, until when it serves, and what to order then."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd

from analytics.counting.arrays import lasts_of, starts_of
from analytics.counting.nuclides import half_life_days
from analytics.counting.precision import counting_time_s, too_weak_at
from analytics.records.snapshot import Records
from analytics.results import FleetAssessment
from analytics.settings import Settings

# A source starts at or below 10,000 cps and is replaced at about 100 cps, 3 % in 10 s (trade literature, as in the tests);
# 1 % in 60 s is the other length asked for.
START_CPS = 10_000.0
SHORT_S, SHORT_SD = 10.0, 0.03
MOST_TIME_S = 7 * 86_400.0  # a longer counting is none
LONG_S, LONG_SD = 60.0, 0.01


@dataclass(frozen=True)
class SourceLife:
    """One source in use; None where rate, half-life or activity is not known.

    time_s: until the net rate is known to the precision asked for, the background counted as long; None beyond a week.
    order_kbq: the activity, on the day it is needed, that starts at 10,000 cps on the probes read here.
    """

    source: str
    nuclide: str
    site: str
    rate_now_cps: float | None
    background_cps: float | None
    time_s: float | None
    too_weak_10_s: date | None
    too_weak_60_s: date | None
    order_on: date | None
    order_kbq: float | None


COLUMNS = tuple(SourceLife.__dataclass_fields__)


def source_life(
    assessment: FleetAssessment, records: Records, settings: Settings, precision_pct: float = 1.0
) -> pd.DataFrame:
    """[sources in use] rows of ``SourceLife``, the first to be replaced first.

    precision_pct: relative standard deviation of the net rate that the counting time is for, more than 0.
    Background: the median of what the probes read on the source show now; none on record counts as 0.
    """
    if not precision_pct > 0:
        raise ValueError(f"precision must be more than 0 %, not {precision_pct}")
    known = records.sources.set_index("source")
    known = known[known["withdrawn_on"].isna() | (known["withdrawn_on"] > pd.Timestamp(assessment.as_of))]
    overrides = settings.nuclides.half_lives
    backgrounds = _backgrounds(assessment)
    found = []
    for one in assessment.sources:
        if one.name not in known.index:
            continue
        nuclide = str(known.loc[one.name, "nuclide"])
        rate, background = one.rate_now_cps, backgrounds.get(one.name)
        life = float(half_life_days([nuclide], overrides)[0])
        short, long = (
            _weak_on(rate, background, assessment.as_of, life, time_s, sd)
            for time_s, sd in ((SHORT_S, SHORT_SD), (LONG_S, LONG_SD))
        )
        order_on = None if short is None else short - timedelta(days=round(settings.schedule.source_lead_days))
        activity = one.activity_kbq * START_CPS / rate if one.activity_kbq and rate else None
        time_s = counting_time_s(rate, background or 0.0, precision_pct / 100.0) if rate else None
        time_s = time_s if time_s is None or time_s < MOST_TIME_S else None
        found.append(SourceLife(one.name, nuclide, one.site or "", rate, background, time_s, short, long, order_on, activity))
    table = pd.DataFrame([asdict(one) for one in found], columns=list(COLUMNS))
    order = table.assign(day=pd.to_datetime(table["too_weak_10_s"])).sort_values(["day", "source"], kind="stable").index
    return table.loc[order].reset_index(drop=True)


def _weak_on(
    rate: float | None, background: float | None, as_of: datetime, life_days: float, time_s: float, sd: float
) -> date | None:
    if rate is None:
        return None
    at = too_weak_at(rate, as_of, life_days, count_time_s=time_s, relative_sd=sd, background_cps=background or 0.0)
    return None if at is None else at.date()


def _backgrounds(assessment: FleetAssessment) -> dict[str, float]:
    """Median background now, cps, of the probes whose newest check was on each source."""
    response = {one.index: one.probe for one in assessment.series if one.quantity == "response"}
    wanted = np.zeros(max((one.index for one in assessment.series), default=-1) + 1, bool)
    wanted[list(response)] = True
    points = assessment.points  # in order of series and time
    series, sources = points["series"].to_numpy(), points["source"].astype("category").cat
    named = np.flatnonzero(wanted[series] & (sources.codes.to_numpy() >= 0))
    newest = named[lasts_of(starts_of(series[named]), len(named))]
    now: dict[str, list[float]] = {}
    for one in assessment.series:
        if one.quantity == "background" and one.current is not None:
            now.setdefault(one.probe, []).append(one.current)
    names = [str(one) for one in sources.categories]
    rows = [
        (names[code], value)
        for one, code in zip(series[newest].tolist(), sources.codes.to_numpy()[newest].tolist(), strict=True)
        for value in now.get(response[one], [])
    ]
    table = pd.DataFrame(rows, columns=["source", "background_cps"])
    return {str(source): float(value) for source, value in table.groupby("source")["background_cps"].median().items()}
