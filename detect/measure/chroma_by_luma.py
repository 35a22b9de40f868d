"""How what differs between the chroma of adjacent lines goes with the brightness of the picture.

A channel whose gain or phase at the subcarrier depends on the level turns or weakens the colour of bright parts more than that of dark
ones (differential phase and gain). So the two relations of ``kernels.chroma_pairs``, sample by sample, are regressed on luma. Luma
first gets what runs evenly along the line taken off, and its mean: a turn that is the same along the whole line, or grows along it as
velocity error does, reads nought.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from detect.measure.kernels import compiled

F32 = NDArray[np.float32]

WHITE_IRE = 100.0
"""Slopes are per this much: from black to white."""


@compiled
def luma_at_chroma(y: F32, step_x: int, step_y: int, out: F32) -> None:
    """Luma (lines, width), IRE, as the eye of a chroma sample sees it: over four samples, which no subcarrier outlasts; out: (chroma
    lines, chroma width), in parts of white."""
    quarter = np.float32(0.25 / WHITE_IRE / step_y)
    for i in range(out.shape[0]):
        for x in range(out.shape[1]):
            total = np.float32(0.0)
            at = min(max(step_x * x, 2), y.shape[1] - 3)
            for k in range(step_y):
                line = y[min(step_y * i + k, y.shape[0] - 1)]
                total += np.float32(0.5) * (line[at - 2] + line[at + 2]) + line[at - 1] + line[at] + line[at + 1]
            out[i, x] = quarter * total


@compiled
def chroma_pairs_by_luma(
    u: F32, v: F32, luma: F32, x0: int, x1: int, s2: float, seen: float, re: F32, im: F32, den: F32
) -> None:
    """Slopes of the complex relation over luma as numerators ``re`` and ``im`` over ``den``, (lines,) each.

    ``u``, ``v`` and ``luma`` are (lines, width). ``s2``: variance of the difference of adjacent chroma lines. A line says nothing where
    its weights do not stand out of their noise by ``seen`` standard errors.
    """
    n = u.shape[0]
    third, half, one = np.float32(1.0 / 3.0), np.float32(0.5), np.float32(s2)
    weight = np.empty(x1 - x0, np.float32)
    real = np.empty(x1 - x0, np.float32)
    imaginary = np.empty(x1 - x0, np.float32)
    bright = np.empty(x1 - x0, np.float32)
    centre, scale = np.float32(0.5 * (x1 - x0)), np.float32(1.0 / (x1 - x0))
    for i in range(1, n - 2):
        s0 = np.float32(0.0)
        sx = np.float32(0.0)
        sl = np.float32(0.0)
        sxx = np.float32(0.0)
        sxl = np.float32(0.0)
        for j in range(x1 - x0):
            x = x0 + j
            pu, pv, au, av = u[i - 1, x], v[i - 1, x], u[i, x], v[i, x]
            bu, bv, qu, qv = u[i + 1, x], v[i + 1, x], u[i + 2, x], v[i + 2, x]
            m = one / (
                one + half * ((au - pu) * (au - pu) + (av - pv) * (av - pv) + (qu - bu) * (qu - bu) + (qv - bv) * (qv - bv))
            )
            ou, ov, cu, cv = pu + qu, pv + qv, au + bu, av + bv
            du, dv = bu - au, bv - av
            eu, ev = (qu - pu) * third, (qv - pv) * third
            w = m * (au * pu + av * pv + bu * qu + bv * qv)
            at = (np.float32(j) - centre) * scale
            light = half * (luma[i, x] + luma[i + 1, x])
            real[j] = m * (du * ou + dv * ov - eu * cu - ev * cv)
            imaginary[j] = m * (dv * ou - du * ov - ev * cu + eu * cv)
            weight[j], bright[j] = w, light
            s0 += w
            sx += w * at
            sl += w * light
            sxx += w * at * at
            sxl += w * at * light
        re[i] = im[i] = den[i] = np.float32(0.0)
        if s0 <= half * one * np.float32(seen) * np.sqrt(np.float32(x1 - x0)):
            continue
        spread = sxx - sx * sx / s0
        along = (sxl - sx * sl / s0) / spread if spread > 0 else np.float32(0.0)
        level = (sl - along * sx) / s0
        sr = np.float32(0.0)
        si = np.float32(0.0)
        sd = np.float32(0.0)
        fourth = np.float32(0.0)
        for j in range(x1 - x0):
            off = bright[j] - level - along * (np.float32(j) - centre) * scale
            sr += off * real[j]
            si += off * imaginary[j]
            sd += off * off * weight[j]
            fourth += off * off * off * off
        if sd > half * one * np.float32(seen) * np.sqrt(fourth):
            re[i], im[i], den[i] = sr, si, sd


def chroma_by_luma(u: F32, v: F32, luma: F32, columns: tuple[int, int], *, s2: float, seen: float) -> tuple[F32, F32, F32]:
    """Numerators of the real and the imaginary slope, and their denominator, for each pair of chroma lines: (lines,) each.

    ``columns``: the first and the one after the last that is looked at.
    """
    out: list[Any] = [np.zeros(u.shape[0], np.float32) for _ in range(3)]
    chroma_pairs_by_luma(u, v, luma, columns[0], columns[1], s2, seen, *out)
    return out[0], out[1], out[2]
