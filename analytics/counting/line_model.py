"""What a window sees of a nuclide's lines: Gaussian lines integrated over the window, on a flat scatter part.

Pulse heights scale with the gain u, the width of a line with its energy:

    T(u, w) = Σ I_i [Φ(x_hi) − Φ(x_lo)] + b,   x = (edge/(E_i·u) − 1)/k,   k = w/√(8 ln 2)

E_i, I_i lines, w full width at half maximum over energy, Φ the normal distribution, b the flat part (the same for
windows of the same width). All lines are taken as detected with the same efficiency.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.counting.arrays import Floats
from analytics.counting.lines import lines, photopeak_kev

FWHM_PER_SIGMA = float(np.sqrt(8.0 * np.log(2.0)))

# Typical FWHM at 140 keV in per cent of the energy, by kind of detector [common practice, from memory, no source];
# other energies by 1/√E. Used only where three counts cannot tell the width themselves.
_TYPICAL_FWHM_PCT = {"CZT": 6.0, "CdTe": 6.0, "NaI(Tl)": 11.0, "CsI(Tl)": 15.0}
_UNKNOWN_DETECTOR_FWHM_PCT = 12.0


def typical_fwhm_pct(detector: str | None, energy_kev: float) -> float:
    """Typical FWHM (% of the energy) of a kind of detector at an energy; 12 % at 140 keV where the kind is not known.

    >>> round(typical_fwhm_pct("NaI(Tl)", 140.0), 1)
    11.0
    """
    at_140 = _TYPICAL_FWHM_PCT.get(detector or "", _UNKNOWN_DETECTOR_FWHM_PCT)
    return at_140 * float(np.sqrt(140.0 / energy_kev))


SetupKey = tuple[tuple[float, ...], tuple[float, ...], float, float, float, float]


@dataclass(frozen=True)
class WindowSetup:
    """One nuclide looked at through one registered window: three settings of the same width in keV."""

    energy_kev: Floats        # of the lines
    intensity: Floats
    photopeak_kev: float      # the line the shift is a percentage of
    centre_kev: float
    width_kev: float
    offset_kev: float         # window_below sits at centre − offset, window_above at centre + offset

    @staticmethod
    def of(nuclide: str, centre_kev: float, width_pct: float, offset_pct: float) -> WindowSetup | None:
        """From the registered window (percentages of its centre); None where lines or figures are missing."""
        found = lines(nuclide)
        figures = np.array([centre_kev, width_pct, offset_pct])
        reach = centre_kev * (0.5 * width_pct + offset_pct) / 100.0
        peak = photopeak_kev(nuclide, centre_kev - reach, centre_kev + reach)
        if found is None or peak is None or not np.isfinite(figures).all() or not (figures > 0).all():
            return None
        return WindowSetup(*found, peak, centre_kev, centre_kev * width_pct / 100.0, centre_kev * offset_pct / 100.0)

    @property
    def key(self) -> SetupKey:
        """What it is, as something a cache can be asked by."""
        lines = (tuple(self.energy_kev.tolist()), tuple(self.intensity.tolist()))
        return *lines, self.photopeak_kev, self.centre_kev, self.width_kev, self.offset_kev

    @staticmethod
    def of_key(key: SetupKey) -> WindowSetup:
        """The setup of a key."""
        energy, intensity, *figures = key
        return WindowSetup(np.array(energy), np.array(intensity), *figures)

    def seen(self, gain: Floats, fwhm: Floats, offset_kev: float = 0.0) -> tuple[Floats, Floats, Floats]:
        """(T, dT/du, dT/d ln w) of the lines alone in the window set off by ``offset_kev``.

        gain: u (1: as registered); fwhm: w as a fraction. Broadcast; T in photons per 100 decays.
        """
        u, k = np.asarray(gain)[..., None], np.asarray(fwhm)[..., None] / FWHM_PER_SIGMA
        edges = self.centre_kev + offset_kev + 0.5 * self.width_kev * np.array([-1.0, 1.0])
        total, by_gain, by_width = 0.0, 0.0, 0.0
        for sign, edge in ((-1.0, edges[0]), (1.0, edges[1])):
            scaled = edge / (self.energy_kev * u)
            x = (scaled - 1.0) / k
            density = np.exp(-0.5 * x**2) / np.sqrt(2.0 * np.pi)
            total = total + sign * (self.intensity * _normal(x)).sum(axis=-1)
            by_gain = by_gain - sign * (self.intensity * density * scaled / (k * u)).sum(axis=-1)
            by_width = by_width - sign * (self.intensity * density * x).sum(axis=-1)
        return np.asarray(total), np.asarray(by_gain), np.asarray(by_width)

    def counted(self, gain: Floats, fwhm: Floats) -> Floats:
        """T of ``seen`` in the centred window to the last digit, without its derivatives, which take most of the time."""
        u, k = np.asarray(gain)[..., None], np.asarray(fwhm)[..., None] / FWHM_PER_SIGMA
        edges = self.centre_kev + 0.5 * self.width_kev * np.array([-1.0, 1.0])
        total = 0.0
        for sign, edge in ((-1.0, edges[0]), (1.0, edges[1])):
            x = (edge / (self.energy_kev * u) - 1.0) / k
            total = total + sign * (self.intensity * _normal(x)).sum(axis=-1)
        return np.asarray(total)


def _normal(x: Floats) -> Floats:
    from scipy.special import ndtr

    return np.asarray(ndtr(x))


def forward(
    nuclide: str, centre_kev: float, width_pct: float, fwhm_pct: float, shift_pct: Floats | float, scatter: float = 0.0,
) -> Floats:
    """Counts in the centred window against those at shift 0, when the gain has moved by ``shift_pct`` per cent.

    scatter: flat part over the lines' part at shift 0. Shape of ``shift_pct``. ValueError where the nuclide's lines
    are not listed. With Co-57 in its own window a falling gain first *raises* the counts, as the second line enters.

    >>> forward("Co-57", 122.06, 20.0, 10.0, np.array([-3.0, 0.0, 3.0])).round(3).tolist()
    [1.008, 1.0, 0.938]
    """
    setup = WindowSetup.of(nuclide, centre_kev, width_pct, width_pct)
    if setup is None:
        message = f"no photon lines are listed for {nuclide}, or a window of {width_pct} % at {centre_kev} keV is none"
        raise ValueError(message)
    gain, fwhm = 1.0 + np.asarray(shift_pct, np.float64) / 100.0, np.asarray(fwhm_pct / 100.0)
    here, at_zero = setup.counted(gain, fwhm), setup.counted(np.asarray(1.0), fwhm)
    return np.asarray((here / at_zero + scatter) / (1.0 + scatter))
