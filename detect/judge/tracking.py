"""The wheel as a state: its phase window by window, found again after an edit or a re-lock.

Each window says how well every phase fits it. The phase stays unless the gain of another outweighs the price of a jump (Viterbi):
weak windows are carried by their neighbours, and only steady evidence makes a re-lock.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.judge.rows import Group, Pool, Rows, groups_of, robust_variance
from detect.judge.wheel import Boundaries, View, boundaries, phase_lattice, scan_phases
from detect.readings import Chunk
from detect.standards import HEADS, Standard

F64 = NDArray[np.float64]

USUAL_VARIANCE = 2.0
"""What boundaries show without any fault, in units of a row's own variance: 1 to 2.2 over the clean material measured."""
MEDIAN_EXPLAINED = stats.chi2.median(HEADS) / HEADS
"""Of what is explained at phases where no wheel is, in units of its mean (chi-square, four jumps): contrasty content explains more
everywhere, and says no more for that."""
JUMP_PRICE = 100.0
"""Log-likelihood a new phase must win: one window gives 60 at most, so a window whose content looks like a wheel makes no re-lock."""
WINDOW_CAP = 60.0
"""Log-likelihood that one window may give one phase over another..."""
BEYOND_CAP = 0.1
"""... and the share of what is beyond that counts: of two phases that both lose to the content of a shot, the better one stays."""

DRIFT_WINDOWS = 10
"""Windows in a row, about eleven seconds, that are asked whether their pattern drifts through the picture."""
DRIFT_LINES = np.concatenate([np.arange(-40, 0), np.arange(1, 41)]) / 10
"""Field lines a window by which patterns may drift."""
DRIFT_PRICE = 150.0
"""Log-likelihood by which a drift must beat what the wheel does: drifting stripes won 280 and more, other
pictures without a wheel up to 141, those with one 57 (house value)."""


@dataclass(frozen=True, slots=True)
class WindowTrace:
    """Per window: frames, whether it is programme, and the curve of fit over the phases of the lattice."""

    start_frame: NDArray[np.int64]
    end_frame: NDArray[np.int64]
    programme: NDArray[np.bool_]
    curve: NDArray[np.float32]


def window_groups(chunks: Iterable[Chunk], chosen: NDArray[np.bool_]) -> Iterator[tuple[int, Group]]:
    """Every chosen window as a group of its own, with its index."""
    first = 0
    none = np.array([], np.int64)
    for chunk in chunks:
        count = len(chunk.start_frame)
        for w in range(count):
            if chosen[first + w] and chunk.frames[w] > 0:
                mask = np.zeros(count, bool)
                mask[w] = True
                for group in groups_of(chunk, first, none, mask):
                    yield first + w, group
        first += count


def normalised(rows: Rows) -> Rows:
    """The rows of one window in units of their own variance."""
    pool = Pool(rows.height)
    pool.add(rows, robust_variance(rows))
    return pool.rows()


ELSEWHERE_STEP = 8
"""Of the 525 phases of the lattice in 525 every eighth, a quarter of a line on, is asked what boundaries show where none is; as many in
625."""


def variance_elsewhere(sums: Boundaries, standard: Standard) -> F64:
    """What the boundaries of one window show without any fault, in units of a row's own variance: (relations,).

    The median over phases all round a pass: few of them lie near the wheel's, so a fault does not count. ``USUAL_VARIANCE`` at least.
    """
    lattice = phase_lattice(standard)
    step = max(ELSEWHERE_STEP * len(lattice) // 525, 1)
    scan = scan_phases(sums, float(standard.lines_per_pass), lattice[::step], core=True)
    return np.asarray(np.maximum(np.median(scan.explained, axis=1) / (HEADS * MEDIAN_EXPLAINED), USUAL_VARIANCE))


def fit_curve(rows: Rows, view: View, standard: Standard) -> F64:
    """How well every phase fits one window's rows: (phases,)."""
    scan = scan_phases(boundaries(normalised(rows), view), float(standard.lines_per_pass), phase_lattice(standard))
    content = np.median(scan.explained, axis=1) / MEDIAN_EXPLAINED
    strength = scan.explained / np.maximum(content, HEADS * USUAL_VARIANCE)[:, None]
    return np.asarray(np.minimum(np.maximum(strength - 2.0, 0.0), WINDOW_CAP).sum(axis=0) * (HEADS / 2))


def track(curve: F64) -> NDArray[np.int64]:
    """The most likely phase index of each window, (windows,), from curves (windows, phases)."""
    windows, phases = curve.shape
    if windows == 0:
        return np.zeros(0, np.int64)
    capped = _capped(curve)
    score = capped[0].copy()
    back = np.zeros((windows, phases), np.int32)
    for w in range(1, windows):
        best = int(np.argmax(score))
        jump = score[best] - JUMP_PRICE
        stay = score >= jump
        back[w] = np.where(stay, np.arange(phases), best)
        score = np.where(stay, score, jump) + capped[w]
    path = np.zeros(windows, np.int64)
    path[-1] = int(np.argmax(score))
    for w in range(windows - 1, 0, -1):
        path[w - 1] = back[w, path[w]]
    return path


def drifting(curve: F64, path: NDArray[np.int64], standard: Standard) -> NDArray[np.bool_]:
    """Windows, (windows,), in which what looks like the wheel drifts through the picture: a wheel stands still or jumps.

    ``curve`` and ``path`` as ``track`` takes and gives them. A course of constant speed must beat the path by ``DRIFT_PRICE``.
    """
    out = np.zeros(len(path), bool)
    for first in range(0, len(path), DRIFT_WINDOWS):
        block = slice(max(0, min(first, len(path) - DRIFT_WINDOWS)), first + DRIFT_WINDOWS)
        capped, stays = _capped(curve[block]), path[block]
        here = np.arange(len(stays))
        tracked = capped[here, stays].sum() - JUMP_PRICE * np.count_nonzero(np.diff(stays))
        if _best_drift(capped, standard) - tracked > DRIFT_PRICE:
            out[block] = True
    return out


def _best_drift(capped: F64, standard: Standard) -> float:
    """The most that phases of constant speed give."""
    phases = np.arange(capped.shape[1])
    here = np.arange(len(capped))
    best = -np.inf
    for speed in DRIFT_LINES / float(standard.phase_step_lines):
        moved = (phases[None, :] + np.rint(speed * here).astype(np.int64)[:, None]) % len(phases)
        best = max(best, float(capped[here[:, None], moved].sum(axis=0).max()))
    return best


def _capped(curve: F64) -> F64:
    """By how much each phase is behind the best of its window, no further than counts."""
    behind = curve - curve.max(axis=1, keepdims=True)
    return np.asarray(np.maximum(behind, -WINDOW_CAP) + BEYOND_CAP * np.minimum(behind + WINDOW_CAP, 0.0))
