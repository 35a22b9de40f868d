"""How far each line of a test signal is displaced, at several places along the line, against the mean of all lines.

A test signal repeats one line, so the mean line, taken after every line has been put back in its place, is the
pattern itself, and a displacement d of a line shows as ``line - pattern = -d * slope of the pattern``. A gain and a
lift of the line in that place are fitted beside it, so that banding does not pose as displacement. Lines are put back
by quintic splines; after three rounds the rest is far below a hundredth of a sample. Only differences between lines
are known: the mean is zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from detect.standards import NS_PER_SAMPLE

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]

SECTIONS = 8
"""Places along the line: enough to see how a displacement grows, wide enough to hold an edge of colour bars each (90
columns)."""
_MARGIN = 18
"""Columns left out at each end, besides the largest displacement: blanking may have been put in anew and then stands
straight."""
_COARSE_SIGMA = 6.0
"""Samples of the first, blurred look: 0.5 MHz and below, so that packets of a multiburst cannot be mistaken by a
cycle."""
HIGHEST_MHZ = 5.2
"""Half amplitude of the filter before: a 4.8 MHz packet passes, one of 5.8 MHz (the edge of BT.601's filters) does not."""
_TAPS = 51
_ROUNDS = 3
_LEAST_ENERGY = 2.0
"""Least sum of squared slopes of a section, (IRE/sample)^2, gain and lift taken out: an edge of 8 IRE has about 4."""


@dataclass(frozen=True, slots=True)
class Displacement:
    """Of each row and section: ``ns`` and ``weight`` (rows, sections), weight in 1/ns^2 per unit noise variance (1 IRE^2).

    ``columns`` (sections,) are the centres of gravity of the edges. Rows outside the zone have weight 0. ``pattern``
    is the mean line. Displacements are relative to the mean of all rows in each section.
    """

    ns: F64
    weight: F64
    columns: F64
    pattern: F64

    def row_means(self) -> F64:
        """Weighted mean over sections, (rows,); NaN without any."""
        total = self.weight.sum(axis=1)
        mean = np.divide((self.weight * self.ns).sum(axis=1), total, out=np.full(len(total), np.nan), where=total > 0)
        return np.asarray(mean, np.float64)


def measure_displacement(y: F32, rows: NDArray[np.bool_], *, start_ns: Displacement | None = None, rounds: int = _ROUNDS) -> Displacement:
    """Displacement of the lines ``y`` (rows, columns) IRE in the zone ``rows``. ``start_ns``: an earlier answer to
    begin from."""
    height, width = y.shape
    lines = without_highest(y[rows].astype(np.float64))
    if start_ns is not None:
        shift = _line_fit(start_ns.ns[rows], start_ns.weight[rows], start_ns.columns) / NS_PER_SAMPLE
    else:
        shift = np.zeros((len(lines), 2))
        blurred = ndimage.gaussian_filter1d(lines, _COARSE_SIGMA, axis=1, mode="nearest")
        for _ in range(3):
            moved = put_back(blurred, shift)
            step, energy = _solve(moved, np.median(moved, axis=0), np.array([_MARGIN, width - _MARGIN]))[:2]
            if energy[0] < _LEAST_ENERGY:
                break
            shift[:, 0] += step[:, 0]
        shift[:, 0] -= np.median(shift[:, 0])
    rest = np.zeros((len(lines), SECTIONS))
    energy, centres = np.zeros(SECTIONS), np.zeros(SECTIONS)
    pattern = np.median(lines, axis=0)
    for turn in range(rounds):
        moved = put_back(lines, shift)
        pattern = _robust_mean(moved)
        bounds = _section_bounds(pattern, reach=float(np.abs(shift[:, 0]).max(initial=0.0)))
        rest, energy, centres = _solve(moved, pattern, bounds)
        if turn < rounds - 1:
            good = energy > _LEAST_ENERGY
            if not good.any():
                break
            shift = shift + _line_fit(rest, np.where(good, energy, 0.0)[None, :] * np.ones((len(lines), 1)), centres)
    x = centres - (width - 1) / 2
    total = (shift[:, :1] + shift[:, 1:] * x[None, :] + rest) * NS_PER_SAMPLE
    ns, weight = np.zeros((height, SECTIONS)), np.zeros((height, SECTIONS))
    ns[rows] = total - np.median(total, axis=0)
    weight[rows] = np.where(energy > _LEAST_ENERGY, energy, 0.0) / NS_PER_SAMPLE**2
    return Displacement(ns, weight, centres, pattern)


def _section_bounds(pattern: F64, *, reach: float) -> NDArray[np.int_]:
    """Columns (sections + 1,) about evenly spaced, moved to the flattest place near by so that no edge is cut.

    Columns that the farthest line (``reach`` samples) would have to take from beyond the end of the line are left out.
    """
    width = pattern.size
    margin = _MARGIN + int(np.ceil(reach))
    even = np.linspace(margin, width - margin, SECTIONS + 1)
    busy = ndimage.gaussian_filter1d(np.gradient(pattern) ** 2, 6.0)
    near = int(width / SECTIONS / 3)
    out = [margin]
    for at in even[1:-1]:
        span = np.arange(int(at) - near, int(at) + near + 1)
        # among equally flat places the nearest one
        cost = busy[span] + 1e-3 * np.abs(span - at) / near
        out.append(int(span[np.argmin(cost)]))
    return np.array([*out, width - margin])


def without_highest(lines: F64) -> F64:
    """Lines without what lies next to the upper edge of the sampled luma, where nothing can be moved faithfully."""
    taps = signal.firwin(_TAPS, HIGHEST_MHZ, fs=1e3 / NS_PER_SAMPLE)
    return np.asarray(ndimage.convolve1d(lines, taps, axis=1, mode="nearest"))


def twice_as_fine(lines: F64) -> F64:
    """Band-limited lines (rows, n) with a sample between every two, (rows, 2 n): the even ones are the old ones.

    By Fourier transform, the ramp from the first to the last sample set aside so that the ends meet. Splines alone turn a
    packet of 4 MHz by a hundredth of what they move it; at twice the rate that is a thousand times less.
    """
    n = lines.shape[1]
    first, last = lines[:, :1], lines[:, -1:]
    growth = (last - first) / (n - 1)
    fine = signal.resample(lines - first - growth * np.arange(n), 2 * n, axis=1)
    return np.asarray(fine + first + growth * np.arange(2 * n) / 2)


def put_back(lines: F64, shift: F64) -> F64:
    """Undo displacements: ``shift`` (rows, 2) is samples at the middle of the line, and growth per sample."""
    width = lines.shape[1]
    x = np.arange(width, dtype=np.float64)
    centre = (width - 1) / 2
    coefficients = ndimage.spline_filter1d(twice_as_fine(lines), order=5, axis=1, mode="mirror")
    out = np.empty_like(lines)
    for i, (offset, growth) in enumerate(shift):
        at = 2 * (x + offset + growth * (x - centre))
        out[i] = ndimage.map_coordinates(coefficients[i], at[None, :], order=5, prefilter=False, mode="mirror")
    return out


def slope_of(line: F64) -> F64:
    """Derivative per sample of a band-limited line: from its quintic spline at twice the rate."""
    step = 0.05
    x = np.arange(line.size, dtype=np.float64)
    c = ndimage.spline_filter1d(twice_as_fine(line[None, :])[0], order=5, mode="mirror")
    ahead, behind = (ndimage.map_coordinates(c, 2 * (x + s)[None, :], order=5, prefilter=False, mode="mirror") for s in (step, -step))
    return np.asarray((ahead - behind) / (2 * step))


def _robust_mean(lines: F64) -> F64:
    """Mean of the lines without those farthest off (losses): the interquartile mean of each column."""
    ordered = np.sort(lines, axis=0)
    cut = len(lines) // 4
    return np.asarray(ordered[cut : len(lines) - cut].mean(axis=0))


def _solve(lines: F64, pattern: F64, bounds: NDArray[np.int_]) -> tuple[F64, F64, F64]:
    """Displacement in samples, (rows, sections), its energy (sections,) and place (sections,), gain and lift fitted
    beside it."""
    slope = slope_of(pattern)
    sections = len(bounds) - 1
    out, energies, centres = np.zeros((len(lines), sections)), np.zeros(sections), np.zeros(sections)
    for s in range(sections):
        span = slice(bounds[s], bounds[s + 1])
        x = np.arange(bounds[s], bounds[s + 1])
        p, g = pattern[span], slope[span]
        others = np.stack([np.ones_like(p), p], axis=1)
        basis = np.linalg.qr(others)[0] if np.ptp(p) > 1e-6 else np.ones((len(p), 1)) / np.sqrt(len(p))
        own = g - basis @ (basis.T @ g)
        energies[s] = float(own @ g)
        centres[s] = float((x * own * g).sum() / max(energies[s], 1e-12))
        if energies[s] > 1e-9:
            out[:, s] = -((lines[:, span] - p) @ own) / energies[s]
    return out, energies, centres


def _line_fit(ns: F64, weight: F64, columns: F64) -> F64:
    """Weighted straight line along each row: (rows, 2) value at the middle of the line and growth per column."""
    width = 720.0
    x = columns - (width - 1) / 2
    s0, s1, s2 = weight.sum(axis=1), weight @ x, weight @ x**2
    t0, t1 = (weight * ns).sum(axis=1), (weight * ns) @ x
    det = s0 * s2 - s1**2
    several = (weight > 0).sum(axis=1) >= 2
    growth = np.divide(s0 * t1 - s1 * t0, det, out=np.zeros_like(det), where=several & (det > 0))
    # with one ruler the growth cannot be seen
    offset = np.divide(t0 - growth * s1, s0, out=np.zeros_like(s0), where=s0 > 0)
    return np.stack([offset, growth], axis=1)
