"""The tables that can be loaded, declared once: their columns, what may stand in them, and what makes a row unique.

Everything else in this package (recognising a file, checking it, comparing rows, the help pages) follows from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from analytics.settings import InspectionKind

# id and text: text as it stands, an id short and on one line. count: whole number. moment: a date, or date and time.
ColumnType = Literal["id", "text", "count", "number", "moment", "choice", "flag"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column. low and high are inclusive, ``above`` is an exclusive bound; ``past``: may not lie in the future."""

    name: str
    type: ColumnType
    required: bool = False
    choices: tuple[str, ...] = ()
    low: float | None = None
    above: float | None = None
    high: float | None = None
    past: bool = False
    unit: str = ""
    help: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """One kind of table. ``stored_in``: its table in the store; ``key``: what makes a row the same row."""

    kind: str
    stored_in: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    number: str | None = None  # column that numbers the rows; registries have none and keep versions
    any_of: tuple[tuple[str, ...], ...] = ()  # of each group one column must be there

    @property
    def registry(self) -> bool:
        """Whether the rows name things that other rows refer to."""
        return self.kind in ("probes", "sources", "windows")

    def column(self, name: str) -> Column:
        """The column of that name; KeyError where there is none."""
        for one in self.columns:
            if one.name == name:
                return one
        raise KeyError(name)

    @property
    def names(self) -> tuple[str, ...]:
        """The column names in their order."""
        return tuple(one.name for one in self.columns)


def _id(name: str, required: bool = False, words: str = "") -> Column:
    return Column(name, "id", required, help=words)


def _note() -> Column:
    return Column("note", "text", help="Free text.")


MEASUREMENTS = ("background", "source", "window_below", "window_above", "side")
EVENT_KINDS = {  # kind -> default of new_reference
    "repair": True,
    "detector_replaced": True,
    "recentred": True,
    "cable_replaced": False,
    "battery_replaced": False,
    "cleaned": False,
    "dropped": False,
    "moved": False,
    "withdrawn": False,
    "cleared": False,
    "other": False,
}
INSPECTION_KINDS: tuple[str, ...] = get_args(InspectionKind)
CAUSES = (
    "none",
    "window_slip",
    "efficiency_loss",
    "sudden_loss",
    "contamination",
    "intermittent",
    "shield",
    "electronics",
    "battery_or_temperature",
    "record_error",
    "check_source",
    "unknown",
)

_READINGS = Table(
    "readings",
    "reading",
    ("probe", "taken_at", "window", "measurement", "repeat"),
    (
        _id("probe", True, "Probe id, as registered."),
        Column("taken_at", "moment", True, past=True, help="Start of the counting."),
        _id("window", True, "Name of the energy window or threshold setting."),
        Column("measurement", "choice", True, MEASUREMENTS, help="What was counted."),
        Column("counts", "count", low=0, high=1e15, unit="1", help="Counts, a whole number."),
        Column(
            "rate_cps", "number", low=0, high=1e12, unit="cps", help="Displayed rate, only where counts are not known."
        ),
        Column("count_time_s", "number", True, above=0, high=1e7, unit="s", help="Length of the counting."),
        _id("source", words="Check source id; needed unless a background."),
        Column("repeat", "count", low=0, high=1e6, help="Number of the repeat."),
        Column("reseated", "flag", help="The probe was taken out and put back before this counting."),
        _id("jig", words="Geometry holder."),
        _id("collimator", words="Collimator or head."),
        _id("readout", words="Control unit."),
        _id("operator", words="Person."),
        Column("temperature_c", "number", low=-50, high=100, unit="°C", help="Room."),
        Column("battery_pct", "number", low=0, high=100, unit="%", help="Charge of the battery."),
        Column("on_minutes", "number", low=0, high=1e6, unit="min", help="Time since switch-on."),
        _note(),
    ),
    "reading_id",
    (("counts", "rate_cps"),),
)

_PROBES = Table(
    "probes",
    "probe",
    ("probe",),
    (
        _id("probe", True, "Probe id."),
        _id("site", True, "Where it belongs."),
        _id("model_type", words="Type of probe."),
        _id("detector", words="Detector material, such as CZT, CdTe, CsI(Tl), NaI(Tl)."),
        Column("connection", "choice", choices=("cabled", "wireless"), help="How it is connected."),
        Column("diameter_mm", "number", above=0, high=1000, unit="mm", help="Diameter of the tip."),
        Column("in_service_on", "moment", help="First day of use."),
        Column("dead_time_us", "number", low=0, high=1e6, unit="µs", help="Dead time."),
        Column("dead_time_model", "choice", choices=("non_paralysable", "paralysable"), help="Kind of dead time."),
        Column("replacement_cost", "number", low=0, high=1e12, unit="site currency", help="Price of a new one."),
        _note(),
    ),
)

_SOURCES = Table(
    "sources",
    "check_source",
    ("source",),
    (
        _id("source", True, "Check source id."),
        _id("nuclide", True, "Its nuclide, such as Co-57."),
        Column("reference_at", "moment", True, help="When the activity held."),
        Column("activity_kbq", "number", above=0, high=1e12, unit="kBq", help="Activity at reference_at."),
        Column("activity_uncertainty_pct", "number", low=0, high=100, unit="%", help="Its uncertainty, k=1."),
        _id("site", words="Where it belongs."),
        Column("withdrawn_on", "moment", help="Last day of use."),
    ),
)

_WINDOWS = Table(
    "windows",
    "energy_window",
    ("window",),
    (
        _id("window", True, "Name of the window."),
        _id("nuclide", words="Nuclide it is meant for."),
        Column("centre_kev", "number", above=0, high=1e5, unit="keV", help="Centre."),
        Column("width_pct", "number", above=0, high=1000, unit="%", help="Full width over centre."),
        Column(
            "offset_pct",
            "number",
            above=0,
            high=100,
            unit="%",
            help="By which window_below and window_above are set off.",
        ),
    ),
    any_of=(("nuclide", "centre_kev", "width_pct", "offset_pct"),),
)

_EVENTS = Table(
    "events",
    "event",
    ("probe", "happened_at", "kind"),
    (
        _id("probe", True, "Probe id."),
        Column("happened_at", "moment", True, past=True, help="When."),
        Column("kind", "choice", True, tuple(EVENT_KINDS), help="What happened."),
        Column("new_reference", "flag", help="Whether a new reference begins; the kind's default where blank."),
        _id("site", words="Where the probe was moved to."),
        _id("by", words="Person or workshop."),
        Column("cost", "number", low=0, high=1e12, unit="site currency", help="What it cost."),
        _note(),
    ),
    "event_id",
)

_INSPECTIONS = Table(
    "inspections",
    "inspection",
    ("probe", "source", "done_at", "kind", "nuclide"),
    (
        _id("probe", words="Probe id."),
        _id("source", words="Check source id."),
        Column("done_at", "moment", True, past=True, help="When."),
        Column("kind", "choice", True, INSPECTION_KINDS, help="Kind of check."),
        Column("result", "choice", choices=("pass", "fail"), help="Outcome, or blank."),
        Column("value", "number", high=1e15, low=-1e15, help="Measured value."),
        _id("unit", words="Its unit."),
        _id("nuclide", words="Nuclide it was measured with."),
        _id("person", words="Who did it."),
        _note(),
    ),
    "inspection_id",
    (("probe", "source"),),
)

_USES = Table(
    "uses",
    "use",
    ("probe", "used_at", "case_reference"),
    (
        _id("probe", True, "Probe id."),
        Column("used_at", "moment", True, past=True, help="When it was used."),
        _id("case_reference", words="The site's own reference; no patient data."),
    ),
    "use_id",
)

_OUTCOMES = Table(
    "outcomes",
    "outcome",
    ("probe", "found_at", "found"),
    (
        _id("probe", True, "Probe id."),
        Column("found_at", "moment", True, past=True, help="When the service found it."),
        Column("found", "choice", True, CAUSES, help="What was found."),
        _note(),
    ),
    "outcome_id",
)

# In the order of loading: what is referred to comes first.
TABLES: dict[str, Table] = {
    one.kind: one for one in (_PROBES, _SOURCES, _WINDOWS, _EVENTS, _READINGS, _INSPECTIONS, _USES, _OUTCOMES)
}
