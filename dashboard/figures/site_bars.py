"""Where risk lies: one bar a site, split by answer, each part with its number, word and pattern."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import plotly.graph_objects as go

from analytics.results import ProbeResult
from dashboard.figures.ground import label
from dashboard.figures.sheet import Sheet
from dashboard.parts.words import PROBE, PROBE_ORDER

LEGEND = 66  # pixels: with the room of the labels enough for five answers under one another, as on a telephone
_PATTERN = {"retire": "x", "service": "/", "watch": ".", "undetermined": "-", "use": ""}


def site_bars(probes: Sequence[ProbeResult]) -> go.Figure:
    """Sites by the share of their probes that are not fit, worst on top.

    ``customdata`` of a part is [site, status word].
    """
    counts = Counter((p.site, p.advice) for p in probes)
    totals = Counter(p.site for p in probes)
    sites = sorted(totals, key=lambda site: (counts[site, "use"] / totals[site], site))
    tall = 34 * max(1, len(sites))
    sheet = Sheet([tall], top=6, legend=LEGEND)
    for advice in PROBE_ORDER:
        status = PROBE[advice]
        many = [counts[site, advice] for site in sites]
        if any(many):
            sheet.trace(
                type="bar",
                y=sites,
                x=many,
                orientation="h",
                name=f"{status.mark} {status.word}",
                text=[str(n or "") for n in many],
                textposition="inside",
                insidetextanchor="middle",
                textangle=0,
                insidetextfont={"size": 13, "color": "white"},
                customdata=[[site, status.word] for site in sites],
                marker={
                    "color": status.colour,
                    "pattern": {
                        "shape": _PATTERN[advice],
                        "fillmode": "overlay",
                        "fgcolor": "rgba(255,255,255,0.35)",
                        "size": 8,
                    },
                },
                hovertemplate="%{y}: %{x} " + status.word + "<extra></extra>",
            )
    sheet.layout(barmode="stack", bargap=0.35)
    sheet.x(showticklabels=False, ticks="")
    sheet.y(
        autorange="reversed", ticks="", type="category", tickvals=sites, ticktext=[label(site) for site in sites]
    )
    return sheet.figure().update_layout(legend_y=-10 / tall)  # the axis has no labels: their room is the legend's
