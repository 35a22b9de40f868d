"""Losses that move through the picture from field to field as things do: a thin edge that now and then falls on a line of its own.

Two losses of a shot in different fields set a course, so many lines and samples a field. Null hypothesis: the others lie anywhere in
the picture, and so few of them on any course (Poisson). Tape damage keeps to no such course: a scratch stands still, comes back a
pass further, or keeps its place across the tape; a crease is over in a field.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.standards import ACTIVE_SAMPLES

I64 = NDArray[np.int64]

CHANCE = 1e-3
"""Of so many others on the best of all courses of a shot, at which chance is ruled out (Poisson times courses tried)."""
FEWEST = 5
"""Losses on a course, in as many fields."""
LEAST_LINES, MOST_LINES = 0.15, 4.0
"""Lines a field: what is slower stands still; a scratch's own course is a pass a field, or none."""
REACH_LINES = 1.0
REACH_SAMPLES = 8.0
"""How far off a course a loss may lie, besides half its length."""
LONGEST_FIELDS = 120
"""A course is set by two losses no further apart: two seconds of 525."""
MOST_AT_ONCE = 300
"""With more losses in a shot tape damage is certain, and by chance they lie on courses too."""
SAME_PLACE = 0.05
"""Spread (standard deviation, passes) of places across the tape below which a course is a scratch's."""


def on_tracks(
    field: I64, line: I64, x0: I64, x1: I64, shot: I64, position: NDArray[np.floating] | None = None, *, lines: int
) -> NDArray[np.bool_]:
    """True for losses on the course of a moving thing, (losses,).

    ``field``: number of the field in time from the file's first; ``line``: in the field, of ``lines``; ``position``: place in the
    pass, NaN where the wheel is not known.
    """
    found = np.zeros(len(field), bool)
    place = np.full(len(field), np.nan) if position is None else np.asarray(position, float)
    for which in np.unique(shot):
        mine = np.flatnonzero(shot == which)
        while FEWEST <= len(mine) <= MOST_AT_ONCE:
            course = _best_course(field[mine], line[mine], x0[mine], x1[mine], place[mine], lines)
            if not course.any():
                break
            found[mine[course]] = True
            mine = mine[~course]
    return found


def _best_course(field: I64, line: I64, x0: I64, x1: I64, place: NDArray[np.floating], lines: int) -> NDArray[np.bool_]:
    """The losses on the course that chance explains least; none where it explains all."""
    t, y, x = field.astype(float), line.astype(float), (x0 + x1) / 2
    half = (x1 - x0) / 2
    best, least = np.zeros(len(t), bool), CHANCE
    tried = 0
    for i in range(len(t)):
        later = np.flatnonzero((t > t[i]) & (t <= t[i] + LONGEST_FIELDS))
        speed = (y[later] - y[i]) / (t[later] - t[i])
        later = later[(np.abs(speed) >= LEAST_LINES) & (np.abs(speed) <= MOST_LINES)]
        tried += len(later)
        for j in later:
            share = (t - t[i]) / (t[j] - t[i])
            inside = (share >= 0) & (share <= 1)
            reach = REACH_SAMPLES + np.maximum(half, max(half[i], half[j]))
            on = inside & (np.abs(y[i] + share * (y[j] - y[i]) - y) <= REACH_LINES) & (np.abs(x[i] + share * (x[j] - x[i]) - x) <= reach)
            if np.count_nonzero(on) < FEWEST or len(np.unique(field[on])) < FEWEST or _keeps_its_place(place[on]):
                continue
            on_it = (2 * REACH_LINES + 1) / lines * np.minimum(2 * reach / ACTIVE_SAMPLES, 1.0)
            usual = float(on_it[inside].sum())
            chance = float(stats.poisson.sf(np.count_nonzero(on) - 3, usual))
            if chance < least:
                best, least = on, chance
    return best if least * tried < CHANCE else np.zeros(len(t), bool)


def _keeps_its_place(place: NDArray[np.floating]) -> bool:
    """Whether losses lie at one place across the tape; unknown places do not say so."""
    if not np.isfinite(place).all():
        return False
    turn = np.exp(2j * np.pi * place).mean()
    return bool(np.sqrt(max(-2 * np.log(max(abs(turn), 1e-12)), 0.0)) / (2 * np.pi) < SAME_PLACE)
