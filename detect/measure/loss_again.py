"""What of the picture is found again in the fields around, and what is not, compiled.

*Weighed runs* are looked for: things of the picture that moved are found there, a loss is not.

*Pieces unlike all around* are sought where neighbours span so wide a range that nothing falls outside it. Stripes, rulings and
lettering that move show dark and bright wherever a sample's neighbours are asked, so a range tells nothing. A loss still begins and ends
more sharply than anything on the lines around it, and no piece of the fields around is like it, while the same piece of the lines around
is found there. Null hypothesis: the piece is found as well as those of the lines around.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.measure.kernels import compiled

I16 = NDArray[np.int16]
I32 = NDArray[np.int32]
F32 = NDArray[np.float32]

REACH_SAMPLES, REACH_LINES = 24, 5
"""How far from where the flow points a piece of line is looked for."""
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
    enough: float,
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
            if best <= enough:
                return best
    return best


@compiled
def search_runs(y: I16, here: int, refs: NDArray[np.int64], moves: F32, beside: I32, features: F32, which: NDArray[np.int64]) -> None:
    """Fill in "again" for the rows ``which`` of the features of ``weigh_runs``; ``moves`` and ``beside`` are its too."""
    for w in which:
        f = features[w]
        x0, x1 = max(int(f[1]), 3), min(int(f[2]), y.shape[2] - 3)
        f[20] = found_again(y, here, refs, moves[w], int(f[0]), beside[w, 0], beside[w, 1], x0, x1, 0.0)


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
    own = found_again(y, here, refs, moves, line, line - 1, line + 1, x0, x1, 0.0)
    worst = 0.0
    for k in CONTROLS:
        worst = max(worst, found_again(y, here, refs, moves, line + k, line + k - 1, line + k + 1, x0, x1, 0.0))
        if worst > own:
            break
    return own, worst


@compiled
def _block_unlike(y: I16, here: int, refs: NDArray[np.int64], moves: F32, line: int, x0: int, x1: int) -> bool:
    """Is a block UNLIKE_RATIO times as unlike as its controls are? Each is looked for only until it cannot change the answer."""
    own = found_again(y, here, refs, moves, line, line - 1, line + 1, x0, x1, UNLIKE_RATIO * LEAST_CODES)
    usual = own / UNLIKE_RATIO - LEAST_CODES
    if usual < 0.0:
        return False
    worst = 0.0
    for k in CONTROLS:
        worst = max(worst, found_again(y, here, refs, moves, line + k, line + k - 1, line + k + 1, x0, x1, usual))
        if worst > usual:
            break
    return bool(worst <= usual)


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
                    if not _block_unlike(y, here, refs, moves, i, x0 - BLOCK_SAMPLES, x0):
                        break
                    x0 -= BLOCK_SAMPLES
                while x1 + BLOCK_SAMPLES <= right - 3 and blocks < MOST_BLOCKS:
                    blocks += 1
                    if not _block_unlike(y, here, refs, moves, i, x1, x1 + BLOCK_SAMPLES):
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
