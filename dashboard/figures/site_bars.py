"""Where risk lies: one bar a site, split by answer, each part with its number, word and pattern."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import plotly.graph_objects as go

from analytics.results import ProbeResult
from dashboard.figures import ground
from dashboard.parts.words import PROBE, PROBE_ORDER

_PATTERN = {"retire": "x", "service": "/", "watch": ".", "undetermined": "-", "use": ""}


def site_bars(probes: Sequence[ProbeResult]) -> go.Figure:
    """Sites by the share of their probes that are not fit, worst on top.

    ``customdata`` of a part is [site, status word].
    """
    counts = Counter((p.site, p.advice) for p in probes)
    totals = Counter(p.site for p in probes)
    sites = sorted(totals, key=lambda s: (-(counts[s, "use"] / totals[s]), s), reverse=True)
    figure = go.Figure()
    for advice in PROBE_ORDER:
        status = PROBE[advice]
        many = [counts[s, advice] for s in sites]
        if any(many):
            figure.add_trace(
                go.Bar(
                    y=sites,
                    x=many,
                    orientation="h",
                    name=f"{status.mark} {status.word}",
                    text=[n or "" for n in many],
                    textposition="inside",
                    insidetextanchor="middle",
                    textangle=0,
                    marker={
                        "color": status.colour,
                        "pattern": {
                            "shape": _PATTERN[advice],
                            "fillmode": "overlay",
                            "fgcolor": "rgba(255,255,255,0.55)",
                            "size": 7,
                        },
                    },
                    customdata=[[s, status.word] for s in sites],
                    hovertemplate="%{y}: %{x} " + status.word + "<extra></extra>",
                )
            )
    ground.frame(figure, 110 + 34 * len(sites))
    figure.update_layout(barmode="stack", bargap=0.35, legend={"traceorder": "normal", "y": -12 / (34 * len(sites))})
    figure.update_xaxes(title_text=None, showticklabels=False, ticks="")
    figure.update_yaxes(autorange="reversed", ticks="")
    return figure
