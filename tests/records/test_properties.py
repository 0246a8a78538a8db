"""Names, maps and digests hold for whatever text and rows there are."""

from __future__ import annotations

from datetime import datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.records.column_map import ColumnMap
from analytics.records.digest import digest
from analytics.records.load import load_files
from analytics.records.names import folded, near_misses, one_character_apart

NOW = datetime(2024, 6, 1, 12)


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
