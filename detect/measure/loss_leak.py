"""How much of a run the lines next to it show too, compiled: light of the picture leaks, a loss does not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.measure.kernels import compiled

I16 = NDArray[np.int16]
I32 = NDArray[np.int32]
F32 = NDArray[np.float32]

LEAK_MARGIN_SAMPLES = 8
"""Looked at before and after a run for the level beside it: its ends are soft over two."""
LEAK_ENDS_SAMPLES, LEAK_FEWEST = 5, 3
"""... of which the outer five give the level, three at the least (at the ends of the lines)."""


@compiled
def _straightened(row: NDArray[np.int16], w0: int, w1: int, before: int, after: int, out: F32) -> None:
    """A piece of line less the straight line through the means of its first and last samples.

    ``before`` and ``after``: how many samples there are of each; where one has fewer than LEAK_FEWEST, the other's mean
    is taken alone.
    """
    first = last = 0.0
    for x in range(before):
        first += row[w0 + x]
    for x in range(after):
        last += row[w1 - 1 - x]
    first = first / before if before >= LEAK_FEWEST else 0.0
    last = last / after if after >= LEAK_FEWEST else first
    if before < LEAK_FEWEST:
        first = last
    n = w1 - w0
    for x in range(n):
        out[x] = row[w0 + x] - first - (last - first) * x / max(n - 1, 1)


@compiled
def _share(y: I16, f: int, k: int, w0: int, w1: int, before: int, after: int, own: F32, square: float, spare: F32) -> float:
    """How much of a profile a line shows: the coefficient of its regression on the profile, 0 outside the picture."""
    if not 0 <= k < y.shape[1]:
        return 0.0
    _straightened(y[f, k], w0, w1, before, after, spare)
    total = 0.0
    for x in range(w1 - w0):
        total += own[x] * spare[x]
    return total / square


@compiled
def leak(
    y: I16,
    here: int,
    half: int,
    refs: NDArray[np.int64],
    line: int,
    above: int,
    below: int,
    x0: int,
    x1: int,
    left: int,
    right: int,
    own: F32,
) -> float:
    """Share of the run's profile along the line that a line next to it shows too, the greatest of four lines or pairs.

    Lens and tube spread a point over more than a line, and light seldom lasts one field alone, so the picture leaks; a
    loss is of its lines alone. The profile is regressed on the lines ``above`` and ``below`` and, in the fields before
    and after, on the two lines between which this one lies; of each is taken off the line one further out, as
    background, and by how much that one differs from the next, as what lines of this picture differ by anyway.
    """
    w0, w1 = max(x0 - LEAK_MARGIN_SAMPLES, left), min(x1 + LEAK_MARGIN_SAMPLES, right)
    before, after = min(x0 - w0, LEAK_ENDS_SAMPLES), min(w1 - x1, LEAK_ENDS_SAMPLES)
    spare = np.empty(w1 - w0, np.float32)
    _straightened(y[here, line], w0, w1, before, after, own)
    square = 1.0
    for x in range(w1 - w0):
        square += own[x] * own[x]
    most = -100.0
    for r in range(3):
        f = here if r == 0 else refs[r]
        if f < 0:
            continue
        for side in range(2):
            at, step = (above if r == 0 else line + half, -1) if side == 0 else (below if r == 0 else line + half + 1, 1)
            one = _share(y, f, at, w0, w1, before, after, own, square, spare)
            two = _share(y, f, at + step, w0, w1, before, after, own, square, spare)
            three = _share(y, f, at + 2 * step, w0, w1, before, after, own, square, spare)
            most = max(most, one - two - abs(two - three))
    return most


@compiled
def leaks_of_runs(
    y: I16, here: int, half: int, refs: NDArray[np.int64], beside: I32, left: int, right: int, features: F32, which: NDArray[np.int64]
) -> None:
    """Fill in "leak" for the rows ``which`` of the features of ``weigh_runs``; ``beside`` are its lines above and below each."""
    own = np.zeros(y.shape[2], np.float32)
    for w in which:
        f = features[w]
        above, below = beside[w, 0], beside[w, 1]
        f[24] = leak(y, here, half, refs, int(f[0]), above, below, int(f[1]), int(f[2]), left, right, own)
