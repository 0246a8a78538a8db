"""What each probe's charts say, as plain yes/no/unknown evidence with the numbers behind it."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class Evidence:
    """Evidence for one probe at one moment. None: not measured."""

    probe: str
    open_rules: set[str] = field(default_factory=set)
    level_unit: int | None = None     # the response unit that ``change_pct`` and what follows speak of
    change_pct: float = 0.0           # present level of the worst response series against its reference
    change_interval_pct: tuple[float, float] | None = None
    direction: str = "low"
    slope_pct_per_year: float = 0.0
    slope_interval_pct: tuple[float, float] | None = None
    probability_ramp: float = 0.0
    probability_step: float = 0.0
    moved: float = 0.0                # probability that the response moved at all, drifts taken as fleets show them (``drift.slopes``)
    gradual: float | None = None      # share of a ramp in the evidence for ramp and step, neither likelier beforehand
    probability_outside: float = 0.0  # of being beyond the tolerance now
    step_pct: float = 0.0
    onset: str | None = None
    onset_days: float | None = None
    windows_disagree: bool | None = None  # response of two windows moved by different amounts
    window_moved: bool | None = None
    window_shift_pct: float | None = None
    window_shift_z: float | None = None
    window_after_onset: bool = False  # a window check was made since the change began
    width_grew: bool | None = None
    background_high: bool = False
    background_factor: float | None = None
    scatter_high: bool = False
    scatter_low: bool = False
    repeats_off: bool = False         # chi-square of repeats too high or too low
    repeats_made: bool = False        # repeats of one placement are there to be judged
    outliers: int = 0
    outliers_low: int = 0
    spread_about_course: float | None = None  # mean square of the newest checks about their course, in variances, clipped
    no_signal: bool = False
    side_high: bool | None = None
    side_factor: float | None = None
    companion: str | None = None      # "battery", "temperature" or "time since switch-on"
    companion_text: str = ""
    companion_nats: float = 20.0      # log likelihood of the response with the companion over that without
    companion_explains: bool = True   # the reference lies within what the seen range of the companion makes of the response
    background_steady: bool | None = None  # high backgrounds agree better than chance lets counts agree
    dropped: str | None = None        # day of a recorded drop about when the change began
    alarm_direction: str | None = None  # of the open level alarms, where they agree
    windows_opposed: bool = False     # of two windows one surely rose and the other surely fell
    goes_on: str | None = None        # cause of what a service was to end and likely did not, though no alarm stands yet
    not_held: float = 0.0             # probability that it did not
    source_suspect: str | None = None  # source that is to be verified, where the others on it moved as this probe did
    lone_kind: str | None = None
