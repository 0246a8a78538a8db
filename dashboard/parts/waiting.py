"""What a page says of an answer that is still being worked out, and how the answer comes to it by itself."""

from __future__ import annotations

import streamlit as st

from dashboard.seam import read
from dashboard.seam.worker import Job

EVERY_S = 1.0
LONG, LONG_S = 2.0, 5.0  # from so many times what was said, and from so many seconds on, that it takes longer is said


@st.fragment(run_every=EVERY_S)
def instead(job: Job) -> None:
    """In place of what cannot be shown yet: what is being done, how far it is, how long it takes."""
    if job.done:
        st.rerun()
    st.progress(job.share, f"{_said(job)} {_time(job)}")
    st.caption("It goes on beside this page, once for all visitors; the other pages can be opened meanwhile.")


def behind() -> None:
    """Above a page that shows the answer before the newest records, until the new one is there."""
    job = read.awaited()
    if job is not None and read.answered():  # before the first answer there is nothing here that could be behind
        newer(job, "The newest records are not in these answers yet.")


@st.fragment(run_every=EVERY_S)
def newer(job: Job, lacking: str) -> None:
    """A line that says what is lacking here until this is done; then the page is shown anew."""
    if job.done:
        st.rerun()
    st.markdown(f":material/hourglass_top: **{lacking}** They are being worked in, and the page follows by itself; {_time(job)}")


def _said(job: Job) -> str:
    return f"{job.told[0] if job.told is not None else job.says};"


def _time(job: Job) -> str:
    if job.begun is None:
        return "waits for the one before it."
    if job.gone_s > max(LONG * job.about_s, LONG_S):
        return f"{job.gone_s:.0f} s gone, more than the usual {job.about_s:.0f} s; the first time after an installation takes longest."
    return f"about {job.about_s:.0f} s, {job.gone_s:.0f} s gone."
