"""The rows of one relation as independent readings: what content makes alike in neighbouring rows is taken out.

Content leaves its marks in many rows at once: in both fields, in pairs that share a line, in slow trends down the picture. Their
correlation is measured on the rows themselves, once the fault sought is taken off, and rows are multiplied by the inverse of its root:
least squares on the products is then the best linear estimate (generalised least squares, Aitken 1935). Background down the picture
falls out of it, and rows next to a boundary help those on it.

Content is no stationary noise, so the errors are also checked: the same fit is made at periods no wheel has, and if what it gives
there is larger than promised, errors are widened by as much.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky, solve_triangular

from detect.judge.wheel import EDGE_ROWS, View

F64 = NDArray[np.float64]

FEWEST_ROWS = 60
"""With fewer rows their correlation cannot be measured: two passes of 525 in both fields."""
MOST_LAG_ROWS = 40
"""Correlation is measured up to here, a pass and a quarter of 525 lines, and tapered to nothing (Bartlett)."""
LEAST_POWER = 0.03
"""Share of the mean of its spectrum that noise has at least anywhere: the finite tape does not measure less."""
CLIP = 3.5
"""Standard deviations (from the median) at which rows are clipped before their correlation is measured: captions would rule it."""
ROUNDS = 2
"""First the correlation of the rows as they are, then of what the fit leaves."""


@dataclass(frozen=True, slots=True)
class WhiteRows:
    """Rows ``at`` (n,), factors that scale them, root (n, n) of their correlation, and the readings as they come out, ``data`` (n,).

    ``data`` has standard errors of one.
    """

    at: NDArray[np.int64]
    factor: F64
    root: F64
    data: F64

    def basis(self, reads: F64) -> F64:
        """What unknowns read in every row of the view, (bottom, k), as they show in ``data``: (n, k)."""
        return self._whitened(self.factor[:, None] * reads[self.at])

    def _whitened(self, values: F64) -> F64:
        return np.asarray(solve_triangular(self.root, values, lower=True, check_finite=False))

    def widened(self, by: float) -> WhiteRows:
        return replace(self, root=self.root * by, data=self.data / by)


def white_rows(ratio: F64, weight: F64, view: View, *, reach: int, faults: F64, nulls: F64) -> WhiteRows | None:
    """Whiten readings (rows,) of inverse variances ``weight``; None where too few rows were seen.

    ``reach``: frame rows from a pair's first line to its last but one. ``faults`` (bottom, k): what may be in the rows. ``nulls``
    (bottom, periods, k): the same at periods no wheel has.
    """
    asked = np.arange(view.top + EDGE_ROWS, view.bottom - EDGE_ROWS - reach)
    at = asked[weight[asked] > 0]
    if len(at) < FEWEST_ROWS:
        return None
    factor = np.sqrt(weight[at])
    seen, fault = factor * ratio[at], factor[:, None] * faults[at]
    left = seen
    for _ in range(ROUNDS):
        root = cholesky(_covariance(left, at), lower=True, check_finite=False)
        white = WhiteRows(at, factor, root, np.asarray(solve_triangular(root, seen, lower=True, check_finite=False)))
        left = seen - fault @ np.linalg.lstsq(white.basis(faults), white.data, rcond=None)[0]
    return white.widened(_null_scale(white, faults, nulls))


def _covariance(left: F64, at: NDArray[np.int64]) -> F64:
    """Covariance of the rows (n, n), from that of rows as far apart: (n,) readings without the fault."""
    spread = float(np.median(np.abs(left))) / 0.6745
    clipped = np.clip(left, -CLIP * spread, CLIP * spread) if spread > 0 else left
    length = int(at[-1] - at[0]) + 1
    series, there = np.zeros(length), np.zeros(length)
    series[at - at[0]], there[at - at[0]] = clipped, 1.0
    lags = np.zeros(length)
    for lag in range(min(MOST_LAG_ROWS, length)):
        pairs = float(np.dot(there[lag:], there[: length - lag]))
        taper = 1 - lag / MOST_LAG_ROWS
        lags[lag] = taper * float(np.dot(series[lag:], series[: length - lag])) / pairs if pairs > 0 else 0.0
    # made positive definite on a circle
    spectrum = np.fft.rfft(np.concatenate([lags, [0.0], lags[:0:-1]])).real
    mean = max(float(spectrum.mean()), np.finfo(float).tiny)
    covariance = np.fft.irfft(np.maximum(spectrum, LEAST_POWER * mean), 2 * length)[:length]
    return np.asarray(covariance[np.abs(at[:, None] - at[None, :])])


def _null_scale(white: WhiteRows, faults: F64, nulls: F64) -> float:
    """Root of the mean square that the fit gives at the null periods, in standard errors, by unknown; 1 at least."""
    own = white.basis(faults)
    left = white.data - own @ np.linalg.lstsq(own, white.data, rcond=None)[0]
    periods, unknowns = nulls.shape[1:]
    whole = white.basis(nulls.reshape(len(nulls), -1)).reshape(-1, periods, unknowns)
    squares = [square(whole[:, k], left) for k in range(periods)]
    return float(np.sqrt(max(float(np.mean(squares)), 1.0)))


def square(basis: F64, data: F64) -> float:
    """Squared length of a fit in standard errors, by unknown that the readings tell."""
    value, _, rank, _ = np.linalg.lstsq(basis, data, rcond=1e-6)
    fitted = basis @ value
    return float(fitted @ fitted) / max(int(rank), 1)
