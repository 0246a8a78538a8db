"""Check sources to replace or verify inside a horizon."""

from __future__ import annotations

from datetime import date

import pandas as pd

from analytics.advice.plan_result import SourceTask
from analytics.records.snapshot import Records
from analytics.results import DeviceResult


def source_tasks(
    sources: tuple[DeviceResult, ...],
    records: Records,
    today: date,
    to_on: date,
) -> tuple[SourceTask, ...]:
    """What each check source needs up to ``to_on``, the most urgent first; withdrawn ones are left out."""
    withdrawn = records.sources.set_index("source")["withdrawn_on"].dropna()
    gone = {str(name) for name, on in withdrawn.items() if pd.Timestamp(on).date() <= today}
    tasks = []
    for one in sources:
        if one.name in gone:
            continue
        weak = one.too_weak_on is not None and one.too_weak_on <= to_on
        reasons = list(one.reasons)
        if weak and one.too_weak_on is not None:
            reasons.insert(0, f"3 % in 10 s is not reached after {one.too_weak_on.isoformat()}.")
        if one.advice == "replace" or weak:
            by = max(one.too_weak_on, today) if one.too_weak_on is not None else today
            why = " ".join(dict.fromkeys(reasons)) or "advice is to replace it"
            tasks.append(SourceTask(one.name, min(by, to_on), why, one.site))
        elif one.advice == "verify":
            why = " ".join(reasons) or "it moved against the probes read on it"
            tasks.append(SourceTask(one.name, None, f"verify: {why}", one.site))
    return tuple(sorted(tasks, key=lambda task: (task.replace_by or today, task.source)))
