"""Torn lines: how a picture without a steady wheel tells itself from any picture that holds together.

Lines lie under each other in every picture, whatever it shows: the best match of a line with the next is at no
displacement, or at one that its neighbours share (a slant). Where lines are torn, a line matches the next well only at a
displacement that neither the pair above nor the pair below has. A pattern can imitate that (courses of bricks), but always
with its own one or two displacements; torn lines have ever new ones. So the figure is *which* displacements occur. Null:
none in 400 fields of pictures, drawings, captions and slants; two in bricks.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

F32 = NDArray[np.float32]

MARGIN_SAMPLES = 24
"""Left out at each end: blanking, which may have been put in again and is then straight."""
THIN = 2
"""Samples averaged into one: a tear is many samples wide, and the noise of FM lies in the upper half of the band."""
LEAST_TEAR_SAMPLES = 12
"""0.9 us: ten times the quadrature error of a badly set wheel (physics: 20 ns/um, some 0.1 us at most)."""
REACH_SAMPLES = 96
"""7 us; tears beyond match badly, since less of the lines overlaps."""
KIND_SAMPLES = 8
"""Displacements nearer than this are of one kind."""
KINDS = REACH_SAMPLES // KIND_SAMPLES
GOOD_MATCH = 0.5
"""Correlation coefficient of the derivatives; unrelated lines reach 0.2 (3.5 / sqrt(300 samples))."""
NEAR_SHARE = 0.6
"""A match counts as displaced when the best one near its neighbours' place is poorer than this share of it."""
ALIKE = 3
"""Thinned samples: pairs above and below lie at one place when they differ by no more."""


def tear_kinds(lines: F32) -> int:
    """Displacements between torn lines in one field, as a set of bits: bit k for k * 8 to k * 8 + 8 samples either way.

    ``lines`` (lines, width) of one field, any linear unit. 0: nothing torn, or too little picture to tell.
    """
    width = (lines.shape[1] - 2 * MARGIN_SAMPLES) // THIN
    if len(lines) < 4 or width < 4 * REACH_SAMPLES // THIN:
        return 0
    inner = lines[:, MARGIN_SAMPLES : MARGIN_SAMPLES + width * THIN]
    slope = np.diff(inner.reshape(len(lines), width, THIN).mean(axis=2), axis=1)
    slope -= slope.mean(axis=1, keepdims=True)
    match, place = _matches(slope)
    return _bits(match, place)


def _matches(slope: F32) -> tuple[F32, int]:
    """Correlation of each line with the next, (lines - 1, 2 reach + 1), and the column of no displacement."""
    reach = REACH_SAMPLES // THIN
    length = fft.next_fast_len(slope.shape[1] + reach, real=True)
    spectrum = fft.rfft(slope, length, axis=1)
    product = fft.irfft(spectrum[1:] * np.conj(spectrum[:-1]), length, axis=1)
    size = np.sqrt((slope * slope).sum(axis=1)) + np.float32(1e-6)
    centred = np.concatenate([product[:, -reach:], product[:, : reach + 1]], axis=1)
    return np.asarray(centred / (size[1:] * size[:-1])[:, None], np.float32), reach


def _bits(match: F32, place: int) -> int:
    at = match.argmax(axis=1)
    good = match[np.arange(len(match)), at] > GOOD_MATCH
    least = LEAST_TEAR_SAMPLES // THIN
    above, here, below = at[:-2], at[1:-1], at[2:]
    torn = good[:-2] & good[1:-1] & good[2:] & (np.abs(above - below) <= ALIKE)
    torn &= (np.abs(here - above) > least) & (np.abs(here - below) > least)
    bits = 0
    for k in np.flatnonzero(torn):
        low, high = min(above[k], below[k]) - least, max(above[k], below[k]) + least + 1
        if match[k + 1, max(low, 0) : high].max() < NEAR_SHARE * match[k + 1, here[k]]:
            bits |= 1 << min(abs(int(here[k]) - int(above[k])) * THIN // KIND_SAMPLES, KINDS - 1)
    return bits
