"""Top skew: lines at the top of every field displaced, dying away; it follows the field, not the wheel.

Read from the blanking edges where the file holds the tape's own. The picture's interior alone cannot tell a hook from content that
leans, so without edges, or with straight ones, nothing is said rather than zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detect.judge.wheel import View
from detect.readings import Readings

F64 = NDArray[np.float64]

LEAST_ROWS = 0.8
"""Share of the rows that must show an edge."""
SKIPPED_ROWS = 4
"""Half lines and switching at the very top."""
HOOK_LINES = 40
"""Field lines from the top within which a hook has died away (5 to 20 are usual: common practice, no single source)."""
DECAYS_LINES = np.arange(3.0, 26.0, 0.5)
CLEAR = 6.0
"""Standard errors; below, nothing is said."""
FLOOR_NS = 2.0
"""Error of an edge's place that averaging does not remove: content next to it."""


@dataclass(frozen=True, slots=True)
class Hook:
    """Displacement at the top of the field, its standard error, and the field lines in which it falls to 1/e."""

    value_ns: float
    sigma_ns: float
    decay_lines: float


def edge_positions(readings: Readings, chosen: NDArray[np.bool_]) -> tuple[F64, F64]:
    """Mean place of both blanking edges, ns from column 0, and weight: (rows, 2) each."""
    num: F64 | None = None
    den: F64 | None = None
    first = 0
    for chunk in readings.chunks():
        mask = chosen[first : first + len(chunk.frames)]
        first += len(chunk.frames)
        sums = chunk.sums["edges"]
        w = sums.weight[mask].sum(axis=0, dtype=np.float64)
        r = (sums.weight[mask] * sums.ratio[mask]).sum(axis=0, dtype=np.float64)
        num, den = (r, w) if num is None or den is None else (num + r, den + w)
    if num is None or den is None:
        return np.zeros((0, 2)), np.zeros((0, 2))
    return np.divide(num, den, out=np.zeros_like(num), where=den > 0), den


def find_hook(position: F64, weight: F64, view: View, *, wheel_ns: F64 | None = None) -> Hook | None:
    """The hook in the edges, or None where it cannot be seen. ``wheel_ns`` (rows,) is what the wheel itself displaces."""
    best: Hook | None = None
    for side in range(position.shape[1]):
        hook = _one_edge(position[:, side], weight[:, side], view, wheel_ns)
        if hook is not None and (best is None or hook.sigma_ns < best.sigma_ns):
            best = hook
    return best


def _one_edge(position: F64, weight: F64, view: View, wheel_ns: F64 | None) -> Hook | None:
    rows = np.arange(len(position))
    inside = (rows >= view.top + SKIPPED_ROWS) & (rows < view.bottom - SKIPPED_ROWS)
    good = inside & (weight > 0.2 * np.median(weight[inside])) & (weight > 0)
    if good.sum() < LEAST_ROWS * inside.sum():
        return None
    at = position - (wheel_ns if wheel_ns is not None else 0.0)
    line = (rows - view.top) / 2.0
    below = good & (line > HOOK_LINES)
    base = float(np.median(at[below]))
    scatter = float(np.hypot(1.4826 * np.median(np.abs(at[below] - base)), FLOOR_NS))
    top = good & (line <= HOOK_LINES)
    y, x = at[top] - base, line[top]
    y = np.clip(y, -3000.0, 3000.0)
    tries = []
    for decay in DECAYS_LINES:
        shape = np.exp(-x / decay)
        power = float((shape**2).sum())
        size = float((shape * y).sum() / power)
        tries.append((float(((y - size * shape) ** 2).sum()), size, power, float(decay)))
    _, size, power, decay = min(tries)
    # neighbouring rows err alike: a band of 16 counts as two independent rows
    sigma = float(np.hypot(scatter * np.sqrt(8.0 / power), 0.05 * abs(size)))
    if abs(size) < CLEAR * scatter * np.sqrt(8.0 / power):
        return None
    return Hook(size, sigma, decay)
