"""Weighed runs looked for in the fields around, compiled: things of the picture that moved are found there again."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.measure.kernels import compiled

I16 = NDArray[np.int16]
I32 = NDArray[np.int32]
F32 = NDArray[np.float32]


REACH_SAMPLES, REACH_LINES = 24, 5
"""How far from where the flow points a piece of line is looked for."""


@compiled
def _differences(own: NDArray[np.int16], other: NDArray[np.int16], x0: int, x1: int, step: int, dx0: int, out: NDArray[np.uint16]) -> None:
    """How a piece of line differs from another line at each of ``len(out)`` places, the first ``dx0`` samples further on: sums over
    every ``step``th sample and one beyond either end. They are 41 of 10 bits at most, so 16 bits hold the sums; the loop runs 16
    places at a time."""
    out[:] = 0
    for n in range((x1 - x0 + step - 1) // step + 2):
        x = x0 + (n - 2) * step if n > 1 else (x0 - 3 if n == 0 else x1 + 2)
        value, there = own[x], other[x + dx0 : x + dx0 + len(out)]
        for k in range(len(out)):
            d = np.int16(value - there[k])
            out[k] = np.uint16(out[k] + np.uint16(d if d > 0 else np.int16(-d)))


@compiled
def found_again(
    y: I16,
    here: int,
    refs: NDArray[np.int64],
    moves: F32,
    line: int,
    above: int,
    below: int,
    x0: int,
    x1: int,
) -> float:
    """Is this piece of line, with the lines above and below, anywhere near in the fields around?

    The least, over fields and places up to REACH_SAMPLES and REACH_LINES from where the flow points, of the mean difference
    on the worse of: the piece itself, the two lines beside it. Small for things of the picture that moved, large for a
    loss.
    """
    lines, width = y.shape[1], y.shape[2]
    step = max(1, (x1 - x0) // 20)
    count = (x1 - x0 + step - 1) // step
    own = np.empty(2 * REACH_SAMPLES + 1, np.uint16)
    best = 4096.0
    for r in range(4):
        f = refs[r]
        if f < 0:
            continue
        cx, cy = int(np.round(moves[1, r, 0])), int(np.floor(moves[1, r, 1] + 0.25))
        dx0, dx1 = max(cx - REACH_SAMPLES, 3 - x0), min(cx + REACH_SAMPLES, width - 3 - x1)
        if dx1 < dx0:
            continue
        for ky in range(2 * REACH_LINES + 1):  # from the middle out: the sooner the best is found, the fewer sides are asked
            dy = cy + ((ky + 1) // 2 if ky % 2 else -(ky // 2))
            la, lm, lb = above + dy, line + dy, below + dy
            if la < 0 or lb >= lines:
                continue
            _differences(y[here, line], y[f, lm], x0, x1, step, dx0, own[: dx1 - dx0 + 1])
            for k in range(dx1 - dx0 + 1):
                if own[k] >= best * (count + 2):
                    continue
                dx, sides, limit = dx0 + k, 0, best * 2 * count
                for x in range(x0, x1, step):
                    sides += abs(y[here, above, x] - y[f, la, x + dx]) + abs(y[here, below, x] - y[f, lb, x + dx])
                    if sides >= limit:
                        break
                best = min(best, max(own[k] / (count + 2), sides / (2 * count)))
    return best


@compiled
def search_runs(y: I16, here: int, refs: NDArray[np.int64], moves: F32, beside: I32, features: F32, which: NDArray[np.int64]) -> None:
    """Fill in "again" for the rows ``which`` of the features of ``weigh_runs``; ``moves`` and ``beside`` are its too."""
    for w in which:
        f = features[w]
        x0, x1 = max(int(f[1]), 3), min(int(f[2]), y.shape[2] - 3)
        f[20] = found_again(y, here, refs, moves[w], int(f[0]), beside[w, 0], beside[w, 1], x0, x1)
