"""The loops of the search for compensated losses in coded carriers, compiled: runs that differ from an earlier piece of
picture by no more than coding does.

All on (fields, lines, samples) stacks of 16-bit luma, 10-bit codes; ``half`` as in loss_kernels.py, sources as in
copy_kernels.py: the line above, two above, and the two nearest lines of the field before.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.measure.kernels import compiled

I16 = NDArray[np.int16]
I32 = NDArray[np.int32]
F64 = NDArray[np.float64]

BLOCK_SAMPLES = 8
"""A coded block is as wide."""
SOURCES = 6
"""Four a compensator may copy from, as in copy_kernels.py, and two decoys that none copies from: three lines above, and a
line further up in the field before. Pictures that repeat themselves repeat these too."""
DECOYS_FROM = 4
FREE_VALUES = 0.62
"""Independent values in a sample of luma of 4.2 MHz bandwidth: 2 x 4.2/13.5."""
NOISE_ALONG = 6.43
"""6 - 8 r(3) + 2 r(6), with the correlation r(k) = sin(pi a k)/(pi a k) of noise cut at a = 8.4/13.5 of half the sampling."""
CONTROL_LINES = 3
"""Lines either way that answer the same question as the run."""
LEAST_STEP, STEP_END = -8.0, 8.0
"""A block speaks against a run by no more than that, and ends it when it has lost as much, log likelihood."""
HOPELESS = 6.0
"""Blocks that differ by more than so many times what coding leaves belong to no run."""
ENDS_SAMPLES, LEAST_SAMPLE = 16, -4.0
"""How far from the ends of its blocks those of a run are sought, and how much one sample may speak against it."""
FEWEST_SAMPLES = 40
"""A run as short (3 us) proves nothing."""
FEWEST_BESIDE = 24


@compiled
def _source(k: int, here: int, before: int, half: int) -> tuple[int, int]:
    """Field of a source, and how many lines its line lies below."""
    if k < 2:
        return here, -1 - k
    if k < 4:
        return before, half + k - 2
    return (here, -3) if k == 4 else (before, half - 1)


@compiled
def squares(y: I16, here: int, before: int, half: int, left: int, blocks: int, sums: I32) -> None:
    """Sums of squared differences over blocks between each line and its sources; ``sums`` (6, lines, blocks), -1
    where there is none."""
    lines = y.shape[1]
    width = BLOCK_SAMPLES * blocks
    for i in range(lines):
        row = y[here, i, left : left + width]
        for k in range(SOURCES):
            f, off = _source(k, here, before, half)
            source = i + off
            if f < 0 or source < 0 or source >= lines:
                for b in range(blocks):
                    sums[k, i, b] = -1
                continue
            other = y[f, source, left : left + width]
            for b in range(blocks):
                total = np.int32(0)
                for x in range(BLOCK_SAMPLES):  # a difference in 16 bits, its square in 32: eight at a time
                    d = np.int16(row[BLOCK_SAMPLES * b + x] - other[BLOCK_SAMPLES * b + x])
                    total += np.int32(d) * np.int32(d)
                sums[k, i, b] = total


@compiled
def squares_between(y: I16, f: int, g: int, first: int, last: int, left: int, blocks: int, out: I32) -> int:
    """Fill ``out`` with sums of squared differences over blocks between every fourth line of two fields; how many."""
    n = 0
    for i in range(first, last, 4):
        for b in range(blocks):
            total = np.int32(0)
            for x in range(left + BLOCK_SAMPLES * b, left + BLOCK_SAMPLES * b + BLOCK_SAMPLES):
                d = np.int32(y[f, i, x]) - np.int32(y[g, i, x])
                total += d * d
            out[n] = total
            n += 1
    return n


@compiled
def noise_along(y: I16, f: int, first: int, last: int, left: int, right: int, cells: NDArray[np.float32]) -> int:
    """Fill ``cells`` with a mean square over 16 samples, every fourth line; returns how many.

    Squared is the second difference of samples three apart in one line alone: blind to whatever lines differ by. For noise
    of variance s^2 and 4.2 MHz bandwidth the expectation is NOISE_ALONG s^2.
    """
    n = 0
    for i in range(first, last, 4):
        for x0 in range(left + 3, right - 19, 32):
            total = 0
            for x in range(x0, x0 + 16):
                d = 2 * int(y[f, i, x]) - int(y[f, i, x - 3]) - int(y[f, i, x + 3])
                total += d * d
            if n < len(cells):
                cells[n] = total / 16.0
                n += 1
    return n


@compiled
def likelihood_ratio(count: float, own: float, coded: float, other: float) -> float:
    """Log likelihood ratio of ``count`` samples of mean square ``own``: of variance ``coded`` against ``other``."""
    return float(0.5 * FREE_VALUES * count * (np.log(other / coded) - own * (1 / coded - 1 / other)))


@compiled
def _control(sums: I32, k: int, i: int, b: int) -> float:
    """The least mean square of the same relation in the lines around, over three blocks."""
    b0, b1 = max(b - 1, 0), min(b + 2, sums.shape[2])
    least = 1e12
    for step in range(-CONTROL_LINES, CONTROL_LINES + 1):
        if step:
            total = 0.0
            for q in range(b0, b1):
                total += sums[k, i + step, q]
            least = min(least, total)
    return float(least / ((b1 - b0) * BLOCK_SAMPLES))


@compiled
def _hopeful(sums: I32, k: int, i: int, even: int, least: int, need: int) -> bool:
    """Whether any run of this line would reach ``need`` if all its controls were as noise makes them; all in units of ``sums``:
    ``even`` speaks neither way, and no block more against a run than ``least``."""
    score = np.int32(0)
    for b in range(sums.shape[2]):
        step = np.int32(even - sums[k, i, b])
        score = np.int32(score + (step if step > least else least))
        score = score if score > 0 else np.int32(0)
        if score > need:
            return True
    return False


@compiled
def find_segments(sums: I32, usual: float, coded: float, first: int, last: int, need: float, out: NDArray[np.int32]) -> int:
    """Pieces of line of greatest likelihood ratio; returns how many. ``out``: source, line, first block, one past last.

    ``usual``: mean square by which noise makes lines differ; ``coded``: what coding leaves between equal ones.
    """
    blocks, found = sums.shape[2], 0
    even = np.log(usual / coded) / (1 / coded - 1 / usual)  # a mean square that speaks neither way, whatever the controls say
    unit = 0.5 * FREE_VALUES * (1 / coded - 1 / usual)  # log likelihood of one code squared
    even_sum, least_sum, need_sum = np.int32(even * BLOCK_SAMPLES), np.int32(LEAST_STEP / unit), np.int32(need / unit)
    for k in range(SOURCES):
        for i in range(max(first, CONTROL_LINES + 3), min(last, sums.shape[1] - CONTROL_LINES - 1)):
            if sums[k, i, 0] < 0 or not _hopeful(sums, k, i, even_sum, least_sum, need_sum):
                continue
            score, start, best, b0, b1 = 0.0, 0, 0.0, 0, 0
            for b in range(blocks + 1):
                step = -1e9
                if b < blocks:
                    own, step = sums[k, i, b] / BLOCK_SAMPLES, LEAST_STEP
                    if score <= 0 and own >= even:
                        continue  # nothing begins here
                    if own <= HOPELESS * coded:
                        other = max(min(_control(sums, k, i, b), usual), coded)
                        step = likelihood_ratio(BLOCK_SAMPLES, own, coded, other)
                if score <= 0:
                    score, start = 0.0, b
                score += step
                if score > best:
                    best, b0, b1 = score, start, b + 1
                if score <= 0 or best - score > STEP_END:
                    if best > need and found < len(out):
                        out[found, 0], out[found, 1], out[found, 2], out[found, 3] = k, i, b0, b1
                        found += 1
                    score, best = 0.0, 0.0
    return found


@compiled
def _mean_square(y: I16, here: int, line: int, f: int, source: int, x0: int, x1: int) -> float:
    total = 0.0
    for x in range(x0, x1):
        d = float(y[here, line, x]) - float(y[f, source, x])
        total += d * d
    return total / max(x1 - x0, 1)


@compiled
def _noise_of_run(row: I16, x0: int, x1: int) -> float:
    """Mean square of the second difference of samples three apart, of one run without an eighth at either end, as in ``noise_along``."""
    total, inside = 0.0, 3 + (x1 - x0) // 8
    for x in range(x0 + inside, x1 - inside):
        d = 2 * float(row[x]) - float(row[x - 3]) - float(row[x + 3])
        total += d * d
    return total / max(x1 - x0 - 2 * inside, 1)


@compiled
def weigh_segments(
    y: I16,
    here: int,
    before: int,
    half: int,
    left: int,
    right: int,
    usual: float,
    coded: float,
    rough: float,
    segments: NDArray[np.int32],
    out: F64,
) -> int:
    """Ends of the segments, sample by sample, and their log likelihood ratio; returns how many are left.

    The alternative is the least of: what noise makes lines differ by, the same relation in the three lines above, in the three below, and
    before and after the run in its own line, and ``rough`` times what the roughness of the run itself lets lines differ by: a blanked line
    repeats another without having been copied, as does a block of which coding has left nothing but its mean.
    ``out``: line, x0, x1, ratio, source.
    """
    kept = 0
    for s in range(len(segments)):
        k, i = segments[s, 0], segments[s, 1]
        f, off = _source(k, here, before, half)
        w0 = max(left + BLOCK_SAMPLES * segments[s, 2] - ENDS_SAMPLES, left)
        w1 = min(left + BLOCK_SAMPLES * segments[s, 3] + ENDS_SAMPLES, right)
        score, start, best, x0, x1 = 0.0, w0, 0.0, w0, w0
        for x in range(w0, w1):
            d = float(y[here, i, x]) - float(y[f, i + off, x])
            if score <= 0:
                score, start = 0.0, x
            score += max(likelihood_ratio(1, d * d, coded, usual), LEAST_SAMPLE)
            if score > best:
                best, x0, x1 = score, start, x + 1
        n = x1 - x0
        if n < FEWEST_SAMPLES:
            continue
        above = below = 0.0
        for step in range(1, CONTROL_LINES + 1):
            above += _mean_square(y, here, i - step, f, i - step + off, x0, x1) / CONTROL_LINES
            below += _mean_square(y, here, i + step, f, i + step + off, x0, x1) / CONTROL_LINES
        other = min(usual, above, below, rough * _noise_of_run(y[here, i], x0, x1))
        b0, b1, a0, a1 = max(x0 - 2 - n, left), max(x0 - 2, left), min(x1 + 2, right), min(x1 + 2 + n, right)
        beside = b1 - b0 + a1 - a0
        if beside >= FEWEST_BESIDE:
            total = _mean_square(y, here, i, f, i + off, b0, b1) * (b1 - b0)
            total += _mean_square(y, here, i, f, i + off, a0, a1) * (a1 - a0)
            other = min(other, total / beside)
        own = _mean_square(y, here, i, f, i + off, x0, x1)
        out[kept, 0], out[kept, 1], out[kept, 2] = i, x0, x1
        out[kept, 3] = likelihood_ratio(n, own, coded, max(other, coded))
        out[kept, 4] = k
        kept += 1
    return kept
