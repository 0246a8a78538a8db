"""Window and side checks from readings: what is matched, what is marked, and which width is taken."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analytics.counting import Counted, Flag
from analytics.counting.line_model import WindowSetup, typical_fwhm_pct

Count = Callable[..., Counted]
SETUP = WindowSetup.of("Co-57", 122.06, 20.0, 10.0)
assert SETUP is not None


def _check(day: int, counts: tuple[float, float, float], **more: object) -> list[dict[str, object]]:
    names = ("window_below", "source", "window_above")
    return [
        {"taken_at": f"2024-02-{day:02d}T08:0{i}", "measurement": name, "counts": float(one), **more}
        for i, (name, one) in enumerate(zip(names, counts, strict=True))]


def _made(shift_pct: float, fwhm_pct: float, scatter: float = 0.1) -> tuple[float, float, float]:
    gain, fwhm = np.array([1 + shift_pct / 100]), np.array([fwhm_pct / 100])
    flat = scatter * SETUP.seen(np.ones(1), fwhm)[0]
    offsets = (-SETUP.offset_kev, 0.0, SETUP.offset_kev)
    below, centre, above = (float((SETUP.seen(gain, fwhm, one)[0] + flat)[0]) for one in offsets)
    scale = 50_000 / centre
    return round(below * scale), round(centre * scale), round(above * scale)


def test_a_sliding_gain_is_read_in_order(count: Count) -> None:
    """A gain that slides by 1 % a check reads so; at 4 % of a 6 % line the window is no longer centred."""
    width = typical_fwhm_pct("CZT", 122.06)
    readings = [row for day in range(1, 6) for row in _check(day, _made(1.0 * (day - 1), width))]
    points = count(readings).windows
    assert np.diff(points.shift_pct).tolist() == pytest.approx([1.0] * 4, abs=0.05)
    assert (points.flags & Flag.ASSUMED_WIDTH > 0).all()
    assert points.not_centred.tolist() == [False] * 4 + [True]
    assert (np.diff(points.log_ratio) > 0).all()


def test_not_centred_is_a_matter_of_significance(count: Count) -> None:
    """A centred count that is not significantly above both others is not centred; z says by how much it missed."""
    trios = ((900, 1_000, 400), (990, 1_000, 400), (400, 1_000, 1_200))
    points = count([row for day, trio in enumerate(trios, start=1) for row in _check(day, trio)]).windows
    assert points.not_centred.tolist() == [False, True, True]
    assert points.z_below[0] == pytest.approx(100 / np.sqrt(1_900))
    assert [bool(one & Flag.NOT_CENTRED) for one in points.flags] == [False, True, True]


def test_without_a_registered_offset_there_is_a_log_ratio_and_no_scale(count: Count) -> None:
    """In a window nobody registered only ln(above/below) is given, and nothing is called unidentified."""
    points = count(_check(1, (900, 1_000, 810), window="narrow")).windows
    assert points.log_ratio[0] == pytest.approx(np.log(0.9) + 0.5 * (1 / 810 - 1 / 900))
    assert points.log_ratio_var[0] == pytest.approx(1 / 810 + 1 / 900)
    assert np.isnan([points.shift_pct[0], points.width_pct[0]]).all()
    assert not points.flags[0] & Flag.NOT_IDENTIFIED


def test_a_measured_energy_resolution_is_taken_from_its_date_on(count: Count) -> None:
    """An energy resolution measured on this probe replaces the typical one, from its date on, scaled by 1/√E."""
    inspections = {
        "inspection_id": [1, 2], "probe": ["GP-1", "GP-1"], "done_at": ["2024-02-02", "2024-02-03"],
        "kind": ["energy_resolution"] * 2, "value": [10.0, 12.206], "unit": ["%", "keV"],
        "nuclide": ["Tc-99m", "Co-57"]}
    readings = [row for day in (1, 2, 3) for row in _check(day, _made(0.0, 8.0))]
    points = count(readings, inspections=inspections).windows
    assert points.taken_fwhm_pct.tolist() == pytest.approx(
        [typical_fwhm_pct("CZT", 122.06), 10.0 * np.sqrt(140.51 / 122.06), 10.0])
    assert [bool(one & Flag.ASSUMED_WIDTH) for one in points.flags] == [True, False, False]


def test_incomplete_window_checks_make_no_point(count: Count) -> None:
    """Two of the three counts are no window check, and the response is still there."""
    counted = count(_check(1, (900, 1_000, 810))[:2])
    assert len(counted.windows) == 0
    assert len(counted.response) == 1


def test_reseating_between_the_counts_is_said(count: Count) -> None:
    """Three counts that do not share one positioning are marked; a reseated repeat in the check is left out."""
    apart = _check(1, (900, 1_000, 810))
    apart[2]["reseated"] = True
    shared = [*_check(2, (900, 1_000, 810)),
              {"taken_at": "2024-02-02T08:05", "measurement": "source", "counts": 5_000.0, "reseated": True}]
    points = count([*apart, *shared]).windows
    assert [bool(one & Flag.MIXED_PLACEMENT) for one in points.flags] == [True, False]
    assert points.centre_cps.tolist() == [100.0, 100.0]


def test_a_side_reading_by_hand(count: Count) -> None:
    """(130/10 − 3)/(2003 − 3) is 0.5 %, with the variance of side, front and the background they share."""
    counted = count([
        {"taken_at": "2024-02-01T08:00", "measurement": "background", "counts": 30},
        {"taken_at": "2024-02-01T08:01", "measurement": "source", "counts": 20_030},
        {"taken_at": "2024-02-01T08:02", "measurement": "side", "counts": 130}])
    side = counted.side
    assert side.side_pct.tolist() == pytest.approx([0.5])
    variance = (1.30 + 0.005**2 * 200.3 + 0.995**2 * 0.30) / 2_000**2
    assert side.side_var_pct2.tolist() == pytest.approx([1e4 * variance])
    assert side.log_side[0] == pytest.approx(np.log(0.005) + 0.5 * variance / 0.005**2)


def test_a_side_without_signal_has_no_logarithm(count: Count) -> None:
    """Side counts at background level give a per cent near zero and no logarithm; the front is not blamed for it."""
    counted = count([
        {"taken_at": "2024-02-01T08:00", "measurement": "background", "counts": 30},
        {"taken_at": "2024-02-01T08:01", "measurement": "source", "counts": 20_030},
        {"taken_at": "2024-02-01T08:02", "measurement": "side", "counts": 29}])
    assert counted.side.side_pct[0] == pytest.approx(-0.005)
    assert np.isnan(counted.side.log_side[0])
    assert counted.side.flags[0] & Flag.NO_SIGNAL
    assert not counted.response.no_signal[0]


def test_a_side_reading_finds_its_front_without_a_jig(count: Count) -> None:
    """A side reading whose jig was not written down goes with the front reading of the same source."""
    counted = count([
        {"taken_at": "2024-02-01T08:01", "measurement": "source", "counts": 20_000, "jig": "J-1"},
        {"taken_at": "2024-02-01T08:02", "measurement": "side", "counts": 200}])
    assert counted.side.side_pct.tolist() == [1.0]
    assert counted.side.keys.jig.tolist() == [0]


def test_a_side_reading_without_a_front_is_no_point(count: Count) -> None:
    """Beside the shaft only, there is nothing to set it against."""
    assert len(count([{"taken_at": "2024-02-01T08:02", "measurement": "side", "counts": 200}]).side) == 0
