"""Runs weighed by what the fields around predict, compiled. Stacks and ``half`` as in loss_kernels.py."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detect.measure.kernels import compiled

I16 = NDArray[np.int16]
I32 = NDArray[np.int32]
F32 = NDArray[np.float32]

FEATURES = 25
"""Of a run weighed, see ``loss_score.COLUMNS``."""
ENDS_REACH_SAMPLES = 64
"""How far beyond a run its ends are sought."""
BESIDE_SAMPLES = (2, 14)
"""What lies so far before and after a run is the rest of its line."""


class Search(NamedTuple):
    """The field searched and those around it.

    ``y`` and its horizontal maximum ``tall`` and minimum ``low`` (fields, lines, samples); ``here``: place of the
    field; ``refs``: places of those two before, one before, one after, two after, -1 where missing. ``past`` and
    ``ahead`` (rows, columns, 2), the flow of the picture, lead to the fields ``spans[0]`` before and ``spans[1]``
    after, in samples and field lines. The picture proper is ``left <= x < right``.
    """

    y: I16
    tall: I16
    low: I16
    here: int
    half: int
    refs: NDArray[np.int64]
    past: F32
    ahead: F32
    spans: F32
    left: int
    right: int


@compiled
def _widen(tall: I16, low: I16, f: int, j: int, k: int, x0: int, deep: I16, high: I16) -> None:
    """Widen the range (deep, high) by lines j and k of field f, from sample x0 on; the picture's edge goes on."""
    width = tall.shape[2]
    n = len(deep)
    low_j, low_k, tall_j, tall_k = low[f, j], low[f, k], tall[f, j], tall[f, k]
    if x0 >= 0 and x0 + n <= width:
        low_j, low_k, tall_j, tall_k = low_j[x0 : x0 + n], low_k[x0 : x0 + n], tall_j[x0 : x0 + n], tall_k[x0 : x0 + n]
        for i in range(n):  # 16-bit comparisons only: 16 samples at a time
            z = low_j[i] if low_j[i] < low_k[i] else low_k[i]
            deep[i] = z if z < deep[i] else deep[i]
            z = tall_j[i] if tall_j[i] > tall_k[i] else tall_k[i]
            high[i] = z if z > high[i] else high[i]
        return
    for i in range(n):
        x = min(max(x0 + i, 0), width - 1)
        deep[i] = min(deep[i], low_j[x], low_k[x])
        high[i] = max(high[i], tall_j[x], tall_k[x])


@compiled
def residual(
    y: I16,
    tall: I16,
    low: I16,
    here: int,
    refs: NDArray[np.int64],
    moves: F32,
    line: int,
    above: int,
    below: int,
    x0: int,
    x1: int,
    each: F32,
) -> float:
    """Sum of what lies outside the range of the lines ``above`` and ``below`` and of the fields around, moved by
    ``moves``.

    ``moves`` (vectors, 4 fields, 2): samples along, field lines down (with the half line of the other parity in it).
    ``each`` gets the signed excess of each sample.
    """
    lines, n = y.shape[1], x1 - x0
    deep, high = np.full(n, np.int16(32767)), np.full(n, np.int16(-32768))
    if above >= 0:
        _widen(tall, low, here, above, above, x0, deep, high)
    if below < lines:
        _widen(tall, low, here, below, below, x0, deep, high)
    vectors = moves.shape[0]
    done = np.empty((vectors, 3), np.int64)
    for r in range(4):
        if refs[r] < 0:
            continue
        for v in range(vectors):
            to, dx = line + moves[v, r, 1], int(np.round(moves[v, r, 0]))
            j, k = int(np.floor(to + 0.2)), int(np.ceil(to - 0.2))  # between two lines both count
            j, k = min(max(j, 0), lines - 1), min(max(k, 0), lines - 1)
            done[v, 0], done[v, 1], done[v, 2] = j, k, dx
            again = False
            for u in range(v):
                again |= done[u, 0] == j and done[u, 1] == k and done[u, 2] == dx
            if not again:
                _widen(tall, low, refs[r], j, k, x0 + dx, deep, high)
    total = 0.0
    for x in range(x0, x1):
        value = y[here, line, x]
        e = 0.0
        if value > high[x - x0]:
            e = float(value - high[x - x0])
        elif value < deep[x - x0]:
            e = float(value - deep[x - x0])
        each[x - x0] = e
        total += abs(e)
    return total


OVERSHOOT = 0.12
"""Share of the step of a horizontal edge that the picture may overshoot by: vertical aperture correction does, and what coding leaves of
an edge that moves. A run that exceeds the range of its neighbours by less on average is no evidence (house value)."""
LEVEL_EDGE = 0.2
"""Such an edge is as high all along the run, to so much of its height (standard deviation)."""


@compiled
def stand_out(y: I16, f: int, line: int, above: int, below: int, x0: int, x1: int) -> float:
    """Mean distance of a piece of line from the mean of the lines above and below."""
    total = 0.0
    for x in range(x0, x1):
        total += abs(2 * y[f, line, x] - y[f, above, x] - y[f, below, x])
    return total / (2 * (x1 - x0)) if x1 > x0 else 0.0


@compiled
def moves_of(flow_past: F32, flow_next: F32, spans: F32, offset: float, line: float, x: float, lines: int, width: int, moves: F32) -> None:
    """Where the four fields around show what is at (line, x), from the flow there and seven lines above and below.

    The flows (rows, columns, 2) may differ in size: nothing is known of a field beyond a cut, and its flow is one zero.
    """
    for r in range(4):
        flow = flow_past if r < 2 else flow_next
        scale = (2.0 - r) / spans[0] if r < 2 else (r - 1.0) / spans[1]
        rows, columns = flow.shape[0], flow.shape[1]
        gx = min(max(int(x * columns / width), 0), columns - 1)
        for v in range(3):
            gy = min(max(int((line + (v - 1) * 7) * rows / lines), 0), rows - 1)
            moves[v, r, 0] = flow[gy, gx, 0] * scale
            moves[v, r, 1] = flow[gy, gx, 1] * scale + (offset if r == 1 or r == 2 else 0.0)


@compiled
def _beside(line: int, up: int, down: int, lines: int, out: I32) -> None:
    """The lines above and below a run and those stacked on it; plain neighbours if taller than a loss of three lines."""
    if up + down > 2:
        up, down = 0, 0
    out[0], out[1] = max(line - 1 - up, 0), min(line + 1 + down, lines - 1)


@compiled
def _ends(each: F32, first: int, last: int, count: int, enough: float) -> tuple[int, int]:
    """First and one past the last of ``each[first:last]`` above ``enough``, and on from there while holes are short.

    (-1, -1) where none is; ``each`` has ``count`` values.
    """
    e0 = e1 = -1
    for x in range(first, last):
        if abs(each[x]) > enough:
            if e0 < 0:
                e0 = x
            e1 = x + 1
    if e0 < 0:
        return e0, e1
    x = e0
    while x > 0 and e0 - x < 8:
        x -= 1
        if abs(each[x]) > enough:
            e0 = x
    x = e1
    while x < count and x - e1 < 7:
        if abs(each[x]) > enough:
            e1 = x + 1
        x += 1
    return e0, e1


@compiled
def _worst_control(s: Search, moves: F32, above: int, below: int, x0: int, x1: int, spare: F32) -> float:
    """How badly the lines around a run are themselves predicted: the worst of two above and two below."""
    worst = 0.0
    for c in range(4):
        control = above - 1 + c if c < 2 else below - 2 + c
        over, under = control - 1, control + 1
        if c == 1:
            under = below
        elif c == 2:
            over = above
        if 1 <= control < s.y.shape[1] - 1:
            off = residual(s.y, s.tall, s.low, s.here, s.refs, moves, control, over, under, x0, x1, spare)
            worst = max(worst, off / (x1 - x0))
    return worst


@compiled
def _level_step(y: I16, here: int, above: int, below: int, x0: int, x1: int) -> float:
    """Mean span, along a run, of the three lines above it and the three below: the step of a horizontal edge there.

    0 where it changes along the run, as the edge of no horizontal thing does.
    """
    last = y.shape[1] - 1
    total = square = 0.0
    for x in range(x0, x1):
        high = low = y[here, above, x]
        for k in range(3):
            for line in (max(above - k, 0), min(below + k, last)):
                high, low = max(high, y[here, line, x]), min(low, y[here, line, x])
        span = float(high) - float(low)
        total += span
        square += span * span
    mean = total / (x1 - x0)
    return mean if square / (x1 - x0) - mean * mean < (LEVEL_EDGE * mean) ** 2 else 0.0


@compiled
def weigh_runs(
    s: Search,
    runs: I32,
    up: I32,
    down: I32,
    noise: float,
    least: int,
    shortest: int,
    features: F32,
    all_moves: F32,
    all_beside: I32,
) -> int:
    """Weigh each run again with the fields around moved by the flow of the picture; returns how many are left.

    ``runs`` of ``find_runs``, with as many lines above (``up``) and below (``down``) that hold one too. Left are those
    with ``least`` samples outside the widened range and ``shortest`` samples long. For each, ``features`` gets the
    ``loss_score.COLUMNS`` from "line" on, "again" and "leak" left at -1 (``loss_again``, ``loss_leak``);
    ``all_moves`` where the fields around show what is there, and ``all_beside`` the lines above and below.
    """
    y, tall, low, here, refs, left, right = s.y, s.tall, s.low, s.here, s.refs, s.left, s.right
    lines, width = y.shape[1], y.shape[2]
    each = np.zeros(width, np.float32)
    spare = np.zeros(width, np.float32)
    kept = 0
    done_line, done_x = -1, -1
    for a in range(len(runs)):
        line, x0, x1 = runs[a, 0], runs[a, 1], runs[a, 2]
        if line == done_line and x0 < done_x:
            continue
        moves, beside = all_moves[kept], all_beside[kept]
        moves_of(s.past, s.ahead, s.spans, s.half + 0.5, line, (x0 + x1) / 2, lines, width, moves)
        _beside(line, up[a], down[a], lines, beside)
        above, below = beside[0], beside[1]
        residual(y, tall, low, here, refs, moves, line, above, below, x0, x1, each)
        core, n = 0.0, 0
        for x in range(x1 - x0):
            if each[x] != 0:
                core += abs(each[x])
                n += 1
        if n < least:
            continue
        core /= n
        # the ends, from the range of the same neighbours but not widened along the line
        w0, w1 = max(x0 - ENDS_REACH_SAMPLES, left), min(x1 + ENDS_REACH_SAMPLES, right)
        residual(y, y, y, here, refs, moves, line, above, below, w0, w1, each)
        mean = 0.0
        for x in range(x0 - w0, x1 - w0):
            mean += abs(each[x])
        enough = max(4.0 * noise, 0.3 * mean / (x1 - x0))
        e0, e1 = _ends(each, x0 - w0, x1 - w0, w1 - w0, enough)
        length = e1 - e0
        if e0 < 0 or length < shortest or core < 2.5 * noise:
            continue
        total, signed, filled, peak = 0.0, 0.0, 0, 0.0
        for x in range(e0, e1):
            total += abs(each[x])
            signed += each[x]
            filled += abs(each[x]) > enough
            peak = max(peak, abs(each[x]))
        if total / length < OVERSHOOT * _level_step(y, here, above, below, w0 + e0, w0 + e1):
            continue
        edge = min(3, length)
        first = last = 0.0
        for x in range(edge):
            first += abs(each[e0 + x])
            last += abs(each[e1 - 1 - x])
        x0, x1 = w0 + e0, w0 + e1
        done_line, done_x = line, x1
        level, square, steps = 0.0, 0.0, 0.0
        rim = 2 if length >= 8 else 0  # the ends are neither picture nor loss
        for x in range(x0 + rim, x1 - rim):
            value = float(y[here, line, x])
            level += value
            square += value * value
            if x > x0 + rim:
                steps += abs(value - y[here, line, x - 1])
        inner = length - 2 * rim
        level /= inner
        b0, b1 = max(x0 - BESIDE_SAMPLES[1], left), max(x0 - BESIDE_SAMPLES[0], left)
        a0, a1 = min(x1 + BESIDE_SAMPLES[0], right), min(x1 + BESIDE_SAMPLES[1], right)
        rest = 0.0
        if b1 > b0:
            rest = max(rest, residual(y, y, y, here, refs, moves, line, above, below, b0, b1, spare) / (b1 - b0))
        if a1 > a0:
            rest = max(rest, residual(y, y, y, here, refs, moves, line, above, below, a0, a1, spare) / (a1 - a0))
        over, under = max(above - 1, 0), min(below + 1, lines - 1)
        narrow = max(
            residual(y, y, y, here, refs, moves, above, over, below, x0, x1, spare),
            residual(y, y, y, here, refs, moves, below, above, under, x0, x1, spare),
        )
        f = features[kept]
        f[0], f[1], f[2], f[3], f[4] = line, x0, x1, up[a] + down[a] + 1, core
        f[5], f[6], f[7], f[8] = n, total / length, filled / length, signed / length
        f[9] = min(first, last) / edge
        f[10], f[11] = _worst_control(s, moves, above, below, x0, x1, spare), rest
        f[12] = stand_out(y, here, line, above, below, x0, x1)
        f[13] = max(stand_out(y, here, above, over, below, x0, x1), stand_out(y, here, below, above, under, x0, x1))
        f[14] = stand_out(y, here, line, above, below, b0, b1)
        f[15] = stand_out(y, here, line, above, below, a0, a1)
        f[16], f[17], f[18] = level, np.sqrt(max(square / inner - level * level, 0.0)), steps / max(inner - 1, 1)
        f[19] = max(np.abs(moves[1, 0]).max(), np.abs(moves[1, 3]).max())
        f[20], f[21], f[22], f[23] = -1.0, narrow / length, peak, a
        f[24] = -1.0
        kept += 1
        if kept == len(features):
            break
    return kept
