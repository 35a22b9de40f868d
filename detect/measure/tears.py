"""Torn lines: how a picture without a steady wheel tells itself from any picture that holds together.

Two witnesses. **Down the field**: lines lie under each other in every picture, whatever it shows, so the best match of a
line with the next is at no displacement, or at one that its neighbours share (a slant). Where lines are torn, a line matches
the next well only at a displacement that neither the pair above nor the pair below has. **From frame to frame**: a line
matches itself a frame earlier at a displacement that it shares with the lines next to it (nothing, or motion); where lines
are torn, groups of them have each their own. The second also speaks where lines next to each other have nothing in common.

A pattern can imitate either (courses of bricks, a caption before a fast pan), but with its own one or two displacements; torn
lines have ever new ones. So the figure is *which* displacements occur. Null: none in over 1000 fields of pictures, drawings,
captions, slants and motion on a faulty deck; two in bricks.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

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
REACH, LEAST = REACH_SAMPLES // THIN, LEAST_TEAR_SAMPLES // THIN
KIND_SAMPLES = 8
"""Displacements nearer than this are of one kind."""
KINDS = REACH_SAMPLES // KIND_SAMPLES
GOOD_MATCH = 0.5
"""Correlation coefficient of the derivatives; unrelated lines reach 0.2 (3.5 / sqrt(300 samples))."""
NEAR_SHARE = 0.6
"""A match counts as displaced when the best one near its neighbours' place is poorer than this share of it."""
ALIKE = 3
"""Thinned samples: pairs above and below lie at one place when they differ by no more."""


@dataclass
class TearFinder:
    """Displacements between torn lines, as a set of bits: bit k for k * 8 to k * 8 + 8 samples either way."""

    _frame: int = -2
    _before: F32 | None = None

    def keep(self, lines: F32, *, frame: int) -> None:
        """The field of a frame, for a look at the frame after it. ``lines``: (lines, width), any linear unit."""
        self._before, self._frame = _slope(lines), frame

    def kinds(self, lines: F32, *, frame: int) -> int:
        """Look at a field, also against the one kept if that is of the frame before. 0: nothing torn, or too little to tell."""
        slope = _slope(lines)
        if slope is None:
            return 0
        bits = _down_the_field(slope)
        before = self._before
        if before is not None and self._frame == frame - 1 and before.shape == slope.shape:
            bits |= _from_frame_to_frame(before, slope)
        return bits


def _slope(lines: F32) -> F32 | None:
    """Derivative along thinned lines, None where there is too little picture."""
    width = (lines.shape[1] - 2 * MARGIN_SAMPLES) // THIN
    if len(lines) < 8 or width < 4 * REACH:
        return None
    inner = lines[:, MARGIN_SAMPLES : MARGIN_SAMPLES + width * THIN]
    slope = np.diff(inner.reshape(len(lines), width, THIN).mean(axis=2), axis=1)
    return np.asarray(slope - slope.mean(axis=1, keepdims=True), np.float32)


def _matches(first: F32, second: F32) -> F32:
    """Correlation of lines with lines at each displacement, (lines, 2 reach + 1); no displacement in the middle."""
    length = fft.next_fast_len(first.shape[1] + REACH, real=True)
    product = fft.irfft(fft.rfft(second, length, axis=1) * np.conj(fft.rfft(first, length, axis=1)), length, axis=1)
    size = [np.sqrt((part * part).sum(axis=1)) + np.float32(1e-6) for part in (first, second)]
    centred = np.concatenate([product[:, -REACH:], product[:, : REACH + 1]], axis=1)
    return np.asarray(centred / (size[0] * size[1])[:, None], np.float32)


def _down_the_field(slope: F32) -> int:
    match = _matches(slope[:-1], slope[1:])
    at, good = _best(match)
    above, here, below = at[:-2], at[1:-1], at[2:]
    torn = good[:-2] & good[1:-1] & good[2:] & (np.abs(above - below) <= ALIKE)
    torn &= (np.abs(here - above) > LEAST) & (np.abs(here - below) > LEAST)
    return _bits((match[k + 1], above[k], below[k], here[k]) for k in np.flatnonzero(torn))


def _from_frame_to_frame(before: F32, slope: F32) -> int:
    """Lines k + 1 and k + 2 lie at different places, each together with the line on its other side."""
    match = _matches(before, slope)
    at, good = _best(match)
    above, here = at[1:-2], at[2:-1]
    torn = good[:-3] & good[1:-2] & good[2:-1] & good[3:] & (np.abs(here - above) > LEAST)
    torn &= (np.abs(at[:-3] - above) <= ALIKE) & (np.abs(at[3:] - here) <= ALIKE)
    return _bits((match[k + 2], above[k], above[k], here[k]) for k in np.flatnonzero(torn))


def _best(match: F32) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    at = match.argmax(axis=1)
    return at, match[np.arange(len(match)), at] > GOOD_MATCH


def _bits(jumps: Iterable[tuple[F32, int, int, int]]) -> int:
    """Kinds of the jumps that stand clear: (matches of the line, the places of its neighbours, its own place)."""
    bits = 0
    for match, one, other, here in jumps:
        low, high = min(one, other) - LEAST, max(one, other) + LEAST + 1
        if match[max(low, 0) : high].max() < NEAR_SHARE * match[here]:
            bits |= 1 << min(abs(int(here) - int(one)) * THIN // KIND_SAMPLES, KINDS - 1)
    return bits
