"""Of which lines a decoder made the chroma lines, by what their noise has in common (``measure.chroma_lines``)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.judge.wheel import CHROMA_LINES, Lines
from detect.measure.chroma_lines import MOST_APART

F64 = NDArray[np.float64]

SEEN_OF = 0.87
"""Share of the correlation that is seen: cells are taken where they are quiet, and the lines of a quiet cell differ more than they should
(house value, 0.80 to 0.92 with any decoder)."""
NEAR = 0.15
"""Distance in the correlations of ``MOST_APART`` lags up to which they are a decoder's. Two and three lines are 0.24 apart; of ten
tapes of ``bench_material.decoded`` with combs and delay lines none was further away than 0.09 (house value)."""
STILL_NEAR, NEXT = 0.25, 0.5
"""... and up to which they are, if no other decoder's are less than twice as far away. Detail of luminance that passes for colour
alternates from line to line and from frame to frame, which takes up to a quarter off at one line (house value, 0.17 with a comb of
another simulator)."""
MOST_BACKGROUND = 0.25
"""Correlation at all lags alike that texture of the picture may add, where it is told apart from a decoder's: only lines two apart
correlate at even lags and not at odd ones, which no texture does (house value, 0.16 behind a comb of another tape)."""
LEAST_ENERGY = 1e3
"""... from so much noise on, (per cent of full colour) squared: some hundred cells of a tape."""


def correlations(lines: Lines) -> F64:
    """Of the noise of stored lines 1 to ``MOST_APART`` apart, when that of the lines they were made of is their own."""
    weights = np.zeros(2 * MOST_APART + 1)
    for after, share in lines:
        weights[MOST_APART + after] += share
    products = np.correlate(weights, weights, mode="full")[len(weights) - 1 :]
    return np.asarray(products[1 : MOST_APART + 1] / products[0])


def lines_by_noise(products: F64, names: tuple[str, ...]) -> str | None:
    """Which of ``CHROMA_LINES`` the summed ``products`` (1 + MOST_APART, 2) of ``line_products`` are those of; None where of no one's."""
    if products[0, 1] < LEAST_ENERGY:
        return None
    seen = products[1:, 0] / np.maximum(products[1:, 1], 1e-9)
    far = {name: _distance(seen, CHROMA_LINES[name]) for name in names}
    best, after = sorted(far, key=lambda name: far[name])[:2]
    return best if far[best] < NEAR or (far[best] < STILL_NEAR and far[best] < NEXT * far[after]) else None


def _distance(seen: F64, lines: Lines) -> float:
    """Of the correlations seen from a decoder's; behind lines two apart, from the texture that fits best."""
    due = SEEN_OF * correlations(lines)
    odd = due[::2] == 0
    background = float(np.clip(seen[::2].mean(), 0.0, MOST_BACKGROUND)) if odd.all() and due.any() else 0.0
    return float(np.linalg.norm((seen - background) / (1 - background) - due)) / SEEN_OF
