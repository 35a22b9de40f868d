"""Whether skew, quadrature and scallop stand out in the fit of all boundaries together, where no one relation shows them by itself.

The same fit at periods no wheel has tells what content does (``null``), at periods near the wheel's whether bands of the picture
fit better still (``near``). What is compared is the square of the figure over its variance; for the heads, of which three are free,
the quadratic form of their values with their inverse covariance, by the number of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.judge.evidence import Proof
from detect.judge.regimes import free_fit
from detect.judge.rows import Rows
from detect.judge.timebase import ModelFit
from detect.judge.wheel import View, WheelFit, near_periods, null_periods, without_jumps
from detect.standards import Standard

PLACES: Mapping[str, slice] = {"quadrature": slice(0, 3), "skew": slice(3, 4), "scallop": slice(4, 5)}
"""Places of the figures among the unknowns of the fit."""
NULL_PHASES = 5
"""Phases tried at each period: nearer ones see the same boundaries."""


def timing_evidence(
    rows: Rows, view: View, standard: Standard, fit: WheelFit, *, edges: bool = False
) -> dict[str, Proof]:
    """Evidence for skew, quadrature and scallop in uncorrected material from displacement, its growth and hue along the line, and
    from the blanking ``edges`` where they are the tape's own."""

    def squares(rows: Rows, at: Standard, phase: float) -> NDArray[np.float64]:
        return _squares(free_fit(rows, view, at, replace(fit, phase_lines=phase), edges=edges))

    own = squares(rows, standard, fit.phase_lines)
    period = float(standard.lines_per_pass)
    rest = without_jumps(rows, view, period, fit.phase_lines, np.nan_to_num(fit.jumps))
    null = np.max(
        [
            squares(rest, at, phase)
            for at in (_turned(standard, p) for p in null_periods(standard))
            for phase in np.arange(NULL_PHASES) / NULL_PHASES * float(at.lines_per_pass)
        ],
        axis=0,
    )
    near = np.max(
        [
            squares(rows, at, fit.phase_lines + shift)
            for at in (_turned(standard, p) for p in near_periods(standard))
            for shift in (-1.0, 0.0, 1.0)
        ],
        axis=0,
    )
    return {
        name: _evidence(float(own[k]), float(null[k]), float(near[k]), at.stop - at.start)
        for k, (name, at) in enumerate(PLACES.items())
    }


def _evidence(own: float, null: float, near: float, freedom: int) -> Proof:
    p = float(stats.chi2.sf(own * freedom / max(null / 4.0, 1.0), freedom))
    return Proof(
        strength=own,
        ratio=own / max(null, 1.0),
        near=near / max(own, 1e-9),
        z=float(min(stats.norm.isf(max(p, 1e-300) / 2), 38.0)),
    )


def _squares(model: ModelFit) -> NDArray[np.float64]:
    """For each of ``PLACES``: squared distance from nought in standard errors, by degree of freedom."""
    out = []
    for at in PLACES.values():
        value = model.value[at]
        inverse = np.linalg.pinv(model.cov[at, at], hermitian=True)
        out.append(float(value @ inverse @ value) / len(value))
    return np.array(out)


def _turned(standard: Standard, period: float) -> Standard:
    """A standard whose passes are ``period`` field lines long, or as near to it as whole lines of a frame allow."""
    return replace(standard, lines_per_frame=round(2 * standard.passes_per_field * period))
