"""Where the heads change: the phase of the wheel from everything that was read off the lines of a test signal.

The picture is the same on every line, so whatever differs from line to line is the deck's. For each phase on the
lattice the rows are given four head means, the two shapes of a guide error within a pass, and slow changes down the
picture; the phase that leaves least is the wheel's. The same at periods that no wheel has tells how much of that any
pattern of rows would gain.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.judge.time_geometry import scallop_shape, skew_shape, theta
from detect.standards import HEADS, STANDARDS, Standard, pass_of_rows

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

NULL_FACTORS = (0.89, 0.95, 1.06, 1.13)
"""Periods no wheel has, as multiples of the true one; none is near a ratio of small numbers."""
_LOSS_SIGMAS = 8.0
"""A row this far from the fit is a loss of signal."""
_CHANCE = 1e-6
"""Chance of heads being told apart where there are none, over all phases."""
_ALIKE = 3.0
"""Phases next to each other whose log-likelihoods differ less (odds of 20 to 1) cannot be told apart."""
_NULL_RATIO = 2.0
"""The true period must explain this many times what the best null period does."""


@dataclass(frozen=True, slots=True)
class PhaseFit:
    """``gain`` is the log-likelihood over rows all alike, ``null_gain`` the best at periods that no wheel has.

    ``curve`` has one entry per phase of the lattice. ``width_lines``: phases that far apart, half of it to either side of
    ``phase_lines`` less half a step, give the same bands on the rows in view.
    """

    phase_lines: float
    sigma_lines: float
    gain: float
    null_gain: float
    locked: bool
    curve: F64
    width_lines: float = 0.0

    @property
    def null_ratio(self) -> float:
        return self.gain / self.null_gain if self.null_gain > 0 else float("inf")


def lattice(standard: Standard) -> F64:
    """All phases that give different bands: 525 steps of 1/32 line, or 125 of 1/8."""
    step = float(standard.phase_step_lines)
    return np.arange(round(float(standard.lines_per_pass) / step), dtype=np.float64) * step


def losses(rest: F64) -> Mask:
    """Which residuals lie too far out to be noise: lines hit by a loss of signal."""
    scale = float(stats.median_abs_deviation(rest, scale="normal"))
    return np.asarray(np.abs(rest - np.median(rest)) > _LOSS_SIGMAS * max(scale, 1e-12))


def head_of(standard: Standard, phase: float, height: int) -> NDArray[np.int64]:
    """Head index 0 to 3 (A to D) of each frame row."""
    return pass_of_rows(standard, phase, np.arange(height)) % HEADS


def slow_terms(height: int) -> F64:
    """What may change down the picture without being a head: (height, 3) field against field, slope and bow."""
    x = np.linspace(-1, 1, height)
    return np.stack([np.arange(height) % 2 - 0.5, x, x**2 - 1 / 3], axis=1)


def _design(standard: Standard, phase: float, height: int, *, period_factor: float = 1.0) -> F64:
    """(height, 9): four heads, sine and cosine of the place in the pass, slow terms."""
    rows = np.arange(height, dtype=np.float64)
    if period_factor == 1.0:
        head = head_of(standard, phase, height)
        angle = theta(standard, phase, rows, 0.5)
    else:
        place = (rows / 2 - phase) / (float(standard.lines_per_pass) * period_factor)
        head = np.floor(place + 1e-9).astype(np.int64) % HEADS
        angle = np.radians((place - np.floor(place + 1e-9)) * 90 - 45)
    heads = (head[:, None] == np.arange(HEADS)[None, :]).astype(np.float64)
    return np.hstack([heads, skew_shape(angle)[:, None], scallop_shape(angle)[:, None], slow_terms(height)])


@lru_cache(maxsize=12)
def _bases(name: str, height: int, rows: bytes, factor: float) -> tuple[F64, F64]:
    """Orthonormal columns for each phase, (phases, used rows, 9), and for rows all alike, (used rows, 4)."""
    standard = STANDARDS[name]
    use = np.frombuffer(rows, np.bool_)
    phases = lattice(standard) if factor == 1.0 else lattice(standard)[::8] * factor
    stack = np.stack([_design(standard, float(p), height, period_factor=factor)[use] for p in phases])
    plain = np.hstack([np.ones((height, 1)), slow_terms(height)])[use]
    return np.linalg.qr(stack)[0], np.linalg.qr(plain)[0]


def _gains(x: F64, standard: Standard, rows: Mask, factor: float) -> F64:
    """Log-likelihood gain of each phase, (phases,); ``x`` is (used rows, series)."""
    full, plain = _bases(standard.name, len(rows), rows.tobytes(), factor)
    total = (x**2).sum(axis=0)
    alike = total - ((plain.T @ x) ** 2).sum(axis=0)
    fitted = total - (np.einsum("prk,rs->pks", full, x, optimize=True) ** 2).sum(axis=1)
    floor = 1e-9 * np.maximum(alike, 1e-30)
    return np.asarray(0.5 * len(x) * np.log(np.maximum(alike, floor) / np.maximum(fitted, floor)).sum(axis=1))


def _without_losses(x: F64, basis: F64) -> F64:
    """Series (used rows, series) with losses replaced by what the fit with ``basis`` says."""
    fitted = basis @ (basis.T @ x)
    bad = np.stack([losses(column) for column in (x - fitted).T], axis=1)
    return np.where(bad, fitted, x)


def peak_of(curve: F64, standard: Standard) -> tuple[float, float, float]:
    """Phase where ``curve`` (phases of the lattice,) is highest, its standard error, and the width of the phases like it.

    Not every step of the lattice moves a row from one head to another: fewer than all boundaries are in view. Of steps that
    give the same bands the middle is taken.
    """
    step = float(standard.phase_step_lines)
    best = int(np.argmax(curve))
    first = last = best
    while first > 0 and curve[best] - curve[first - 1] < _ALIKE:
        first -= 1
    while last < len(curve) - 1 and curve[best] - curve[last + 1] < _ALIKE:
        last += 1
    near = np.exp(np.maximum(curve - curve[best], -50.0))
    off = (np.arange(len(curve)) - best + len(curve) // 2) % len(curve) - len(curve) // 2
    sigma = step * max(0.5, float(np.sqrt((near * off**2).sum() / near.sum())))
    return step * (first + last) / 2, sigma, step * (last - first + 1)


def find_phase(series: Mapping[str, F64], rows: Mask, standard: Standard) -> PhaseFit:
    """Fit the phase to all ``series`` at once; each is (rows,), read where ``rows`` is True. NaN series are left out."""
    used = [v[rows] for v in series.values() if np.isfinite(v[rows]).all()]
    used = [(v - v.mean()) / v.std() for v in used if v.std() > 0]
    if not used or rows.sum() < 4 * float(standard.lines_per_pass):
        return PhaseFit(float("nan"), float("nan"), 0.0, 0.0, False, np.zeros(len(lattice(standard))))
    x = np.stack(used, axis=1)
    curve = _gains(x, standard, rows, 1.0)
    x = _without_losses(x, _bases(standard.name, len(rows), rows.tobytes(), 1.0)[0][int(np.argmax(curve))])
    curve = _gains(x, standard, rows, 1.0)
    null = max(float(_gains(x, standard, rows, f).max()) for f in NULL_FACTORS)
    best = int(np.argmax(curve))
    peak, sigma, width = peak_of(curve, standard)
    # twice the gain is chi-square with five degrees of freedom a series (three heads, two shapes) where nothing is there
    chance = float(stats.chi2.sf(2 * curve[best], 5 * x.shape[1])) * len(curve)
    locked = chance < _CHANCE and curve[best] > _NULL_RATIO * null
    return PhaseFit(peak, sigma, float(curve[best]), null, locked, curve, width)
