"""A page of the dashboard under AppTest, on records and an answer that the test chose."""

from __future__ import annotations

import dataclasses
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import streamlit as st
from streamlit.testing.v1 import AppTest

from analytics.settings import load
from dashboard.seam import read

if TYPE_CHECKING:
    import pytest

    from analytics.records.snapshot import Records
    from analytics.results import FleetAssessment

MAIN = Path(__file__).resolve().parents[2] / "dashboard" / "main.py"


def use(monkeypatch: pytest.MonkeyPatch, records: Records, assessment: FleetAssessment) -> None:
    """Let the pages read these instead of a store; the answer of a month before is the same with every probe fit."""
    st.cache_resource.clear()
    settings = load()
    fit = tuple(dataclasses.replace(p, advice="use", patient_use="allowed") for p in assessment.probes)
    before = dataclasses.replace(assessment, as_of=assessment.as_of - timedelta(days=30), probes=fit)

    def answer(as_of: datetime | None = None) -> FleetAssessment:
        return assessment if as_of in (None, assessment.as_of) else before

    monkeypatch.setattr(read, "exists", lambda: True)
    monkeypatch.setattr(read, "revision", lambda: assessment.revision)
    monkeypatch.setattr(read, "records", lambda: records)
    monkeypatch.setattr(read, "settings", lambda: settings)
    monkeypatch.setattr(read, "moment", lambda: assessment.as_of)
    monkeypatch.setattr(read, "assessment", answer)


def open_page(name: str, /, **parameters: str) -> AppTest:
    """The page run once, as its link opens it."""
    at = AppTest.from_file(str(MAIN), default_timeout=60)
    for key, value in parameters.items():
        at.query_params[key] = value
    return (at if name == "fleet" else at.switch_page(f"views/{name}.py")).run()


def words(at: AppTest) -> str:
    """All text the page says, in order."""
    kinds = (at.title, at.header, at.subheader, at.markdown, at.caption, at.info, at.success, at.warning, at.error)
    return "\n".join(str(one.value) for kind in kinds for one in kind)
