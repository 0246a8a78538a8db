"""The replay as its page reads it: worked out once a store, revision, settings and moment, with its progress shown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from threading import Lock

import pandas as pd
import streamlit as st

from analytics.records.snapshot import Records
from analytics.replay import month_ends, replay
from analytics.replays.coverage import Coverage
from analytics.replays.results import AlarmRate, Forecast, LeadTimes, Replay
from dashboard.parts import links, values
from dashboard.parts.words import CAUSE, QUANTITY, RULE
from dashboard.seam import answers, place, read, worker

SECONDS_A_MONTH, SECONDS_A_PROBE_MONTH = 0.05, 0.005  # as measured on one core
VERDICTS = {
    "held": "● held",
    "sooner": "✖ passed sooner",
    "later": "✖ not by then",
    "open": "○ still open",
    "already_passed": "△ had passed already",
}


Key = tuple[str, int, str, datetime]
_beside = worker.Kept(most=4)


@dataclass
class _Box:
    """Holds one replay, and lets only one visitor work it out."""

    lock: Lock = field(default_factory=Lock)
    result: Replay | None = None


@st.cache_resource(max_entries=4, show_spinner=False)
def _box(key: Key) -> _Box:  # noqa: ARG001 - the key is the cache's
    return _Box()


def until(records: Records, as_of: datetime) -> datetime:
    """The moment to judge by: that of the page, but not later than the newest thing on record.

    So the same records give the same replay at whatever hour they are looked at.
    """
    dated = (
        records.readings["taken_at"],
        records.events["happened_at"],
        records.outcomes["found_at"],
        records.decisions["decided_at"],
    )
    newest = [one.max().to_pydatetime() for one in dated if len(one) and one.notna().any()]
    return min([as_of, max(newest)]) if newest else as_of


def _here() -> tuple[Key, _Box, datetime]:
    records, settings = read.records(), read.settings()
    moment = until(records, read.moment())
    key = (str(place.store_path()), records.revision, settings.fingerprint, moment)
    return key, _box(key), moment


def kept() -> Replay | None:
    """The replay of these records, where somebody has had it worked out already.

    Raises:
        StillWorkingError: somebody has asked for it, and it is not there yet.
    """
    key, box, _ = _here()
    if box.result is not None:
        return box.result
    found: Replay | None = _beside.known(key)
    return found


def worked_out(tell: Callable[[str, float], None]) -> Replay:
    """The replay of these records; a second visitor waits for the first and does not do the work again.

    Raises:
        StillWorkingError: it is being worked out beside the page, as on all but small stores.
    """
    key, box, moment = _here()
    records, settings = read.records(), read.settings()
    if len(records.readings) > answers.AT_ONCE:
        ask = partial(
            worker.later.ask, "replay", records, settings, moment, says="Replaying the months", about_s=max(cost()[2], 1.0)
        )
        found: Replay = _beside.have(key, ask)
        return found
    with box.lock:
        if box.result is None:
            box.result = replay(records, settings, moment, tell)
    return box.result


def cost() -> tuple[int, int, float]:
    """Month ends, probes, and about how many seconds it will take."""
    records = read.records()
    taken = records.readings["taken_at"]
    months = len(month_ends(taken.min().to_pydatetime(), until(records, read.moment())))
    probes = len(records.probes)
    return months, probes, months * (SECONDS_A_MONTH + SECONDS_A_PROBE_MONTH * probes)


def coverage_sentence(one: Coverage, what: str) -> str:
    """A coverage in a sentence, as Markdown."""
    if one.coverage_pct is None or one.interval_pct is None:
        return f"{what}: none can be judged yet, {one.open} are still open."
    low, high = one.interval_pct
    missed = [
        f"{many} {word}"
        for many, word in (
            (one.sooner, "passed sooner"),
            (one.later - one.not_passed, "passed later"),
            (one.not_passed, "had not passed by then"),
        )
        if many
    ]
    return (
        f"{what}: **{one.held} of {one.decided} held, {one.coverage_pct:.0f} %**, where {one.nominal_pct:.0f} % should "
        f"(from {values.count(one.drifts, 'series', 'series')}, so it may be anything from {low:.0f} to {high:.0f} %)"
        + (f"; {', '.join(missed)}" if missed else "")
        + f". {one.open} still open."
    )


def lead_sentence(one: LeadTimes) -> str:
    """How early alarms were, in a sentence, as Markdown."""
    if one.drifts + one.steps == 0:
        return "No response has passed its tolerance yet, so there is nothing to be early for."
    said = []
    if one.drifts:
        said.append(
            f"**{one.drifts_alarmed_before} of {values.count(one.drifts, 'drift')}** that passed the tolerance "
            f"had an alarm before; the median lead is **{values.number(one.drifts_median_days, 'd', digits=2)}**."
        )
    if one.steps:
        late = one.steps_median_days
        lag = "" if late is None else f", the median {values.number(-late, 'd', digits=2)} after the first check beyond"
        said.append(f"{one.steps_alarmed} of {values.count(one.steps, 'step')} beyond it had an alarm{lag}.")
    return " ".join(said)


def alarm_sentences(one: AlarmRate, budget: float) -> list[str]:
    """Alarms on sound probes, confirmed and not, as Markdown."""
    out = []
    if one.confirmed_per_probe_year is None:
        out.append(
            "**Confirmed:** – (no probe has a finding on record that says it was sound; record `none` in the table "
            "`outcomes` when a service finds nothing)."
        )
    else:
        out.append(
            f"**Confirmed by findings:** {values.count(one.confirmed_alarms, 'alarm')} on "
            f"{values.count(one.confirmed_probes, 'probe')} found sound, in {one.confirmed_probe_years:.1f} probe-years: "
            f"**{values.number(one.confirmed_per_probe_year, digits=2)} a probe-year**."
        )
    if one.unconfirmed_per_probe_year is None:
        out.append("**Unconfirmed:** – (no probe without a finding looks sound).")
    else:
        out.append(
            f"**Unconfirmed:** {values.count(one.unconfirmed_alarms, 'alarm')} on "
            f"{values.count(one.unconfirmed_probes, 'probe')} that look sound (never serviced, no limit passed, no alarm "
            f"standing), in {one.unconfirmed_probe_years:.1f} probe-years: "
            f"**{values.number(one.unconfirmed_per_probe_year, digits=2)} a probe-year**. Nobody has confirmed that these "
            "alarms were false."
        )
    out.append(
        f"The budget in the settings is {budget:g} a probe-year. "
        f"{values.count(one.open_probes, 'further probe')} without a finding cannot be called sound, and took no part."
    )
    return out


def chosen(result: Replay, show: str, probe: str | None, *, early: bool) -> list[Forecast]:
    """The forecasts that the page was asked for.

    show: "judged", "missed" or "all". early: also those with an early end alone.
    """
    wanted = {"judged": ("held", "sooner", "later"), "missed": ("sooner", "later")}.get(show, tuple(VERDICTS))
    return [
        one
        for one in result.forecasts
        if one.verdict in wanted and (early or one.two_sided) and (probe is None or one.probe == probe)
    ]


def forecast_table(forecasts: list[Forecast]) -> pd.DataFrame:
    """One row a forecast, with the address of its probe as it was shown then."""
    return pd.DataFrame(
        [
            {
                "said_at": one.made_at.date(),
                "probe": one.probe,
                "then": links.href("probe", probe=one.probe, as_of=one.made_at.date().isoformat()),
                "window": one.window,
                "limit_pct": one.limit_pct,
                "not_before": one.p05,
                "about": one.p50,
                "not_after": one.p95,
                "passed_on": one.passed_on,
                "verdict": VERDICTS[one.verdict] + (", in doubt" if one.in_doubt else ""),
            }
            for one in forecasts
        ],
        columns=[
            "said_at", "probe", "then", "window", "limit_pct", "not_before", "about", "not_after", "passed_on", "verdict"
        ],
    )  # fmt: skip


def alert_table(result: Replay) -> pd.DataFrame:
    """One row an alert, with its lead."""
    return pd.DataFrame(
        [
            {
                "signalled_at": one.signalled_at,
                "probe": one.probe,
                "window": one.window,
                "quantity": QUANTITY[one.quantity],
                "rule": RULE[one.rule],
                "settled_at": one.settled_at,
                "tolerance_passed_on": one.passed_on,
                "lead_days": None if one.lead_days is None else round(one.lead_days, 1) + 0.0,
            }
            for one in result.leads
        ]
    )


def cause_table(result: Replay) -> pd.DataFrame:
    """One row a finding: what was named just before, how surely, and what was found."""
    said: dict[str, str] = dict(CAUSE)  # type: ignore[arg-type]
    return pd.DataFrame(
        [
            {
                "probe": one.probe,
                "found_at": one.found_at,
                "named": said.get(one.named, one.named),
                "probability": one.probability,
                "found": said.get(one.found, one.found),
                "right": "● yes" if one.right else "✖ no",
            }
            for one in result.causes
        ]
    )
