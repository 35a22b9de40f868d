"""The loops of the search for losses, compiled: all on (fields, lines, samples) stacks of 16-bit luma, 10-bit codes.

``LossFinder`` in losses.py explains what is computed and why; these functions hold only the arithmetic. Lines of the
other parity are addressed by ``half``: line i of a field lies between lines i + half and i + half + 1 of the fields
before and after it (half is 0 where the field's own rows are the odd ones, -1 where they are the even ones).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.measure.kernels import compiled

I16 = NDArray[np.int16]
F32 = NDArray[np.float32]

RUN_COLUMNS = 5
"""Of a run: line, x0, x1, sum of the excess, samples with an excess."""
FEATURES = 25
"""Of a run weighed again, see ``loss_score.COLUMNS``."""
LEAK_MARGIN_SAMPLES = 8
"""Looked at before and after a run for the level beside it: its ends are soft over two."""
LEAK_ENDS_SAMPLES, LEAK_FEWEST = 5, 3
"""... of which the outer five give the level, three at the least (at the ends of the lines)."""


@compiled
def range_excess(
    y: I16, tall: I16, low: I16, refs: NDArray[np.int64], here: int, half: int, out: I16, line_top: I16
) -> None:
    """How far each sample lies outside the range of all its neighbours in space and time, codes, 0 inside.

    ``tall`` and ``low`` are ``y`` after a horizontal maximum and minimum. ``refs``: places in the stack of the fields
    two before, one before, one after, two after (one that says "nothing" where missing). The lines above and below are
    taken as pairs (above, below) at (1, 1), (1, 2), (2, 1), (1, 3), (2, 2), (3, 1) lines, and the pair that allows
    most counts, so that losses of two and three lines are seen. Only comparisons of 16-bit numbers: the loop runs 16
    samples at a time.
    """
    lines, width = y.shape[1], y.shape[2]
    last = lines - 1
    for i in range(lines):
        o0, o1 = min(max(i + half, 0), last), min(max(i + half + 1, 0), last)
        row = y[here, i]
        t1, t2, t3 = tall[here, max(i - 1, 0)], tall[here, max(i - 2, 0)], tall[here, max(i - 3, 0)]
        b1, b2, b3 = tall[here, min(i + 1, last)], tall[here, min(i + 2, last)], tall[here, min(i + 3, last)]
        l1, l2, l3 = low[here, max(i - 1, 0)], low[here, max(i - 2, 0)], low[here, max(i - 3, 0)]
        u1, u2, u3 = low[here, min(i + 1, last)], low[here, min(i + 2, last)], low[here, min(i + 3, last)]
        p_tall, p_low, n_tall, n_low = tall[refs[0], i], low[refs[0], i], tall[refs[3], i], low[refs[3], i]
        a_tall0, a_tall1, a_low0, a_low1 = tall[refs[1], o0], tall[refs[1], o1], low[refs[1], o0], low[refs[1], o1]
        c_tall0, c_tall1, c_low0, c_low1 = tall[refs[2], o0], tall[refs[2], o1], low[refs[2], o0], low[refs[2], o1]
        result = out[i]
        top = np.int16(0)
        for x in range(width):
            m1, q1 = t1[x], b1[x]
            m2 = m1 if m1 < t2[x] else t2[x]
            m3 = m2 if m2 < t3[x] else t3[x]
            q2 = q1 if q1 < b2[x] else b2[x]
            q3 = q2 if q2 < b3[x] else b3[x]
            high = m1 if m1 > q3 else q3
            z = m2 if m2 > q2 else q2
            high = high if high < z else z
            z = m3 if m3 > q1 else q1
            high = high if high < z else z
            high = high if high > p_tall[x] else p_tall[x]
            high = high if high > n_tall[x] else n_tall[x]
            high = high if high > a_tall0[x] else a_tall0[x]
            high = high if high > a_tall1[x] else a_tall1[x]
            high = high if high > c_tall0[x] else c_tall0[x]
            high = high if high > c_tall1[x] else c_tall1[x]
            m1, q1 = l1[x], u1[x]
            m2 = m1 if m1 > l2[x] else l2[x]
            m3 = m2 if m2 > l3[x] else l3[x]
            q2 = q1 if q1 > u2[x] else u2[x]
            q3 = q2 if q2 > u3[x] else u3[x]
            deep = m1 if m1 < q3 else q3
            z = m2 if m2 < q2 else q2
            deep = deep if deep > z else z
            z = m3 if m3 < q1 else q1
            deep = deep if deep > z else z
            deep = deep if deep < p_low[x] else p_low[x]
            deep = deep if deep < n_low[x] else n_low[x]
            deep = deep if deep < a_low0[x] else a_low0[x]
            deep = deep if deep < a_low1[x] else a_low1[x]
            deep = deep if deep < c_low0[x] else c_low0[x]
            deep = deep if deep < c_low1[x] else c_low1[x]
            over = np.int16(row[x] - high)
            under = np.int16(deep - row[x])
            e = over if over > under else under
            e = e if e > 0 else np.int16(0)
            result[x] = e
            top = top if top > e else e
        line_top[i] = top


@compiled
def find_runs(
    excess: I16,
    line_top: I16,
    threshold: int,
    first: int,
    last: int,
    left: int,
    right: int,
    gap: int,
    least: int,
    runs: NDArray[np.int32],
) -> int:
    """Runs of samples with an excess above ``threshold``, holes up to ``gap`` samples bridged; returns how many.

    ``runs`` is filled up to its length with (line, x0, x1, sum, count), in order of line and place. Runs with fewer
    than ``least`` samples above the threshold are left out.
    """
    n = 0
    for i in range(first, last):
        if line_top[i] <= threshold:
            continue
        x = left
        while x < right:
            if excess[i, x] <= threshold:
                x += 1
                continue
            x0, end, total, count = x, x + 1, 0, 0
            while x < right and x - end < gap:
                if excess[i, x] > threshold:
                    end = x + 1
                    total += excess[i, x]
                    count += 1
                x += 1
            if count >= least:
                if n == len(runs):
                    return n
                runs[n, 0], runs[n, 1], runs[n, 2], runs[n, 3], runs[n, 4] = i, x0, end, total, count
                n += 1
    return n


@compiled
def neighbours_of_runs(runs: NDArray[np.int32], count: int, up: NDArray[np.int32], down: NDArray[np.int32]) -> None:
    """For each run, how many lines above and below in succession hold a run over at least 40 % of its length (0 to
    3)."""
    for a in range(count):
        length = runs[a, 2] - runs[a, 1]
        for side in range(2):
            step = -1 if side == 0 else 1
            line, b, reached = runs[a, 0], a, 0
            while 0 <= b < count and reached < 3:
                if abs(runs[b, 0] - runs[a, 0]) > reached + 1:
                    break
                if runs[b, 0] == line + step * (reached + 1):
                    shared = min(runs[a, 2], runs[b, 2]) - max(runs[a, 1], runs[b, 1])
                    if shared >= 0.4 * length:
                        reached += 1
                        b = a  # the next line may lie on either side of this run in the list
                b += step
            if side == 0:
                up[a] = reached
            else:
                down[a] = reached


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


@compiled
def found_again(
    y: I16,
    here: int,
    half: int,
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
def stand_out(y: I16, f: int, line: int, above: int, below: int, x0: int, x1: int) -> float:
    """Mean distance of a piece of line from the mean of the lines above and below."""
    total = 0.0
    for x in range(x0, x1):
        total += abs(2 * y[f, line, x] - y[f, above, x] - y[f, below, x])
    return total / (2 * (x1 - x0)) if x1 > x0 else 0.0


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
def _moves(
    flow_past: F32, flow_next: F32, spans: F32, offset: float, line: float, x: float, lines: int, width: int, moves: F32
) -> None:
    """Where the four fields around show what is at (line, x), from the flow there and seven lines above and below."""
    rows, columns = flow_past.shape[0], flow_past.shape[1]
    for v in range(3):
        gy = min(max(int((line + (v - 1) * 7) * rows / lines), 0), rows - 1)
        gx = min(max(int(x * columns / width), 0), columns - 1)
        for r in range(4):
            if r < 2:
                scale = (2.0 - r) / spans[0]
                dx, dy = flow_past[gy, gx, 0], flow_past[gy, gx, 1]
            else:
                scale = (r - 1.0) / spans[1]
                dx, dy = flow_next[gy, gx, 0], flow_next[gy, gx, 1]
            moves[v, r, 0], moves[v, r, 1] = dx * scale, dy * scale + (offset if r == 1 or r == 2 else 0.0)


@compiled
def _beside(line: int, up: int, down: int, lines: int) -> tuple[int, int]:
    """The lines above and below a run and those stacked on it; plain neighbours if taller than a loss of three lines."""
    if up + down > 2:
        up, down = 0, 0
    return max(line - 1 - up, 0), min(line + 1 + down, lines - 1)


@compiled
def weigh_runs(
    y: I16,
    tall: I16,
    low: I16,
    here: int,
    half: int,
    refs: NDArray[np.int64],
    flow_past: F32,
    flow_next: F32,
    spans: F32,
    noise: float,
    left: int,
    right: int,
    least: int,
    shortest: int,
    runs: NDArray[np.int32],
    count: int,
    up: NDArray[np.int32],
    down: NDArray[np.int32],
    features: F32,
) -> int:
    """Weigh each run again with the fields around moved by the flow of the picture; returns how many are left.

    ``flow_past`` and ``flow_next`` (rows, columns, 2) lead from this field to those ``spans[0]`` and ``spans[1]``
    fields away, in samples and field lines. The features are the ``loss_score.COLUMNS`` from "line" on; "again" is left
    at -1 (``search_runs``).
    """
    lines, width = y.shape[1], y.shape[2]
    moves = np.zeros((3, 4, 2), np.float32)
    each = np.zeros(width, np.float32)
    spare = np.zeros(width, np.float32)
    offset = half + 0.5
    kept = 0
    done_line, done_x = -1, -1
    for a in range(count):
        line, x0, x1 = runs[a, 0], runs[a, 1], runs[a, 2]
        if line == done_line and x0 < done_x:
            continue
        _moves(flow_past, flow_next, spans, offset, line, (x0 + x1) / 2, lines, width, moves)
        stack = up[a] + down[a] + 1
        above, below = _beside(line, up[a], down[a], lines)
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
        w0, w1 = max(x0 - 64, left), min(x1 + 64, right)
        residual(y, y, y, here, refs, moves, line, above, below, w0, w1, each)
        mean = 0.0
        for x in range(x0 - w0, x1 - w0):
            mean += abs(each[x])
        enough = max(4.0 * noise, 0.3 * mean / (x1 - x0))
        e0 = e1 = -1
        for x in range(x0 - w0, x1 - w0):
            if abs(each[x]) > enough:
                if e0 < 0:
                    e0 = x
                e1 = x + 1
        if e0 < 0:
            continue
        x = e0
        while x > 0 and e0 - x < 8:
            x -= 1
            if abs(each[x]) > enough:
                e0 = x
        x = e1
        while x < w1 - w0 and x - e1 < 7:
            if abs(each[x]) > enough:
                e1 = x + 1
            x += 1
        total, signed, filled = 0.0, 0.0, 0
        for x in range(e0, e1):
            total += abs(each[x])
            signed += each[x]
            filled += abs(each[x]) > enough
        length = e1 - e0
        if length < shortest or core < 2.5 * noise:
            continue
        edge = min(3, length)
        first = last = 0.0
        for x in range(edge):
            first += abs(each[e0 + x])
            last += abs(each[e1 - 1 - x])
        x0, x1 = w0 + e0, w0 + e1
        done_line, done_x = line, x1
        level, square, steps, peak = 0.0, 0.0, 0.0, 0.0
        for x in range(x0, x1):
            peak = max(peak, abs(each[x - w0]))
        rim = 2 if length >= 8 else 0  # the ends are neither picture nor loss
        for x in range(x0 + rim, x1 - rim):
            value = float(y[here, line, x])
            level += value
            square += value * value
            if x > x0 + rim:
                steps += abs(value - y[here, line, x - 1])
        inner = length - 2 * rim
        level /= inner
        worst = 0.0
        for c in range(4):
            control = above - 1 + c if c < 2 else below - 2 + c
            over, under = control - 1, control + 1
            if c == 1:
                under = below
            elif c == 2:
                over = above
            if 1 <= control < lines - 1:
                worst = max(
                    worst, residual(y, tall, low, here, refs, moves, control, over, under, x0, x1, spare) / length
                )
        rest = 0.0
        for side in range(2):
            s0, s1 = (max(x0 - 14, left), max(x0 - 2, left)) if side == 0 else (min(x1 + 2, right), min(x1 + 14, right))
            if s1 > s0:
                rest = max(rest, residual(y, y, y, here, refs, moves, line, above, below, s0, s1, spare) / (s1 - s0))
        f = features[kept]
        f[0], f[1], f[2], f[3], f[4] = line, x0, x1, stack, core
        f[5], f[6], f[7], f[8] = n, total / length, filled / length, signed / length
        f[9] = min(first, last) / edge
        f[10], f[11] = worst, rest
        f[12] = stand_out(y, here, line, above, below, x0, x1)
        f[13] = max(
            stand_out(y, here, above, max(above - 1, 0), below, x0, x1),
            stand_out(y, here, below, above, min(below + 1, lines - 1), x0, x1),
        )
        f[14] = stand_out(y, here, line, above, below, max(x0 - 14, left), max(x0 - 2, left))
        f[15] = stand_out(y, here, line, above, below, min(x1 + 2, right), min(x1 + 14, right))
        f[16], f[17], f[18] = level, np.sqrt(max(square / inner - level * level, 0.0)), steps / max(inner - 1, 1)
        f[19] = max(np.abs(moves[1, 0]).max(), np.abs(moves[1, 3]).max())
        f[20] = -1.0
        over, under = max(above - 1, 0), min(below + 1, lines - 1)
        f[21] = (
            max(
                residual(y, y, y, here, refs, moves, above, over, below, x0, x1, spare),
                residual(y, y, y, here, refs, moves, below, above, under, x0, x1, spare),
            )
            / length
        )
        f[22] = peak
        f[23] = a
        f[24] = leak(y, here, half, refs, line, above, below, x0, x1, left, right, spare)
        kept += 1
        if kept == len(features):
            break
    return kept


@compiled
def search_runs(
    y: I16,
    here: int,
    half: int,
    refs: NDArray[np.int64],
    flow_past: F32,
    flow_next: F32,
    spans: F32,
    runs: NDArray[np.int32],
    up: NDArray[np.int32],
    down: NDArray[np.int32],
    features: F32,
    which: NDArray[np.int64],
) -> None:
    """Fill in "again" for the rows ``which`` of the features of ``weigh_runs``; its other arguments."""
    lines, width = y.shape[1], y.shape[2]
    moves = np.zeros((3, 4, 2), np.float32)
    for w in which:
        f = features[w]
        a = int(f[23])
        line, x0, x1 = int(f[0]), int(f[1]), int(f[2])
        _moves(flow_past, flow_next, spans, half + 0.5, line, (runs[a, 1] + runs[a, 2]) / 2, lines, width, moves)
        above, below = _beside(line, up[a], down[a], lines)
        f[20] = found_again(y, here, half, refs, moves, line, above, below, max(x0, 3), min(x1, width - 3))


@compiled
def noise_floor(y: I16, f: int, first: int, last: int, left: int, right: int, cells: F32) -> int:
    """Fill ``cells`` with a mean square over 16 samples, every fourth line; returns how many.

    Squared is the vertical second difference of the difference of samples three apart: blind to lines, steps and
    slopes either way. For noise of variance s^2, uncorrelated over three samples, the expectation is 3 s^2.
    """
    n = 0
    for i in range(first + 1, last - 1, 4):
        for x0 in range(left, right - 19, 32):
            total = 0
            for x in range(x0, x0 + 16):
                d = 2 * (y[f, i, x] - y[f, i, x + 3]) - (y[f, i - 1, x] - y[f, i - 1, x + 3])
                d -= y[f, i + 1, x] - y[f, i + 1, x + 3]
                total += d * d
            if n < len(cells):
                cells[n] = total / 64.0
                n += 1
    return n
