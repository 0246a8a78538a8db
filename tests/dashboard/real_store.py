"""A real store of five simulated probes, checked weekly for eight months up to yesterday, for pages that write."""

from __future__ import annotations

import shutil
from datetime import date, datetime, timedelta
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import pandas as pd

from analytics.records.load import load_files
from analytics.records.reader import snapshot
from analytics.simulate import Fleet, scoring_fleet, write_csv

SOUND, OTHER, FALLING = "P-004", "P-005", "P-003"  # the truth of this seed: two sound ones; one that loses efficiency
SEED, DAYS = 7, 250


@cache
def fleet() -> Fleet:
    """The fleet with its truth; it ends yesterday, so that it is not overdue today."""
    midnight = datetime.combine(date.today(), datetime.min.time())
    made = scoring_fleet(
        SEED, probes=5, sites=1, years=(DAYS - 1) / 365.25, start=midnight - timedelta(days=DAYS), bad_source=False,
        repaired=0.0, blunder_rate=0.0, two_windows=0.0, mix={"efficiency_loss": 0.2},
    )  # fmt: skip
    assert made.truth.probes.set_index("probe")["fault"][SOUND] == "none"
    assert made.truth.probes.set_index("probe")["fault"][FALLING] == "efficiency_loss"
    return made


@cache
def _first() -> Path:
    """One store with the whole fleet in it, never written to again."""
    folder = Path(mkdtemp(prefix="steadycount-test-"))
    store = folder / "fleet.duckdb"
    load_files(store, write_csv(fleet().tables, folder), by="A. Lind", create=True)
    return store


@cache
def shared() -> Path:
    """A store that tests may read together; drafts at most are written to it."""
    return store(Path(mkdtemp(prefix="steadycount-test-")))


@cache
def settings() -> Path:
    """A settings folder that names whom to call."""
    folder = Path(mkdtemp(prefix="steadycount-test-"))
    (folder / "site.toml").write_text('[site]\ncall_on_failure = "physics on call, 4711"\n')
    return folder


def store(folder: Path) -> Path:
    """A copy of the store in a folder of the test's own."""
    for part in _first().parent.glob("fleet.duckdb*"):
        shutil.copy(part, folder / part.name)
    return folder / "fleet.duckdb"


def last_counts(path: Path, probe: str) -> int:
    """The counts of the probe's last counting on its source."""
    readings = snapshot(path).readings
    last = readings[(readings["probe"] == probe) & (readings["measurement"] == "source")].iloc[-1]
    return int(last["counts"])


def rows_of(path: Path, probe: str) -> pd.DataFrame:
    """The probe's typed-in readings."""
    readings = snapshot(path).readings
    return readings[(readings["probe"] == probe) & (readings["file"].astype("object") == "typed in")]
