"""When a fault is there: in and out points from how strongly each window shows the pooled pattern."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

SWITCH_PRICE = 12.0
"""Log-likelihood that going in or out must win: about five standard errors in one window."""
LEVEL_SPREAD = 0.2
"""A fault that is there may vary by this share from window to window without being said to come and go."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Windows first <= w < last with the fault; ``growing``: it rises through the stretch by more than its scatter."""

    first: int
    last: int
    start_frame: int
    end_frame: int
    growing: bool


def stretches(
    amplitude: F64, sigma: F64, start_frame: NDArray[np.int64], end_frame: NDArray[np.int64]
) -> list[Stretch]:
    """Where ``amplitude`` (windows,), 1 for the pooled size, is on. ``sigma`` is infinite where a window says nothing."""
    said = np.isfinite(sigma)
    if not said.any():
        return []
    level = _upper_level(amplitude[said], sigma[said])
    on = np.ones(len(amplitude), bool)
    for _ in range(3):
        on = _two_states(amplitude, sigma, level)
        if not (on & said).any():
            return []
        weight = 1 / sigma[on & said] ** 2
        level = float((amplitude[on & said] * weight).sum() / weight.sum())
    bounds = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(int), [0]])))
    out = []
    for first, last in zip(bounds[::2], bounds[1::2], strict=True):
        start, end = int(start_frame[first]), int(end_frame[last - 1])
        if first > 0:
            start = _edge(amplitude[first - 1 : first + 1], level, start_frame[first - 1], end_frame[first - 1], rising=True)
        if last < len(on):
            end = _edge(amplitude[last - 1 : last + 1], level, start_frame[last], end_frame[last], rising=False)
        out.append(Stretch(int(first), int(last), start, end, _growing(amplitude[first:last], sigma[first:last])))
    return out


def _upper_level(amplitude: F64, sigma: F64) -> float:
    order = np.argsort(amplitude)
    weight = np.cumsum(1 / sigma[order] ** 2)
    return float(max(amplitude[order][np.searchsorted(weight, 0.8 * weight[-1])], 0.5))


def _two_states(amplitude: F64, sigma: F64, level: float) -> NDArray[np.bool_]:
    """Viterbi over "absent" (0) and "there" (level)."""
    said = np.isfinite(sigma)
    variance = np.where(said, sigma, 1.0) ** 2
    off = np.where(said, amplitude**2 / variance, 0.0) / 2
    there = np.where(said, (amplitude - level) ** 2 / (variance + (LEVEL_SPREAD * level) ** 2), 0.0) / 2
    there += np.where(said, np.log1p((LEVEL_SPREAD * level) ** 2 / variance), 0.0) / 2
    cost = np.stack([np.minimum(off, 200.0), np.minimum(there, 200.0)])
    total, back = cost[:, 0].copy(), np.zeros((2, cost.shape[1]), np.int8)
    for w in range(1, cost.shape[1]):
        for state in (0, 1):
            other = total[1 - state] + SWITCH_PRICE
            back[state, w] = 1 - state if other < total[state] else state
        total = np.minimum(total, total[::-1] + SWITCH_PRICE) + cost[:, w]
    state = int(np.argmin(total))
    path = np.zeros(cost.shape[1], bool)
    for w in range(cost.shape[1] - 1, -1, -1):
        path[w] = bool(state)
        state = int(back[state, w])
    return path


def _edge(pair: F64, level: float, start: int, end: int, *, rising: bool) -> int:
    """The window next to the stretch holds a part of it: its share of the level tells how much."""
    share = float(np.clip((pair[0] if rising else pair[1]) / level, 0.0, 1.0)) if level > 0 else 0.0
    share = share if share > 0.15 else 0.0
    length = int(end) - int(start)
    return round(end - share * length) if rising else round(start + share * length)


def _growing(amplitude: F64, sigma: F64) -> bool:
    said = np.isfinite(sigma)
    if said.sum() < 5:
        return False
    x = np.flatnonzero(said).astype(float)
    w = 1 / sigma[said] ** 2
    x -= (w * x).sum() / w.sum()
    slope = (w * x * amplitude[said]).sum() / (w * x**2).sum()
    return bool(slope * (x[-1] - x[0]) > max(0.4, 5 / np.sqrt((w * x**2).sum()) * (x[-1] - x[0])))
