"""How much each shot scatters, as the boundaries of a wheel would see it: what shots are weighed by.

The median square of a shot's rows (``rows.robust_variance``) does not see a wall with one shelf: most rows are quiet, and the few that
are not are a hundred times as large. Such a shot would rule all others. What counts is what the fit would make of it. A jump at one place
c is read as s1/s2, with a variance of 1/s2 where rows scatter as their median says; so the mean of its square in these units,
sum s1^2 / sum s2 over all places, is the factor by which the shot scatters more. A fault makes jumps too: those of the phase that fits the
shot best, be it the wheel's or not, are taken off first. Of content they take little, being means over eight boundaries of a kind.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.judge.rows import Rows, robust_variance
from detect.judge.wheel import View, boundaries, phase_lattice, scan_phases, without_jumps
from detect.standards import Standard

F64 = NDArray[np.float64]


def boundary_variance(rows: Rows, view: View, standard: Standard) -> F64:
    """Per relation, the variance of sqrt(weight) * ratio of one shot as boundaries see it, at least ``robust_variance``; (relations,)."""
    variance = robust_variance(rows)
    usable = np.isfinite(variance) & (variance > 0)
    weight = rows.weight * np.where(usable, 1.0 / np.where(usable, variance, 1.0), 0.0)[:, None]
    left = boundaries(_without_best(Rows(rows.ratio, weight), view, standard), view)
    total = left.s2.sum(axis=1)
    factor = np.divide((left.s1**2).sum(axis=1), total, out=np.ones_like(total), where=total > 0)
    return np.asarray(variance * np.maximum(factor, 1.0))


def _without_best(rows: Rows, view: View, standard: Standard) -> Rows:
    """The rows less, of each relation, the jumps of the phase that explains most of it."""
    period, lattice = float(standard.lines_per_pass), phase_lattice(standard)
    scan = scan_phases(boundaries(rows, view), period, lattice)
    best = scan.explained.argmax(axis=1)
    return without_jumps(rows, view, period, lattice[best], scan.jumps()[np.arange(len(best)), best])
