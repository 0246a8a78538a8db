"""Is it the first source whose certificate errs? What the sources after it, which agree with each other, say of it.

References are formed on one source (its home), so an error of its certificate is in them and shows on every later source,
turned. With one later source the two cannot be told apart; from two on the one that disagrees with all others is the one.
With dᵢ = ln(true/stated) of source i against the home, certificate errors uᵢ and errors of measurement eᵢ:

    d̄ = Σ wᵢ dᵢ / Σ wᵢ,   wᵢ = 1/(uᵢ² + eᵢ²),   home errs by −d̄ where |d̄| > SURE · √(u_home² + 1/Σ wᵢ)

and where each dᵢ agrees with d̄. Until then the home is taken as what its certificate and the sources before say of it: a later
source is expected at m ± s, and is doubted only where it lies outside what its own certificate allows about that:

    m = s² Σ wⱼ dⱼ,   1/s² = 1/u_home² + Σ wⱼ   over the sources before, those that were themselves doubted left out.

Each source is looked at once, when its first three steps of thirty days are whole, so that nothing is said in hindsight.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analytics.advice.device_findings import (
    LEAST_LEVEL,
    SAME_FACTOR,
    SURE_CERTIFICATE,
    Finding,
    Inherited,
    Moved,
    date_words,
)
from analytics.words import pct

FIRST_STEPS = 3  # of thirty days, in which a new source's activity is read
LEAST_AFTER = 2  # later sources that must agree
LEAST_SD = 1e-4  # of a log activity; no certificate is better, also one that states an uncertainty of 0


@dataclass(frozen=True)
class OddHome:
    """A home source that its successors agree against."""

    finding: Finding
    inherited: Inherited  # what later sources show of it
    agree: tuple[str, ...]  # sources that agreed when it was found


@dataclass(frozen=True)
class Read:
    """A later source against its home, by its first steps."""

    name: str
    from_days: float
    known_days: float
    value: float  # natural log
    variance: float  # of its certificate and of the measurement


def read_after(after: Mapping[str, Moved], certificate_sd: Mapping[str, float], now: float) -> list[Read]:
    """The later sources whose first steps were whole by ``now`` and whose certificate states an uncertainty, in that order."""
    found = []
    for name, moved in after.items():
        if len(moved) >= FIRST_STEPS and moved.ends[FIRST_STEPS - 1] <= now and name in certificate_sd:
            first = moved.part(0, FIRST_STEPS)
            w = 1.0 / first.sd**2
            value, variance = float((w * first.value).sum() / w.sum()), max(certificate_sd[name], LEAST_SD) ** 2 + 1.0 / float(w.sum())
            found.append(Read(name, float(moved.at[0]), float(first.ends[-1]), value, variance))
    return sorted(found, key=lambda one: (one.known_days, one.name))


def expected_on(begins_days: float, home_sd: float, read: list[Read]) -> tuple[float, float]:
    """What a source first read on ``begins_days`` should show, by the home's certificate and the sources before: m and s.

    >>> expected_on(500.0, 0.015, [])
    (0.0, 0.015)
    >>> m, s = expected_on(500.0, 0.015, [Read("CK-2", 100.0, 190.0, 0.03, 0.015**2)])
    >>> round(m, 4), round(s, 4)
    (0.015, 0.0106)
    """
    precision, total = 1.0 / max(home_sd, LEAST_SD) ** 2, 0.0
    for one in read:
        if one.known_days > begins_days:
            break
        off = one.value - total / precision
        if abs(off) <= SURE_CERTIFICATE * np.sqrt(one.variance + 1.0 / precision):
            precision, total = precision + 1.0 / one.variance, total + one.value / one.variance
    return total / precision, float(precision**-0.5)


def odd_home(
    home: str, home_sd: float, after: Mapping[str, Moved], certificate_sd: Mapping[str, float], half_life: float, now: float
) -> OddHome | None:
    """Whether the home's certificate errs; None where it agrees, or with fewer than two later sources.

    home_sd, certificate_sd: k=1 of the log activity. after: movement of the sources whose references were formed on the home.
    now: day up to which steps count.
    """
    read = read_after(after, certificate_sd, now)
    for n in range(LEAST_AFTER, len(read) + 1):
        value, variance = np.array([one.value for one in read[:n]]), np.array([one.variance for one in read[:n]])
        weight = 1.0 / variance
        mean, mean_var = float((weight * value).sum() / weight.sum()), 1.0 / float(weight.sum())
        agree = (np.abs(value - mean) <= SURE_CERTIFICATE * np.sqrt(np.maximum(variance - mean_var, 0.0))).all()
        if not agree or abs(mean) <= max(SURE_CERTIFICATE * np.hypot(home_sd, np.sqrt(mean_var)), LEAST_LEVEL):
            continue
        names = tuple(sorted(one.name for one in read[:n]))
        sentence = (
            f"{home} fits {date_words(-mean, half_life)} than its certificate states (k=1: {pct(100 * home_sd)}): "
            f"{' and '.join(names)} after it agree with each other and not with it; {SAME_FACTOR}."
        )
        known = read[n - 1].known_days
        return OddHome(
            Finding("change_point", known, mean > 0, sentence, -1, -1), Inherited(known, mean, float(np.sqrt(mean_var))), names
        )
    return None
