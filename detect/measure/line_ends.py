"""Dashes at the ends of single lines: what switching from head to head leaves when it falls into the picture.

A transmission that is locked to the field changes heads on the same lines of every field, so a switch transient stands
still and lies inside the range of the fields around; the search for losses cannot see it. Asked of one field alone: a
piece at the very end of a line that differs from the lines above and below, ends within 3 us, and whose neighbours do
not differ likewise. Which of these lines are those of head changes is asked when judging.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

STANDING = 4
"""Kind code of these candidates."""
END_SAMPLES = 40
"""3 us: longer transients are not known (house practice)."""
PIECE_SAMPLES = 10
"""0.75 us: what is averaged; a transient rings for about a microsecond."""
LEAST_IRE = 3.0
"""Mean distance from the lines above and below."""
OVER_NOISE = 4.0
"""... and from the noise: the mean distance of noise is 0.98 of its standard deviation, of 10 samples within a third."""
OVER_NEIGHBOURS = 1.4
"""A single line differs twice as much as the lines next to it, which differ from it alone."""
OVER_INSIDE = 2.5
"""... and the line's own next 3 us must not differ: edges of the picture go on into the line."""
MOST_OF_A_FIELD = 40
"""Dashes kept of one field: twice the number of head changes."""


def dashes_at_ends(
    field: NDArray[np.integer[Any]], *, first: int, left: int, right: int, noise: float, ire: float
) -> NDArray[np.float64]:
    """Dashes of one field (lines, width), 10-bit codes: (count, 4) of line, x0, x1, contrast in IRE.

    ``left``, ``right``: bounds of the picture; ``noise``: standard deviation and ``ire``: size of 1 IRE, in codes.
    """
    out = []
    for x0, x1, inner in (
        (left, left + END_SAMPLES, left + END_SAMPLES),
        (right - END_SAMPLES, right, right - 2 * END_SAMPLES),
    ):
        at_end = _stands_out(field, x0, x1)
        inside = _stands_out(field, inner, inner + END_SAMPLES).max(1)
        size = at_end.max(1)
        around = np.maximum(np.roll(size, 1), np.roll(size, -1))
        good = (size > np.maximum(LEAST_IRE * ire, OVER_NOISE * noise)) & (size > OVER_NEIGHBOURS * around)
        good &= size > OVER_INSIDE * inside
        good[: first + 1] = good[-2:] = False
        lines = np.flatnonzero(good)
        start = x0 + PIECE_SAMPLES * at_end[lines].argmax(1)
        out.append(np.stack([lines, start, start + PIECE_SAMPLES, size[lines] / ire], 1).astype(np.float64))
    dashes = np.concatenate(out)
    strongest = np.sort(np.argsort(-dashes[:, 3], kind="stable")[:MOST_OF_A_FIELD])
    return dashes[strongest]


def _stands_out(field: NDArray[np.integer[Any]], x0: int, x1: int) -> NDArray[np.floating[Any]]:
    """Mean distance of each piece of each line from the mean of the lines above and below; (lines, pieces)."""
    part = field[:, x0:x1].astype(np.float64)
    distance = np.zeros_like(part)
    distance[1:-1] = np.abs(part[1:-1] - (part[:-2] + part[2:]) / 2)
    return np.asarray(distance.reshape(len(part), -1, PIECE_SAMPLES).mean(2))
