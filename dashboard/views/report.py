"""Report: the answer on paper or as a workbook, and the look back on a probe that was found out of tolerance."""

from __future__ import annotations

import streamlit as st

from analytics.errors import UserError
from dashboard.figures.look_back import look_back_figure
from dashboard.parts import chart, facts, links, person, start, table, values
from dashboard.report.gathered import Period, Scope
from dashboard.report.looking_back import METHOD, USES, alt, doubt_facts, use_table
from dashboard.seam import read, reporting

PARTS = ("Report", "Look back")
FORMS = (
    (".pdf", "PDF to print and sign", ":material/picture_as_pdf:", "Tagged for screen readers, held to PDF/UA-1"),
    (".xlsx", "Workbook", ":material/table_view:", "XLSX: every table a sheet; texts are never formulas"),
    (".csv", "Table", ":material/csv:", "CSV: one row a charted quantity, with the answer on its probe"),
)
PICTURES = (
    (".svg", "Picture as SVG", ":material/image:", "For documents; sharp at any size"),
    (".png", "Picture as PNG", ":material/image:", "For slides and mail"),
)


def show() -> None:
    """The part that the address names."""
    st.title("Report")
    if not start.ready():
        return
    look = read.look()
    part = st.segmented_control(
        "Part", PARTS, default=PARTS[0], key="part", bind="query-params", label_visibility="collapsed", required=True
    )
    if part == PARTS[1]:
        _look_back(look)
    else:
        _report(look)


def _report(look: read.Look) -> None:
    sites = sorted({one.site for one in look.assessment.probes if one.site})
    names = sorted(one.probe for one in look.assessment.probes)
    today = look.as_of.date()
    with st.container(horizontal=True, vertical_alignment="bottom"):
        site = st.selectbox("Site", sites, index=None, key="site", bind="query-params", placeholder="all sites", width=230)
        probe = st.selectbox(
            "Probe", names, index=None, key="probe", bind="query-params", placeholder="all probes", width=200,
            help="One probe; the site is passed over then.",
        )  # fmt: skip
        from_on = st.date_input(
            "From", value=today - reporting.YEAR, key="from", bind="query-params", format="YYYY-MM-DD", width=170,
            help="Alerts, decisions, exclusions and corrections from this day on; what changed since the day before.",
        )  # fmt: skip
        to_on = st.date_input(
            "To", value=today, key="to", bind="query-params", format="YYYY-MM-DD", width=170,
            help="The answers are those at the end of this day.",
        )  # fmt: skip
        with st.container(width=230):
            by = person.name_field(key="person-report")
    scope = Scope(probe=probe) if probe else Scope(site=site)
    try:
        chosen = reporting.span(look, from_on, to_on)
    except UserError as error:
        st.error(str(error), icon=":material/event_busy:")
        return
    st.markdown(
        f"**{links.escape(scope.words)}**, {values.day(chosen.from_on)} to {values.day(chosen.to_on)}: summary, what changed, "
        "each probe with its numbers and picture, sources and jigs, other checks such as leak tests, alerts with who saw and settled them, decisions, "
        "exclusions, corrections, the settings in force, and lines to sign."
    )
    _downloads(look, scope, chosen, by, FORMS)
    at = look if chosen.as_of == look.as_of else read.look(chosen.as_of)
    picture = reporting.preview(at, scope, chosen)
    if picture is None:
        st.info("There is nothing to draw: no response is charted yet.", icon=":material/scatter_plot:")
        return
    st.header("As it is printed")
    st.image(picture.svg, width="stretch", alt=picture.alt)
    st.caption(
        "The same numbers as on the Fleet and Probe pages. The head of the history, data revision, settings, version, time "
        "and name stand on every report."
    )
    _downloads(look, scope, chosen, by, PICTURES)


def _downloads(
    look: read.Look,
    scope: Scope,
    chosen: Period,
    by: str,
    forms: tuple[tuple[str, str, str, str], ...],
    *,
    back: bool = False,
) -> None:
    """One click a form; the file is made while the button turns."""
    with st.container(horizontal=True):
        for form, label, icon, hint in forms:
            st.download_button(
                label,
                reporting.maker(look, scope, chosen, form, by=by or "no name given", back=back),
                file_name=reporting.file_name(scope, chosen, form, back=back),
                mime=reporting.MIME[form],
                key=f"make{form}",
                icon=icon,
                help=hint,
                type="primary" if form == ".pdf" else "secondary",
                on_click="ignore",
            )


def _look_back(look: read.Look) -> None:
    found = reporting.found_out(look)
    others = sorted({one.probe for one in look.assessment.probes} - set(found))
    st.markdown(
        "For a probe found out of tolerance: the last check that was good, the likely response since, and the uses in between."
    )
    with st.container(horizontal=True, vertical_alignment="bottom"):
        probe = st.selectbox(
            "Probe", [*found, *others], index=0, key="back", bind="query-params", width=230,
            help="Those ever found out of tolerance come first, the newest finding on top.",
        )  # fmt: skip
        with st.container(width=230):
            by = person.name_field(key="person-report")
    told = reporting.looked_back(look, probe)
    links.sentence(f"{links.inline('probe', probe, probe=probe)}: **{links.escape(told.says)}**")
    scope, chosen = Scope(probe=probe), reporting.span(look, look.as_of.date() - reporting.YEAR, look.as_of.date())
    _downloads(look, scope, chosen, by, FORMS, back=True)
    for place, doubt in enumerate(told.doubts):
        st.header(f"Found {values.day(doubt.found_at)}")
        for one in doubt.missing:
            st.warning(links.escape(one), icon=":material/help:")
        facts.show(doubt_facts(doubt))
        points = look.assessment.points_of(doubt.series)
        chart.show(look_back_figure(doubt, points, look.as_of), key=f"doubt-{place}", alt=alt(doubt))
        uses = use_table(doubt)
        table.show_data(
            reporting.as_frame(uses),
            key=f"uses-{place}",
            name=f"uses in doubt {probe} {place + 1}",
            columns={one.name: one.title for one in USES},
        )
    if told.doubts:
        with st.expander("How this is told", icon=":material/info:"):
            for sentence in METHOD:
                st.markdown(f"- {sentence}")


if __name__ == "__main__":
    show()
