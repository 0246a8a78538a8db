"""``steadycount export``: Parquet by site that gives the same answer when loaded again."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from analytics.records.export import site_folder
from tests.commands.cli import document, run, said_in_one_line
from tests.commands.conftest import LAST, write

DAY = f"{LAST:%Y-%m-%d}"
SITES = ("North", "A/B: Süd, West.", "..", "north")


@pytest.fixture(scope="module")
def several(log, tmp_path_factory) -> Path:
    """A store of the log with awkward site names, a displayed rate, an unknown column, a use, and a correction."""
    folder = tmp_path_factory.mktemp("several")
    probes = [[f"GP-{n:03d}", SITES[n % 4], "CdTe", f"S/N {n}"] for n in range(1, 7)]
    files = [
        write(folder / "probes.csv", "probe,site,detector,serial", probes),
        *(log[kind] for kind in ("sources", "windows", "readings")),
        write(folder / "uses.csv", "probe,used_at,case_reference", [["GP-001", "2023-05-05T10:00:00", "=C1"]]),
        write(folder / "events.csv", "probe,happened_at,kind,note", [["GP-002", "2023-09-01", "repair", "coupling, mended"]]),
        write(
            folder / "rates.csv",
            "probe,taken_at,window,measurement,rate_cps,count_time_s,source,jig",
            [["GP-003", f"2024-03-{d:02d}T09:00:00", "Co-57", "source", f"{900 + d}.50", 10, "CK-A1", "J9"] for d in (1, 2, 3)],
        ),
    ]
    store = folder / "several.duckdb"
    result = run("load", *files, "--store", store, "--by", "A. Tester")
    assert result.exit_code == 0, result.stderr
    assert run("correct", "counts=29000", "2", "--reason", "misread", "--store", store, "--by", "A. Tester").exit_code == 0
    return store


@pytest.fixture(scope="module")
def exported(several, tmp_path_factory) -> Path:
    """Its export."""
    out = tmp_path_factory.mktemp("export") / "parquet"
    result = run("export", "--out", out, "--store", several, "--by", "A. Tester", "--json")
    assert result.exit_code == 0, result.stderr
    assert document(result)["revision"] == 2
    return out


def test_loaded_again_it_gives_the_same_answer_to_the_last_digit(several, exported, tmp_path):
    """The files load into a new store with nothing held, and assess --json says the same but for the revision."""
    back = tmp_path / "back.duckdb"
    files = [*exported.glob("*.parquet"), *exported.glob("readings/*/*.parquet")]
    result = run("load", *files, "--store", back, "--by", "A. Tester", "--json")
    assert result.exit_code == 0, result.stderr
    before, after = (
        document(run("assess", "--json", "--as-of", DAY, "--store", one)) for one in (several, back)
    )
    assert (before.pop("revision"), after.pop("revision")) == (2, 1)
    assert after == before
    again = run("load", *files, "--store", back, "--json")
    assert {one["stored"] for one in document(again)["files"]} == {0}


def test_each_site_has_its_folder_whatever_it_is_called(exported):
    """Readings lie by site, percent-encoded as data tools decode it, and none is lost."""
    folders = {one.name for one in (exported / "readings").iterdir()}
    assert folders == {site_folder(site) for site in SITES}
    whole = pd.read_parquet(exported / "readings")
    assert set(whole["site"].astype(str)) == set(SITES)
    assert len(whole) == 64 * 6 * 2 + 3
    assert len(site_folder("ü" * 300).encode()) < 200
    assert site_folder("ü" * 300) != site_folder("ü" * 301)


def test_metadata_says_where_it_is_from(exported):
    """Every file carries kind, revision, version and the head of the history; the manifest has rows and digests."""
    manifest = json.loads((exported / "manifest.json").read_text(encoding="utf-8"))
    assert {one["file"] for one in manifest["files"]} == {
        one.relative_to(exported).as_posix() for one in exported.rglob("*.parquet")
    }
    for one in manifest["files"]:
        meta = pq.read_schema(exported / one["file"]).metadata
        assert meta[b"steadycount.revision"] == b"2"
        assert meta[b"steadycount.kind"].decode() == one["kind"]
        assert meta[b"steadycount.history_head"].decode() == manifest["history_head"]
        assert pq.read_metadata(exported / one["file"]).num_rows == one["rows"]


def test_what_was_corrected_and_what_was_not_known_comes_along(exported):
    """The corrected value is exported, and a column the tool does not know is a column again."""
    readings = pd.read_parquet(exported / "readings")
    assert (readings["counts"] == 29000).any()
    assert "S/N 3" in set(pd.read_parquet(exported / "probes.parquet")["serial"])


def test_excluded_readings_lie_apart(several, tmp_path):
    """A reading that a person excluded is not among those that load, and is kept with who and why."""
    store = Path(shutil.copy(several, tmp_path / "x.duckdb"))
    assert run("exclude", "4", "--reason", "=slip", "--store", store, "--by", "A. Tester").exit_code == 0
    out = tmp_path / "out"
    assert run("export", "--out", out, "--store", store).exit_code == 0
    assert len(pd.read_parquet(out / "readings")) == 64 * 6 * 2 + 2
    assert pd.read_parquet(out / "people" / "excluded_readings.parquet")["reading_id"].tolist() == [4]
    assert pd.read_parquet(out / "people" / "exclusions.parquet")["reason"].tolist() == ["=slip"]


def test_a_folder_that_holds_something_is_left_alone(several, tmp_path):
    """A folder that is not empty, a file, and a place that is not there are refused; an empty folder will do."""
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("mine")
    assert "not empty" in said_in_one_line(run("export", "--out", tmp_path / "full", "--store", several))
    assert "this is a file" in said_in_one_line(run("export", "--out", tmp_path / "full" / "mine.txt", "--store", several))
    assert "no such folder" in said_in_one_line(run("export", "--out", tmp_path / "a" / "b", "--store", several))
    (tmp_path / "empty").mkdir()
    assert run("export", "--out", tmp_path / "empty", "--store", several).exit_code == 0
    assert sorted(one.name for one in tmp_path.iterdir()) == ["empty", "full"]


def test_a_failure_on_the_way_leaves_nothing(several, tmp_path, monkeypatch):
    """Where writing breaks off, neither the folder nor a part of it is there."""

    def broken(*_arguments, **_options):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(pq, "write_table", broken)
    result = run("export", "--out", tmp_path / "out", "--store", several)
    assert result.exit_code in (1, 2)
    assert "full" in result.stderr or "space" in result.stderr
    assert list(tmp_path.iterdir()) == []
