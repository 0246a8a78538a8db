"""Run lengths of the scatter CUSUM S = max(0, S + min(|z|, clip)² − k), signal at S > h, z ~ N(0, sd_ratio²).

L(s) = 1 + L(0) P(s + z² ≤ k) + ∫ L(s + z² − k) φ(z) dz over the z that neither return to 0 nor signal. Seen in z the
density has no pole, which it has in z². L bends where a return to 0 becomes impossible (s = k, and images of that at
multiples of k), and jumps where a clipped z begins to signal (s = h + k − clip²); both have images k further up and
clip² − k further down. Between these places L is a polynomial in √(place − s), collocated at Chebyshev points, as is
done piecewise for S² charts (Knoth, Statistics and Computing 2005 [from memory]).
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from analytics.charts.run_lengths.checked import between
from analytics.charts.run_lengths.quadrature import gauss_legendre

Array = NDArray[np.float64]
_DEGREE = 9
_NODES = 14
_IMAGES = 6  # images upwards after which L is smooth enough


def _places(k: float, h: float, clip: float) -> Array:
    """0, h and between them the places where L is not smooth enough for a polynomial."""
    step = clip * clip - k if math.isfinite(clip) else 2.0 * h + 1.0
    places = {0.0, h}
    for image in range(min(int(h / k) + 1, _IMAGES)):
        for back in range(int(h / step) + 1):
            places.update((k * (image + 1) - step * back, h + k * image - step * back))
    ordered = sorted(place for place in places if 0.0 <= place <= h)
    kept = [0.0] + [b for a, b in pairwise(ordered) if b - a > 1e-9 * max(h, 1.0)]
    kept[-1] = h
    return np.array(kept)


def _polynomials(s: Array, low: float, high: float) -> Array:
    """Chebyshev polynomials in u = 2 √((high − s)/(high − low)) − 1."""
    share = np.clip((high - s) / (high - low), 0.0, 1.0)
    return np.asarray(np.polynomial.chebyshev.chebvander(2.0 * np.sqrt(share) - 1.0, _DEGREE), dtype=np.float64)


def scatter_mean_run_length(k: float, h: float, *, clip: float | None = None, sd_ratio: float = 1.0) -> float:
    """Mean run length of the scatter CUSUM from 0.

    k: reference value for z², more than 0. h: threshold, more than 0. clip: |z| above this counts as this; None: not
    clipped. sd_ratio: true spread of z over the one it was standardised by. ``math.inf`` where no sequence can signal
    (clip² ≤ k).

    >>> round(scatter_mean_run_length(1.4597, 14.544))
    1000
    """
    between("k", k, 1e-3, 100.0)
    between("h", h, 1e-3, 1000.0)
    between("spread ratio", sd_ratio, 1e-3, 100.0)
    top = math.inf if clip is None else clip
    if top * top <= k:
        return math.inf
    places = _places(k, h, top)
    lows, highs = places[:-1], places[1:]
    terms = _DEGREE + 1
    size = len(lows) * terms
    roots = 0.5 * (np.cos((np.arange(terms) + 0.5) * math.pi / terms) + 1.0)
    s = (highs[:, None] - (highs - lows)[:, None] * roots**2).ravel()
    piece_of_s = np.repeat(np.arange(len(lows)), terms)
    lands = np.where(s + top * top - k <= h, s + top * top - k, math.nan)  # where a clipped z goes without a signal
    piece_of_landing = np.clip(np.searchsorted(highs, lands), 0, len(lows) - 1)
    clipped = math.erfc(top / (sd_ratio * math.sqrt(2.0)))
    nodes, weights = gauss_legendre(0.0, 1.0, _NODES)

    system = np.zeros((size, size))
    for piece, (low, high) in enumerate(zip(lows, highs, strict=True)):
        columns = slice(piece * terms, (piece + 1) * terms)
        system[piece_of_s == piece, columns] += _polynomials(s[piece_of_s == piece], low, high)
        landing = (piece_of_landing == piece) & np.isfinite(lands)
        system[landing, columns] -= clipped * _polynomials(lands[landing], low, high)
        from_z = np.sqrt(np.maximum(low - s + k, 0.0))
        to_z = np.minimum(np.sqrt(np.maximum(high - s + k, 0.0)), top)
        width = np.maximum(to_z - from_z, 0.0)
        # z = to − width·node²: the root of the distance to the piece's upper end becomes smooth in the node.
        for node, weight in zip(nodes, weights, strict=True):
            z = to_z - width * node * node
            density = 2.0 * _density(z, sd_ratio) * width * 2.0 * node * weight
            system[:, columns] -= density[:, None] * _polynomials(s + z * z - k, low, high)
    at_zero = _polynomials(np.zeros(1), float(lows[0]), float(highs[0]))
    system[:, :terms] -= _returns(s, k, sd_ratio)[:, None] * at_zero
    solved = np.linalg.solve(system, np.ones(size))
    return float((at_zero @ solved[:terms])[0])


def _density(z: Array, sd: float) -> Array:
    return np.asarray(np.exp(-0.5 * (z / sd) ** 2) / (sd * math.sqrt(2.0 * math.pi)))


def _returns(s: Array, k: float, sd: float) -> Array:
    """P(s + z² ≤ k)."""
    return np.asarray(erf(np.sqrt(np.maximum(k - s, 0.0) / 2.0) / sd))


