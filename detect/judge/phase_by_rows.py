"""The phase of the wheel as the fit of all rows sees it, where the jumps at the boundaries tell it to a line or so.

A guide at the wrong height bows every pass: nothing steps where two heads meet, the slope does. Steps then fit best a line or more beside
the true phase. And where a decoder makes a line of two, the line where heads meet differs from both, which is a step up and a step down
about it. All rows together, in the models of the time base and of the heads, tell the phase: so those around the one found are compared by
the chi-square that displacement and its growth leave there, and by what heads, and first lines, win in all other relations.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.judge.evidence import wheel_found
from detect.judge.head_fit import HeadFit, HeadTerms, fit_heads
from detect.judge.regimes import PRICE, SCALLOP, STIFFER, TimingRows, timing_rows
from detect.judge.rows import EDGES, Rows
from detect.judge.wheel import View, WheelFit, fit_wheel, phase_lattice
from detect.standards import Standard

F64 = NDArray[np.float64]

REACH_LINES = 2.0
"""How far from the phase of the jumps another one is looked for: a bow moves it by a line or so (house value)."""
COARSE_LINES = 0.125
"""Steps in which the phases around are looked through; about the best of them the lattice is."""
FREE_UNKNOWNS = 4
"""Of the uncorrected model beyond a scallop."""
LIKELIER = 8.0
"""Log likelihood by which another phase must win: odds of 3000 to 1 (house practice), as for decoders."""
OTHERS = {
    "saturation": HeadTerms(common=True, first_line=True), "hue": HeadTerms(common=True), "level": HeadTerms(),
    "noise": HeadTerms(common=True), "response_3": HeadTerms(),
}  # fmt: skip
"""What else the tape makes of the rows of each relation beside the heads' offsets."""


def fit_wheel_by_rows(rows: Rows, view: View, standard: Standard) -> WheelFit:
    """The wheel at the phase that jumps and rows agree on."""
    fit = fit_wheel(rows, view, standard)
    if not wheel_found(fit):
        return fit
    lattice = phase_lattice(standard)
    step = float(standard.phase_step_lines)
    own = int(np.argmin(np.abs(lattice - fit.phase_lines)))
    timing = timing_rows(rows, view, standard, fit).without(EDGES)
    fits = (fit_heads(rows, view, standard, relation, fit.phase_lines, terms) for relation, terms in OTHERS.items())
    others = [heads for heads in fits if heads is not None]
    seen: dict[int, float] = {}

    def likelihood(off: int) -> float:
        at = (own + off) % len(lattice)
        if at not in seen:
            seen[at] = (_won(others, standard, float(lattice[at])) - _left(timing, standard, float(lattice[at]))) / 2
        return seen[at]

    coarse = max(1, round(COARSE_LINES / step))
    reach = round(REACH_LINES / step)
    best = max(range(-(reach // coarse) * coarse, reach + 1, coarse), key=likelihood)
    best = max(range(best - coarse + 1, best + coarse), key=likelihood)
    if likelihood(best) - likelihood(0) < LIKELIER:
        return fit
    return fit_wheel(rows, view, standard, phase=float(lattice[(own + best) % len(lattice)]))


def _won(others: list[HeadFit], standard: Standard, phase: float) -> float:
    """Chi-square that everything but displacement wins."""
    return sum(heads.explained(standard, phase) for heads in others)


def _left(timing: TimingRows, standard: Standard, phase: float) -> float:
    """Chi-square that the likeliest model of the time base leaves, each unknown more at its price."""
    free = timing.fit(standard, phase).chi_square + FREE_UNKNOWNS * PRICE
    right = timing.fit(standard, phase, has=SCALLOP).chi_square
    corrected = timing.fit(standard, phase, model="corrected", any_reference=True).chi_square
    stiff = timing.fit(standard, phase, model="whole_lines").chi_square + FREE_UNKNOWNS * PRICE + STIFFER
    return min(free, right, corrected, stiff)
