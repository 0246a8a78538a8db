"""What the next counting of a probe should show: its reference, on this source, today, in counts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd

from analytics.counting.dead_time import NON_PARALYSABLE, PARALYSABLE, observed_rate
from analytics.counting.nuclides import MOST_HALF_LIVES, half_life_days, normalise
from analytics.records.snapshot import Records
from analytics.results import FleetAssessment, PatientUse, SeriesResult
from analytics.settings import Settings

Z90 = 1.6449  # half of a 90 % interval in standard deviations
USUAL_SD = 3.0  # half of the range shown as usual, in standard deviations


@dataclass(frozen=True, slots=True)
class Counting:
    """One counting as it was typed: counts, and its time in seconds."""

    counts: int
    time_s: float

    @property
    def rate_cps(self) -> float:
        """Observed rate, cps."""
        return self.counts / self.time_s


@dataclass(frozen=True, slots=True)
class Bench:
    """What stands on the bench: the names that make a series, and the source."""

    probe: str
    window: str
    source: str
    jig: str | None = None
    collimator: str | None = None


@dataclass(frozen=True, slots=True)
class Expectation:
    """What one counting of ``count_time_s`` should show, gross counts; None throughout where ``missing`` says why.

    usual: ±3 standard deviations of one placement, the reference's own uncertainty in it. action, tolerance: counts at
    the site's two levels. net_cps: expected net rate (dead-time free). placement_sd: repositioning, relative.
    constant_sd: what all placements of today share (reference, source), relative. recent_pct: the probe's present level
    in per cent of its reference. needed_time_s: counting time from which one placement can tell the tolerance; None
    where this one can, inf where repositioning alone hides it.
    """

    bench: Bench
    at: datetime
    count_time_s: float
    missing: str | None
    counts: float | None = None
    usual: tuple[int, int] | None = None
    action: tuple[int, int] | None = None
    tolerance: tuple[int, int] | None = None
    net_cps: float | None = None
    background_cps: float | None = None
    background_basis: str = ""
    background_var_cps2: float = 0.0
    placement_sd: float = 0.0
    constant_sd: float = 0.0
    recent_pct: float | None = None
    needed_time_s: float | None = None
    standing: PatientUse = "allowed"
    dead_time_s: float = 0.0
    dead_time_model: int = NON_PARALYSABLE
    notes: tuple[str, ...] = ()

    def counting_var(self, time_s: float, net_cps: float | None = None) -> float:
        """Relative variance of a net rate counted for ``time_s``, from expected, not observed, counts."""
        net = self.net_cps if net_cps is None else net_cps
        if not net or self.background_cps is None:
            return math.inf
        return ((net + self.background_cps) / time_s + self.background_var_cps2) / net**2


def series_on(assessment: FleetAssessment, bench: Bench, nuclide: str | None) -> SeriesResult | None:
    """The response series that a check on this bench belongs to; None where there is none yet."""
    for one in assessment.series_of(bench.probe, "response"):
        if (one.window, one.jig, one.collimator, one.nuclide) == (bench.window, bench.jig, bench.collimator, nuclide):
            return one
    return None


def expect(
    assessment: FleetAssessment,
    records: Records,
    settings: Settings,
    bench: Bench,
    at: datetime,
    *,
    count_time_s: float = 10.0,
    background: Sequence[Counting] = (),
) -> Expectation:
    """The expected counts of the next counting at ``at``, with the ranges it is judged by.

    Expected gross = (reference · common movement of the source · A(at) + background) · time, with dead time; there
    A(at) is the source's stated activity (1 where none is stated) times 2^(−age/T½). Background: the countings given,
    else the running level of the probe's background series, else none (said in ``background_basis``).
    Never raises on data it cannot use: ``missing`` says in a sentence why nothing can be expected.
    """
    background_cps, background_var, basis = _background(assessment, bench, background)

    def nothing(why: str) -> Expectation:
        return Expectation(
            bench,
            at,
            count_time_s,
            why,
            background_cps=background_cps,
            background_basis=basis,
            background_var_cps2=background_var,
            standing=_standing(assessment, bench.probe),
        )

    if not (math.isfinite(count_time_s) and count_time_s > 0):
        return nothing("The counting time must be more than 0 s.")
    row = records.sources[records.sources["source"] == bench.source]
    if row.empty:
        return nothing(f"The source {bench.source} is not registered: its nuclide and reference date are needed.")
    source = row.iloc[0]
    nuclide = normalise(str(source["nuclide"]))
    half_life = float(half_life_days([nuclide], settings.nuclides.half_lives)[0])
    age_days = (at - pd.Timestamp(source["reference_at"]).to_pydatetime()).total_seconds() / 86400
    if (why := _no_decay(bench.source, nuclide, half_life, age_days)) is not None:
        return nothing(why)
    series = series_on(assessment, bench, nuclide)
    if series is None or series.reference is None or not series.reference.value > 0:
        return nothing(_why_no_reference(assessment, bench, nuclide, settings))
    activity_kbq = float(source["activity_kbq"])
    stated = math.isfinite(activity_kbq)
    strength = 2.0 ** (-age_days / half_life) * (activity_kbq if stated else 1.0)
    points = assessment.points_of(series)
    shared_pct, source_sd, notes = _source_terms(assessment, points, bench, source, settings)
    if source_sd > 0 and not (stated and series.unit == "cps/kBq"):
        return nothing(f"First check of {bench.probe} on {bench.source}, and the activity of it or of the source before is not stated.")
    net_cps = series.reference.value * (1 + shared_pct / 100) * strength
    dead_time_s, model = _dead_time(records, bench.probe)
    reference_sd = series.reference.value_sd / series.reference.value
    draft = Expectation(
        bench,
        at,
        count_time_s,
        None,
        net_cps=net_cps,
        background_cps=background_cps,
        background_basis=basis,
        background_var_cps2=background_var,
        placement_sd=placement_sd(assessment, records, points, settings),
        constant_sd=math.hypot(reference_sd, source_sd),
        recent_pct=series.current_pct,
        dead_time_s=dead_time_s,
        dead_time_model=model,
        standing=_standing(assessment, bench.probe),
        notes=tuple(notes),
    )
    return _with_ranges(draft, settings)


def _no_decay(source: str, nuclide: str, half_life: float, age_days: float) -> str | None:
    """Why no decay can be reckoned; None where it can."""
    if not math.isfinite(half_life):
        return f"No half-life is known for {nuclide}: add it in the settings, with its source."
    if abs(age_days) > MOST_HALF_LIVES * half_life:
        return f"The reference date of {source} lies more than {MOST_HALF_LIVES:g} half-lives of {nuclide} away: put it right."
    return None


def _with_ranges(draft: Expectation, settings: Settings) -> Expectation:
    sd = math.sqrt(draft.counting_var(draft.count_time_s) + draft.placement_sd**2 + draft.constant_sd**2)

    def gross(factor: float) -> float:
        true_cps = (draft.net_cps or 0.0) * factor + (draft.background_cps or 0.0)
        tau, model = np.array([draft.dead_time_s]), np.array([draft.dead_time_model], np.int8)
        observed_cps = observed_rate(np.array([true_cps]), tau, model)
        return float(observed_cps[0]) * draft.count_time_s

    def band(low: float, high: float) -> tuple[int, int]:
        return math.ceil(gross(low)), math.floor(gross(high))

    action, tolerance = settings.limits.action_level_pct / 100, settings.limits.tolerance_pct / 100
    return replace(
        draft,
        counts=gross(1.0),
        usual=band(math.exp(-USUAL_SD * sd), math.exp(USUAL_SD * sd)),
        action=band(1 - action, 1 + action),
        tolerance=band(1 - tolerance, 1 + tolerance),
        needed_time_s=_needed_time_s(draft, tolerance),
    )


def _needed_time_s(draft: Expectation, tolerance: float) -> float | None:
    """Counting time from which one placement's 90 % interval is inside the tolerance; None where this one's is."""
    spare = (tolerance / Z90) ** 2 - draft.placement_sd**2 - draft.constant_sd**2
    if draft.counting_var(draft.count_time_s) <= spare:
        return None
    net, background = draft.net_cps or 0.0, draft.background_cps or 0.0
    spare -= draft.background_var_cps2 / net**2
    return (net + background) / (net**2 * spare) if spare > 0 else math.inf


def _source_terms(
    assessment: FleetAssessment,
    points: pd.DataFrame,
    bench: Bench,
    source: pd.Series,
    settings: Settings,
) -> tuple[float, float, list[str]]:
    """Common movement of the source now (%), what is not known about it (relative sd), and what to say of it."""
    withdrawn_on, notes = source["withdrawn_on"], []
    if pd.notna(withdrawn_on) and pd.Timestamp(withdrawn_on) <= pd.Timestamp(assessment.as_of):
        notes.append(f"Source {bench.source} was withdrawn on {withdrawn_on.date()}: a check on it will be held.")
    on_it = points[points["source"].astype("object") == bench.source]
    of_source = assessment.shared
    if len(of_source):
        is_source = of_source["kind"].astype("object") == "source"
        of_source = of_source[is_source & (of_source["name"].astype("object") == bench.source)]
    if len(on_it):
        return _finite(on_it["shared_pct"].iloc[-1]), 0.0, notes
    if len(of_source) and int(of_source["probes"].iloc[-1]) >= settings.shared.least_probes:
        return _finite(of_source["offset_pct"].iloc[-1]), 0.0, notes
    stated = float(source["activity_uncertainty_pct"])
    pct = stated if math.isfinite(stated) else settings.shared.activity_uncertainty_pct
    notes.append(f"First check of this probe on {bench.source}: its activity is taken as stated, to {pct:g} % (k=1).")
    return 0.0, pct / 100, notes


def _finite(value: float) -> float:
    return float(value) if math.isfinite(value) else 0.0


def _background(
    assessment: FleetAssessment,
    bench: Bench,
    given: Sequence[Counting],
) -> tuple[float, float, str]:
    """Background rate (cps), its variance (cps²), and where it is from."""
    if given:
        counts, time_s = sum(one.counts for one in given), sum(one.time_s for one in given)
        return counts / time_s, counts / time_s**2, "counted now"
    for one in assessment.series_of(bench.probe, "background"):
        if one.window == bench.window and one.current is not None:
            sd = (one.current_interval[1] - one.current_interval[0]) / (2 * Z90) if one.current_interval else 0.0
            return one.current, sd**2, "its usual level, until one is counted"
    return 0.0, 0.0, "none on record: the response is gross"


def _dead_time(records: Records, probe: str) -> tuple[float, int]:
    row = records.probes[records.probes["probe"] == probe]
    if row.empty or not math.isfinite(float(row["dead_time_us"].iloc[0])):
        return 0.0, NON_PARALYSABLE
    model = PARALYSABLE if row["dead_time_model"].iloc[0] == "paralysable" else NON_PARALYSABLE
    return float(row["dead_time_us"].iloc[0]) * 1e-6, model


def _standing(assessment: FleetAssessment, probe: str) -> PatientUse:
    return next((one.patient_use for one in assessment.probes if one.probe == probe), "allowed")


def _why_no_reference(assessment: FleetAssessment, bench: Bench, nuclide: str, settings: Settings) -> str:
    series = assessment.series_of(bench.probe, "response")
    if not series:
        full = settings.reference.readings
        return f"No check of {bench.probe} is on record yet: this one begins its reference ({full} make a full one)."
    known = sorted({_setting(one.window, one.nuclide, one.jig) for one in series if one.reference is not None})
    here = _setting(bench.window, nuclide, bench.jig)
    if known and here not in known:
        return f"No reference for {bench.probe} with {here}; there is one with {'; '.join(known)}."
    least = settings.reference.least_readings
    return f"Too few checks of {bench.probe} with {here} for a reference ({least} are needed)."


def _setting(window: str, nuclide: str | None, jig: str | None) -> str:
    return f"{window}, {nuclide or 'no nuclide'}, {f'jig {jig}' if jig else 'no jig'}"


def placement_sd(
    assessment: FleetAssessment,
    records: Records,
    points: pd.DataFrame,
    settings: Settings,
) -> float:
    """What placing the probe anew adds, relative sd: the points' own intervals less the variance of their counts.

    Median over the last 30 charted points; the setting ``noise.repositioning_pct`` where fewer than 5 can be used.
    """
    assumed = settings.noise.repositioning_pct / 100
    last = points[points["flag"].isin(["used", "reference"]) & (points["value_low"] > 0)].tail(30)
    if len(last) < 5:
        return assumed
    members = assessment.countings[assessment.countings["check"].isin(last["check"])]
    readings = records.readings[records.readings["reading_id"].isin(members["reading_id"])]
    members = members.merge(readings[["reading_id", "counts", "count_time_s"]], on="reading_id")
    role = members["role"].astype("object")
    numbers = ["counts", "count_time_s"]
    front = members[role == "source"].groupby("check")[numbers].sum(min_count=1)
    back = members[role.isin(["background", "borrowed_background"])].groupby("check")[numbers].sum(min_count=1)
    sums = front.join(back.add_suffix("_b")).reindex(last["check"]).fillna({"counts_b": 0.0, "count_time_s_b": 1.0})
    net = sums["counts"] / sums["count_time_s"] - sums["counts_b"] / sums["count_time_s_b"]
    counting = (sums["counts"] / sums["count_time_s"] ** 2 + sums["counts_b"] / sums["count_time_s_b"] ** 2) / net**2
    total = (np.log(last["value_high"].to_numpy() / last["value_low"].to_numpy()) / (2 * Z90)) ** 2
    left = total - counting.to_numpy()
    left = left[np.isfinite(left)]
    return math.sqrt(max(float(np.median(left)), 0.0)) if len(left) >= 5 else assumed
