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


def as_ten_bits(plane: NDArray[np.uint8] | NDArray[np.uint16], shift: int, out: I16) -> None:
    """Codes of a plane (lines, samples), 8 or 16 bits, ``shift`` binary places up.

    By numpy: it copies rows that lie apart as blocks, where a compiled loop takes them sample by sample.
    """
    np.copyto(out, plane, casting="unsafe")
    if shift:
        np.left_shift(out, shift, out=out)


@compiled
def range_excess(y: I16, tall: I16, low: I16, refs: NDArray[np.int64], here: int, half: int, out: I16, line_top: I16) -> None:
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
def noise_floor(y: I16, f: int, first: int, last: int, left: int, right: int, cells: F32) -> int:
    """Fill ``cells`` with a mean square over 16 samples, every fourth line; returns how many.

    Squared is the vertical second difference of the difference of samples three apart: blind to lines, steps and
    slopes either way. For noise of variance s^2, uncorrelated over three samples, the expectation is 3 s^2.
    """
    n = 0
    wide = right - left
    squares = np.empty(wide, np.int32)
    for i in range(first + 1, last - 1, 4):
        row, up, down = y[f, i, left:right], y[f, i - 1, left:right], y[f, i + 1, left:right]
        for x in range(wide - 3):  # at most 8 x 1023: 16 bits hold it, and eight go at a time
            d = np.int16(2 * np.int16(row[x] - row[x + 3]) - np.int16(up[x] - up[x + 3]) - np.int16(down[x] - down[x + 3]))
            squares[x] = np.int32(d) * np.int32(d)
        for x0 in range(0, wide - 19, 32):
            if n == len(cells):
                return n
            total = np.int32(0)
            for x in range(x0, x0 + 16):
                total += squares[x]
            cells[n] = total / 64.0
            n += 1
    return n


@compiled
def small_picture(y: I16, across: int, down: int, out: NDArray[np.uint8]) -> None:
    """Means of ``down`` lines by ``across`` samples of a field (lines, samples), 10-bit codes, as 8-bit ones.

    What OpenCV's INTER_AREA gives for whole factors, faster where they are not 2 by 2.
    """
    columns = out.shape[1]
    part = np.float32(1.0 / (4 * across * down))
    half = np.float32(across * down // 2 + 0.25)  # rounds the mean; the quarter keeps whole numbers whole
    sums = np.empty(columns, np.int16)
    for i in range(out.shape[0]):
        sums[:] = 0
        for line in range(down * i, down * i + down):
            row = y[line]
            for k in range(across):
                for x in range(columns):
                    sums[x] += row[across * x + k]
        for x in range(columns):
            out[i, x] = np.uint8((np.float32(sums[x]) + half) * part)
