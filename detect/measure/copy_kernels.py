"""The loops of the search for compensated losses, compiled: runs that equal an earlier piece of picture.

All on (fields, lines, samples) stacks of 16-bit luma, 10-bit codes; ``half`` as in loss_kernels.py.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.measure.kernels import compiled

I16 = NDArray[np.int16]
F32 = NDArray[np.float32]


@compiled
def copy_blocks(y: I16, here: int, before: int, half: int, left: int, blocks: int, sums: NDArray[np.int32]) -> None:
    """Sums of |difference| over blocks of 16 samples between each line and four earlier pieces of picture.

    ``sums`` (4, lines, blocks): the line above, two above, and the two nearest lines of the field before (-1 where
    there is none).
    """
    lines = y.shape[1]
    apart, pairs = np.empty(16 * blocks, np.int16), np.empty(8 * blocks, np.int16)
    for i in range(lines):
        row = y[here, i, left : left + 16 * blocks]
        for k in range(4):
            f = here if k < 2 else before
            source = i - 1 - k if k < 2 else i + half + k - 2
            if f < 0 or source < 0 or source >= lines:
                for b in range(blocks):
                    sums[k, i, b] = -1
                continue
            other = y[f, source, left : left + 16 * blocks]
            for x in range(16 * blocks):  # 16-bit numbers only: 16 at a time
                up = np.int16(row[x] - other[x])
                down = np.int16(other[x] - row[x])
                apart[x] = up if up > down else down
            for x in range(8 * blocks):  # sums of two, four, eight, sixteen: at most 16 x 1023, and many at a time
                pairs[x] = np.int16(apart[2 * x] + apart[2 * x + 1])
            for x in range(4 * blocks):
                apart[x] = np.int16(pairs[2 * x] + pairs[2 * x + 1])
            for x in range(2 * blocks):
                pairs[x] = np.int16(apart[2 * x] + apart[2 * x + 1])
            for b in range(blocks):
                sums[k, i, b] = pairs[2 * b] + pairs[2 * b + 1]


@compiled
def _least_control(sums: NDArray[np.int32], k: int, i: int, b: int, first: int, last: int) -> int:
    """The least sum of the same relation three lines up and down."""
    least = 1 << 30
    for step in (-3, -2, -1, 1, 2, 3):
        j = i + step
        if first <= j < last and sums[k, j, b] >= 0:
            least = min(least, sums[k, j, b])
    return least


@compiled
def _roughness(row: NDArray[np.int16], x0: int, x1: int) -> float:
    """Mean difference of neighbouring samples."""
    total = 0.0
    for x in range(x0 + 1, x1):
        total += abs(float(row[x]) - float(row[x - 1]))
    return total / (x1 - x0 - 1)


@compiled
def find_copies(
    y: I16,
    here: int,
    before: int,
    half: int,
    left: int,
    right: int,
    sums: NDArray[np.int32],
    bound: float,
    first: int,
    last: int,
    blocks_least: int,
    rough: float,
    out: F32,
) -> int:
    """Runs that equal an earlier piece of picture far better than their surroundings equal theirs; returns how many.

    Neighbouring samples of a run must differ by ``rough`` on average, as noise makes them: blanked lines and clipped black equal
    one another without having been repeated.

    A block counts when its mean difference is below ``bound`` and below 0.6 of the least of its controls, the same
    relation three lines up and down. ``out``: line, x0, x1, source (0 to 3), mean difference, and that of the most
    alike control, which may also be the same line before or after the run.
    """
    blocks = sums.shape[2]
    most = 16 * bound
    found = 0
    for k in range(4):
        for i in range(first, last):
            alike = 0
            for b in range(blocks):
                alike += 0 <= sums[k, i, b] < most
            if alike < blocks_least:
                continue
            b = 0
            while b < blocks:
                if not 0 <= sums[k, i, b] < most or sums[k, i, b] > 0.6 * _least_control(sums, k, i, b, first, last):
                    b += 1
                    continue
                b0, total = b, 0
                while b < blocks and 0 <= sums[k, i, b] < most and sums[k, i, b] <= 0.6 * _least_control(sums, k, i, b, first, last):
                    total += sums[k, i, b]
                    b += 1
                if b - b0 < blocks_least or found == len(out):
                    continue
                control = 1e9
                for step in (-3, -2, -1, 1, 2, 3):
                    j = i + step
                    if first <= j < last and sums[k, j, b0] >= 0:
                        c = 0
                        for q in range(b0, b):
                            c += sums[k, j, q]
                        control = min(control, c / (b - b0))
                for side in range(2):
                    q = b0 - 2 if side == 0 else b + 1
                    if 0 <= q < blocks:
                        control = min(control, float(sums[k, i, q]))
                own = total / (b - b0)
                if own > 0.6 * control or _roughness(y[here, i], left + 16 * b0, left + 16 * b) < rough:
                    continue
                # the ends, sample by sample: as long as the difference stays small
                f = here if k < 2 else before
                source = i - 1 - k if k < 2 else i + half + k - 2
                small = 2.5 * own / 16 + 1
                x0, x1 = left + 16 * b0, left + 16 * b
                while x0 > left and abs(y[here, i, x0 - 1] - y[f, source, x0 - 1]) <= small:
                    x0 -= 1
                while x1 < right and abs(y[here, i, x1] - y[f, source, x1]) <= small:
                    x1 += 1
                out[found, 0], out[found, 1], out[found, 2], out[found, 3] = i, x0, x1, k
                out[found, 4], out[found, 5] = own / 16, control / 16
                found += 1
    return found
