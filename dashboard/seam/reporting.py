"""Reports as the Report page makes them: one click, one file. Nothing here writes to the store or to the disk."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta

import pandas as pd

from analytics import moment as clock
from analytics.advice.look_back import RULES, LookBack, look_back
from analytics.results import FleetAssessment
from dashboard.report.charts import fleet_alt, fleet_chart, response_alt, response_chart
from dashboard.report.content import first_shown
from dashboard.report.gathered import Gathered, Period, Scope, gather, period
from dashboard.report.model import Chart, Report, Table
from dashboard.report.write import rendered
from dashboard.seam import read
from dashboard.seam.digest import headline
from dashboard.seam.keep import kept
from dashboard.seam.place import config_directory, store_path

YEAR = timedelta(days=364)
MIME = {
    ".pdf": "application/pdf",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ".csv": "text/csv",
    ".svg": "image/svg+xml",
    ".png": "image/png",
}


def span(look: read.Look, from_on: date, to_on: date) -> Period:
    """The period asked for, with the answer at its end; UserError for one that makes no sense."""
    at = look.as_of if to_on >= look.as_of.date() else None
    return period(look.as_of, from_on, min(to_on, look.as_of.date()), at)


def found_out(look: read.Look) -> list[str]:
    """Probes that were ever found out of tolerance or without signal, the newest finding first."""

    def build() -> list[str]:
        newest: dict[str, datetime] = {}
        for series in look.assessment.series:
            if series.quantity == "response":
                for alert in series.alerts:
                    if alert.rule in RULES:
                        newest[series.probe] = max(alert.signalled_at, newest.get(series.probe, datetime.min))
        return sorted(newest, key=lambda name: (newest[name], name), reverse=True)

    return kept(look, build, "found out of tolerance")


def looked_back(look: read.Look, probe: str) -> LookBack:
    """The look back on a probe, made once for this data."""
    return kept(look, lambda: look_back(look.assessment, look.records, probe), "look back", probe)


def preview(look: read.Look, scope: Scope, chosen: Period) -> Chart | None:
    """The first picture of the report; None where there is nothing to draw."""

    def build() -> Chart | None:
        mine = scope.probes(look.assessment)
        spoken = headline(look.assessment)
        if scope.probe is None:
            drawn = [p for p in look.assessment.probes if p.probe in mine]
            if not mine & set(spoken):
                return None
            return Chart("fleet", fleet_chart(drawn, spoken, look.settings.limits), fleet_alt(drawn, spoken))
        series = spoken.get(scope.probe)
        if series is None:
            return None
        points = look.assessment.points_of(series)
        start = first_shown(points, chosen.start)
        svg = response_chart(series, points, look.as_of, start=start, width=720.0, height=260.0)
        return Chart(series.probe, svg, response_alt(series))

    return kept(look, build, "report preview", scope, chosen)


def maker(look: read.Look, scope: Scope, chosen: Period, form: str, *, by: str, back: bool = False) -> Callable[[], bytes]:
    """A function that makes the file when it is asked for, outside the page's own run.

    It reads the store anew, so that all of the report is of one revision; the page's answer is used again where it is
    of that revision.
    """
    path, settings, known, own = store_path(), look.settings, look.assessment, config_directory() is None

    def make() -> bytes:
        from analytics.fleet import assess
        from analytics.records.alert_log import said_so_far
        from analytics.records.papers import papers

        told = papers(path)

        def answer(when: datetime) -> FleetAssessment:
            same = told.records.revision == known.revision and when == known.as_of
            return known if same else assess(told.records, settings, when)

        now = clock.now(settings.site.time_zone)
        def shown(answered: FleetAssessment) -> pd.DataFrame:
            return said_so_far(path, answered, told.records.readings)

        given = gather(
            told, settings, answer, chosen, scope, by=by, made_at=now, compare=not back,
            shown=shown if own and not back else None,
        )  # fmt: skip
        return rendered(_contents(given, back=back), form)

    return make


def _contents(given: Gathered, *, back: bool) -> Report:
    if back:
        from dashboard.report.looking_back import look_back_report

        return look_back_report(given)
    from dashboard.report.content import report

    return report(given)


def file_name(scope: Scope, chosen: Period, form: str, *, back: bool = False) -> str:
    """A name for the file.

    >>> from datetime import date, datetime
    >>> file_name(Scope(probe="GP 1/2"), Period(date(2024, 1, 1), date(2024, 3, 31), datetime(2024, 4, 1)), ".pdf")
    'report-GP-1-2-2024-03-31.pdf'
    """
    return f"{'look-back' if back else 'report'}-{scope.slug}-{chosen.to_on}{form}"


def as_frame(one: Table) -> pd.DataFrame:
    """A table of a report for the page."""
    return pd.DataFrame([list(row) for row in one.rows], columns=[column.name for column in one.columns])
