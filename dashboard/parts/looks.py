"""The few lines of style that the theme cannot carry. Scoped to keyed containers; nothing is fetched."""

from __future__ import annotations

import streamlit as st

_STYLE = """
<style>
  .block-container, [data-testid="stMainBlockContainer"] { padding-top: 4.2rem; max-width: 1500px; }
  [class*="st-key-count-"] button { text-align: left; justify-content: flex-start; }
  [class*="st-key-count-"] button p { margin: 0; line-height: 1.25; text-align: left; }
  [class*="st-key-count-"] strong { font-size: 1.7rem; font-weight: 620; font-variant-numeric: tabular-nums; }
  [class*="st-key-episode-"] {
    border-left: 3px solid color-mix(in srgb, currentColor 25%, transparent); padding-left: 1rem;
  }
  dl.facts { display: grid; grid-template-columns: max-content 1fr; gap: 0.35rem 1.1rem; margin: 0; padding: 0; }
  dl.facts { font-size: 0.95rem; }
  dl.facts dt { opacity: 0.75; } dl.facts dd { margin: 0; font-variant-numeric: tabular-nums; }
  @media (max-width: 640px) { [data-testid="stHorizontalBlock"] { row-gap: 1rem; } }
  @media (max-width: 640px) { .st-key-map .textpoint text { font-size: 9px !important; } }
  .st-key-count-row { row-gap: 0.2rem !important; }
  @media (max-width: 640px) { .st-key-count-row { column-gap: 1.6rem !important; } }
  @media (max-width: 640px) { dl.facts { grid-template-columns: 1fr; gap: 0; } dl.facts dd { margin-bottom: 0.5rem; } }
  [data-testid="stBaseButton-primary"]:not(:disabled) p,
  [data-testid="stBaseButton-primaryFormSubmit"]:not(:disabled) p { color: Canvas; }
  /* Where there is no pointer to hover, the chart's buttons would lie on its title for good. */
  @media (hover: none), (max-width: 640px) { .stPlotlyChart .modebar-container { display: none; } }
  .st-key-footer p { font-size: 0.8rem; }
  /* It would write cells as they stand, also one that a spreadsheet takes for a formula; reports and exports do not. */
  [data-testid="stElementToolbarButton"]:has(button[aria-label^="Download"]) { display: none; }
</style>
"""


def apply() -> None:
    """Put the style on the page."""
    st.html(_STYLE)
