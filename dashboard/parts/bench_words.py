"""The words and marks of the verdict at the bench, each with a shape of its own; the look of the bench page."""

from __future__ import annotations

import html

import streamlit as st

from analytics.advice.bench_verdict import BenchVerdict, BenchWord
from dashboard.parts.words import PATIENT_USE, Status

AT_THE_BENCH = PATIENT_USE | {"repeat_first": "patient use: after a good repeat"}  # the check is there; it is to be repeated
BENCH: dict[BenchWord, Status] = {
    "as_expected": Status(
        "as expected", "●", "circle", "#2b8a6e", ":material/check_circle:", "Inside its usual range."
    ),
    "unusual": Status(
        "unusual",
        "◇",
        "diamond-open",
        "#b07a12",
        ":material/visibility:",
        "Outside its usual range, inside the action level.",
    ),
    "action": Status(
        "above the action level",
        "◆",
        "diamond",
        "#b07a12",
        ":material/troubleshoot:",
        "Within tolerance; the cause is to be found.",
    ),
    "tolerance": Status(
        "beyond tolerance",
        "▼",
        "triangle-down",
        "#c8502d",
        ":material/block:",
        "Not for patient use until cleared, once a repeat says the same.",
    ),
    "no_signal": Status("no signal", "✖", "x", "#c8502d", ":material/signal_disconnected:", "Not above background."),
    "cannot_tell": Status(
        "no verdict", "○", "circle-open", "#73808a", ":material/help:", "What is missing is said beside it."
    ),
}

_STYLE = """
<style>
  .st-key-bench input { font-size: 1.7rem; height: 3.4rem; font-variant-numeric: tabular-nums; }
  .st-key-bench [data-testid="stTextInputRootElement"], .st-key-scan [data-testid="stTextInputRootElement"] { height: 3.4rem; }
  .st-key-setup .react-aria-ComboBox > div, .st-key-save [data-testid="stTextInputRootElement"] { min-height: 3rem; }
  .st-key-bench summary { min-height: 3rem; }
  .st-key-bench label p { font-size: 1.02rem; }
  .st-key-scan input { font-size: 1.7rem; height: 3.4rem; }
  .st-key-due button, .st-key-near button, .st-key-site-choice button, .st-key-bench button, .st-key-save button { min-height: 3rem; }
  .st-key-save button p { font-size: 1.15rem; }
  @media (max-width: 640px) { .st-key-setup > * { flex: 1 1 45% !important; min-width: 8rem !important; } }
  .st-key-verdict { position: sticky; top: 4.5rem; }
  .sc-verdict { border: 2px solid var(--sc-tone); border-left-width: 10px; border-radius: 6px; padding: 0.9rem 1.1rem; }
  .sc-verdict .word { font-size: 1.75rem; font-weight: 650; line-height: 1.2; }
  .sc-verdict .use { font-size: 1.1rem; font-weight: 620; margin-top: 0.35rem; }
  .sc-verdict p { margin: 0.35rem 0 0 0; }
  .sc-strip { display: none; }
  @media (max-width: 640px) {
    .sc-strip { display: block; position: fixed; left: 0; right: 0; bottom: 0; z-index: 90; padding: 0.6rem 1rem;
                font-size: 1.35rem; font-weight: 650; background: var(--sc-tone); color: #ffffff; }
    .st-key-save { margin-bottom: 3rem; }
  }
  .sc-cut-off { display: none; position: fixed; left: 0; right: 0; bottom: 0; z-index: 1000100; padding: 0.9rem 1.2rem;
                font-size: 1.1rem; font-weight: 600; background: #7a3412; color: #ffffff; }
  [data-test-connection-state]:not([data-test-connection-state="CONNECTED"]) .sc-cut-off { display: block; }
</style>
"""


def apply() -> None:
    """Large fields, a verdict that stays in sight, and the line that only shows while the page is cut off."""
    st.html(_STYLE)
    st.html(
        '<div class="sc-cut-off" role="alert">The connection to the tool is lost: typing pauses until it is back. '
        "What was typed is kept as a draft.</div>"
    )


def panel(verdict: BenchVerdict) -> str:
    """The verdict as HTML, read out to those who cannot see it; every text escaped."""
    status = BENCH[verdict.word]
    sentences = "".join(f"<p>{html.escape(one)}</p>" for one in verdict.sentences)
    use = AT_THE_BENCH[verdict.patient_use]
    said = (
        f'<div class="use">{html.escape(use)}</div>'
        if verdict.word != "cannot_tell" or verdict.patient_use != "allowed"
        else ""
    )
    return (
        f'<div class="sc-verdict" style="--sc-tone:{status.colour}" role="status" aria-live="polite">'
        f'<div class="word">{status.mark} {html.escape(status.word)}</div>{said}{sentences}</div>'
        f'<div class="sc-strip" aria-hidden="true" style="--sc-tone:{status.colour}">'
        f"{status.mark} {html.escape(status.word)}"
        f"{' · seat again and repeat' if verdict.repeat else ''}</div>"
    )
