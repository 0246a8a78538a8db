"""How well other checks were kept: by site, kind and month, the share of probes and sources that were in date."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pandas as pd

from analytics.advice.other_checks import PROBE_KINDS, SOURCE_KINDS, interval_of, kinds_on_record
from analytics.advice.withdrawn import withdrawn_since
from analytics.records.snapshot import Records
from analytics.settings import Settings

COLUMNS = ("site", "kind", "month_end", "subjects", "in_date", "share_pct")


def compliance(records: Records, settings: Settings, as_of: datetime, months: int = 12) -> pd.DataFrame:
    """Share in date at each of the last month ends (the present month: as of now), newest last.

    In date: done at or before that moment, and not longer ago than the interval set for its kind. Only kinds whose
    interval the site set take part: where none is set there is nothing to keep. A probe counts from its first day on
    record (in service, or first reading) until it is withdrawn, a source from its reference date.
    Returns [site × kind × month] rows of ``COLUMNS``; empty where no interval is set.
    """
    ends, done = month_ends(as_of, months), records.inspections[records.inspections["done_at"] <= pd.Timestamp(as_of)]
    recorded = kinds_on_record(done)
    parts = [
        _share(subjects, done, kind, column, ends, days)
        for column, kinds, subjects in (
            ("probe", PROBE_KINDS, _probes(records, as_of)),
            ("source", SOURCE_KINDS, _sources(records)),
        )
        for kind in kinds
        if (days := interval_of(kind, settings.schedule, recorded)) is not None
    ]
    parts = [one for one in parts if len(one)]
    if not parts:
        return pd.DataFrame(columns=list(COLUMNS))
    return pd.concat(parts).sort_values(["site", "kind", "month_end"], kind="stable", ignore_index=True)


def month_ends(as_of: datetime, months: int) -> np.ndarray:
    """The last moments of the months before, and ``as_of`` itself, [months] datetime64[us].

    >>> month_ends(datetime(2024, 3, 10), 3).astype("datetime64[D]").astype(str).tolist()
    ['2024-01-31', '2024-02-29', '2024-03-10']
    """
    firsts = np.datetime64(as_of, "M") - np.arange(months - 2, -1, -1)
    ends = firsts.astype("datetime64[us]") - np.timedelta64(1, "us")
    return np.append(ends, np.datetime64(as_of, "us"))


def _share(
    subjects: pd.DataFrame, inspections: pd.DataFrame, kind: str, column: str, ends: np.ndarray, days: float
) -> pd.DataFrame:
    """One kind: for each subject and month end the days since it was last done, by a search in the sorted days."""
    done = inspections[(inspections["kind"] == kind) & inspections[column].notna()]
    held = np.zeros((len(subjects), len(ends)), bool)
    by_name = {name: np.sort(rows["done_at"].to_numpy("datetime64[us]")) for name, rows in done.groupby(column)}
    for row, name in enumerate(subjects["name"]):
        at = by_name.get(name)
        if at is not None:
            place = np.searchsorted(at, ends, side="right") - 1
            age_days = (ends - at[np.maximum(place, 0)]) / np.timedelta64(1, "D")
            held[row] = (place >= 0) & (age_days <= days)
    here = (subjects["since"].to_numpy()[:, None] <= ends) & (ends < subjects["until"].to_numpy()[:, None])
    rows = []
    for site in sorted(subjects["site"].unique()):
        own = (subjects["site"] == site).to_numpy()[:, None] & here
        many, kept = own.sum(axis=0), (own & held).sum(axis=0)
        rows += [
            (site, kind, end, int(n), int(k), 100.0 * k / n)
            for end, n, k in zip(pd.DatetimeIndex(ends), many, kept, strict=True)
            if n
        ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _probes(records: Records, as_of: datetime) -> pd.DataFrame:
    """name, site, since, until of each probe; ``until`` far away while it is in use."""
    probes = records.probes.set_index("probe")
    first = records.readings.groupby("probe")["taken_at"].min().reindex(probes.index)
    since = pd.to_datetime(probes["in_service_on"]).fillna(first)
    gone = withdrawn_since(records, as_of).reindex(probes.index)
    return _subjects(probes.index, probes["site"], since, gone)


def _sources(records: Records) -> pd.DataFrame:
    sources = records.sources.set_index("source")
    return _subjects(sources.index, sources["site"], sources["reference_at"], pd.to_datetime(sources["withdrawn_on"]))


def _subjects(names: pd.Index, sites: pd.Series, since: pd.Series, until: pd.Series) -> pd.DataFrame:
    far = pd.Timestamp("2200-01-01")
    return pd.DataFrame(
        {
            "name": names.astype(str),
            "site": sites.astype("object").fillna("").astype(str).to_numpy(),
            "since": pd.to_datetime(since).fillna(far).to_numpy("datetime64[us]"),
            "until": pd.to_datetime(until).fillna(far).to_numpy("datetime64[us]"),
        }
    )
