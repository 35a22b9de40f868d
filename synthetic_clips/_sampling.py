"""Inner loops of the scenes: sub-pixel looking into a plate, and the camera's band limits."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from synthetic_clips._compile import compiled

Array = NDArray[np.float32]

LUMA_LIMIT_HZ = 5.3e6
CHROMA_LIMIT_HZ = 1.3e6
KELL = 0.7
"""Vertical detail of an interlaced camera as a share of what the rows could carry (common practice)."""


@compiled
def _mirror(i: int, n: int) -> int:
    period = 2 * n - 2
    i = i % period
    return i if i < n else period - i


LOBES = 5
"""A line slid by a part of a sample is read with a Lanczos kernel of so many lobes: flat to 5 MHz."""


@compiled
def _slide(line: Array, start: float, out: Array, window: Array) -> None:
    """out[j] = line at ``start + j``; all samples lie at the same part of a sample, so the kernel is worked out
    once."""
    whole = int(np.floor(start))
    part = start - whole
    width = line.size
    first = whole - LOBES + 1
    if first >= 0 and first + window.size <= width:
        window[:] = line[first : first + window.size]
    else:
        for j in range(window.size):
            window[j] = line[_mirror(first + j, width)]
    weights = np.empty(2 * LOBES)
    for k in range(2 * LOBES):
        weights[k] = np.sinc(k - LOBES + 1 - part) * np.sinc((k - LOBES + 1 - part) / LOBES)
    weights /= weights.sum()
    out[:] = 0.0
    for k in range(2 * LOBES):
        weight = np.float32(weights[k])
        piece = window[k : k + out.size]
        for j in range(out.size):
            out[j] += weight * piece[j]


@compiled
def look(
    plate: Array,
    rows: Array,
    columns: int,
    x0: float,
    dx: float,
    x_per_row: float,
    y0: float,
    dy: float,
    y_per_column: float,
) -> Array:
    """Sample ``plate`` (rows, columns) along straight lines ; edges mirror. Cubic interpolation, finer for a plain
    slide.

    Output (len(rows), columns): sample j of row r is taken at column ``x0 + j dx + r x_per_row`` and row
    ``y0 + r dy + j y_per_column`` of the plate.
    """
    height, width = plate.shape
    out = np.empty((rows.size, columns), np.float32)
    straight = y_per_column == 0.0
    line = np.empty(width, np.float32)
    window = np.empty(columns + 2 * LOBES, np.float32)
    for i in range(rows.size):
        r = rows[i]
        xs = x0 + r * x_per_row
        ys = y0 + r * dy
        if straight:
            iy = int(np.floor(ys))
            f = ys - iy
            a0 = np.float32(((-0.5 * f + 1.0) * f - 0.5) * f)
            a1 = np.float32((1.5 * f - 2.5) * f * f + 1.0)
            a2 = np.float32(((-1.5 * f + 2.0) * f + 0.5) * f)
            a3 = np.float32((0.5 * f - 0.5) * f * f)
            p0 = plate[_mirror(iy - 1, height)]
            p1 = plate[_mirror(iy, height)]
            p2 = plate[_mirror(iy + 1, height)]
            p3 = plate[_mirror(iy + 2, height)]
            for j in range(width):
                line[j] = a0 * p0[j] + a1 * p1[j] + a2 * p2[j] + a3 * p3[j]
        if straight and dx == 1.0:
            _slide(line, xs, out[i], window)
            continue
        for j in range(columns):
            x = xs + j * dx
            ix = int(np.floor(x))
            f = x - ix
            b0 = ((-0.5 * f + 1.0) * f - 0.5) * f
            b1 = (1.5 * f - 2.5) * f * f + 1.0
            b2 = ((-1.5 * f + 2.0) * f + 0.5) * f
            b3 = (0.5 * f - 0.5) * f * f
            inside = 1 <= ix < width - 2
            if inside:
                j0, j1, j2, j3 = ix - 1, ix, ix + 1, ix + 2
            else:
                j0, j1, j2, j3 = (
                    _mirror(ix - 1, width),
                    _mirror(ix, width),
                    _mirror(ix + 1, width),
                    _mirror(ix + 2, width),
                )
            if straight:
                out[i, j] = b0 * line[j0] + b1 * line[j1] + b2 * line[j2] + b3 * line[j3]
            else:
                y = ys + j * y_per_column
                iy = int(np.floor(y))
                g = y - iy
                total = 0.0
                for k in range(4):
                    if k == 0:
                        c = ((-0.5 * g + 1.0) * g - 0.5) * g
                    elif k == 1:
                        c = (1.5 * g - 2.5) * g * g + 1.0
                    elif k == 2:
                        c = ((-1.5 * g + 2.0) * g + 0.5) * g
                    else:
                        c = (0.5 * g - 0.5) * g * g
                    p = plate[_mirror(iy - 1 + k, height)]
                    total += c * (b0 * p[j0] + b1 * p[j1] + b2 * p[j2] + b3 * p[j3])
                out[i, j] = total
    return out


@compiled
def overlay(
    target: Array,
    premultiplied: Array,
    alpha: Array,
    rows: Array,
    first_column: float,
    step: float,
    x: float,
    y: float,
    opacity: float,
) -> None:
    """Lay a small picture over ``target`` (rows, columns), its top left corner at column ``x`` and picture row ``y``.

    Column j of the target is luma column ``first_column + j step``; the small picture has the same step along the line.
    """
    h, w = alpha.shape
    start = (x - first_column) / step
    j_first = max(0, int(np.ceil(start)) + 1)
    j_last = min(target.shape[1], int(np.floor(start + w)) - 2)
    for i in range(rows.size):
        v = rows[i] - y
        iv = int(np.floor(v))
        if iv < 0 or iv + 1 >= h:
            continue
        g = np.float32(v - iv)
        for j in range(j_first, j_last):
            u = j - start
            iu = int(np.floor(u))
            f = np.float32(u - iu)
            b0 = ((-0.5 * f + 1.0) * f - 0.5) * f
            b1 = (1.5 * f - 2.5) * f * f + 1.0
            b2 = ((-1.5 * f + 2.0) * f + 0.5) * f
            b3 = (0.5 * f - 0.5) * f * f
            a = 0.0
            p = 0.0
            for k in range(2):
                c = g if k == 1 else 1 - g
                i0 = max(iu - 1, 0)
                i3 = min(iu + 2, w - 1)
                ra = alpha[iv + k]
                rp = premultiplied[iv + k]
                a += c * (b0 * ra[i0] + b1 * ra[iu] + b2 * ra[iu + 1] + b3 * ra[i3])
                p += c * (b0 * rp[i0] + b1 * rp[iu] + b2 * rp[iu + 1] + b3 * rp[i3])
            target[i, j] = target[i, j] * (1 - a * opacity) + p * opacity


def along_taps(limit_hz: float, *, sample_rate_hz: float = 13.5e6, taps: int = 31) -> Array:
    """Low-pass along the line, -6 dB at ``limit_hz``, unit gain at 0."""
    return np.asarray(signal.firwin(taps, limit_hz, fs=sample_rate_hz, window=("kaiser", 5.0)), np.float32)


def _filter(plane: Array, taps: Array, axis: int) -> Array:
    return np.asarray(ndimage.correlate1d(plane, taps, axis=axis, mode="mirror", output=np.float32))


def band_limited(
    plane: Array, *, limit_hz: float = LUMA_LIMIT_HZ, sample_rate_hz: float = 13.5e6, kell: float = KELL
) -> Array:
    """A plane as a camera gives it: limited along the line to ``limit_hz`` and down the picture to ``kell``/2 per
    row."""
    out = _filter(plane, along_taps(limit_hz, sample_rate_hz=sample_rate_hz), 1)
    if kell < 1:
        out = _filter(out, signal.firwin(15, kell, window=("kaiser", 4.0)).astype(np.float32), 0)
    return out


def halved(plane: Array) -> Array:
    """Chroma at half the samples along the line, co-sited with the even ones, limited to about 1.3 MHz."""
    return np.ascontiguousarray(_filter(plane, along_taps(CHROMA_LIMIT_HZ, taps=41), 1)[:, ::2])
