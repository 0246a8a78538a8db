"""The order in which rows were stored says nothing: the same records give the same answer."""

from __future__ import annotations

import random

import pytest

from tests.baseline.logbook import Log, weekly


def log_of_many_kinds() -> Log:
    """Probes on two sources and two control units, with numbered repeats of one moment, some reseated, and window checks."""
    log = Log(4).source().source("CK-2", activity_kbq=280.0)
    for n in range(4):
        probe = f"P-{n}"
        log.probe(probe)
        for k, day in enumerate(weekly(16, offset=0.02 * n)):
            source = "CK-1" if k < 9 else "CK-2"
            log.count(probe, day, "background", float(log.rng.poisson(30)))
            for repeat in (1, 2, 3):
                counts = float(log.rng.poisson(15000.0 * 2.0 ** (-day / 271.74)))
                readout = f"CU-{1 + (k + repeat) % 2}"
                log.count(
                    probe, day + 2e-3, "source", counts, source=source, repeat=repeat, reseated=repeat == 1 + k % 3, readout=readout
                )
            if k % 4 == 0:
                for measurement in ("window_below", "window_above", "side"):
                    log.count(probe, day + 2e-3, measurement, float(log.rng.poisson(6000)), source=source, repeat=1, reseated=k % 8 == 0)
        log.event(probe, 60.0, "repair", new_reference=True).event(probe, 60.0, "battery_replaced")
    return log


@pytest.mark.parametrize("seed", range(3))
def test_the_answer_is_the_same_whatever_the_order_of_the_rows(seed):
    """Readings of one moment by the number of their repeat, registers and events shuffled: the same document to the last digit."""
    log = log_of_many_kinds()
    expected = log.answer(113.0)
    shuffle = random.Random(seed).shuffle
    for rows in (log.readings, log.probes, log.sources, log.events):
        shuffle(rows)
    assert log.answer(113.0) == expected
