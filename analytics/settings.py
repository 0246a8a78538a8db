"""The settings: each declared once here with its unit, bounds and help; its default stands in ``config/*.toml``.

Three layers, later ones win: the shipped defaults, the store's own version, and ``--config DIR`` for one run.
The section decides, not the file name. ``Settings.fingerprint`` is the sha256 of the settings in force.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Mapping
from copy import deepcopy
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from analytics.advice.decision_table import Row, table_problems
from analytics.errors import UserError


def _unit(unit: str) -> dict[str, Any]:
    return {"unit": unit}


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


Percent = Annotated[float, Field(gt=0, lt=100, json_schema_extra=_unit("%"))]
Days = Annotated[float, Field(gt=0, le=3660, json_schema_extra=_unit("d"))]
InspectionKind = Literal[
    "visual",
    "power",
    "leak_test",
    "inventory",
    "acceptance",
    "sensitivity",
    "resolution",
    "shielding",
    "energy_resolution",
    "other",
]
Money = Annotated[float, Field(ge=0, allow_inf_nan=False, json_schema_extra=_unit("site currency"))]


class Alarms(_Section):
    """How many false alarms are paid for early true ones."""

    budget_per_probe_year: float = Field(
        gt=0,
        le=10,
        json_schema_extra=_unit("1/probe-year"),
        description="False alarms a sound probe may give in a year, all rules and quantities together.",
    )
    run_rules: bool = Field(
        json_schema_extra=_unit("yes/no"),
        description="Also alarm on Western Electric run rules (same_side, outside_limits); they cry wolf about every 92 checks.",
    )
    on_new: str = Field(
        json_schema_extra=_unit("command"),
        description="Command that `assess --new-since` runs when there are new alarms; empty for none.",
    )


class Limits(_Section):
    """Levels the site sets. The start values are site choice, not per any standard."""

    action_level_pct: Percent = Field(
        description="Change from the reference above which the cause is looked for (site choice)."
    )
    tolerance_pct: Percent = Field(description="Change beyond which no patient use until cleared (site choice).")
    dead_band_pct: float = Field(
        ge=0,
        lt=20,
        json_schema_extra=_unit("%"),
        description="A change smaller than this is no alarm, however sure: shared movement leaves a few tenths of a per cent over.",
    )
    background_factor: float = Field(
        gt=1,
        le=100,
        json_schema_extra=_unit("ratio"),
        description="Background above this many times its usual value counts as contaminated once it is also significant (site choice).",
    )
    window_shift_pct: float = Field(
        gt=0,
        lt=50,
        json_schema_extra=_unit("% of photopeak energy"),
        description="Photopeak shift against its own reference below which no window alarm is given (site choice).",
    )
    fitness_floor: float | None = Field(
        default=None,
        gt=0,
        json_schema_extra=_unit("cps/kBq"),
        description="Least sensitivity with the clinical nuclide that a probe must have; none unless the site sets it.",
    )


class ReferenceSettings(_Section):
    """How a reference is formed."""

    readings: int = Field(
        ge=3, le=500, json_schema_extra=_unit("checks"), description="Checks that make a full reference."
    )
    least_readings: int = Field(
        ge=2,
        le=100,
        json_schema_extra=_unit("checks"),
        description="Checks below which nothing is said about a probe (undetermined).",
    )


class Noise(_Section):
    """What repeated placing adds to counting statistics."""

    repositioning_pct: Percent = Field(
        description="Repositioning spread (1 sd) assumed before the fleet's own is known."
    )
    repositioning_prior_checks: int = Field(
        ge=1,
        le=1000,
        json_schema_extra=_unit("checks"),
        description="Weight of the fleet's spread against a probe's own.",
    )


class Shared(_Section):
    """Common movement of a source, a jig or a control unit."""

    window_days: Days = Field(description="How far back the other probes' checks speak for a source at an instant.")
    least_probes: int = Field(
        ge=2,
        le=50,
        json_schema_extra=_unit("probes"),
        description="Probes on a source below which source and probe cannot be told apart.",
    )
    activity_uncertainty_pct: Percent = Field(
        description="Uncertainty (k=1) of a source's activity where the certificate states none."
    )


class Schedule(_Section):
    """How often what is checked. None set: three times a probe's own median interval is overdue."""

    check_days: Days | None = Field(default=None, description="Interval of constancy checks on the check source.")
    window_check_days: Days | None = Field(
        default=None, description="Interval of window checks (below, on, above the photopeak)."
    )
    background_days: Days | None = Field(default=None, description="Interval of background checks.")
    leak_test_days: Days | None = Field(
        default=None,
        description="Interval of leak tests of sealed sources, by local law (an example, no default: 6 months in 10 CFR 35.67).",
    )
    inventory_days: Days | None = Field(
        default=None,
        description="Interval of the inventory of sealed sources, by local law (an example, no default: 6 months in 10 CFR 35.67).",
    )
    inspection_days: Days | None = Field(
        default=None, description="Interval of the yearly inspection (acceptance set of measurements)."
    )
    inspection_days_by_kind: dict[InspectionKind, Days] = Field(
        default_factory=dict,
        json_schema_extra=_unit("d"),
        description="Interval of single kinds of inspection, by kind (visual, power, sensitivity, …).",
    )
    source_lead_days: Days = Field(description="Time from ordering a source to its first use (site choice).")
    after_drop: tuple[InspectionKind, ...] = Field(
        json_schema_extra=_unit("kinds of inspection"),
        description="Inspections that a drop asks for (common practice, no source).",
    )
    after_repair: tuple[InspectionKind, ...] = Field(
        json_schema_extra=_unit("kinds of inspection"),
        description="Inspections that a repair or a new part asks for (common practice, no source).",
    )
    check_days_by_probe: dict[str, Days] = Field(
        default_factory=dict,
        json_schema_extra=_unit("d"),
        description="Interval of constancy checks for single probes, by probe id.",
    )
    visit_from_days: Days = Field(
        description="Constancy checks due more often than this are the site's own rounds; rarer ones need a visit."
    )
    bring_forward_days: int = Field(
        ge=0,
        le=366,
        json_schema_extra=_unit("d"),
        description="How much earlier than needed a source may be replaced, to share a visit; never later.",
    )
    most_risk_days: float = Field(
        ge=0,
        le=366,
        json_schema_extra=_unit("d"),
        description="Expected days in use beyond tolerance above which a probe is taken in though its median lies after the plan.",
    )
    service_days: int = Field(
        ge=1, le=366, json_schema_extra=_unit("d"), description="Days a probe is away for a service."
    )


class Cover(_Section):
    """How many fit probes must stay."""

    least_fit_probes: int = Field(
        ge=0,
        le=1000,
        json_schema_extra=_unit("probes"),
        description="Fit probes each site keeps on each operating day.",
    )
    least_fit_probes_by_site: dict[str, int] = Field(
        default_factory=dict, json_schema_extra=_unit("probes"), description="The same for single sites, by site."
    )
    of_each: Literal["model_type", "detector", "site"] = Field(
        json_schema_extra=_unit("kind"),
        description="The number is kept of each model_type, of each detector, or of the site's probes together (site).",
    )
    lend_spares: bool = Field(
        json_schema_extra=_unit("yes/no"),
        description="Where a site alone cannot keep its cover, the plan proposes spares of other sites.",
    )


class Costs(_Section):
    """What service and replacement cost; used for advice and plan only where set."""

    service: Money | None = Field(default=None, description="A service of one probe.")
    visit: Money | None = Field(default=None, description="One visit to a site.")
    loan: Money | None = Field(
        default=None, description="Sending a spare to another site and back; none: it weighs as much as a visit."
    )
    day_at_risk: Money | None = Field(
        default=None,
        description="What a day in use beyond tolerance weighs in the plan; none: a fifth of a visit. Not part of its cost.",
    )
    replacement: Money | None = Field(
        default=None, description="A new probe, where its own replacement_cost is not recorded."
    )
    upkeep_per_year: Money | None = Field(default=None, description="Yearly upkeep of a sound probe.")
    discount_rate_pct: float = Field(
        ge=0, lt=100, json_schema_extra=_unit("%/a"), description="Discount rate for equivalent annual costs."
    )
    service_life_years: float = Field(
        gt=0, le=50, json_schema_extra=_unit("a"), description="Life a new probe is planned for."
    )


class Decision(_Section):
    """Service or retire: an ordered table whose first row that holds decides."""

    services_window_days: Days = Field(
        description="Services of a probe within this time count as repeated (site choice)."
    )
    visit_days: Days = Field(
        description="Time until the next planned visit: what likely leaves tolerance before it is serviced now."
    )
    years_after_service: float = Field(
        gt=0,
        le=50,
        json_schema_extra=_unit("a"),
        description="Years that a serviced probe serves yet, at least, when keeping it is weighed (site choice).",
    )
    service_fails_share: float = Field(
        gt=0,
        lt=1,
        json_schema_extra=_unit("share"),
        description="Share of services taken not to hold before anything is seen after one (site choice).",
    )
    clinical_nuclide: str = Field(
        min_length=1,
        json_schema_extra=_unit("nuclide"),
        description="Nuclide of the measured sensitivity that is held against the fitness floor.",
    )
    rows: tuple[Row, ...] = Field(
        json_schema_extra=_unit("table"),
        description="Rows of the decision table, from the top; each has a name, an advice and its conditions.",
    )

    @field_validator("rows")
    @classmethod
    def _sound_table(cls, rows: tuple[Row, ...]) -> tuple[Row, ...]:
        if problems := table_problems(rows):
            raise ValueError("; ".join(problems))
        return rows


class SiteSettings(_Section):
    """The place."""

    time_zone: str = Field(json_schema_extra=_unit("IANA name"), description="Time zone of times that carry an offset.")
    call_on_failure: str = Field(
        json_schema_extra=_unit("text"), description="Whom to call when a check fails; shown on the bench page."
    )


class HalfLife(_Section):
    """A half-life that replaces the shipped one, with where it is from."""

    half_life_days: float = Field(gt=0, json_schema_extra=_unit("d"), description="Half-life in days.")
    source: str = Field(
        min_length=1, json_schema_extra=_unit("text"), description="Evaluation or publication it is taken from."
    )


class Nuclides(_Section):
    """Half-lives. Shipped: ICRP 107."""

    half_lives: dict[str, HalfLife] = Field(
        default_factory=dict, json_schema_extra=_unit("d"), description="Overrides by nuclide, each with its source."
    )


class Settings(_Section):
    """All settings in force for one run."""

    alarms: Alarms
    limits: Limits
    reference: ReferenceSettings
    noise: Noise
    shared: Shared
    schedule: Schedule
    cover: Cover
    costs: Costs
    decision: Decision
    site: SiteSettings
    nuclides: Nuclides

    @property
    def fingerprint(self) -> str:
        """sha256 over the settings as sorted JSON."""
        text = json.dumps(self.model_dump(mode="json"), sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()


Layer = Mapping[str, Mapping[str, Any]]


def shipped() -> dict[str, dict[str, Any]]:
    """The defaults of ``config/*.toml``, merged by section."""
    return deepcopy(_shipped())


@cache
def _shipped() -> dict[str, dict[str, Any]]:
    """The same, read once: they lie beside the program and change with it alone."""
    merged: dict[str, dict[str, Any]] = {}
    for entry in sorted(resources.files("config").iterdir(), key=lambda one: one.name):
        if entry.name.endswith(".toml"):
            for section, values in tomllib.loads(entry.read_text(encoding="utf-8")).items():
                merged.setdefault(section, {}).update(values)
    return merged


def from_directory(directory: Path) -> dict[str, dict[str, Any]]:
    """Every ``*.toml`` of a folder, merged by section; UserError names the file that cannot be read."""
    if not directory.is_dir():
        raise UserError("no such folder", where=str(directory), do="Name a folder that holds *.toml files.")
    merged: dict[str, dict[str, Any]] = {}
    for path in sorted(directory.glob("*.toml")):
        try:
            content = tomllib.loads(path.read_text(encoding="utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise UserError(f"not valid TOML ({error})", where=str(path), do="Mend the line it names.") from error
        for section, values in content.items():
            if not isinstance(values, dict):
                raise UserError(
                    f"`{section}` stands outside any section", where=str(path), do="Put it under a [section]."
                )
            merged.setdefault(section, {}).update(values)
    return merged


def load(*layers: Layer) -> Settings:
    """The settings from the shipped defaults and further layers, later ones winning.

    All problems at once in one UserError.

    >>> load({"limits": {"tolerance_pct": 8}}).limits.tolerance_pct
    8.0
    """
    merged = shipped()
    for layer in layers:
        for section, values in layer.items():
            merged.setdefault(section, {}).update(values)
    try:
        return Settings.model_validate(merged)
    except ValidationError as error:
        problems = "; ".join(
            f"{'.'.join(map(str, e['loc']))}: {e['msg'].removeprefix('Value error, ')}"
            + ("" if isinstance(e["input"], (dict, list, tuple)) else f" (got {e['input']!r})")
            for e in error.errors()
        )
        raise UserError(
            f"settings that cannot be used: {problems}", where="config", do="See `config/` for names and units."
        ) from error
