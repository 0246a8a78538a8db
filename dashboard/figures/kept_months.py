"""Kept or not: one row a site and kind of check, one cell a month, its share in words and in shade."""

from __future__ import annotations

import pandas as pd
import plotly.graph_objects as go

from dashboard.figures.sheet import Sheet

# From nothing kept to all kept; the number stands in each cell, the shade only helps.
SHADES = [[0.0, "#c8502d"], [0.5, "#b07a12"], [0.999, "#5f8a8f"], [1.0, "#2b8a6e"]]
ROW = 30  # pixels


def kept_months(found: pd.DataFrame) -> go.Figure:
    """Site and kind down, months across; each cell says how many of how many were in date.

    found: rows of ``analytics.advice.compliance``. ``customdata`` of a cell is [site, kind].
    """
    lines = found.assign(line=[_line(site, kind) for site, kind in zip(found["site"], found["kind"], strict=True)])
    lines["text"] = lines["in_date"].astype(str) + "/" + lines["subjects"].astype(str)
    cells = lines.set_index(["line", "month_end"])
    share, said = cells["share_pct"].unstack(), cells["text"].unstack()  # noqa: PD010 - each cell is there once
    behind = lines.drop_duplicates("line").set_index("line").reindex(share.index)
    months = [f"{one:%b %Y}" if place + 1 < len(share.columns) else "now" for place, one in enumerate(share.columns)]
    sheet = Sheet([ROW * max(1, len(share))], top=26, legend=0)
    sheet.trace(
        type="heatmap",
        x=months,
        y=list(share.index),
        z=[[None if pd.isna(one) else float(one) for one in row] for row in share.to_numpy()],
        text=said.fillna("").to_numpy().tolist(),
        texttemplate="%{text}",
        textfont={"size": 11, "color": "white"},
        customdata=[[[site, kind]] * len(months) for site, kind in zip(behind["site"], behind["kind"], strict=True)],
        colorscale=SHADES,
        zmin=0,
        zmax=100,
        showscale=False,
        xgap=2,
        ygap=2,
        hovertemplate="%{y}, %{x}: %{text} in date (%{z:.0f} %)<extra></extra>",
        hoverongaps=False,
    )
    sheet.x(type="category", ticks="", side="top")
    sheet.y(type="category", ticks="", autorange="reversed")
    return sheet.figure()


def _line(site: str, kind: str) -> str:
    return f"{site or 'no site'} · {kind.replace('_', ' ')}"
