"""Half-lives by nuclide, and the decay between two moments.

Shipped half-lives: ICRP Publication 107, as in the ``radioactivedecay`` package (``half_lives.csv``, made by
``make_half_lives.py``); a site may replace one, with its source, in the settings. Years are 365.2422 d.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources

import numpy as np

from analytics.counting.arrays import Floats
from analytics.settings import HalfLife

YEAR_DAYS = 365.2422
MOST_HALF_LIVES = 40.0  # from the reference date: 1e12 times more or less activity, so that nuclide or date cannot be right
SHIPPED_SOURCE = "ICRP Publication 107 (2008)"

# Standard uncertainty and value (days) of the DDEP evaluation, as printed in the project's list of half-lives;
# I-125 [from memory]. ICRP 107 states no uncertainties.
_DDEP_DAYS: dict[str, tuple[float, float]] = {
    "Co-57": (271.81, 0.04),
    "Cs-137": (30.05 * YEAR_DAYS, 0.08 * YEAR_DAYS),
    "Ba-133": (10.539 * YEAR_DAYS, 0.006 * YEAR_DAYS),
    "I-129": (16.1e6 * YEAR_DAYS, 0.7e6 * YEAR_DAYS),
    "Am-241": (432.6 * YEAR_DAYS, 0.6 * YEAR_DAYS),
    "Gd-153": (240.4, 1.0),
    "Tc-99m": (6.0067 / 24, 0.0010 / 24),
    "I-125": (59.388, 0.028),
}

_SYMBOL_FIRST = re.compile(r"([a-z]{1,2})[-_ ]?(\d{1,3})([mnp]?)", re.IGNORECASE)
_MASS_FIRST = re.compile(r"(\d{1,3})([mnp]?)[-_ ]?([a-z]{1,2})", re.IGNORECASE)


@cache
def shipped_half_lives() -> dict[str, float]:
    """Half-life in days by nuclide, ICRP 107."""
    text = resources.files("analytics.counting").joinpath("half_lives.csv").read_text(encoding="utf-8")
    return {row["nuclide"]: float(row["half_life_days"]) for row in csv.DictReader(text.splitlines())}


@cache
def normalise(name: str) -> str:
    """The usual way of writing a nuclide: symbol, hyphen, mass number, m for a metastable state.

    A name that cannot be read so is returned trimmed and otherwise as it is; it then has no half-life.

    >>> [normalise(one) for one in ("Co57", "57Co", "co-57", "99mTc", "TC-99M", "99Mo", "plastic")]
    ['Co-57', 'Co-57', 'Co-57', 'Tc-99m', 'Tc-99m', 'Mo-99', 'plastic']
    """
    text = name.strip()
    candidates = []
    if match := _SYMBOL_FIRST.fullmatch(text):
        symbol, mass, state = match.groups()
        candidates.append(f"{symbol.capitalize()}-{int(mass)}{state.lower()}")
    # 99mo is Mo-99 and not an excited state of oxygen: the reading without a state is tried first.
    for pattern in (r"(\d{1,3})()[-_ ]?([a-z]{1,2})", _MASS_FIRST.pattern):
        if match := re.fullmatch(pattern, text, re.IGNORECASE):
            mass, state, symbol = match.groups()
            candidates.append(f"{symbol.capitalize()}-{int(mass)}{state.lower()}")
    known = [one for one in candidates if one in shipped_half_lives()]
    return (known or candidates or [text])[0]


def _overrides(half_lives: Mapping[str, HalfLife] | None) -> dict[str, HalfLife]:
    return {normalise(name): value for name, value in (half_lives or {}).items()}


def half_life_days(names: Sequence[str], overrides: Mapping[str, HalfLife] | None = None) -> Floats:
    """Half-life (d) of each nuclide; NaN where none is known. Shape (len(names),).

    >>> half_life_days(["Co-57", "57Co", "nonsense"]).tolist()
    [271.74, 271.74, nan]
    """
    own = _overrides(overrides)
    shipped = shipped_half_lives()

    def one(name: str) -> float:
        key = normalise(name)
        return own[key].half_life_days if key in own else shipped.get(key, float("nan"))

    return np.array([one(name) for name in names], dtype=np.float64)


def half_life_sd_days(names: Sequence[str], overrides: Mapping[str, HalfLife] | None = None) -> Floats:
    """Standard uncertainty (d) of each half-life in force; NaN where none is known. Shape (len(names),).

    That of the DDEP evaluation and the difference between the value in force and DDEP's, in quadrature: two good
    evaluations that differ by more than they claim are both less sure than they say.

    >>> half_life_sd_days(["Co-57"]).round(4).tolist()
    [0.0806]
    """
    value = half_life_days(names, overrides)
    ddep = [_DDEP_DAYS.get(normalise(name), (float("nan"), float("nan"))) for name in names]
    out = [float(np.hypot(sd, used - mean)) for used, (mean, sd) in zip(value, ddep, strict=True)]
    return np.array(out, dtype=np.float64)


def half_life_statement(name: str, overrides: Mapping[str, HalfLife] | None = None) -> str:
    """One sentence: which half-life is used and where it is from, or that no decay correction is known.

    >>> half_life_statement("57Co")
    'Co-57: half-life 271.74 d, ICRP Publication 107 (2008).'
    >>> half_life_statement("plastic")
    'plastic: no half-life is known, so no decay correction is possible.'
    """
    key = normalise(name)
    own = _overrides(overrides)
    if key in own:
        return f"{key}: half-life {own[key].half_life_days:.10g} d, {own[key].source}."
    if key in shipped_half_lives():
        return f"{key}: half-life {shipped_half_lives()[key]:.10g} d, {SHIPPED_SOURCE}."
    return f"{key}: no half-life is known, so no decay correction is possible."


def decay_factor(half_life: Floats | float, age_days: Floats | float) -> Floats:
    """2^(−age/T½): what is left of an activity after age_days (above 1 for a negative age).

    half_life in days, both broadcast. NaN where the half-life or the age is not known.

    >>> round(float(decay_factor(271.74, 365.25)) * 3.7e6)
    1457413
    """
    out: Floats = np.exp2(-np.asarray(age_days, dtype=np.float64) / np.asarray(half_life, dtype=np.float64))
    return out
