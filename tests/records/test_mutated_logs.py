"""Whatever is done to a log, every row is accounted for and nobody sees a traceback."""

from __future__ import annotations

import os
import shutil
from datetime import datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics.errors import UserError
from analytics.records.load import load_files
from analytics.records.sql import scalar
from analytics.records.store import Store
from tests.records.mutated import HEAD, logs, sound_rows, written

LOGS = int(os.environ.get("STEADYCOUNT_EXAMPLES", "500"))  # 10,000 in the nightly mode
AT_ONCE = 10  # logs of one load: each of its own month, so that they do not meet
NOW = datetime(2024, 6, 1, 12)
MAPS = {  # how the sheet is said to be written; the sound rows are sound under each
    "none": None,
    "decimal commas": 'decimal = ","\nthousands = "."\n',
    "dates by the column": 'date_order = "auto"\n',
    "day first": 'date_order = "day_first"\ndecimal = ","\n[units]\ncount_time_s = "s"\n',
}
MAY_MEET = ("conflict", "near_miss")  # a row nobody touched may be held for what another row says


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """A store with two probes, a source, and the first three rows of every month."""
    folder = tmp_path_factory.mktemp("mutated")
    (folder / "probes.csv").write_text("probe,site\nGP-001,North\nGP-002,South\n")
    (folder / "sources.csv").write_text("source,nuclide,reference_at\nCK-1,Co-57,2023-01-01\n")
    there = [row for month in range(1, AT_ONCE + 1) for row in sound_rows(3, month)]
    (folder / "there.csv").write_text(written([HEAD, *there]))
    load_files(folder / "s.duckdb", sorted(folder.glob("*.csv")), by="t", now=NOW, create=True)
    for name, text in MAPS.items():
        (folder / f"{name}.toml").write_text(text or "")
    return folder / "s.duckdb"


def readings_in(path) -> int:
    """How many rows of readings the store holds."""
    with Store(path).reading() as con:
        return int(scalar(con, "SELECT count(*) FROM reading"))


@settings(
    max_examples=-(-LOGS // AT_ONCE),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example],
)
@given(st.tuples(*(logs(month) for month in range(1, AT_ONCE + 1))), st.sampled_from(("none", *MAPS)))
def test_every_row_of_every_log_is_stored_there_or_held(store, given_logs, read_by):
    """A file gives counts that add up to its rows, or one clear line; untouched rows load; the store has as many as said."""
    folder = store.parent
    files = {}
    for number, one in enumerate(given_logs):
        path = folder / f"log{number}.csv"
        path.write_bytes(one.content)
        files[str(path)] = one
    copy = folder / "copy.duckdb"
    shutil.copyfile(store, copy)
    before = readings_in(copy)
    reports = list(loaded(copy, list(files), None if MAPS[read_by] is None else str(folder / f"{read_by}.toml")))
    for report in reports:
        held = report.held
        for counted in report.files:
            log = files[counted.file]
            assert counted.stored + counted.already_there + counted.held == counted.rows, log.how
            assert log.rows in (None, counted.rows), log.how
            mine = [one for one in held if one.file == counted.file]
            assert len(mine) == counted.held, log.how
            assert all(one.reason and one.hint for one in mine)
            if log.touched is not None:
                assert {one.row for one in mine if one.reason not in MAY_MEET} <= log.touched, log.how
    assert readings_in(copy) == before + sum(one.stored for one in reports)


def loaded(store, files, column_map):
    """The reports of loading files at once, or, where some are no tables at all, of the others, and of each of these alone."""
    said = ""
    try:
        yield load_files(store, files, by="t", now=NOW, time_zone="UTC", column_map=column_map)
    except UserError as error:
        said = str(error)
    assert "\n" not in said  # one clear line is as right as a report
    if said and len(files) > 1:
        bad = [one for one in files if one in said]
        assert bad, f"the line names no file: {said}"
        good = [one for one in files if one not in bad]
        for part in ([good] if good else []) + [[one] for one in bad]:
            yield from loaded(store, part, column_map)
