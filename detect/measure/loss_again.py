"""Weighed runs looked for in the fields around, compiled: things of the picture that moved are found there again."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.measure.kernels import compiled

I16 = NDArray[np.int16]
I32 = NDArray[np.int32]
F32 = NDArray[np.float32]


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

    The least, over fields and places up to 24 samples and 5 lines from where the flow points, of the mean difference
    on the worse of: the piece itself, the two lines beside it. Small for things of the picture that moved, large for a
    loss.
    """
    lines, width = y.shape[1], y.shape[2]
    step = max(1, (x1 - x0) // 20)
    count = (x1 - x0 + step - 1) // step
    best = 4096.0
    for r in range(4):
        f = refs[r]
        if f < 0:
            continue
        cx, cy = int(np.round(moves[1, r, 0])), int(np.floor(moves[1, r, 1] + 0.25))
        for ky in range(11):  # from the middle out: the sooner the best is found, the sooner the others are left
            dy = cy + ((ky + 1) // 2 if ky % 2 else -(ky // 2))
            la, lm, lb = above + dy, line + dy, below + dy
            if la < 0 or lb >= lines:
                continue
            for kx in range(49):
                dx = cx + ((kx + 1) // 2 if kx % 2 else -(kx // 2))
                if x0 - 3 + dx < 0 or x1 + 3 + dx > width:
                    continue
                own, limit = 0, best * (count + 2)
                for x in range(x0, x1, step):
                    own += abs(y[here, line, x] - y[f, lm, x + dx])
                    if own >= limit:
                        break
                if own >= limit:
                    continue
                for x in (x0 - 3, x1 + 2):
                    own += abs(y[here, line, x] - y[f, lm, x + dx])
                sides = 0
                for x in range(x0, x1, step):
                    sides += abs(y[here, above, x] - y[f, la, x + dx]) + abs(y[here, below, x] - y[f, lb, x + dx])
                best = min(best, max(own / (count + 2), sides / (2 * count)))
    return best


@compiled
def search_runs(y: I16, here: int, refs: NDArray[np.int64], moves: F32, beside: I32, features: F32, which: NDArray[np.int64]) -> None:
    """Fill in "again" for the rows ``which`` of the features of ``weigh_runs``; ``moves`` and ``beside`` are its too."""
    for w in which:
        f = features[w]
        x0, x1 = max(int(f[1]), 3), min(int(f[2]), y.shape[2] - 3)
        f[20] = found_again(y, here, refs, moves[w], int(f[0]), beside[w, 0], beside[w, 1], x0, x1)
