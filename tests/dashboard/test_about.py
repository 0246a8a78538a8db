"""About and cautions."""

from __future__ import annotations

import pytest

from dashboard.parts.about_text import CAUTIONS, METHODS, STANDING_MEANS
from dashboard.parts.words import PROBE
from tests.dashboard import made_up
from tests.dashboard.opened import open_page, use, words


@pytest.mark.parametrize("made", [made_up.empty, lambda: made_up.fleet(("healthy",) * 3), made_up.fleet])
def test_the_cautions_are_there_on_any_store(monkeypatch, made):
    """Empty, healthy or faulty: every caution, every word of an answer, and every method stands on the page."""
    use(monkeypatch, *made())
    at = open_page("about")
    said = words(at)
    assert not at.exception
    assert all(title in said for title, _ in CAUTIONS)
    assert all(f"**{status.word}**" in said for status in PROBE.values())
    assert len(at.table[0].value) == len(METHODS)


def test_the_page_opens_without_a_store(monkeypatch, tmp_path):
    """Before there is any store the cautions can be read."""
    monkeypatch.setenv("STEADYCOUNT_STORE", str(tmp_path / "none.duckdb"))
    at = open_page("about")
    assert not at.exception
    assert "No store yet" in words(at)


def test_every_method_says_where_it_is_from():
    """Each has a source and one of the standings that the page explains."""
    assert all(one.source and one.standing in STANDING_MEANS for one in METHODS)


def test_the_levels_are_called_site_choice():
    """5 % and 10 % are never shown as a standard's."""
    levels = next(one for one in METHODS if one.step.startswith("5 %"))
    assert (levels.standing, levels.source) == ("site choice", "none")
