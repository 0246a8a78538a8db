"""What people do wrong at the bench and at the keyboard, with what would have been right."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from analytics.simulate.checks import Checks
from analytics.simulate.design import Design
from analytics.simulate.physics import Floats

# Kind -> how often, of all blunders (invented shares; nobody publishes any).
SHARES = {
    "mis_seated": 0.28,
    "wrong_window": 0.18,
    "digit_swapped": 0.14,
    "digit_dropped": 0.08,
    "count_time_wrong": 0.09,
    "day_month_swapped": 0.18,  # most of them give no date at all, or one that is not taken in, and do not count
    "month_wrong": 0.05,
}
COUNTED_LONGER = 6.0  # a minute instead of ten seconds
KINDS = ("", *SHARES)


@dataclass(frozen=True)
class Blunders:
    """One value a check: kind (index into ``KINDS``), and the factor that mis-seating or a wrong window makes."""

    kind: NDArray[np.intp]
    factor: Floats

    def is_kind(self, name: str) -> NDArray[np.bool_]:
        """The checks with this kind of blunder."""
        return np.asarray(self.kind == KINDS.index(name), dtype=np.bool_)


def draw_blunders(design: Design, checks: Checks, rng: Generator) -> Blunders:
    """Draw which checks are spoiled, and how; those that the design asks for come on top."""
    size = len(checks.day)
    drawn = rng.choice(len(SHARES), size, p=list(SHARES.values())) + 1
    kind = np.where(rng.random(size) < design.blunder_rate, drawn, 0).astype(np.intp)
    number_of = {probe.name: number for number, probe in enumerate(design.probes)}
    for name, check, what in design.spoiled:
        kind[checks.span[number_of[name]]][check] = KINDS.index(what)
    seated = np.where(rng.random(size) < 0.85, rng.uniform(0.55, 0.93, size), rng.uniform(1.06, 1.25, size))
    # A window set wrong gives a ratio that is each probe's own and comes back every time.
    ratio = np.where(rng.random(checks.probe.max(initial=-1) + 1) < 0.5, 0.25, 1.45)
    ratio = ratio * rng.uniform(0.85, 1.15, len(ratio))
    factor = np.where(kind == KINDS.index("mis_seated"), seated, 1.0)
    factor = np.where(kind == KINDS.index("wrong_window"), ratio[checks.probe], factor)
    return Blunders(kind, factor)


def swapped_digits(count: int, rng: Generator) -> int:
    """The count with two neighbouring digits changed over; the count itself where all digits are alike.

    >>> swapped_digits(41, np.random.default_rng(1))
    14
    """
    text = str(count)
    places = [place for place in range(len(text) - 1) if text[place] != text[place + 1]]
    if not places:
        return count
    place = int(rng.choice(places))
    return int(text[:place] + text[place + 1] + text[place] + text[place + 2 :])


def dropped_digit(count: int, rng: Generator) -> int:
    """The count with one digit left out; the count itself where it has only one.

    >>> dropped_digit(77, np.random.default_rng(1))
    7
    """
    text = str(count)
    if len(text) < 2:
        return count
    place = int(rng.integers(0, len(text)))
    return int(text[:place] + text[place + 1 :])


def swapped_date(when: pd.Timestamp) -> pd.Timestamp:
    """The time with day and month changed over; the time itself where that is no date.

    >>> swapped_date(pd.Timestamp("2023-03-08 09:00")), swapped_date(pd.Timestamp("2023-03-20"))
    (Timestamp('2023-08-03 09:00:00'), Timestamp('2023-03-20 00:00:00'))
    """
    return when if when.day > 12 else when.replace(month=when.day, day=when.month)


def write_down_wrong(
    table: pd.DataFrame,
    kinds: NDArray[np.object_],
    check: NDArray[np.intp],
    allowed: tuple[pd.Series[pd.Timestamp], pd.Series[pd.Timestamp]],
    rng: Generator,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The readings with the wrong numbers and dates that people wrote, in order of those dates, and a list of them.

    kinds, check: kind of blunder and number of the check, for each row.
    allowed: first and last time that loading would take in, for each row.
    The list has ``row`` (from 1, in the order returned), ``kind``, ``column``, ``recorded``, ``right``, ``check``.
    """
    counts, time_s = table["counts"].to_numpy().copy(), table["count_time_s"].to_numpy()
    taken = table["taken_at"].copy()
    found: list[tuple[int, str, str, object, object]] = []
    for number in np.flatnonzero(kinds != ""):
        row, kind = int(number), str(kinds[number])
        if kind in ("digit_swapped", "digit_dropped"):
            right = int(counts[row])
            wrong = swapped_digits(right, rng) if kind == "digit_swapped" else dropped_digit(right, rng)
            if wrong != right:
                counts[row] = wrong
                found.append((row, kind, "counts", wrong, right))
        elif kind == "count_time_wrong":
            found.append((row, kind, "count_time_s", float(time_s[row]), float(time_s[row]) * COUNTED_LONGER))
        elif kind in ("day_month_swapped", "month_wrong"):
            right_at = table["taken_at"].iloc[row]
            wrong_at = swapped_date(right_at) if kind == "day_month_swapped" else right_at - pd.Timedelta(30, "D")
            if wrong_at != right_at and allowed[0].iloc[row] <= wrong_at <= allowed[1].iloc[row]:
                same = np.flatnonzero(check == check[row])
                taken.iloc[same] = table["taken_at"].iloc[same] + (wrong_at - right_at)
                found.append((row, kind, "taken_at", wrong_at.isoformat(), right_at.isoformat()))
        else:
            found.append((row, kind, "counts", None, None))
    order = taken.argsort(kind="stable").to_numpy()
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(1, len(order) + 1)
    mistakes = pd.DataFrame(found, columns=["row", "kind", "column", "recorded", "right"], dtype=object)
    spoiled = mistakes["row"].to_numpy(dtype=np.int64)
    mistakes = mistakes.assign(row=place[spoiled], check=check[spoiled])
    written = table.assign(counts=counts, taken_at=taken).iloc[order].reset_index(drop=True)
    return written, mistakes.sort_values("row", ignore_index=True)
