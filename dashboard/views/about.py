"""What the tool is, what it cannot say, and how it comes to what it says."""

from __future__ import annotations

import pandas as pd
import streamlit as st

import analytics
from dashboard.parts import about_text, links, terms
from dashboard.parts.words import PATIENT_USE, PROBE, PROBE_ORDER
from dashboard.seam import place, read

READABLE = 900  # px; longer lines are hard to follow


def show() -> None:
    """Purpose, cautions, words, methods, and what is running here."""
    st.title("About and cautions")
    with st.container(width=READABLE):
        st.markdown(about_text.PURPOSE)
        _cautions()
        _words()
        _terms()
    _methods()
    with st.container(width=READABLE):
        _here()


def _cautions() -> None:
    st.header("Cautions", anchor="cautions")
    with st.container(border=True, key="cautions"):
        for title, text in about_text.CAUTIONS:
            st.markdown(f"**{title}** {text}")


def _words() -> None:
    st.header("The words", anchor="words")
    for advice in PROBE_ORDER[::-1]:
        status = PROBE[advice]
        links.sentence(
            f"{status.mark} **{status.word}** ({links.inline('fleet', 'show them', status=status.word)}): "
            f"{status.means}"
        )
    st.markdown(
        "Beside it stands whether patients may be examined with it: "
        + "; ".join(f"*{one}*" for one in PATIENT_USE.values())
        + "."
    )


def _terms() -> None:
    st.header("The terms", anchor="terms")
    for one in terms.TERMS.values():
        st.markdown(f"**{one.word}**: {one.means} *{one.source}*")


def _methods() -> None:
    st.header("Methods, and where they are from", anchor="methods")
    st.markdown(
        "In the order in which a reading goes through them. What stands in the last column: "
        + "; ".join(f"*{word}*, {means}" for word, means in about_text.STANDING_MEANS.items())
        + "."
    )
    table = pd.DataFrame(
        [
            {"Step": one.step, "What is done": one.how, "From": one.source, "Standing": one.standing}
            for one in about_text.METHODS
        ]
    )
    st.table(table.set_index("Step"))


def _here() -> None:
    st.header("What is running here", anchor="here")
    lines = [f"Version {analytics.__version__}", f"Store `{place.store_path().name}`"]
    if read.exists():
        lines += [
            f"Revision {read.revision()} of the data",
            f"Settings {read.settings().fingerprint[:12]} (first digits of their sha256)",
        ]
    else:
        lines.append("No store yet")
    st.markdown("\n".join(f"- {line}" for line in lines))
    st.markdown("Nothing here asks anything of the internet; the pages come from this machine alone.")


if __name__ == "__main__":
    show()
