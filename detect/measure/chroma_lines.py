"""How much neighbouring chroma lines have in common of their noise: of which lines a decoder made them.

Noise is a line's own until a decoder adds lines. Then the noise of stored lines k apart correlates as the weights of the decoder do with
themselves, whatever the picture and the heads: a delay line's (1, 1)/2 by a half at k = 1, a comb's (1, 2, 1)/4 by two thirds and a sixth
at k = 1 and 2. The noise is what a field differs by from the same field a frame before, about 1 MHz, where that is least.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.measure.kernels import cell_energy, compiled

F32 = NDArray[np.float32]

MOST_APART = 4
"""Lines of a field: as far as what any decoder adds goes."""
CELL_SAMPLES = 16
_BAND_TAPS = np.array([[-1, 0, 0, 2, 0, 0, -1]], np.float32) / np.float32(np.sqrt(6))
"""Of colour at 6.75 MHz: nothing of areas, most of what lies from 0.6 to 1.3 MHz."""
_QUIETEST, _QUIET = 0.2, 2.0
"""Cells with up to so many times the energy of this quantile: there nothing moves."""


def line_products(u: F32, v: F32, before_u: F32, before_v: F32, first: int, last: int) -> NDArray[np.float64]:
    """Of quiet cells of a field (lines, samples) against a frame before: energy, then products with lines 1 to ``MOST_APART`` on, each over
    as much energy of the lines they are of; (1 + ``MOST_APART``, 2). Columns ``first`` to ``last`` (exclusive) are looked at."""
    du, dv = (cv2.filter2D(now - before, -1, _BAND_TAPS) for now, before in ((u, before_u), (v, before_v)))
    cells = (last - first) // CELL_SAMPLES
    energy, of_v = (np.zeros((len(u), cells), np.float32) for _ in range(2))
    cell_energy(du, first, CELL_SAMPLES, energy)
    cell_energy(dv, first, CELL_SAMPLES, of_v)
    energy = (energy + of_v) * np.float32(CELL_SAMPLES)  # sums, as the products are
    seen = energy[energy > 0]
    out = np.zeros((1 + MOST_APART, 2))
    if seen.size:
        _products(du, dv, first, energy, np.float32(_QUIET * np.quantile(seen, _QUIETEST)), out)
    return out


@compiled
def _products(du: F32, dv: F32, first: int, energy: F32, most: float, out: NDArray[np.float64]) -> None:
    lines, cells = energy.shape
    for i in range(lines):
        for c in range(cells):
            if not 0 < energy[i, c] <= most:
                continue
            for k in range(MOST_APART + 1):
                if i + k >= lines or not 0 < energy[i + k, c] <= most:
                    continue
                total = np.float32(0.0)
                for x in range(first + c * CELL_SAMPLES, first + (c + 1) * CELL_SAMPLES):
                    total += du[i, x] * du[i + k, x] + dv[i, x] * dv[i + k, x]
                out[k, 0] += total
                out[k, 1] += np.sqrt(energy[i, c] * energy[i + k, c])
