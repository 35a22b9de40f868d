"""Boundaries that would be a fault of the wheel all by themselves: edges of the picture that lie where two heads meet.

A fault of a head comes back at every turn, about four times in the height of the picture, and skew at every boundary. An edge of a picture
that stands still, or of a caption, is at one of them; its step may be a hundred times what the heads do, and no other period takes it
away, for hardly any meets it. So each boundary is asked what is left of the pattern without it. Null hypothesis: every boundary shows the
pattern at its size, and leaving one out changes nothing but the error.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.judge.evidence import LEAST_STRENGTH
from detect.judge.rows import INDEX, Rows
from detect.judge.wheel import APART, Boundaries, View, WheelFit, boundaries, grid_of, template_of
from detect.standards import HEADS, Standard

F64 = NDArray[np.float64]

LEFT = 1 / 3
"""Share of the pattern that is to be left without the boundary that shows it most. A fault of strength LEAST_STRENGTH has a standard
error of a fifth of itself, so one in a thousand falls below by chance."""


def without_one_place(rows: Rows, view: View, standard: Standard, fit: WheelFit) -> Rows:
    """``rows`` without those, in each relation, about a boundary that makes the pattern alone; ``rows`` itself where none does."""
    sums = boundaries(rows, view)
    weight: F64 | None = None
    for name, k in INDEX.items():
        if fit.strength[k] < LEAST_STRENGTH:
            continue
        at = _alone(sums, standard, fit.phase_lines, name)
        if at is None:
            continue
        weight = rows.weight.copy() if weight is None else weight
        place = template_of(rows.height, view.operator(name))
        weight[k, place.row[at][place.reads[at] != 0]] = 0.0
    return rows if weight is None else Rows(rows.ratio, weight)


def _alone(sums: Boundaries, standard: Standard, phase: float, relation: str) -> int | None:
    """First row of the band at the boundary without which less than LEFT of the pattern is left."""
    k = INDEX[relation]
    rows, kinds = grid_of(standard, phase, sums)
    s1, s2 = sums.s1[k, rows], sums.s2[k, rows]
    a1, a2 = (np.bincount(kinds, s, minlength=HEADS) for s in (s1, s2))
    pattern = np.divide(a1, a2, out=np.zeros(HEADS), where=a2 > 0)
    if relation in APART and a2.sum() > 0:
        pattern = pattern - a1.sum() / a2.sum()
    own, power = s1 * pattern[kinds], s2 * pattern[kinds] ** 2
    most = int(np.argmax(own))
    return int(rows[most]) if own.sum() - own[most] < LEFT * (power.sum() - power[most]) else None
