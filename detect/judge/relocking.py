"""The frame at which the wheel takes another phase: what share of the windows around it has the one pattern, and what share the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detect.judge.stretch import Pooled, WindowJumps, window_jumps
from detect.judge.tracking import USUAL_VARIANCE
from detect.judge.wheel import View
from detect.readings import Readings
from detect.standards import Standard

F64 = NDArray[np.float64]

AROUND = 2
"""Windows at either side that may hold the change: tracking is right to a window, and one more for safety."""
INSIDE = 6
"""Windows farther in, that show how a pattern reads at the other's phase."""
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
    what the second phase's windows show of it; likewise the second pattern. ``start_frame``, ``end_frame`` (windows,) of the file.
    """
    left, right = before[0][-AROUND - INSIDE :], after[0][: AROUND + INSIDE]
    mask = np.zeros(len(start_frame), bool)
    mask[left] = mask[right] = True
    shares: list[tuple[F64, F64]] = []
    for (_, pooled), own, other in ((before, left[:-AROUND], right[AROUND:]), (after, right[AROUND:], left[:-AROUND])):
        jumps = window_jumps(readings, mask, view, standard, pooled.fit.phase_lines)
        value, sigma = _amplitude(jumps, np.nan_to_num(pooled.fit.jumps))
        full = _mean(value, sigma, np.isin(jumps.index, own), 1.0)
        cross = _mean(value, sigma, np.isin(jumps.index, other), 0.0) / full if full > 0 else 1.0
        if cross > WORST_CROSSTALK or full <= 0:
            shares.append((np.full(len(value), 0.5), np.full(len(value), np.inf)))
        else:
            shares.append(((value / full - cross) / (1 - cross), sigma / full / (1 - cross)))
    (first, first_sigma), (second, second_sigma) = shares
    middle = np.concatenate([left[-AROUND:], right[:AROUND]])
    at = np.searchsorted(jumps.index, middle)
    weight = np.stack([1 / first_sigma[at] ** 2, 1 / second_sigma[at] ** 2])
    total = weight.sum(0)
    share = np.where(total > 0, (weight[0] * first[at] + weight[1] * (1 - second[at])) / np.where(total > 0, total, 1), np.nan)
    known = np.isfinite(share)
    share = np.where(known, np.clip(share, 0.0, 1.0), np.isin(middle, left).astype(float))
    length = (end_frame[middle] - start_frame[middle]).astype(float)
    error = np.where(known, np.minimum(1 / np.sqrt(np.where(total > 0, total, 1)), 0.5), 0.5)
    # the change is one: of the four shares only those next to it are neither nought nor one
    frame = float(start_frame[middle[0]] + (share * length).sum())
    return Border(round(frame), float(np.sqrt(((error * length) ** 2).sum())))


def _amplitude(jumps: WindowJumps, pattern: F64) -> tuple[F64, F64]:
    """How strongly each window shows ``pattern`` (relations, 4), and its standard error."""
    power = (jumps.a2 * pattern**2).sum(axis=(1, 2))
    good = power > 0
    value = np.divide((jumps.a1 * pattern).sum(axis=(1, 2)), power, out=np.zeros_like(power), where=good)
    sigma = np.sqrt(USUAL_VARIANCE / np.where(good, power, 1.0))
    return value, np.where(good, sigma, np.inf)


def _mean(value: F64, sigma: F64, chosen: NDArray[np.bool_], otherwise: float) -> float:
    good = chosen & np.isfinite(sigma)
    if not good.any():
        return otherwise
    weight = 1 / sigma[good] ** 2
    return float((weight * value[good]).sum() / weight.sum())
