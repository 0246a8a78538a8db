"""Photon lines of the nuclides a probe meets: energy (keV) and photons per 100 decays.

Co-57 energies and intensities: project methods §6. The other energies as in the project's list of check sources where
it gives them; all further energies and intensities [from memory of the DDEP and ICRP 107 tables, not looked up].
Only ratios of intensities of one nuclide matter here, and only those of lines that reach the window.
"""

from __future__ import annotations

import numpy as np

from analytics.counting.arrays import Floats
from analytics.counting.nuclides import normalise

_LINES: dict[str, tuple[tuple[float, float], ...]] = {
    "Co-57": ((122.06, 85.5), (136.47, 10.7)),
    "Tc-99m": ((140.51, 88.5),),
    "I-125": ((27.20, 39.7), (27.47, 74.0), (30.98, 20.9), (31.75, 4.6), (35.49, 6.7)),
    "I-129": ((29.46, 20.0), (29.78, 37.0), (33.62, 10.6), (34.42, 2.4), (39.58, 7.4)),
    "Am-241": ((26.34, 2.3), (59.54, 35.9)),
    "Ba-133": (
        (30.63, 33.8), (30.97, 62.4), (35.05, 18.2), (35.90, 4.5), (53.16, 2.1), (79.61, 2.6), (81.00, 33.3),
        (160.61, 0.6), (223.24, 0.5), (276.40, 7.1), (302.85, 18.3), (356.01, 62.0), (383.85, 8.9)),
    "Cs-137": ((31.82, 2.0), (32.19, 3.6), (36.40, 1.3), (661.66, 85.0)),
    "Gd-153": ((40.90, 34.5), (41.54, 62.5), (47.00, 19.7), (48.30, 5.0), (69.67, 2.4), (97.43, 29.0), (103.18, 21.1)),
}


def lines(nuclide: str) -> tuple[Floats, Floats] | None:
    """(keV, photons per 100 decays) of the nuclide's lines, rising in energy; None where none are listed.

    >>> lines("57Co")
    (array([122.06, 136.47]), array([85.5, 10.7]))
    >>> lines("Zz-1") is None
    True
    """
    found = _LINES.get(normalise(nuclide))
    if found is None:
        return None
    table = np.array(found, dtype=np.float64)
    return table[:, 0], table[:, 1]


def photopeak_kev(nuclide: str, low_kev: float, high_kev: float) -> float | None:
    """Energy of the strongest line between the two energies, else of the strongest one; None where none are listed.

    >>> photopeak_kev("Ba-133", 300.0, 400.0)
    356.01
    """
    found = lines(nuclide)
    if found is None:
        return None
    energy, intensity = found
    inside = (energy >= low_kev) & (energy <= high_kev)
    pick = np.where(inside, intensity, 0.0) if inside.any() else intensity
    return float(energy[int(np.argmax(pick))])
