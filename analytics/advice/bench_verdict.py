"""The verdict at the bench while numbers are typed: one check against what was expected, and what to do next."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analytics.advice.bench_expectation import USUAL_SD, Z90, Bench, Counting, Expectation
from analytics.counting.dead_time import true_rate
from analytics.results import FleetAssessment, PatientUse
from analytics.settings import Settings

BenchWord = Literal["as_expected", "unusual", "action", "tolerance", "no_signal", "cannot_tell"]
Placement = Sequence[Counting]  # countings without moving the probe between them

FAR_SD = 4.0  # from the probe's present level: asks for a reseated repeat
DISAGREE_SD = 3.5  # between two placements: asks for a third
SEAT_AGAIN = "Take the probe out, put it back, and count again"
DECISION_K = 1.645  # Currie's decision limit, 5 % false positive


@dataclass(frozen=True, slots=True)
class BenchVerdict:
    """What the countings typed so far say.

    word: ``as_expected`` (inside the usual range), ``unusual`` (outside it, inside the action level), ``action``,
    ``tolerance``, ``no_signal`` or ``cannot_tell``. repeat: take the probe out, put it back and count again.
    patient_use: the stricter of what this check says and what stood before it. ratio_pct: net rate in per cent of the
    expected one, with its 90 % interval; None where nothing is expected or no signal was found.
    """

    word: BenchWord
    repeat: bool
    patient_use: PatientUse
    ratio_pct: float | None
    interval_pct: tuple[float, float] | None
    sentences: tuple[str, ...]


STRICT: tuple[PatientUse, ...] = ("allowed", "repeat_first", "not_until_cleared")  # from the mildest on


def judge(expected: Expectation, placements: Sequence[Placement], settings: Settings) -> BenchVerdict:
    """The verdict on the countings of one check, by placement (a placement: the probe stays put).

    A placement's net rate is compared with the expected one, variance = counting (expected counts) + repositioning; the
    reference's and the source's uncertainty are added once. One placement far off asks for a reseated repeat; what is
    repeated is believed; of three or more placements the median speaks. Below the decision limit on gross counts
    (1.645·√(2·background) where the background was counted as long) there is no signal, and no ratio is taken.
    """
    placements = [one for one in placements if one]
    if not placements:
        return _verdict(expected, "cannot_tell", False, "allowed", None, None, ("Nothing counted yet.",))
    silent = [_silent(expected, one) for one in placements]
    if silent[-1]:
        return _no_signal(expected, twice=len(silent) > 1 and silent[-2])
    placements = [one for one, none in zip(placements, silent, strict=True) if not none]
    if expected.missing is not None or expected.net_cps is None:
        why = (expected.missing or "Nothing is expected yet.",)
        return _verdict(expected, "cannot_tell", False, "allowed", None, None, why)
    logs = np.array([_log_ratio(expected, one) for one in placements])
    if not np.isfinite(logs).all():
        return _verdict(
            expected,
            "cannot_tell",
            True,
            "repeat_first",
            None,
            None,
            ("The rate lies beyond what the probe's dead time can be corrected for.",),
        )
    variances = np.array([expected.counting_var(sum(c.time_s for c in one)) for one in placements])
    variances += expected.placement_sd**2
    level = float(np.median(logs)) if len(logs) > 2 else float(np.average(logs, weights=1 / variances))
    spread = math.pi / 2 if len(logs) > 2 else 1.0  # a median's variance against a mean's
    sd = math.sqrt(spread / float(np.sum(1 / variances)) + expected.constant_sd**2)
    return _word(expected, settings, logs, variances, level, sd)


def _no_signal(expected: Expectation, *, twice: bool) -> BenchVerdict:
    if twice:
        said = "No signal above background, twice in a row."
        return _verdict(expected, "no_signal", False, "not_until_cleared", None, None, (said,))
    said = "No signal above background: is the source in the jig, the probe on, the cable in? Seat it and count again."
    return _verdict(expected, "no_signal", True, "repeat_first", None, None, (said,))


def _word(
    expected: Expectation,
    settings: Settings,
    logs: np.ndarray,
    variances: np.ndarray,
    level: float,
    sd: float,
) -> BenchVerdict:
    ratio, limits = 100 * math.exp(level), settings.limits
    bounds = (100 * math.exp(level - Z90 * sd), 100 * math.exp(level + Z90 * sd))
    off = abs(ratio - 100)
    said = f"{ratio:.1f} % of what was expected (90 % interval {bounds[0]:.1f} to {bounds[1]:.1f} %)"
    present = math.log(expected.recent_pct / 100) if expected.recent_pct else 0.0
    single = len(logs) == 1
    far = abs(level - present) > FAR_SD * sd
    disagree = len(logs) == 2 and abs(logs[0] - logs[1]) > DISAGREE_SD * math.sqrt(float(variances.sum()))
    word: BenchWord = "as_expected"
    repeat = single and far
    sentences: tuple[str, ...] = (f"{said}.",)
    use: PatientUse = "repeat_first" if repeat else "allowed"
    if disagree:
        first, second = 100 * np.exp(logs)
        word, repeat, use, sentences = (
            "cannot_tell",
            True,
            "repeat_first",
            (
                (
                    f"The two placements disagree ({first:.1f} and {second:.1f} %): seat the probe once more and count "
                    "again."
                ),
            ),
        )
    elif off > limits.tolerance_pct and single:
        word, repeat, use, sentences = (
            "tolerance",
            True,
            "repeat_first",
            (
                f"{said}: beyond the tolerance of {limits.tolerance_pct:g} %.",
                f"{SEAT_AGAIN} before anything is concluded.",
            ),
        )
    elif off > limits.tolerance_pct:
        word, use, sentences = (
            "tolerance",
            "not_until_cleared",
            (f"{said}: beyond the tolerance of {limits.tolerance_pct:g} %, and the repeat says the same.",),
        )
    elif off > limits.action_level_pct:
        word, sentences = (
            "action",
            (
                f"{said}: above the action level of {limits.action_level_pct:g} %, within tolerance.",
                f"{SEAT_AGAIN}." if repeat else "Find the cause and say what was done.",
            ),
        )
    elif repeat:
        word, sentences = (
            "unusual",
            (f"{said}: within the levels, but far from where this probe stands.", f"{SEAT_AGAIN}."),
        )
    elif abs(level) > USUAL_SD * sd:
        word, sentences = "unusual", (f"{said}: outside its usual range, within the action level.",)
    return _verdict(expected, word, repeat, use, ratio, bounds, sentences)


def _verdict(
    expected: Expectation,
    word: BenchWord,
    repeat: bool,
    use: PatientUse,
    ratio: float | None,
    bounds: tuple[float, float] | None,
    sentences: tuple[str, ...],
) -> BenchVerdict:
    if expected.standing == "not_until_cleared":
        sentences += ("It was set out of patient use before this check: a named person has to clear it.",)
    elif word == "cannot_tell" and use == "allowed" and not repeat:
        sentences += ("This check alone clears nothing: local rules decide on patient use.",)
    strictest = max(use, expected.standing if expected.standing == "not_until_cleared" else use, key=STRICT.index)
    return BenchVerdict(word, repeat, strictest, ratio, bounds, sentences)


def _rate(expected: Expectation, placement: Placement) -> float:
    """Dead-time free rate of a placement, cps."""
    time_s = sum(one.time_s for one in placement)
    observed = sum(one.counts for one in placement) / time_s
    dead_time_s, model = np.array([expected.dead_time_s]), np.array([expected.dead_time_model], np.int8)
    return float(true_rate(np.array([observed]), dead_time_s, model)[0])


def _silent(expected: Expectation, placement: Placement) -> bool:
    time_s = sum(one.time_s for one in placement)
    background = expected.background_cps or 0.0
    limit = DECISION_K * math.sqrt(background / time_s + expected.background_var_cps2)
    return _rate(expected, placement) - background <= limit


def _log_ratio(expected: Expectation, placement: Placement) -> float:
    net = _rate(expected, placement) - (expected.background_cps or 0.0)
    expected_net = expected.net_cps or math.nan
    return math.log(net / expected_net) if net > 0 and math.isfinite(expected_net) else math.nan


@dataclass(frozen=True, slots=True)
class SideVerdict:
    """A verdict on countings beside the check itself: background, window positions, shaft."""

    good: bool | None  # None: cannot be told
    sentence: str


def judge_background(
    assessment: FleetAssessment,
    settings: Settings,
    bench: Bench,
    countings: Sequence[Counting],
) -> SideVerdict:
    """A background against its usual level: raised where above ``background_factor`` times it, and surely so (3 sd)."""
    if not countings:
        return SideVerdict(None, "No background counted: the last known one is used, and the result says so.")
    counts, time_s = sum(one.counts for one in countings), sum(one.time_s for one in countings)
    usual = next(
        (
            one.reference.value
            for one in assessment.series_of(bench.probe, "background")
            if one.window == bench.window and one.reference is not None
        ),
        None,
    )
    if usual is None:
        return SideVerdict(None, f"Background {counts / time_s:.3g} cps; no usual level is known yet.")
    surely = counts - usual * time_s > 3 * math.sqrt(usual * time_s)
    raised = surely and counts / time_s > settings.limits.background_factor * usual
    said = f"Background {counts / time_s:.3g} cps, usually {usual:.3g} cps"
    if raised:
        return SideVerdict(False, f"{said}: raised. Look for contamination or a source nearby, then count it again.")
    return SideVerdict(True, f"{said}.")


def judge_window(below: Counting | None, centre: Sequence[Counting], above: Counting | None) -> SideVerdict:
    """The three-position check: centred where the count on the peak is surely above both others (one-sided 5 %).

    The rates are compared gross, all at the same place: background is the same small part of each.
    """
    if below is None or above is None or not centre:
        return SideVerdict(None, "Counts with the window below, on and above the photopeak make a window check.")
    counts, time_s = sum(one.counts for one in centre), sum(one.time_s for one in centre)
    for name, side in (("below", below), ("above", above)):
        sd = math.sqrt(max(counts, 1) / time_s**2 + max(side.counts, 1) / side.time_s**2)
        if counts / time_s - side.rate_cps <= DECISION_K * sd:
            return SideVerdict(
                False,
                (
                    f"Not centred: the count on the photopeak ({counts / time_s:.4g} cps) is not surely above"
                    f" the one with the window {name} it ({side.rate_cps:.4g} cps)."
                ),
            )
    return SideVerdict(True, "Centred: the count on the photopeak is above both others.")
