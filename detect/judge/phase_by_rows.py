"""The phase of the wheel as the fit of all rows sees it, where the jumps at the boundaries tell it to a line or so.

A guide at the wrong height bows every pass: nothing steps where two heads meet, the slope does. Steps then fit best a line or more beside
the true phase. And where a decoder makes a line of two, the line where heads meet differs from both, which is a step up and a step down
about it. All rows together, in the models of the time base and of the heads, tell the phase: so those around the one found are compared by
the chi-square that displacement and its growth leave there, and by what heads, and first lines, win in all other relations.

Where colour was made of several lines its steps are two or three small ones, of which a pair of lines sees little, and the noise of
the lines is not their own. Where no step shows a wheel, all rows of saturation and of hue are asked at every phase.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from detect.judge.evidence import ALONE_RATIO, proof_of, wheel_found
from detect.judge.head_fit import HeadFit, HeadTerms, fit_heads
from detect.judge.regimes import PRICE, SCALLOP, STIFFER, TimingRows, timing_rows
from detect.judge.rows import EDGES, Rows
from detect.judge.wheel import View, WheelFit, fit_wheel, near_places, null_places, phase_lattice
from detect.standards import HEADS, Standard

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
        return (_by_spread_colour(rows, view, standard) if view.spreads_colour else None) or fit
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


def _by_spread_colour(rows: Rows, view: View, standard: Standard) -> WheelFit | None:
    """The wheel that the heads' offsets in one relation of colour show in all rows together, None where none does: the best phase must
    win by far over every null period, and over the near ones."""
    coarse = np.arange(0.0, float(standard.lines_per_pass), COARSE_LINES)
    for relation in ("saturation", "hue"):
        heads = fit_heads(rows, view, standard, relation, 0.0)
        if heads is None:
            continue
        won = [heads.square_at(standard, float(phase)) for phase in coarse]
        phase = _finer(heads, standard, float(coarse[int(np.argmax(won))]))
        own = heads.square_at(standard, phase)
        null = max(heads.square_at(at, there) for at, there in null_places(standard))
        near = max(heads.square_at(at, there) for at, there in near_places(standard, phase))
        proof = proof_of(own, null, near, HEADS - 1)
        if proof.holds_at(ALONE_RATIO) and proof.near < 1:
            return replace(
                fit_wheel(rows, view, standard, phase=phase), by_rows=True, phase_sigma_lines=_sigma(heads, standard, phase),
                joint=(HEADS - 1) * own, joint_null=(HEADS - 1) * max(null, 1.0),
            )  # fmt: skip
    return None


def _finer(heads: HeadFit, standard: Standard, phase: float) -> float:
    """The best phase of the lattice about a coarse one."""
    lattice = phase_lattice(standard)
    period = float(standard.lines_per_pass)
    apart = np.abs((lattice - phase + period / 2) % period - period / 2)
    return float(max(lattice[apart < COARSE_LINES], key=lambda there: heads.square_at(standard, float(there))))


def _sigma(heads: HeadFit, standard: Standard, phase: float) -> float:
    """Standard deviation of the phase about the best one, by the likelihood that the heads' offsets give to each."""
    step = float(standard.phase_step_lines)
    off = step * np.arange(-round(1 / step), round(1 / step) + 1)
    won = (HEADS - 1) / 2 * np.array([heads.square_at(standard, phase + float(d)) for d in off])
    share = np.exp(won - won.max())
    return float(max(np.sqrt((share * off**2).sum() / share.sum()), step / 2))


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
