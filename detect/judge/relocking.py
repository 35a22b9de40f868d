"""The frame at which the wheel takes another phase: what share of the windows around it has the one pattern, and what share the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detect.judge.course import LEVEL_SPREAD
from detect.judge.evidence import evidence
from detect.judge.rows import INDEX, RELATIONS
from detect.judge.stretch import Pooled, window_jumps
from detect.judge.wheel import View
from detect.readings import Readings
from detect.standards import Standard

F64 = NDArray[np.float64]

AROUND = 2
"""Windows at either side that may hold the change: tracking is right to a window, and one more for safety."""
INSIDE = 6
"""Windows farther in, that show how a pattern reads at the other's phase."""
MOST_MISFIT = 9.0
"""Squared standard errors that one window may be off in one relation: content that looks like a wheel must not decide."""
WORST_CROSSTALK = 0.8
"""Phases whose patterns look more alike than this cannot be told apart within a window."""


@dataclass(frozen=True, slots=True)
class Border:
    """Frame of the change and its standard error in frames."""

    frame: int
    sigma_frames: float


def find_border(
    readings: Readings,
    before: tuple[NDArray[np.int64], Pooled],
    after: tuple[NDArray[np.int64], Pooled],
    view: View,
    standard: Standard,
    *,
    start_frame: NDArray[np.int64],
    end_frame: NDArray[np.int64],
) -> Border:
    """Where the windows ``before`` end and those ``after`` begin, finer than a window.

    A window that has the first phase for a share f of its time shows the first pattern with amplitude f + (1 - f) c, where c is
    what the second phase's windows show of it; likewise the second pattern. Every relation that shows a pattern is asked by itself
    and may be off by ``LEVEL_SPREAD``, as content changes from window to window. ``start_frame``, ``end_frame`` (windows,) of the file.
    """
    left, right = before[0][-AROUND - INSIDE :], after[0][: AROUND + INSIDE]
    mask = np.zeros(len(start_frame), bool)
    mask[left] = mask[right] = True
    middle = np.concatenate([left[-AROUND:], right[:AROUND]])
    seen: list[tuple[F64, F64]] = []
    for (_, pooled), own, other, first in (
        (before, left[:-AROUND], right[AROUND:], True),
        (after, right[AROUND:], left[:-AROUND], False),
    ):
        jumps = window_jumps(readings, mask, view, standard, pooled.fit.phase_lines)
        at = np.searchsorted(jumps.index, middle)
        for relation in _that_hold(pooled):
            pattern = np.nan_to_num(pooled.fit.jumps[INDEX[relation]])
            value, sigma = jumps.amplitude(INDEX[relation], pattern)
            full = _mean(value, sigma, np.isin(jumps.index, own))
            cross = _mean(value, sigma, np.isin(jumps.index, other)) / full if full > 0 else 1.0
            if cross < WORST_CROSSTALK and full > 0:
                share = (value[at] / full - cross) / (1 - cross)
                error = np.hypot(sigma[at] / full, LEVEL_SPREAD) / (1 - cross)
                seen.append((share if first else 1 - share, error))
    frames = np.arange(int(start_frame[middle[0]]), int(end_frame[middle[-1]]) + 1)
    begin, end = start_frame[middle], end_frame[middle]
    # share of each window that lies before a change at each frame: (frames, windows)
    modelled = np.clip((frames[:, None] - begin) / (end - begin), 0.0, 1.0)
    misfit = np.zeros(len(frames))
    for share, error in seen:
        misfit += np.minimum(((share - modelled) / error) ** 2, MOST_MISFIT).sum(axis=1)
    likely = np.exp(-(misfit - misfit.min()) / 2)
    likely /= likely.sum()
    frame = float((likely * frames).sum())
    return Border(round(frame), float(np.sqrt((likely * (frames - frame) ** 2).sum())))


def _that_hold(pooled: Pooled) -> list[str]:
    """Relations in which the stretch shows a pattern of the wheel; in the others content would speak."""
    return [r for r in RELATIONS if evidence(pooled.fit, r, "all").holds]


def _mean(value: F64, sigma: F64, chosen: NDArray[np.bool_]) -> float:
    """Weighted mean over the chosen windows, 0 where they say nothing."""
    good = chosen & np.isfinite(sigma)
    if not good.any():
        return 0.0
    weight = 1 / sigma[good] ** 2
    return float((weight * value[good]).sum() / weight.sum())
