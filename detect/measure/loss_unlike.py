"""Losses where neighbours span so wide a range that nothing falls outside it, compiled: sharp ends, and nothing like it around.

Stripes, rulings and lettering that move show dark and bright wherever a sample's neighbours are asked, so a range tells nothing. A
loss still begins and ends more sharply than anything on the lines around it, and no piece of the fields around is like it, while
the same piece of the lines around is found there. Null hypothesis: the piece is found as well as those of the lines around.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.measure.kernels import compiled
from detect.measure.loss_again import found_again

I16 = NDArray[np.int16]
I32 = NDArray[np.int32]
F32 = NDArray[np.float32]

STEP_SAMPLES = 2
"""A step is the difference of samples so far to either side: ends of losses take two or three."""
CELL_SAMPLES = 32
"""Steps of the lines around are asked in cells as wide, and the two beside."""
SHARPER = 1.25
"""An end is so many times as steep as any step around it."""
CONTROLS = (-5, -4, 4, 5)
"""Lines around that answer the same question; nearer ones may belong to a loss of three lines."""
BLOCK_SAMPLES = 8
"""A piece grows by so much: about as long as the shortest losses."""
END_SAMPLES = 12
"""How far off its end may be then: a block, and what is asked on either side of it."""
EVERY_LINES, EVERY_SAMPLES = 6, 12
"""Places asked for the span of their neighbours."""
BLIND_IRE, BLIND_SHARE = 50.0, 0.5
"""Lines of a field that span half of black to white say little of those between them; where they do in most of the picture, such
pieces are looked for. Fields around are not asked: those before and after a flash span as much."""
LEAST_STEP_IRE = 12.0
"""Ends less steep than this, and pieces that differ by less, are weak losses, or noise."""
LEAST_CODES = 1.0
"""Rounding leaves as much between pieces that are alike."""
MOST_PIECES, MOST_BLOCKS = 40, 400
"""Looked for in the fields around, of one field; bounds the cost as losses.MOST_SEARCHED."""
UNLIKE_RATIO = 3.0
"""A block is unlike all around if it differs by so many times what its controls do."""
LIKELY_RATIO, STEEPNESS = 5.0, 4.0
"""A piece five times as unlike as its controls is as likely a loss as not, and odds go with the fourth power of that ratio (house
practice: letters rolling over stripes reached 4, stripes alone not 3, nine in ten of the losses found there 7 and more)."""
PIECE_COLUMNS = 5
"""Of a piece: line, x0, x1, mean difference from the likest place, and the greatest of the lines around."""


@compiled
def share_blind(tall: I16, low: I16, here: int, first: int, last: int, left: int, right: int, wide: int) -> float:
    """Share of places where the two lines above and the two below span ``wide`` codes and more."""
    count = blind = 0
    for i in range(first + 2, last - 2, EVERY_LINES):
        for x in range(left, right, EVERY_SAMPLES):
            high = max(tall[here, i - 2, x], tall[here, i - 1, x], tall[here, i + 1, x], tall[here, i + 2, x])
            deep = min(low[here, i - 2, x], low[here, i - 1, x], low[here, i + 1, x], low[here, i + 2, x])
            count += 1
            blind += high - deep >= wide
    return blind / max(count, 1)


@compiled
def _steepest(y: I16, f: int, left: int, right: int, steep: I16) -> None:
    """Greatest step of each line in each cell."""
    for i in range(y.shape[1]):
        row = y[f, i]
        for c in range(steep.shape[1]):
            top = np.int16(0)
            for x in range(max(left + STEP_SAMPLES, c * CELL_SAMPLES), min(right - STEP_SAMPLES, (c + 1) * CELL_SAMPLES)):
                d = np.int16(row[x + STEP_SAMPLES] - row[x - STEP_SAMPLES])
                d = d if d > 0 else np.int16(-d)
                top = top if top > d else d
            steep[i, c] = top


@compiled
def _usual_step(steep: I16, i: int, c: int) -> int:
    top = 0
    for k in CONTROLS:
        for q in range(max(c - 1, 0), min(c + 2, steep.shape[1])):
            top = max(top, steep[i + k, q])
    return top


@compiled
def _moves(past: F32, ahead: F32, spans: F32, half: int, line: int, x: int, lines: int, width: int, moves: F32) -> None:
    """Where the four fields around show what is there, as ``loss_weighing.moves_of``, from the flow of that place alone."""
    for r in range(4):
        flow = past if r < 2 else ahead
        scale = (2.0 - r) / spans[0] if r < 2 else (r - 1.0) / spans[1]
        gx = min(int(x * flow.shape[1] / width), flow.shape[1] - 1)
        gy = min(int(line * flow.shape[0] / lines), flow.shape[0] - 1)
        moves[1, r, 0] = flow[gy, gx, 0] * scale
        moves[1, r, 1] = flow[gy, gx, 1] * scale + (half + 0.5 if r == 1 or r == 2 else 0.0)


@compiled
def _unlike(y: I16, here: int, refs: NDArray[np.int64], moves: F32, line: int, x0: int, x1: int) -> tuple[float, float]:
    """How far a piece differs from the likest place around, and the most that the same piece of a line around does."""
    own = found_again(y, here, refs, moves, line, line - 1, line + 1, x0, x1)
    worst = 0.0
    for k in CONTROLS:
        worst = max(worst, found_again(y, here, refs, moves, line + k, line + k - 1, line + k + 1, x0, x1))
        if worst > own:
            break
    return own, worst


@compiled
def _end(row: I16, at: int, left: int, right: int, enough: float) -> int:
    """The steepest step near a place, or that place where none is as steep as ``enough``."""
    best, place = enough, at
    for x in range(max(at - END_SAMPLES, left + STEP_SAMPLES), min(at + END_SAMPLES, right - STEP_SAMPLES)):
        step = abs(row[x + STEP_SAMPLES] - row[x - STEP_SAMPLES])
        if step > best:
            best, place = step, x
    return place


@compiled
def unlike_pieces(
    y: I16, here: int, half: int, refs: NDArray[np.int64], past: F32, ahead: F32, spans: F32, first: int, last: int, left: int, right: int,
    least: float, steep: I16, out: F32,
) -> int:  # fmt: skip
    """Pieces of line next to a step steeper than ``least`` codes and all steps around; returns how many. ``out``: PIECE_COLUMNS.

    From such an end a piece grows to either side, block by block, as long as they are unlike: its other end may be no step at all.
    """
    lines, width = y.shape[1], y.shape[2]
    _steepest(y, here, left, right, steep)
    found = tried = blocks = 0
    moves = np.zeros((3, 4, 2), np.float32)
    for i in range(max(first, 6), min(last, lines - 6)):
        done = left + 3
        for c in range(steep.shape[1]):
            if steep[i, c] < least:
                continue
            enough = max(least, SHARPER * _usual_step(steep, i, c))
            if steep[i, c] < enough:
                continue
            for x in range(max(left + STEP_SAMPLES, c * CELL_SAMPLES), min(right - STEP_SAMPLES, (c + 1) * CELL_SAMPLES)):
                if x < done or abs(y[here, i, x + STEP_SAMPLES] - y[here, i, x - STEP_SAMPLES]) < enough or tried == len(out):
                    continue
                tried += 1
                _moves(past, ahead, spans, half, i, x, lines, width, moves)
                x0 = x1 = x
                while x0 - BLOCK_SAMPLES >= done and blocks < MOST_BLOCKS:
                    blocks += 1
                    own, worst = _unlike(y, here, refs, moves, i, x0 - BLOCK_SAMPLES, x0)
                    if own < UNLIKE_RATIO * (worst + LEAST_CODES):
                        break
                    x0 -= BLOCK_SAMPLES
                while x1 + BLOCK_SAMPLES <= right - 3 and blocks < MOST_BLOCKS:
                    blocks += 1
                    own, worst = _unlike(y, here, refs, moves, i, x1, x1 + BLOCK_SAMPLES)
                    if own < UNLIKE_RATIO * (worst + LEAST_CODES):
                        break
                    x1 += BLOCK_SAMPLES
                done = max(x1, x + 2 * STEP_SAMPLES)
                if x1 == x0:
                    continue
                x0 = _end(y[here, i], x0, left, right, enough / SHARPER)
                x1 = max(_end(y[here, i], x1, left, right, enough / SHARPER), min(x0 + BLOCK_SAMPLES, right - 3))
                if x1 - x0 < BLOCK_SAMPLES:
                    continue
                own, worst = _unlike(y, here, refs, moves, i, x0, x1)
                if worst < own and own >= least:
                    out[found, 0], out[found, 1], out[found, 2], out[found, 3], out[found, 4] = i, x0, x1, own, worst
                    found += 1
    return found


def odds(pieces: F32) -> NDArray[np.float64]:
    """Log odds of pieces (n, PIECE_COLUMNS) that each is a loss. Controls hold the noise too; no other estimate of it is good here."""
    return np.asarray(STEEPNESS * np.log(pieces[:, 3] / (pieces[:, 4] + LEAST_CODES) / LIKELY_RATIO), np.float64)
