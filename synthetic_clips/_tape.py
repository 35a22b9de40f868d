"""The inner loop: one field off the tape, displaced, filtered, turned in hue, made noisy."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from synthetic_clips._compile import compiled
from synthetic_clips.rasters import ACTIVE
from synthetic_clips.timebase import NODE_STEP

Array = NDArray[np.float32]
Ints = NDArray[np.int64]

PHASE_BITS = 11
PHASES = 1 << PHASE_BITS
"""Steps of a sample in the table of shifted kernels: rounding to the nearest is at most 0.02 ns off."""
LUMA_TAPS = 16
CHROMA_TAPS = 8


@lru_cache(maxsize=4)
def shift_kernels(taps: int, *, beta: float) -> Array:
    """Windowed sinc kernels (PHASES, taps): kernel p reads the line p/PHASES of a sample to the right of tap taps/2
    - 1."""
    fraction = np.arange(PHASES)[:, None] / PHASES
    offset = np.arange(taps)[None, :] - (taps // 2 - 1) - fraction
    window = np.i0(beta * np.sqrt(np.maximum(0, 1 - (offset / (taps / 2)) ** 2))) / np.i0(beta)
    kernel = np.sinc(offset) * window
    return np.ascontiguousarray(kernel / kernel.sum(axis=1, keepdims=True), np.float32)


@compiled
def _place(x: int, margin: int, displacement: float, wrap: float) -> float:
    """Where on the source line an output sample is read; with ``wrap`` > 0 positions run round a line of so many
    samples."""
    position = x + margin - displacement
    return (position - margin + wrap) % wrap + margin if wrap > 0.0 else position


@compiled
def _shifted_luma(line: Array, kernels: Array, margin: int, nodes: Array, wrap: float, out: Array) -> None:
    """out[x] = line at ``x + margin - d(x)``; the number of taps is spelt out so that the loop is unrolled."""
    last = line.size - LUMA_TAPS
    for segment in range(nodes.size - 1):
        first = segment * NODE_STEP
        slope = (nodes[segment + 1] - nodes[segment]) / NODE_STEP
        for x in range(first, min(first + NODE_STEP, out.size)):
            position = _place(x, margin, nodes[segment] + slope * (x - first), wrap)
            step = int(position * PHASES + 0.5)
            start = min(max((step >> PHASE_BITS) - (LUMA_TAPS // 2 - 1), 0), last)
            kernel = kernels[step & (PHASES - 1)]
            piece = line[start : start + LUMA_TAPS]
            total = np.float32(0.0)
            for k in range(LUMA_TAPS):
                total += piece[k] * kernel[k]
            out[x] = total


@compiled
def _shifted_chroma(
    line_b: Array, line_r: Array, kernels: Array, margin: int, nodes: Array, wrap: float, out_b: Array, out_r: Array
) -> None:
    """Both colour differences, at half the samples along the line; displacement and ``wrap`` are given in luma
    samples."""
    last = line_b.size - CHROMA_TAPS
    step_nodes = NODE_STEP // 2
    for segment in range(nodes.size - 1):
        first = segment * step_nodes
        d0 = nodes[segment] / 2
        slope = (nodes[segment + 1] / 2 - d0) / step_nodes
        for x in range(first, min(first + step_nodes, out_b.size)):
            position = _place(x, margin, d0 + slope * (x - first), wrap / 2)
            step = int(position * PHASES + 0.5)
            start = min(max((step >> PHASE_BITS) - (CHROMA_TAPS // 2 - 1), 0), last)
            kernel = kernels[step & (PHASES - 1)]
            piece_b, piece_r = line_b[start : start + CHROMA_TAPS], line_r[start : start + CHROMA_TAPS]
            total_b = np.float32(0.0)
            total_r = np.float32(0.0)
            for k in range(CHROMA_TAPS):
                total_b += piece_b[k] * kernel[k]
                total_r += piece_r[k] * kernel[k]
            out_b[x] = total_b
            out_r[x] = total_r


@compiled
def play_field(
    y: Array, cb: Array, cr: Array, mask_y: Array, mask_c: Array, mask_of_row: Ints, head: Ints,
    head_taps: Array, filtered: NDArray[np.bool_],
    gain: Array, offset: Array, saturation: Array, displacement: Array, hue_rad: Array,
    differential_rad: Array, differential_gain: Array,
    wrap: Array, noise_start: Ints, luma_noise: Array, chroma_noise: Array, cross_start_rad: Array,
    luma_kernels: Array, chroma_kernels: Array, luma_bank: Array, chroma_bank: Array,
    cross: float, cross_step_rad: float, v_over_u: float,
    out_y: Array, out_cb: Array, out_cr: Array,
) -> None:  # fmt: skip
    """Play one field: scene lines in, stored lines out.

    ``y`` (n, 720 + 2 margin), ``cb`` and ``cr`` (n, 360 + margin) in codes; masks (kinds, columns) blank the
    source; all per-row arrays have n entries; ``displacement`` (samples) and ``hue_rad`` are (n, nodes);
    ``noise_start`` (n, 3) are places in the noise banks; ``v_over_u`` scales Cr against Cb in the plane in which colour
    turns. Outputs (n, 720) and (n, 360) may be strided views.
    """
    n, columns = y.shape
    margin = (columns - ACTIVE) // 2
    chroma_columns = cb.shape[1]
    chroma_margin = margin // 2
    taps = head_taps.shape[1]
    middle = taps // 2
    line = np.empty(columns, np.float32)
    clean = np.empty(columns, np.float32)
    line_b = np.empty(chroma_columns, np.float32)
    line_r = np.empty(chroma_columns, np.float32)
    moved = np.empty(ACTIVE, np.float32)
    moved_b = np.empty(ACTIVE // 2, np.float32)
    moved_r = np.empty(ACTIVE // 2, np.float32)
    for i in range(n):
        m = mask_of_row[i]
        h = head[i]
        g, o, s = gain[i], offset[i], saturation[i]
        for j in range(columns):
            clean[j] = (y[i, j] - np.float32(16.0)) * mask_y[m, j] * g + o
        if filtered[h]:
            for j in range(columns):
                line[j] = 0.0
            for k in range(taps):
                t = head_taps[h, k]
                shift = middle - k
                source = clean[max(0, shift) : min(columns, columns + shift)]  # views, so that the loop is vectorised
                target = line[max(0, -shift) : min(columns, columns - shift)]
                for j in range(target.size):
                    target[j] += t * source[j]
            for j in range(middle):
                line[j] = clean[j]
                line[columns - 1 - j] = clean[columns - 1 - j]
        else:
            line[:] = clean
        for j in range(chroma_columns):
            line_b[j] = (cb[i, j] - np.float32(128.0)) * mask_c[m, j]
            line_r[j] = (cr[i, j] - np.float32(128.0)) * mask_c[m, j]
        _shifted_luma(line, luma_kernels, margin, displacement[i], wrap[i], moved)
        _shifted_chroma(line_b, line_r, chroma_kernels, chroma_margin, displacement[i], wrap[i], moved_b, moved_r)
        a, b, c = noise_start[i, 0], noise_start[i, 1], noise_start[i, 2]
        level = luma_noise[i]
        luma_piece, blue_piece, red_piece = (
            luma_bank[a : a + ACTIVE],
            chroma_bank[b : b + ACTIVE // 2],
            chroma_bank[c : c + ACTIVE // 2],
        )
        for x in range(ACTIVE):
            out_y[i, x] = moved[x] + np.float32(16.0) + level * luma_piece[x]
        level = chroma_noise[i]
        for segment in range(hue_rad.shape[1] - 1):
            first = segment * (NODE_STEP // 2)
            angle0 = hue_rad[i, segment]
            slope = (hue_rad[i, segment + 1] - angle0) / (NODE_STEP // 2)
            cosine, sine = np.cos(angle0), np.sin(angle0)
            step_c, step_s = np.cos(slope), np.sin(slope)
            for x in range(first, min(first + NODE_STEP // 2, ACTIVE // 2)):
                cs, sn = cosine, sine
                if differential_rad[i] != 0.0:
                    extra = differential_rad[i] * moved[2 * x] / 219.0
                    ec, es = np.cos(extra), np.sin(extra)
                    cs, sn = cosine * ec - sine * es, sine * ec + cosine * es
                here = s
                if differential_gain[i] != 0.0:
                    here *= np.float32(1.0) + differential_gain[i] * moved[2 * x] / np.float32(219.0)
                p = here * (moved_b[x] * cs - moved_r[x] * sn * v_over_u)
                q = here * (moved_b[x] * sn / v_over_u + moved_r[x] * cs)
                out_cb[i, x] = p + np.float32(128.0) + level * blue_piece[x]
                out_cr[i, x] = q + np.float32(128.0) + level * red_piece[x]
                if cross != 0.0:
                    turn = cross_start_rad[i] + cross_step_rad * 2 * x
                    out_y[i, 2 * x] += cross * (p * np.sin(turn) + q * np.cos(turn))
                    turn += cross_step_rad
                    out_y[i, 2 * x + 1] += cross * (p * np.sin(turn) + q * np.cos(turn))
                cosine, sine = cosine * step_c - sine * step_s, sine * step_c + cosine * step_s


@compiled
def average_with_line_above(plane: Array) -> None:
    """A decoder's delay line: every line of a field becomes the mean of itself and the one before, in place."""
    for i in range(plane.shape[0] - 1, 0, -1):
        for x in range(plane.shape[1]):
            plane[i, x] = np.float32(0.5) * (plane[i, x] + plane[i - 1, x])


@compiled
def to_ten_bits(plane: Array, out: NDArray[np.uint16]) -> None:
    """8-bit codes with fractions to 10-bit codes, kept out of the codes reserved for timing (BT.601)."""
    for i in range(plane.shape[0]):
        for x in range(plane.shape[1]):
            out[i, x] = np.uint16(
                min(max(plane[i, x] * np.float32(4.0) + np.float32(0.5), np.float32(4.0)), np.float32(1019.0))
            )
