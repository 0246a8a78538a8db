"""Writes ``half_lives.csv`` (nuclide, half_life_days) from the ``radioactivedecay`` package: ICRP Publication 107.

Run once by a developer: ``python -m analytics.counting.make_half_lives``. The package takes over a second to import,
so the tool ships the table; a test holds the table against the package.
"""

from __future__ import annotations

import math
from pathlib import Path


def rows() -> list[tuple[str, float]]:
    """Every radioactive nuclide of the package's default data set with its half-life in days (years of 365.2422 d)."""
    import radioactivedecay

    data = radioactivedecay.DEFAULTDATA
    found = ((str(name), float(radioactivedecay.Nuclide(str(name)).half_life("d"))) for name in data.nuclides)
    return sorted((name, days) for name, days in found if math.isfinite(days))


def main() -> None:
    """Write the table beside this file."""
    lines = ["nuclide,half_life_days", *(f"{name},{days!r}" for name, days in rows())]
    Path(__file__).with_name("half_lives.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
