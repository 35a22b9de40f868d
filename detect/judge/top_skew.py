"""Top skew: lines at the top of every field displaced, dying away; it follows the field, not the wheel.

Read from the blanking edges where the file holds the tape's own. The picture's interior alone cannot tell a hook from content that
leans, so without edges, or with straight ones, nothing is said rather than zero. Dark content at the side of the picture looks
like an edge too; it is told apart by what blanking does and content does not: it is there in most fields of a stretch of tape and
stands at one place from stretch to stretch, and so does the hook.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detect.judge.wheel import View
from detect.readings import Readings

F64 = NDArray[np.float64]

PARTS = 12
"""The tape is looked at in so many parts at most."""
FEWEST_PARTS = 3
"""Fewer parts that show an edge cannot show that it stands still."""
LEAST_SHARE = 0.3
"""Share of a part's fields in which a row must show the edge; black content hides it in the others."""
LEAST_ROWS = 0.8
"""Share of the rows that must show an edge."""
STANDS_NS = 60.0
"""Blanking stays within this from part to part (under a sample; common practice, no single source); edges of content do not."""
SKIPPED_ROWS = 4
"""Half lines and switching at the very top."""
HOOK_LINES = 40
"""Field lines from the top within which a hook has died away (5 to 20 are usual: common practice, no single source)."""
DECAYS_LINES = np.arange(3.0, 26.0, 0.5)
CLEAR = 6.0
"""Standard errors; below, nothing is said."""
CLEAR_PARTS = 3.0
"""... and standard errors from what the parts say one by one."""
FLOOR_NS = 2.0
"""Error of an edge's place that averaging does not remove: content next to it."""
FARTHEST_NS = 3000.0
"""Places farther from the edge than this are other content."""


@dataclass(frozen=True, slots=True)
class Hook:
    """Displacement at the top of the field, its standard error, and the field lines in which it falls to 1/e."""

    value_ns: float
    sigma_ns: float
    decay_lines: float


def edge_positions(readings: Readings, chosen: NDArray[np.bool_]) -> tuple[F64, F64]:
    """Mean place of both blanking edges, ns from column 0, and the share of fields that show them: (parts, rows, 2) each.

    ``chosen`` (windows,): the windows to use; at most ``PARTS`` parts of about equal numbers of them.
    """
    part_of = np.cumsum(chosen) - 1
    count = min(PARTS, int(chosen.sum()))
    part_of = part_of * count // max(int(chosen.sum()), 1)
    num: F64 | None = None
    den: F64 | None = None
    fields = np.zeros(count)
    first = 0
    for chunk in readings.chunks():
        sums = chunk.sums["edges"]
        for k in np.flatnonzero(chosen[first : first + len(chunk.frames)]):
            part = int(part_of[first + k])
            if num is None or den is None:
                num, den = np.zeros((count, *sums.weight.shape[1:])), np.zeros((count, *sums.weight.shape[1:]))
            num[part] += sums.weight[k] * sums.ratio[k]
            den[part] += sums.weight[k]
            fields[part] += float(chunk.frames[k])
        first += len(chunk.frames)
    if num is None or den is None:
        return np.zeros((0, 0, 2)), np.zeros((0, 0, 2))
    place = np.divide(num, den, out=np.zeros_like(num), where=den > 0)
    return place, den / np.maximum(fields, 1.0)[:, None, None]


def find_hook(place: F64, share: F64, view: View, *, wheel_ns: F64 | None = None) -> Hook | None:
    """The hook in the edges (see ``edge_positions``), or None where it cannot be seen.

    ``wheel_ns`` (rows,) is what the wheel itself displaces.
    """
    best: Hook | None = None
    for side in range(2):
        hook = _one_edge(place[:, :, side], share[:, :, side], view, wheel_ns) if len(place) else None
        if hook is not None and (best is None or hook.sigma_ns < best.sigma_ns):
            best = hook
    return best


def _one_edge(place: F64, share: F64, view: View, wheel_ns: F64 | None) -> Hook | None:
    rows = np.arange(place.shape[1])
    inside = (rows >= view.top + SKIPPED_ROWS) & (rows < view.bottom - SKIPPED_ROWS)
    line = (rows - view.top) / 2.0
    shown = (share >= LEAST_SHARE) & inside
    # counted part by part, the top rows apart: content may hide the edge of some
    enough = shown.sum(1) >= LEAST_ROWS * inside.sum()
    if enough.sum() < FEWEST_PARTS:
        return None
    place, shown = place[enough] - (wheel_ns if wheel_ns is not None else 0.0), shown[enough]
    below = shown & (line > HOOK_LINES)
    bases = np.array([np.median(p[b]) for p, b in zip(place, below, strict=True)])
    if np.median(np.abs(bases - np.median(bases))) > STANDS_NS:
        return None
    still = np.abs(bases - np.median(bases)) <= 3 * STANDS_NS
    if still.sum() < FEWEST_PARTS:
        return None
    off = np.clip(place - bases[:, None], -FARTHEST_NS, FARTHEST_NS)[still]
    shown = shown[still]
    known = shown.any(axis=0)
    at = np.zeros(off.shape[1])
    at[known] = np.nanmedian(np.where(shown, off, np.nan)[:, known], axis=0)
    scatter = float(np.hypot(1.4826 * np.median(np.abs(at[known & (line > HOOK_LINES)])), FLOOR_NS))
    top = known & (line <= HOOK_LINES)
    _, size, power, decay = min(_fitted(at[top], line[top], d) for d in DECAYS_LINES)
    # neighbouring rows err alike: a band of 16 counts as two independent rows
    error = scatter * np.sqrt(8.0 / power)
    alone = np.array([_fitted(o[s & top], line[s & top], decay)[1] for o, s in zip(off, shown, strict=True) if (s & top).any()])
    spread = 1.4826 * float(np.median(np.abs(alone - np.median(alone)))) * np.sqrt(np.pi / 2 / len(alone))
    if abs(size) < CLEAR * error or abs(size) < CLEAR_PARTS * spread:
        return None
    return Hook(size, float(np.sqrt(error**2 + spread**2 + (0.05 * size) ** 2)), decay)


def _fitted(y: F64, x: F64, decay: float) -> tuple[float, float, float, float]:
    """Squares left, size, power of the shape and decay of ``size * exp(-x / decay)``."""
    shape = np.exp(-x / decay)
    power = float((shape**2).sum())
    size = float((shape * y).sum() / power)
    return float(((y - size * shape) ** 2).sum()), size, power, float(decay)
