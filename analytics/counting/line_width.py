"""The line width a probe is taken to have: its own measured energy resolution, else what its kind of detector has.

A resolution measured (inspections of kind ``energy_resolution``) at or before the check is used, the latest one;
a later one never reaches back. Another energy is reached by 1/√E.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.counting.arrays import Bools, Codes, Floats, Times
from analytics.counting.line_model import typical_fwhm_pct
from analytics.counting.lines import photopeak_kev
from analytics.records.snapshot import Records

_SENSIBLE_PCT = (0.5, 80.0)


def line_widths(
    records: Records, probe_names: tuple[str, ...], probe: Codes, at: Times, energy_kev: float,
) -> tuple[Floats, Bools]:
    """(FWHM in % of the energy, whether it was only assumed) of each row; probe: codes into ``probe_names``."""
    detectors = dict(zip(records.probes["probe"].to_numpy(object), records.probes["detector"].to_numpy(object), strict=True))
    kinds = [one if isinstance(one := detectors.get(name), str) else None for name in probe_names]
    typical = np.array([typical_fwhm_pct(one, energy_kev) for one in kinds])
    width, assumed = typical[probe], np.ones(len(probe), bool)
    measured = _measured(records.inspections, probe_names, energy_kev)
    # In time order, so that the latest one at or before the check is written last.
    for code, done_at, fwhm_pct in measured:
        rows = (probe == code) & (at >= done_at)
        width[rows], assumed[rows] = fwhm_pct, False
    return width, assumed


def _measured(
    inspections: pd.DataFrame, probe_names: tuple[str, ...], energy_kev: float,
) -> list[tuple[int, np.datetime64, float]]:
    """(probe code, when, FWHM % at ``energy_kev``) of every usable resolution measurement, in time order."""
    codes = {name: code for code, name in enumerate(probe_names)}
    found = []
    wanted = inspections[(inspections["kind"] == "energy_resolution") & (inspections["result"] != "fail")]
    if len(wanted) == 0:
        return []
    columns = ("probe", "done_at", "value", "unit", "nuclide")
    for row in wanted.sort_values(["done_at", "inspection_id"])[list(columns)].to_dict("records"):
        fwhm_pct = _in_pct(row["value"], row["unit"], row["nuclide"], energy_kev)
        if row["probe"] in codes and _SENSIBLE_PCT[0] <= fwhm_pct <= _SENSIBLE_PCT[1]:
            found.append((codes[row["probe"]], np.datetime64(row["done_at"], "us"), fwhm_pct))
    return found


def _in_pct(value: float, unit: object, nuclide: object, energy_kev: float) -> float:
    """A measured resolution (% or keV) as % of ``energy_kev``; NaN where value or unit cannot be used."""
    line = photopeak_kev(nuclide, 0.0, np.inf) if isinstance(nuclide, str) else None
    measured_at = line or energy_kev
    to_pct = {"%": 1.0, "pct": 1.0, "percent": 1.0, "kev": 100.0 / measured_at}
    scale = to_pct.get(unit.strip().lower() if isinstance(unit, str) else "%", float("nan"))
    return value * scale * float(np.sqrt(measured_at / energy_kev))
