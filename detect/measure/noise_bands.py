"""Bands of lines that hold noise and no picture: a head that reads nothing.

Where many neighbouring lines are lost along all of their length, the range of neighbours spans everything and nothing falls outside it.
Such lines have nothing in common with each other. Null hypothesis: adjacent lines of a picture correlate; noise of 4.2 MHz leaves some 230
values of a line free, so that its correlation with the next is 0 with a standard error of 0.07. The lines beyond
the band correlate as pictures do, which a picture of snow from top to bottom does not offer, and texture that stands still correlates
with the frame before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from detect.measure.kernels import compiled

I16 = NDArray[np.int16]

GONE = 5
"""Kind code of these among the candidates."""

EVERY = 3
"""Samples from one that is asked to the next: those of 4.2 MHz hardly say more."""
UNLIKE = 0.3
"""Correlation below which two lines have nothing in common: four standard errors of noise's. Even foliage has more from line to line of a
field (house value)."""
UNLIKE_EACH = 0.5
"""... of one pair; a band as a whole keeps to UNLIKE. A decoder that combs puts a part of each line into the next: behind one of two
lines, noise of which a share s is combed correlates by (s/4) / (1 - s/2), 0.21 where s is 0.6, give or take 0.07 a pair."""
FILLED_PAIRS = 2
"""So many pairs in a row may be alike inside a band: a compensator that finds a line of it lost puts the mean of others there, which has
0.71 in common with each of two."""
ALIKE = 0.6
"""... and from which they show the same picture."""
LEAST_RMS_IRE = 10.0
"""Noise that a demodulator without a carrier gives is tens of IRE, in the median line of a band; flat areas correlate no better than noise,
but lie far below this."""
FEWEST_LINES, MOST_LINES = 5, 40
"""Lines in a band: a head scans 16, and two that follow each other 33."""
FLANK_LINES = 3
"""Pairs of lines beyond either end of which the median must be alike."""
LEAST_UNLIKE_BEFORE = 0.8
"""Share of a band's lines that must be unlike the same lines of the frame before."""


@compiled
def _likeness(a: I16, b: I16, left: int, right: int) -> tuple[float, float]:
    """Correlation of two lines, and the standard deviation of the first, codes."""
    number = (right - left + EVERY - 1) // EVERY
    own = own2 = other = other2 = both = np.int64(0)
    for k in range(number):
        p, q = np.int32(a[left + EVERY * k]), np.int32(b[left + EVERY * k])
        own += p
        other += q
        own2 += np.int32(p * p)
        other2 += np.int32(q * q)
        both += np.int32(p * q)
    count = float(number)
    va, vb = own2 / count - (own / count) ** 2, other2 / count - (other / count) ** 2
    return (both / count - own / count * other / count) / np.sqrt(max(va * vb, 1e-9)), np.sqrt(max(va, 0.0))


@compiled
def _down(y: I16, left: int, right: int, every: int, like: NDArray[np.float32], deviation: NDArray[np.float32]) -> None:
    """Of ``every`` so many lines one: its correlation with the next of the field, and its standard deviation."""
    for i in range(0, y.shape[0] - 1, every):
        like[i], deviation[i] = _likeness(y[i], y[i + 1], left, right)


def noise_bands(
    y: I16, before: I16 | None, *, first: int, last: int, left: int, right: int, ire: float
) -> list[tuple[int, int]]:
    """Bands (first line, line after the last) of one field ``y`` (lines, samples), 10-bit codes, that hold nothing but noise.

    ``before``: the same field of the frame before, where there is one; ``first``, ``last``: lines of picture; ``ire``: codes an IRE.
    """
    like, deviation = np.ones(len(y), np.float32), np.zeros(len(y), np.float32)
    _down(y, left, right, FEWEST_LINES - 1, like, deviation)  # no band passes between these lines
    if not np.any((like < UNLIKE) & (deviation > LEAST_RMS_IRE * ire)):
        return []
    _down(y, left, right, 1, like, deviation)
    unlike = ndimage.binary_closing(like < UNLIKE_EACH, np.ones(FILLED_PAIRS + 1, bool))
    lost = np.zeros(len(y), bool)
    lost[1:] = unlike[:-1] & unlike[1:]
    lost[: first + 1] = lost[last - 1 :] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[False], lost, [False]]).astype(np.int8)))
    found = []
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if not FEWEST_LINES <= b - a <= MOST_LINES or not _flanked(like, a, b, first, last):
            continue
        if np.mean(like[a - 1 : b]) >= UNLIKE or np.median(deviation[a:b]) <= LEAST_RMS_IRE * ire:
            continue
        if before is not None:
            new = [_likeness(y[i], before[i], left, right)[0] < UNLIKE for i in range(a, b)]
            if np.mean(new) < LEAST_UNLIKE_BEFORE:
                continue
        found.append((a, b))
    return found


def _flanked(like: NDArray[np.float32], a: int, b: int, first: int, last: int) -> bool:
    """Whether the picture goes on above and below; at its top and bottom one side is enough."""
    above, below = like[max(a - 1 - FLANK_LINES, first) : a - 1], like[b : min(b + FLANK_LINES, last - 1)]
    seen = [float(np.median(side)) for side in (above, below) if len(side) == FLANK_LINES]
    return bool(seen) and min(seen) > ALIKE


@dataclass(slots=True)
class Band:
    """One band in one field (0 first in time) of each frame from ``start_frame`` to before ``end_frame``."""

    field: int
    first_line: int
    end_line: int
    start_frame: int
    end_frame: int

    @property
    def lines(self) -> int:
        return self.end_line - self.first_line


MOST_BANDS = 20_000
"""Bands kept of one file; ``BandCourse.dropped`` counts the others."""
SAME_LINES = 1
"""Ends of a band may move so far from frame to frame: the wheel does not stand still to a line, and noise may look like picture."""


class BandCourse:
    """Bands of one field after another, joined where they go on from frame to frame."""

    def __init__(self) -> None:
        self.bands: list[Band] = []
        self.dropped = 0
        self._open: tuple[list[Band], list[Band]] = ([], [])

    def add(self, frame: int, field: int, found: list[tuple[int, int]]) -> None:
        """Bands (first line, line after the last) of a field; frames come in order."""
        going_on: list[Band] = []
        for first, end in found:
            for band in self._open[field]:
                near = abs(band.first_line - first) <= SAME_LINES and abs(band.end_line - end) <= SAME_LINES
                if near and band.end_frame == frame:
                    band.end_frame = frame + 1
                    going_on.append(band)
                    break
            else:
                if len(self.bands) < MOST_BANDS:
                    going_on.append(Band(field, first, end, frame, frame + 1))
                    self.bands.append(going_on[-1])
                else:
                    self.dropped += 1
        self._open[field][:] = going_on
