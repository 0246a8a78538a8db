"""Report, under AppTest: on a faulty, a healthy and an empty store, by its link, and what a click brings."""

from __future__ import annotations

import pytest

from dashboard.report.gathered import Scope
from dashboard.seam import read, reporting
from tests.dashboard import made_up, real_store
from tests.dashboard.opened import open_page, use, words


@pytest.fixture(scope="module")
def faulty():
    """Every story once, and eight sound probes."""
    return made_up.fleet()


@pytest.mark.parametrize(("kind", "said"), [
    ("faulty", "The whole fleet"), ("healthy", "The whole fleet"), ("young", "The whole fleet"),
    ("empty", "This store is empty"),
])  # fmt: skip
@pytest.mark.parametrize("part", ["Report", "Look back"])
def test_the_page_opens_on_any_store(monkeypatch, faulty, kind, said, part):
    """With faults, without, with no reference yet and with nothing: no exception, and the page says what it is on."""
    made = {
        "faulty": lambda: faulty,
        "healthy": lambda: made_up.fleet(("healthy",) * 4),
        "young": lambda: made_up.fleet(("young",)),
        "empty": made_up.empty,
    }[kind]()
    use(monkeypatch, *made)
    at = open_page("report", part=part)
    assert not at.exception
    assert not at.error
    assert (said if part == "Report" or kind == "empty" else "last check that was good") in words(at)


def test_a_link_restores_probe_and_period(monkeypatch, faulty):
    """An address with a probe and days opens on these."""
    use(monkeypatch, *faulty)
    said = words(open_page("report", probe="GP-002", **{"from": "2025-01-01"}))
    assert "**Probe GP\\-002**" in said or "**Probe GP-002**" in said
    assert "1 Jan 2025" in said


def test_a_reversed_period_gets_one_clear_line(monkeypatch, faulty):
    """A period that ends before it begins says so, and nothing is offered."""
    use(monkeypatch, *faulty)
    at = open_page("report", **{"from": "2025-06-01", "to": "2025-05-01"})
    assert "before it begins" in at.error[0].value
    assert not at.get("download_button")


def test_probes_found_out_come_first_and_their_doubt_is_told(monkeypatch, faulty):
    """The look back opens on the newest finding: last good check, first out, uses, and that none are recorded."""
    records, assessment = faulty
    use(monkeypatch, records, assessment)
    newest = max(
        ((a.signalled_at, s.probe) for s in assessment.series for a in s.alerts if a.rule in reporting.RULES
         and s.quantity == "response"),
    )[1]  # fmt: skip
    at = open_page("report", part="Look back")
    assert at.selectbox(key="back").value == newest
    assert "Found beyond the tolerance" in words(at)


def test_a_click_makes_the_file_from_the_store(monkeypatch):
    """What the button hands out is the PDF of that store, made outside the page, with the revision of the store."""
    store = real_store.shared()
    monkeypatch.setenv("STEADYCOUNT_STORE", str(store))
    look = read.look()
    chosen = reporting.span(look, look.as_of.date() - reporting.YEAR, look.as_of.date())
    scope = Scope(probe=real_store.FALLING)
    assert reporting.maker(look, scope, chosen, ".pdf", by="A. Lind")().startswith(b"%PDF-")
    assert b"A. Lind" in reporting.maker(look, scope, chosen, ".csv", by="A. Lind", back=True)()
    assert reporting.preview(look, scope, chosen).svg.startswith("<svg ")
