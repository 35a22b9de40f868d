"""Compiled loops over the lines of one field. Plain arrays in, plain arrays out; the meaning is told in relations.py.

Kernels are compiled by numba and cached where a cache can be written; where it cannot, they are compiled anew.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]


NO_EDGE = np.float32(-1.0)
NO_NOISE = np.float32(0.02)
"""IRE squared, 57 dB below white: no tape is as quiet; the carrier's coding has repeated or smoothed the picture."""
LEAST_ENERGY = np.float32(2e-3)
"""IRE squared: what rounding to 8 bits leaves (0.457 IRE a code, squared, over 12, a tenth of it)."""


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """``numba.njit`` with a cache on disk, or without one where no cache can be written."""
    try:
        return numba.njit(cache=True, fastmath=True, nogil=True)(function)
    except RuntimeError:  # numba: "cannot cache function: no locator available"
        return numba.njit(fastmath=True, nogil=True)(function)


@compiled
def to_ire(plane: Any, black: float, scale: float, out: F32) -> None:
    """Codes to IRE (or chroma to % of full swing): out = (code - black) * scale; both (lines, width)."""
    for i in range(plane.shape[0]):
        for x in range(plane.shape[1]):
            out[i, x] = (np.float32(plane[i, x]) - np.float32(black)) * np.float32(scale)


@compiled
def difference_variance(y: F32, x0: int, x1: int) -> float:
    """Mean square of the difference of adjacent lines, over every fourth line: the s2 of the weights."""
    total = 0.0
    count = 0
    for i in range(1, y.shape[0] - 1, 4):
        part: Any = np.float32(0.0)
        for x in range(x0, x1):
            d = y[i + 1, x] - y[i, x]
            part += d * d
        total += part
        count += x1 - x0
    return total / max(count, 1)


@compiled
def luma_pairs(
    y: F32,
    grad: F32,
    slope: F32,
    bounds: Any,
    s2: float,
    num: F32,
    den: F32,
    plain: F32,
    level: F32,
    weight: F32,
    curve: F64,
) -> None:
    """Timing and level relations of every pair of adjacent lines i, i + 1 (p, n are the lines outside the pair).

    ``grad`` is the compact and ``slope`` the accurate derivative along the line. ``bounds`` (sections + 1) are columns.
    num, den (lines, sections), plain, level, weight (lines,) are overwritten; ``curve`` (2,) is added to. ``plain`` is the whole
    line's timing numerator without the outer lines. Weighted means over the section are taken off difference and derivative before
    they are multiplied: a jump of level in a picture that grows brighter along the line is no displacement.
    """
    n = y.shape[0]
    third = np.float32(1.0 / 3.0)
    half = np.float32(0.5)
    one = np.float32(s2)
    for i in range(1, n - 2):
        lev = np.float32(0.0)
        wei = np.float32(0.0)
        pla = np.float32(0.0)
        for s in range(bounds.shape[0] - 1):
            sn = np.float32(0.0)
            sd = np.float32(0.0)
            sl = np.float32(0.0)
            sw = np.float32(0.0)
            sp = np.float32(0.0)
            sgp = np.float32(0.0)
            sgn = np.float32(0.0)
            sbq = np.float32(0.0)
            sap = np.float32(0.0)
            for x in range(bounds[s], bounds[s + 1]):
                p = y[i - 1, x]
                a = y[i, x]
                b = y[i + 1, x]
                q = y[i + 2, x]
                d1 = a - p
                d2 = q - b
                m = one / (one + half * (d1 * d1 + d2 * d2))
                d = (b - a) - (q - p) * third
                gp = m * grad[i - 1, x]
                gn = m * grad[i + 2, x]
                sn += d * (gp + gn)
                sp += (b - a) * (gp + gn)
                # what a unit jump between a and b adds to d * (gp + gn): products of different lines only, so noise adds nothing
                bq = slope[i + 1, x] - third * slope[i + 2, x]
                ap = slope[i, x] - third * slope[i - 1, x]
                sd += gp * bq + gn * ap
                sgp += gp
                sgn += gn
                sbq += m * bq
                sap += m * ap
                sl += m * d
                sw += m
            num[i, s] = -(sn - sl * (sgp + sgn) / sw)
            den[i, s] = sd - (sgp * sbq + sgn * sap) / sw
            lev += sl
            wei += sw
            pla += sp
        level[i] = lev
        weight[i] = wei
        plain[i] = -pla
    for i in range(1, n - 2, 8):
        c = np.float32(0.0)
        g = np.float32(0.0)
        for x in range(bounds[0], bounds[bounds.shape[0] - 1]):
            c += (grad[i, x + 1] - grad[i, x - 1]) * (slope[i + 1, x + 1] - slope[i + 1, x - 1])
            g += grad[i, x] * slope[i + 1, x]
        curve[0] += 0.25 * c
        curve[1] += g


@compiled
def chroma_pairs(
    u: F32, v: F32, bounds: Any, s2: float, re: F32, im: F32, den: F32, re_v: F32, den_v: F32, im_u: F32, cross: F32
) -> None:
    """Complex ratio relations of adjacent chroma lines; the outer lines are the reference, so noise adds no bias.

    Outputs are (lines, sections). ``re_v`` and ``den_v`` are what v has of ``re`` and ``den``, ``im_u`` what the differences of u have of
    ``im``, and ``cross`` the products of u and v as ``den`` has the squares: with them the relations can be had of a plane whose axes
    are scaled otherwise (judge.colour_plane).
    """
    n = u.shape[0]
    third = np.float32(1.0 / 3.0)
    half = np.float32(0.5)
    one = np.float32(s2)
    for i in range(1, n - 2):
        for s in range(bounds.shape[0] - 1):
            sru = np.float32(0.0)
            srv = np.float32(0.0)
            siu = np.float32(0.0)
            siv = np.float32(0.0)
            sdu = np.float32(0.0)
            sdv = np.float32(0.0)
            sx = np.float32(0.0)
            for x in range(bounds[s], bounds[s + 1]):
                pu = u[i - 1, x]
                pv = v[i - 1, x]
                au = u[i, x]
                av = v[i, x]
                bu = u[i + 1, x]
                bv = v[i + 1, x]
                qu = u[i + 2, x]
                qv = v[i + 2, x]
                m = one / (
                    one
                    + half
                    * ((au - pu) * (au - pu) + (av - pv) * (av - pv) + (qu - bu) * (qu - bu) + (qv - bv) * (qv - bv))
                )
                ou = pu + qu
                ov = pv + qv
                cu = au + bu
                cv = av + bv
                du = bu - au
                dv = bv - av
                eu = (qu - pu) * third
                ev = (qv - pv) * third
                # (b - a) conj(p + n) - (n - p) conj(a + b) / 3
                sru += m * (du * ou - eu * cu)
                srv += m * (dv * ov - ev * cv)
                siu += m * (eu * cv - du * ov)
                siv += m * (dv * ou - ev * cu)
                sdu += m * (au * pu + bu * qu)
                sdv += m * (av * pv + bv * qv)
                sx += m * half * (au * pv + av * pu + bu * qv + bv * qu)
            re[i, s] = sru + srv
            im[i, s] = siu + siv
            den[i, s] = sdu + sdv
            re_v[i, s] = srv
            den_v[i, s] = sdv
            im_u[i, s] = siu
            cross[i, s] = sx


@compiled
def chroma_pairs_alternating(u: F32, v: F32, bounds: Any, s2: float, re: F32, im: F32, den: F32) -> None:
    """The same for lines whose V changes its sign from line to line, so that a phase error turns neighbours apart.

    Each product of two lines is summed over the section as a complex number and enters with its size: what turns a line as a whole
    has no say. ``im`` is that of ``chroma_pairs``. Colour is the same two lines on, where V has its sign again; what a decoder takes of
    luminance for colour has turned half a cycle, and where a delay line averages lines they share nothing more. So sections say nothing
    whose lines two apart are not half as alike as neighbours.
    """
    n = u.shape[0]
    half = np.float32(0.5)
    one = np.float32(s2)
    sums = np.zeros(8, np.float32)
    for i in range(1, n - 2):
        for s in range(bounds.shape[0] - 1):
            sums[:] = 0.0
            for x in range(bounds[s], bounds[s + 1]):
                pu, pv = u[i - 1, x], v[i - 1, x]
                au, av = u[i, x], v[i, x]
                bu, bv = u[i + 1, x], v[i + 1, x]
                nu, nv = u[i + 2, x], v[i + 2, x]
                du, dv = au - pu, av - pv
                eu, ev = nu - bu, nv - bv
                m = one / (one + half * (du * du + dv * dv + eu * eu + ev * ev))
                sums[0] += m * (au * pu + av * pv)
                sums[1] += m * (av * pu - au * pv)
                sums[2] += m * (bu * nu + bv * nv)
                sums[3] += m * (bv * nu - bu * nv)
                sums[4] += m * (bu * pu + bv * pv)
                sums[5] += m * (bv * pu - bu * pv)
                sums[6] += m * (au * nu + av * nv)
                sums[7] += m * (av * nu - au * nv)
            ap = np.sqrt(sums[0] ** 2 + sums[1] ** 2)
            bn = np.sqrt(sums[2] ** 2 + sums[3] ** 2)
            bp = np.sqrt(sums[4] ** 2 + sums[5] ** 2)
            an = np.sqrt(sums[6] ** 2 + sums[7] ** 2)
            # (b - a) conj(p + n) - (n - p) conj(a + b) / 3, product by product
            re[i, s] = np.float32(2.0 / 3.0) * (bn - ap) + np.float32(4.0 / 3.0) * (bp - an)
            im[i, s] = np.float32(4.0 / 3.0) * (sums[3] - sums[1]) + np.float32(2.0 / 3.0) * (sums[5] - sums[7])
            den[i, s] = ap + bn if sums[4] + sums[6] > half * (ap + bn) else np.float32(0.0)


@compiled
def cell_energy(band: F32, x0: int, cell: int, energy: F32) -> None:
    """Mean square of ``band`` in cells along the line: energy (lines, cells)."""
    for i in range(band.shape[0]):
        for c in range(energy.shape[1]):
            e = np.float32(0.0)
            for x in range(x0 + c * cell, x0 + (c + 1) * cell):
                e += band[i, x] * band[i, x]
            energy[i, c] = e / np.float32(cell)


@compiled
def band_centre(band: F32, x0: int, cell: int, energy: F32, floor: float) -> tuple[float, int]:
    """Where in its band the detail of a field lies: sum over the cells above ``floor`` of 1 - cos w, and how many cells.

    w is the frequency in radians a sample: neighbouring samples of a sine differ by 2 (1 - cos w) of its energy on average. ``energy``
    (lines, cells) is that of ``cell_energy``; every fourth line is looked at.
    """
    total = 0.0
    count = 0
    for i in range(0, band.shape[0], 4):
        for c in range(energy.shape[1]):
            if energy[i, c] > floor:
                e = np.float32(0.0)
                for x in range(x0 + c * cell, x0 + (c + 1) * cell):
                    d = band[i, x + 1] - band[i, x]
                    e += d * d
                total += min(e / (np.float32(2 * cell) * energy[i, c]), np.float32(2.0))
                count += 1
    return total, count


@compiled
def quiet_cells(here: F32, still: F32, whole: F32, whole_still: F32, colour: F32, ratio: F32, log_a: F32, weight: F32) -> None:
    """Log energy ratios of lines i + 1 and i in the cells where the OUTER lines i - 1 and i + 2 show the least.

    ``here`` (lines, cells): energy of a field's high-passed picture; ``still``: half the energy of its difference from the same
    field of the frame before. Noise reads alike in both, content in neither: the outer lines say which of the two is taken, and
    weigh the cell by the power -3/2 of each of their energies. ``colour`` (lines, cells): power of their chroma in units of
    ``relations.MOIRE_PCT``; where it is large, beats of the subcarrier with the carrier (moire) pose as noise, and the cell loses
    its say. ``whole`` and ``whole_still`` are the same of all frequencies that the high pass lets through: they tell how much noise there
    is, the others how it differs from line to line. Cells are never chosen by their own energy, and the weights are
    absolute, so that over a window the quietest cells of all its frames rule. Energies below ``NO_NOISE`` are none of a tape.
    Outputs (lines,): sums of weighted ratio, of weighted log energy of line i, and of weight.
    """
    n, cells = here.shape
    for i in range(1, n - 2):
        sr = np.float32(0.0)
        sa = np.float32(0.0)
        sw = np.float32(0.0)
        for c in range(cells):
            least = min(min(here[i - 1, c], here[i, c]), min(here[i + 1, c], here[i + 2, c]))
            w = np.float32(0.0) if least < NO_NOISE else np.float32(1.0) / (here[i - 1, c] * here[i + 2, c])
            least = min(min(still[i - 1, c], still[i, c]), min(still[i + 1, c], still[i + 2, c]))
            w_still = np.float32(0.0) if least < NO_NOISE else np.float32(1.0) / (still[i - 1, c] * still[i + 2, c])
            a, b, level = here[i, c], here[i + 1, c], whole[i, c]
            if w_still > w:
                a, b, w, level = still[i, c], still[i + 1, c], w_still, whole_still[i, c]
            if w > 0:
                w *= np.sqrt(w) / (np.float32(1.0) + colour[i - 1, c] * colour[i + 2, c])
                sr += w * np.log(b / a)
                sa += w * np.log(max(level, NO_NOISE))
                sw += w
        ratio[i] = sr
        log_a[i] = sa
        weight[i] = sw


@compiled
def textured_cells(energy: F32, floor: float, quiet: float, num: F32, den: F32) -> None:
    """Energy of lines i + 1 less i, and their mean, over the cells where the outer lines have texture: the product of their energies
    exceeds ``floor`` squared, and each a tenth of it and three times its head's noise.

    Each cell is divided by the root of that product, so that one bright edge cannot rule; a head that passes k of the energy has it as a
    factor there, and what grows down the picture is chosen like what falls. Noise is taken off every energy, of
    each line its own (heads differ): the line's energy where its outer lines are quietest, at most ten times ``quiet``, what the
    quietest cells of the field have. num/den is 2 tanh of half the log energy ratio. Both outputs (lines,).
    """
    n, cells = energy.shape
    most = np.float32(10.0 * quiet)
    least = np.float32(floor * floor)
    low = np.float32(0.1 * floor)
    three = np.float32(3.0)
    for i in range(1, n - 2):
        weight = np.float32(0.0)
        noise_a = np.float32(0.0)
        noise_b = np.float32(0.0)
        for c in range(cells):
            w = np.float32(1.0) / ((energy[i - 1, c] + LEAST_ENERGY) * (energy[i + 2, c] + LEAST_ENERGY))
            w *= w
            weight += w
            noise_a += w * energy[i, c]
            noise_b += w * energy[i + 1, c]
        noise_a = min(noise_a / weight, most)
        noise_b = min(noise_b / weight, most)
        low_a, low_b = max(low, three * noise_a), max(low, three * noise_b)  # p is of the head of a, n of that of b
        difference = np.float32(0.0)
        total = np.float32(0.0)
        for c in range(cells):
            product = energy[i - 1, c] * energy[i + 2, c]
            if product > least and energy[i - 1, c] > low_a and energy[i + 2, c] > low_b:
                w = np.float32(1.0) / np.sqrt(product)
                difference += w * (energy[i + 1, c] - noise_b - energy[i, c] + noise_a)
                total += w * (energy[i + 1, c] - noise_b + energy[i, c] - noise_a)
        num[i] = difference
        den[i] = np.float32(0.5) * total


@compiled
def edge_positions(y: F32, reach: int, least_ire: float, left: F32, right: F32) -> None:
    """Half-amplitude point of the blanking edges of each line, in samples from column 0; NO_EDGE where there is none."""
    n, width = y.shape
    for i in range(n):
        for side in range(2):
            best = NO_EDGE
            # columns counted inwards from the outer end of the line
            plateau = np.float32(0.0)
            for k in range(reach - 8, reach):
                plateau += y[i, k if side == 0 else width - 1 - k]
            plateau /= np.float32(8.0)
            for _ in range(2):
                if plateau < least_ire:
                    best = NO_EDGE
                    break
                outer = y[i, 1 if side == 0 else width - 2]
                if outer > np.float32(0.25) * plateau:
                    best = NO_EDGE
                    break
                level = np.float32(0.5) * plateau
                best = NO_EDGE
                at = -1
                for k in range(1, reach):
                    c0 = y[i, k - 1 if side == 0 else width - k]
                    c1 = y[i, k if side == 0 else width - 1 - k]
                    if c0 < level <= c1:
                        best = np.float32(k - 1) + (level - c0) / (c1 - c0)
                        at = k
                        break
                if at < 0 or at + 6 >= reach + 8:
                    best = NO_EDGE
                    break
                plateau = np.float32(0.0)
                for k in range(at + 2, at + 7):
                    plateau += y[i, k if side == 0 else width - 1 - k]
                plateau /= np.float32(5.0)
            if side == 0:
                left[i] = best
            else:
                right[i] = np.float32(width - 1) - best if best >= 0 else NO_EDGE


@compiled
def shift_lines(lines: F32, start: F32, slope: F32, table: F32, out: F32) -> None:
    """Move each line LEFT by start + slope * x / width samples (undo a delay); windowed-sinc, ``table`` (phases + 1, taps)."""
    n, width = lines.shape
    phases = table.shape[0] - 1
    taps = table.shape[1]
    for i in range(n):
        for x in range(width):
            at = x + start[i] + slope[i] * x / width
            base = int(np.floor(at))
            fine = (at - base) * phases
            k0 = int(fine)
            f = np.float32(fine - k0)
            total = np.float32(0.0)
            for t in range(taps):
                j = min(max(base + t - taps // 2 + 1, 0), width - 1)
                total += lines[i, j] * ((np.float32(1.0) - f) * table[k0, t] + f * table[k0 + 1, t])
            out[i, x] = total
