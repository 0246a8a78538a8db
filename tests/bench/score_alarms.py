"""Alarms, causes and sources scored on simulated fleets: ``python -m tests.bench.score_alarms --seeds 1-3``.

One pass at the end of the data gives every opening, since alarms are never dated in hindsight. Each miss and each false
alarm is listed with its truth.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from analytics import settings
from analytics.charts.budget import LOSS_SHARE, SHARES
from analytics.fleet import Worked
from analytics.replays.reliability import reliability
from analytics.results import FleetAssessment
from analytics.simulate import Fleet
from tests.bench.score_common import Case, Figure, alerts_of, arguments, cases, each, merge, run_analysis, say, work
from tests.bench.step_bound import oracle_tells

# A dead cable has no pattern that tells cable from shock: both words are right.
ALSO_RIGHT = {"dead_cable": {"intermittent", "sudden_loss"}}
OLD_DAYS = 60
YEAR_DAYS = 365.25


@dataclass
class Score:
    """Figures of one fleet, with what went wrong in sentences."""

    figures: dict[str, Figure] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    causes: Counter[tuple[str, str]] = field(default_factory=Counter)
    given: list[tuple[float, bool]] = field(default_factory=list)
    split: Counter[tuple[str, str, bool]] = field(default_factory=Counter)
    seconds: float = 0.0

    def figure(self, name: str, target: float, *, at_most: bool = False, unit: str = "%") -> Figure:
        """The figure of that name, made where it is new."""
        return self.figures.setdefault(name, Figure(name, target, at_most, unit=unit))


def score(case: Case) -> Score:
    """Score one fleet."""
    fleet = case.fleet()
    answer, seconds = run_analysis(fleet, fleet.ends_at)
    result = Score(seconds=seconds)
    alerts = alerts_of(answer)
    _false_alarms(result, case, fleet, alerts)
    _gradual(result, case, fleet, alerts)
    _sudden(result, case, fleet, alerts, work(fleet, fleet.ends_at))
    _causes(result, case, fleet, answer)
    _sources(result, case, fleet, answer)
    return result


def _exposure_days(fleet: Fleet) -> pd.DataFrame:
    """For each probe its first check and the end of the time in which an alarm is false (first onset or last check)."""
    checks = fleet.truth.checks.groupby("probe")["taken_at"]
    table = pd.DataFrame({"first": checks.min(), "last": checks.max()})
    onset = fleet.truth.faults.groupby("probe")["onset_at"].min().reindex(table.index)
    table["sound"] = onset.isna()
    table["until"] = onset.fillna(table["last"])
    return table


def _false_alarms(result: Score, case: Case, fleet: Fleet, alerts: pd.DataFrame) -> None:
    spans = _exposure_days(fleet)
    on_bad = set(fleet.truth.probes.loc[fleet.truth.probes["bad_source"], "probe"])
    until = alerts["probe"].map(spans["until"])
    sound = alerts["probe"].map(spans["sound"])
    false = alerts[(alerts["signalled_at"] < until) | sound].drop_duplicates(["probe", "episode"])
    years = (spans["until"] - spans["first"]).dt.total_seconds().clip(lower=0) / 86_400 / YEAR_DAYS
    all_of = result.figure("false alarms a probe-year", 0.05, at_most=True, unit="1/a")
    all_of.hits, all_of.total = len(false), float(years.sum())
    bad = result.figure("  of these on probes read on the bad source", 0.05, at_most=True, unit="1/a")
    bad.hits, bad.total = float(false["probe"].isin(on_bad).sum()), float(years[years.index.isin(on_bad)].sum())
    checks = fleet.truth.checks
    for one in false.itertuples():
        own = checks[(checks["probe"] == one.probe) & (checks["taken_at"] <= one.signalled_at)].tail(2)
        spoiled = ",".join(sorted({kind for kind in own["blunder"] if kind})) or "-"
        later = (
            "sound"
            if spans.loc[one.probe, "sound"]
            else f"before its fault of {spans.loc[one.probe, 'until']:%Y-%m-%d}"
        )
        result.remarks.append(
            f"false  seed {case.seed} {one.probe} {one.signalled_at:%Y-%m-%d} {one.rule} {one.quantity} {one.window}"
            f", {later}; blunder just before: {spoiled}{'; on the bad source' if one.probe in on_bad else ''}"
            f" | {one.detail}"
        )


def _after(alerts: pd.DataFrame, probe: str, start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
    own = alerts[alerts["probe"] == probe]
    return own[(own["signalled_at"] >= start) & (own["signalled_at"] < end)]


def _already_open(alerts: pd.DataFrame, probe: str, at: pd.Timestamp) -> str:
    own = alerts[(alerts["probe"] == probe) & (alerts["signalled_at"] < at)]
    own = own[own["settled_at"].isna() | (own["settled_at"] > at)]
    return f"; open since before: {own['rule'].iloc[-1]} of {own['signalled_at'].iloc[-1]:%Y-%m-%d}" if len(own) else ""


def _gradual(result: Score, case: Case, fleet: Fleet, alerts: pd.DataFrame) -> None:
    end = pd.Timestamp(fleet.ends_at)
    weekly = case.cadence == "weekly"
    before = result.figure("gradual faults alarmed before they pass 10 %", 95 if weekly else 90)
    lead = result.figure("  median lead, never alarmed counted as 0", 120 if weekly else 60, unit="d")
    for one in fleet.truth.faults[fleet.truth.faults["gradual"]].itertuples():
        stop = min(end, one.until) if not pd.isna(one.until) else end
        if pd.isna(one.crosses_10_at) or one.crosses_10_at >= stop:
            continue
        found = _after(alerts, one.probe, one.onset_at, stop)
        first = found["signalled_at"].min() if len(found) else pd.NaT
        days = (one.crosses_10_at - first).total_seconds() / 86_400 if len(found) else 0.0
        before.add(days > 0)
        lead.values.append(days)
        again = result.figure("  the same, of faults that a repair did not end", before.target)
        if one.goes_on_from:
            again.add(days > 0)
        if days <= 0:
            seen = f"first alarm {first:%Y-%m-%d} ({found['rule'].iloc[0]})" if len(found) else "never alarmed"
            result.remarks.append(
                f"late   seed {case.seed} {one.probe} {one.kind} {one.rate_pct_per_year:+.1f} %/a"
                f" from {one.onset_at:%Y-%m-%d}{' (repair did not hold)' if one.goes_on_from else ''}"
                f", passed 10 % on {one.crosses_10_at:%Y-%m-%d}: {seen}"
                f"{_already_open(alerts, one.probe, one.onset_at)}"
            )


def _sudden(result: Score, case: Case, fleet: Fleet, alerts: pd.DataFrame, worked: Worked) -> None:
    checks = fleet.truth.checks.drop_duplicates(["probe", "taken_at"])
    wanted = {
        "step8": ("steps of 8 % and more signalled within three checks", 95, 3),
        "step5": ("steps of 5 to 8 % signalled within six checks", 90, 6),
        "contamination": ("contamination signalled within two checks", 95, 2),
        "contamination_splash": ("contamination signalled within two checks", 95, 2),
        "dead_cable": ("dead cables signalled within two checks", 95, 2),
        "intermittent": ("intermittent faults found", 90, None),
    }
    for one in fleet.truth.faults.itertuples():
        kind = one.kind
        if kind == "step":
            kind = "step8" if one.size_pct <= -8 else "step5" if one.size_pct <= -5 else "step2"
        if kind not in wanted:
            continue
        name, target, within = wanted[kind]
        stop = pd.Timestamp(fleet.ends_at) if pd.isna(one.until) else one.until
        own = checks[(checks["probe"] == one.probe) & (checks["taken_at"] >= one.onset_at)]["taken_at"].sort_values()
        in_force = own[own < stop]
        in_force_checks = checks[(checks["probe"] == one.probe) & checks["taken_at"].isin(in_force)]
        if within is not None:
            if len(own if kind == "contamination_splash" else in_force) < within:
                continue  # over before so many checks were made
            # a check ends some minutes after it began
            stop = own.iloc[within - 1] + pd.Timedelta(2, "h")
        found = _after(alerts, one.probe, one.onset_at, stop)
        result.figure(name, target).add(len(found) > 0)
        if one.kind == "step":
            told, guessed = (_oracle_tells(worked, one.probe, one.onset_at, one.size, stop, level) for level in (True, False))
            result.figure(f"  {kind}: by an oracle told size, day and level (step_bound.py)", target).add(told)
            result.figure(f"  {kind}: by an oracle told size and day", target).add(guessed)
            result.figure(f"  {kind}: ours, of those that the oracle tells", target)
            if told:
                result.figure(f"  {kind}: ours, of those that the oracle tells", target).add(len(found) > 0)
        # A lone outlier is a blunder until a second one comes: what disturbed a single check cannot be told from one.
        if kind == "intermittent" and int(in_force_checks["outlier"].sum()) >= 2:
            result.figure("  the same, of those that disturbed two checks and more", 90).add(len(found) > 0)
        if not len(found):
            late = alerts[(alerts["probe"] == one.probe) & (alerts["signalled_at"] >= stop)]
            seen = f"{late['rule'].iloc[0]} on {late['signalled_at'].iloc[0]:%Y-%m-%d}" if len(late) else "nothing"
            size = f" {one.size_pct:+.1f} %" if one.kind == "step" else f" size {one.size:.3g}"
            result.remarks.append(
                f"missed seed {case.seed} {one.probe} {one.kind}{size} of {one.onset_at:%Y-%m-%d %H:%M}"
                f", {len(in_force)} checks while it lasted; later: {seen}"
                f"{_already_open(alerts, one.probe, one.onset_at)}"
            )


def _oracle_tells(worked: Worked, probe: str, onset: pd.Timestamp, size: float, stop: pd.Timestamp, told_level: bool) -> bool:
    """As ``step_bound.oracle_tells``, by name and moment, at the shipped budget, or its share for falls."""
    names = worked.counted.names.probe
    if probe not in names:
        return False
    onset_day, last_day = ((at - pd.Timestamp(0)).total_seconds() / 86_400 for at in (onset, stop))
    budget = settings.load().alarms.budget_per_probe_year
    mine = budget if told_level else LOSS_SHARE * budget * SHARES["response"]
    return oracle_tells(worked.charts, names.index(probe), onset_day, size, last_day, mine, told_level=told_level)


def _causes(result: Score, case: Case, fleet: Fleet, answer: FleetAssessment) -> None:
    end = pd.Timestamp(fleet.ends_at)
    by_probe = {one.probe: one for one in answer.probes}
    alarmed = {one.probe for one in answer.series if any(a.settled_at is None for a in one.alerts)}
    right = result.figure("cause right, faults older than 60 days", 90)
    told = result.figure("  the same, of those whose alarm or loss can be seen (2 % and more)", 90)
    none = result.figure("cause `none` for sound probes", 95)
    faults = fleet.truth.faults[
        fleet.truth.faults["until"].isna() & (fleet.truth.faults["kind"] != "contamination_splash")
    ]
    now = fleet.truth.checks.sort_values("taken_at").groupby("probe").tail(1).set_index("probe")
    for one in faults.itertuples():
        if (end - one.onset_at).days < OLD_DAYS:
            continue
        found = by_probe[one.probe]
        hit = found.cause in ALSO_RIGHT.get(one.kind, {one.cause})
        right.add(hit)
        off = abs(now.loc[one.probe, "since_reference_pct"] - 100.0)
        if off >= 2.0 or one.kind not in ("efficiency_loss", "gain_drift", "step"):
            told.add(hit)
        result.causes[(one.kind, found.cause)] += 1
        result.split[("older than a year" if (end - one.onset_at).days > YEAR_DAYS else "60 days to a year", "any", hit)] += 1
        result.split[("any", "alarm stands" if one.probe in alarmed else "no alarm stands", hit)] += 1
        if found.cause_probability is not None and found.cause not in ("none", "unknown"):
            result.given.append((found.cause_probability, hit))
        if not hit:
            result.remarks.append(
                f"cause  seed {case.seed} {one.probe} {one.kind} of {one.onset_at:%Y-%m-%d}, {off:.1f} % off"
                f", called {found.cause} ({found.cause_probability}), advice {found.advice}"
            )
    sound = fleet.truth.probes[fleet.truth.probes["fault"] == "none"]["probe"]
    advice = result.figure("advice `use` for sound probes", 90)
    for name in sound:
        found = by_probe[name]
        none.add(found.cause == "none")
        advice.add(found.advice == "use")
        result.causes[("none", found.cause)] += 1
        if found.cause_probability is not None and found.cause != "unknown":
            result.given.append((found.cause_probability, False))
        if found.cause != "none":
            result.remarks.append(f"cause  seed {case.seed} {name} sound, called {found.cause}, advice {found.advice}")


def _sources(result: Score, case: Case, fleet: Fleet, answer: FleetAssessment) -> None:
    by_name = {one.name: one for one in answer.sources}
    bad = result.figure("bad sources with advice `verify`", 100)
    good = result.figure("good sources with advice `verify` or an alert", 0, at_most=True)
    knocked = fleet.truth.jigs[fleet.truth.jigs["knocked_at"].notna()]
    for one in fleet.truth.sources.itertuples():
        found = by_name.get(one.source)
        advice = found.advice if found else "not in the answer"
        alerted = bool(found and found.alerts)
        if one.bad:
            bad.add(advice == "verify")
        elif one.site not in set(knocked["site"]):  # a site's only jig and its source cannot be told apart
            good.add(advice == "verify" or alerted)
        if one.bad != (advice == "verify") or (alerted and not one.bad):
            result.remarks.append(
                f"source seed {case.seed} {one.source} {'bad' if one.bad else 'good'}"
                f" (activity factor {one.activity_factor:.4f}, {one.excess_decay_pct_per_year:g} %/a too fast"
                f", date {one.reference_error_days:g} d off): {advice}, "
                f"{len(found.alerts) if found else 0} alerts | {found.reasons if found else ''}"
            )
    for jig in knocked.itertuples():
        suspects = [one for one in (*answer.jigs, *answer.sources) if one.site == jig.site or one.name == jig.jig]
        named = any(one.advice == "verify" for one in suspects)
        result.figure("knocked jigs found: the jig or a source read in it is to be verified", 100).add(named)


def _say_reliability(given: list[tuple[float, bool]]) -> None:
    """Of the causes given a probability, how many were right: the table behind the picture on the Replay page."""
    told = reliability([p for p, _ in given], [right for _, right in given])
    say("  causes by their probability    given   right   mean said   share right (90 %)")
    for one in told.bins:
        low, high = one.interval
        say(
            f"    {one.low:.0%} to {one.high:.0%}".ljust(31) + f"{one.named:6d}  {one.right:6d}   {one.mean_probability:9.2f}"
            f"   {one.share:.2f} ({low:.2f} to {high:.2f})"
        )


def _print(cadence: str, scores: list[Score], brief: bool) -> None:
    total: dict[str, Figure] = {}
    causes: Counter[tuple[str, str]] = Counter()
    for one in scores:
        merge(total, one.figures)
        causes += one.causes
    say(f"\n{cadence}, {len(scores)} fleets, analysis {np.median([one.seconds for one in scores]):.1f} s each")
    for figure in total.values():
        say(figure.line())
    split: Counter[tuple[str, str, bool]] = sum((one.split for one in scores), Counter())
    for age, alarm in dict.fromkeys((age, alarm) for age, alarm, _ in sorted(split)):
        hits, misses = split[(age, alarm, True)], split[(age, alarm, False)]
        say(f"    cause right, {age if age != 'any' else alarm:<30} {hits / (hits + misses):6.1%} of {hits + misses}")
    _say_reliability([pair for one in scores for pair in one.given])
    pairs = pd.DataFrame([(*pair, times) for pair, times in causes.items()], columns=["fault", "cause", "probes"])
    table = pairs.pivot_table(index="fault", columns="cause", values="probes", fill_value=0, aggfunc="sum")
    say(
        "  true fault (rows) and cause named (columns)\n"
        + "\n".join("    " + line for line in table.to_string().splitlines())
    )
    if not brief:
        for one in scores:
            say("\n".join(f"  {remark}" for remark in sorted(one.remarks)))


def main() -> None:
    """Run and print."""
    options = arguments("Score alarms, causes and sources on simulated fleets.").parse_args()
    for cadence, of in cases(options).items():
        _print(cadence, list(each(score, of, options.jobs)), options.brief)


if __name__ == "__main__":
    main()
