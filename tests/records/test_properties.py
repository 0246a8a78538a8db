"""Whatever is done to a log, every row is accounted for and nobody sees a traceback."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics.errors import UserError
from analytics.records.column_map import ColumnMap
from analytics.records.digest import digest
from analytics.records.load import load_files
from analytics.records.names import folded, near_misses, one_character_apart

# STEADYCOUNT_EXAMPLES=10000 is the nightly mode.
EXAMPLES = int(os.environ.get("STEADYCOUNT_EXAMPLES", "60"))
HEAD = ["probe", "taken_at", "window", "measurement", "counts", "count_time_s", "source", "note"]
NOW = datetime(2024, 6, 1, 12)
REGISTRIES = {
    "probes.csv": "probe,site\nGP-001,North\nGP-002,South\n",
    "sources.csv": "source,nuclide,reference_at\nCK-1,Co-57,2023-01-01\n",
}
NASTY = st.sampled_from(
    [
        "",
        " ",
        "NaN",
        "inf",
        "-inf",
        "-1",
        "0",
        "1.5",
        "1e400",
        "1,5",
        "12'000",
        "GP-01",
        "=1+1",
        '"',
        '""',
        "a\nb",
        "\x00",
        "\ufffd",
        "ü",
        "𝛽",
        "2024-02-30",
        "2024-13-01",
        "9999-12-31",
        "0000-00-00",
        "2024-05-01T08:00:00+99:99",
        "24:00",
        "'; DROP TABLE reading; --",
        "null",
        "None",
        "<b>x</b>",
        "\u202e",
        "٣",
        "1_0",
        "0x10",
        "Co57",
        "x" * 300,
    ]
)
CELL = st.one_of(NASTY, st.text(max_size=12))


def sound_rows(count: int) -> list[list[str]]:
    """Rows that load."""
    return [
        [
            f"GP-00{1 + i % 2}",
            f"2024-05-{1 + i // 2:02d} 08:{i:02d}",
            "Co-57",
            "source",
            str(12000 + i),
            "10",
            "CK-1",
            f"n{i}",
        ]
        for i in range(count)
    ]


def load(folder: Path, content: bytes):
    """A rehearsal on a store in memory, with the registries beside the log."""
    for name, text in REGISTRIES.items():
        (folder / name).write_text(text)
    (folder / "log.csv").write_bytes(content)
    return load_files(
        folder / "none.duckdb",
        [folder / "log.csv", *(folder / name for name in REGISTRIES)],
        by="tester",
        now=NOW,
        time_zone="UTC",
        dry_run=True,
        create=True,
    )


@st.composite
def mutated_log(draw: st.DrawFn) -> tuple[bytes, int, set[int]]:
    """A log with some cells replaced: its bytes, its number of rows, and the rows that were touched."""
    rows = sound_rows(draw(st.integers(1, 12)))
    touched: set[int] = set()
    for _ in range(draw(st.integers(0, 6))):
        i, j = draw(st.integers(0, len(rows) - 1)), draw(st.integers(0, len(HEAD) - 1))
        rows[i][j] = draw(CELL)
        touched.add(i)
    separator = draw(st.sampled_from([",", ";", "\t"]))

    def cell(text: str) -> str:
        quote = any(one in text for one in (separator, '"', "\n", "\r")) or draw(st.booleans())
        return '"' + text.replace('"', '""') + '"' if quote else text

    end = draw(st.sampled_from(["\n", "\r\n"]))
    lines = [separator.join(HEAD), *(separator.join(cell(one) for one in row) for row in rows)]
    text = end.join(lines) + draw(st.sampled_from(["", end]))
    return text.encode(draw(st.sampled_from(["utf-8", "utf-8-sig"])), "replace"), len(rows), touched


@settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(mutated_log())
def test_any_change_of_cells_leaves_every_row_accounted_for(tmp_path, log):
    """Stored, there and held add up to the rows of the file; rows that were not touched are stored."""
    content, rows, touched = log
    report = load(tmp_path, content)
    log_file = report.files[0]
    assert log_file.rows == rows
    assert log_file.stored + log_file.already_there + log_file.held == rows
    held_rows = {one.row for one in report.held}
    assert len(report.held) == log_file.held
    assert held_rows <= {one + 2 for one in touched} | {
        row
        for row in held_rows
        if any(one.row == row and one.reason in ("conflict", "near_miss") for one in report.held)
    }
    assert all(one.reason and one.hint for one in report.held)


@settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.data())
def test_any_change_of_bytes_gives_a_report_or_one_clear_line(tmp_path, data):
    """Bytes cut, doubled, overwritten or put in: counts add up, or a UserError of one line; never anything else."""
    content = bytearray("\n".join(",".join(row) for row in [HEAD, *sound_rows(8)]).encode())
    for _ in range(data.draw(st.integers(1, 8))):
        place = data.draw(st.integers(0, max(len(content) - 1, 0)))
        change = data.draw(st.sampled_from(["cut", "put", "over", "end", "double"]))
        some = data.draw(
            st.binary(min_size=1, max_size=6)
            | st.sampled_from([b'"', b"\n", b"\r", b",", b";", b"\xff", b"\0", b'"\n"'])
        )
        if change == "cut":
            del content[place : place + data.draw(st.integers(1, 20))]
        elif change == "put":
            content[place:place] = some
        elif change == "over":
            content[place : place + len(some)] = some
        elif change == "end":
            del content[max(place, 1) :]
        else:
            content[place:place] = content[place : place + 40]
    try:
        report = load(tmp_path, bytes(content))
    except UserError as error:
        said = str(error)
    else:
        said = ""
        log_file = report.files[0]
        assert log_file.stored + log_file.already_there + log_file.held == log_file.rows
    assert "\n" not in said


@settings(deadline=None)
@given(st.text(max_size=8), st.text(max_size=8))
def test_one_character_apart_is_symmetric_and_never_equal(a, b):
    """The near-miss rule does not depend on which of the two names was there first."""
    assert one_character_apart(a, b) == one_character_apart(b, a)
    assert not one_character_apart(a, a)


@settings(deadline=None)
@given(
    st.lists(st.text("ab1-", min_size=1, max_size=4), min_size=1, max_size=6, unique=True),
    st.dictionaries(st.text("ab1- ", min_size=1, max_size=4), st.integers(1, 9), max_size=6),
)
def test_near_misses_are_what_searching_every_pair_finds(known, new):
    """The look-up finds a match exactly where comparing with every known name does."""
    new = {name: count for name, count in new.items() if name not in known}
    found = near_misses(new, known)
    for name in new:
        close = any(folded(name) == folded(one) or one_character_apart(name, one) for one in known)
        among_new = any(folded(name) == folded(one) for one in new if one != name)
        assert (name in found) >= close
        if name in found and not close:
            assert among_new


_words = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), min_size=1, max_size=10)


@settings(deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(["probe", "window", "taken_at"]), st.lists(_words, min_size=1, max_size=2).map(tuple)
    ),
    st.dictionaries(st.sampled_from(["note", "jig"]), _words),
    st.dictionaries(_words, _words, max_size=3),
)
def test_a_column_map_survives_being_written_as_toml(columns, constants, words):
    """Whatever headings and words it holds: quotes, line ends, control characters."""
    one = ColumnMap(
        "readings",
        "day_first",
        ",",
        ".",
        columns,
        {"count_time_s": "min"},
        constants,
        {"measurement": words} if words else {},
    )
    assert ColumnMap.from_toml(one.to_toml()) == one


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(
            st.none() | st.text(max_size=5), st.none() | st.integers(-5, 5), st.none() | st.floats(allow_nan=False)
        ),
        min_size=1,
    ),
    st.data(),
)
def test_a_digest_depends_on_the_rows_and_not_on_how_they_are_cut(rows, data):
    """Cut anywhere, the digest is the same; with one cell changed it is another."""
    import pyarrow as pa

    schema = pa.schema([("a", pa.string()), ("b", pa.int64()), ("c", pa.float64())])
    batch = pa.RecordBatch.from_arrays(
        [pa.array(one, kind.type) for one, kind in zip(zip(*rows, strict=True), schema, strict=True)], schema=schema
    )
    cut = data.draw(st.integers(0, len(rows)))
    assert digest([batch]) == digest([batch.slice(0, cut), batch.slice(cut)])
    place = data.draw(st.integers(0, len(rows) - 1))
    other = list(rows)
    other[place] = ((rows[place][0] or "") + "x", *rows[place][1:])
    changed = pa.RecordBatch.from_arrays(
        [pa.array(one, kind.type) for one, kind in zip(zip(*other, strict=True), schema, strict=True)], schema=schema
    )
    assert digest([changed]) != digest([batch])


@pytest.mark.parametrize(
    "name", ["a'; DROP TABLE reading; --", 'x"y', "%s", "$1", "{0}", "\\", "<script>", "=cmd|' /C calc'!A0"]
)
def test_text_of_any_kind_is_only_text(tmp_path, name):
    """Ids and notes that look like SQL, markup or formulas are stored as they stand."""
    (tmp_path / "p.csv").write_text('probe,site\n"' + name.replace('"', '""') + '",North\n')
    report = load_files(tmp_path / "s.duckdb", [tmp_path / "p.csv"], by=name, now=NOW, create=True)
    from analytics.records.reader import snapshot

    assert (report.stored, snapshot(tmp_path / "s.duckdb").probes["probe"].tolist()) == (1, [name])
