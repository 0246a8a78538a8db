"""The terms, and the sentences of the analysis as the pages word them."""

from __future__ import annotations

import dataclasses
import re

import pytest

from dashboard.parts import reasons, terms
from dashboard.parts.about_text import METHODS
from dashboard.parts.words import as_on_pages
from tests.dashboard import made_up
from tests.dashboard.opened import open_page, use, words

WORKS = ("TECDOC-602", "SSK (Germany) 2010", "Currie 1968")  # those of the terms that were read


def test_every_term_is_one_sentence_with_its_source():
    """A term ends with its only full stop, and its source is a work that was read or says plainly that it is none."""
    for one in terms.TERMS.values():
        assert one.means.endswith("."), one.word
        assert ". " not in one.means, one.word
        plain = one.source in (terms.OWN, terms.CHOICE, terms.PRACTICE)
        assert plain or any(work in one.source for work in WORKS), one.word


def test_the_works_behind_the_terms_are_marked_as_read_on_about():
    """What a term cites stands among the methods as a work that was opened."""
    read = " ".join(one.source for one in METHODS if one.standing == "read").replace(", Anal Chem", "")
    assert [one for one in WORKS if one not in read] == []


def test_an_unknown_term_is_refused():
    """Help on a word that is not listed fails instead of showing nothing."""
    with pytest.raises(KeyError):
        terms.help_on("response", "no such term")


def test_about_lists_every_term(monkeypatch):
    """Each term stands on About with its sentence."""
    use(monkeypatch, *made_up.fleet(("healthy",) * 3))
    said = words(open_page("about"))
    assert all(f"**{one.word}**: {one.means}" in said for one in terms.TERMS.values())


def test_days_that_are_none_and_names_with_digits_stay():
    """Only a day of the calendar that stands by itself is worded anew."""
    assert as_on_pages("GP-2026-01-02 on 2026-02-30, then 2026-02-03.") == "GP-2026-01-02 on 2026-02-30, then 3 Feb 2026."


def test_a_remark_among_the_reasons_is_said_once(monkeypatch):
    """What the series remarks and the probe gives as a reason stands once in the list."""
    shown: list[str] = []
    monkeypatch.setattr(reasons.st, "markdown", shown.append)
    reasons.show(("It drifts.",), notes=("It drifts.", "Gross response."))
    assert shown == ["- It drifts.\n- *Gross response.*"]


def test_a_long_list_of_barred_probes_is_not_cut(monkeypatch):
    """However many are barred from patients, the answer on Fleet names each."""
    records, assessment = made_up.fleet()
    barred = tuple(dataclasses.replace(one, patient_use="not_until_cleared") for one in assessment.probes)
    use(monkeypatch, records, dataclasses.replace(assessment, probes=barred))
    said = words(open_page("fleet"))
    named = said.split("Not for patient use until cleared: **", 1)[1].split("**", 1)[0]
    assert re.findall(r">([^<]+)</a>", named) == [one.probe for one in barred]


def test_a_probe_leads_to_its_report_and_only_a_doubtful_one_to_its_look_back(monkeypatch):
    """A probe that was found out of tolerance or without signal has a link to its look back; a sound one has none."""
    use(monkeypatch, *made_up.fleet())

    def links(probe: str) -> list[str]:
        return [one.proto.label for one in open_page("probe", probe=probe).get("page_link")]

    assert "Report on it" in links("GP-001")
    assert "Look back" not in links("GP-001")
    assert {"Report on it", "Look back"} <= set(links("GP-005"))
