"""Losses that move through the picture from field to field as things do: a thin edge that now and then falls on a line of its own.

Two losses of a shot in different fields set a course, so many lines and samples a field. Null hypothesis: the others lie anywhere in
the picture, and so few of them on any course (Poisson). Tape damage keeps to no such course: a scratch stands still, comes back a
pass further, or keeps its place across the tape; a crease is over in a field.

A striped thing that moves, a shirt or a blind, shows now one and now another of its stripes on a line of its own. Its dashes are of one
length and look, and keep a course along the line while they change from line to line within the thing. Those that were not taken for
losses tell of it too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.standards import ACTIVE_SAMPLES, Standard

I64 = NDArray[np.int64]

CHANCE = 1e-3
"""Of so many others on the best of all courses of a shot, at which chance is ruled out (Poisson times courses tried)."""
FASTEST_LINES = 12.0
"""Lines a field, at most."""
REACH_SAMPLES = 8.0
"""How far off a course along the line a loss may lie, besides half its length."""
LONGEST_FIELDS = 120
"""A course is set by two losses no further apart: two seconds of 525."""
FEWEST = 5
"""Losses of a thing on a course, in as many fields; dashes of a striped one too."""
MOST_LINES = 4.0
"""Lines a field that things move at most, but those that lie at all places of a pass."""


@dataclass(frozen=True, slots=True)
class Sought:
    """A sort of thing that moves.

    ``fewest``: losses on a course, in as many fields; ``most_at_once``: with more losses in a shot it is not sought.
    ``reach_lines``: how far off a course one may lie; ``lines_by_chance``: in how many lines those are that do so by chance.
    ``least_lines``: a field, what is slower stands still; ``slow_lines``: a field, above which dashes of a scratch keep courses too, of a
    half or a third of a pass a field, so that places in the pass are asked. ``least_travel``: share of the lines that it must be seen to
    cross; ``keeps_along``: whether it keeps a course along the line as well.
    """

    fewest: int
    most_at_once: int
    reach_lines: float
    lines_by_chance: float
    least_lines: float
    slow_lines: float
    least_travel: float
    keeps_along: bool


THING = Sought(FEWEST, 300, 1.0, 3.0, 0.15, MOST_LINES, 0.0, True)
"""With more than 300 losses in a shot tape damage is certain, and by chance they lie on courses too."""
FRONT = Sought(4, 60, 0.7, 1.4, 1.0, 0.0, 0.1, False)
"""The edge of a wipe that goes up or down: losses are anywhere along it."""
SAME_PLACE = 0.05
"""Spread (standard deviation, passes) of places across the tape below which a course is a scratch's."""

LONG_SAMPLES = 150
"""11 us: one loss in sixteen is as long (log-normal, median 3 us, deviation 0.85: house practice)."""
FEWEST_LONG, LONG_TO_OTHERS = 8, 3.0
"""So many that are as long and of the picture, three times as many as are not known to be: of bars and rungs that move, now and then one
keeps no course and has another contrast (house value)."""

STRIPED_LINES, STRIPED_SAMPLES = 10.0, 4.0
"""How far above and below a course, and along the line, a dash of a striped thing may lie: things as tall as a fifteenth of the
picture."""
ALIKE_SHARE, ALIKE_SAMPLES = 0.15, 3.0
"""Dashes of one thing are as long, to this share or so many samples."""
STRIPED_FIELDS = 40
"""A striped thing's course is set by two dashes no further apart: things go straight for two thirds of a second."""
LEAST_TRAVEL_SAMPLES = 24.0
"""A course along the line goes at least so far: a scratch wavers by less."""
TWIN_SAMPLES, TWIN_LINES = 1.5, (2, 20)
"""Twins lie in one field, so many lines apart, and begin and end alike: neighbouring stripes of a thing. Damage of the tape comes back a
pass further, elsewhere along the line, so that two losses are twins by chance only: once in 10,000 pairs."""
LEAST_TWINS = 4
"""Twins on a course that need not travel."""
MOST_ELSEWHERE = 4
"""Dashes as long, on other lines of the same fields, for each on a course: a scratch has those of all other passes, 15 or 19."""
MOST_STRIPES = 600
EDGE_SAMPLES = 10
"""Losses of whole lines begin and end at the ends of the picture, all alike."""
STRIPED_SEEN_FIELDS = 60
"""Dashes as long as those of a striped thing are its own too, so long before and after it was seen."""


def on_tracks(
    field: I64, line: I64, x0: I64, x1: I64, shot: I64, position: NDArray[np.floating] | None = None, *, lines: int, standard: Standard,
    sought: Sought | None = None,
) -> NDArray[np.bool_]:  # fmt: skip
    """True for losses on the course of a moving thing, or on the edge of a wipe, (losses,).

    ``field``: number of the field in time from the file's first; ``line``: in the field, of ``lines``; ``position``: place in the
    pass, NaN where the wheel is not known; ``sought``: one of the two, by default either.
    """
    found = np.zeros(len(field), bool)
    place = np.full(len(field), np.nan) if position is None else np.asarray(position, float)
    by_line = (line + (x0 + x1) / 2 / standard.samples_per_line) / float(standard.lines_per_pass)
    for sort in (THING, FRONT) if sought is None else (sought,):
        for which in np.unique(shot):
            mine = np.flatnonzero((shot == which) & ~found)
            while sort.fewest <= len(mine) <= sort.most_at_once:
                course = _best_course(field[mine], line[mine], x0[mine], x1[mine], place[mine], by_line[mine], lines, sort)
                if not course.any():
                    break
                found[mine[course]] = True
                mine = mine[~course]
    return found


def _best_course(
    field: I64, line: I64, x0: I64, x1: I64, place: NDArray[np.floating], by_line: NDArray[np.floating], lines: int, sought: Sought
) -> NDArray[np.bool_]:
    """The losses on the course that chance explains least; none where it explains all. ``by_line``: passes, up to a constant."""
    t, y, x = field.astype(float), line.astype(float), (x0 + x1) / 2
    half = (x1 - x0) / 2
    best, least = np.zeros(len(t), bool), CHANCE
    tried = 0
    for i in range(len(t)):
        later = np.flatnonzero((t > t[i]) & (t <= t[i] + LONGEST_FIELDS) & (np.abs(y - y[i]) >= sought.least_travel * lines))
        speed = np.abs(y[later] - y[i]) / (t[later] - t[i])
        later = later[(speed >= sought.least_lines) & (speed <= FASTEST_LINES)]
        tried += len(later)
        for j in later:
            share = (t - t[i]) / (t[j] - t[i])
            inside = (share >= 0) & (share <= 1)
            on = inside & (np.abs(y[i] + share * (y[j] - y[i]) - y) <= sought.reach_lines)
            on_it = np.full(len(t), sought.lines_by_chance / lines)
            if sought.keeps_along:
                reach = REACH_SAMPLES + np.maximum(half, max(half[i], half[j]))
                on &= np.abs(x[i] + share * (x[j] - x[i]) - x) <= reach
                on_it *= np.minimum(2 * reach / ACTIVE_SAMPLES, 1.0)
            fields = len(np.unique(field[on]))
            if fields < sought.fewest or _keeps_its_place(place[on]):
                continue
            if abs(y[j] - y[i]) > sought.slow_lines * (t[j] - t[i]) and _keeps_its_place(by_line[on]):
                continue
            inside[[i, j]] = False  # these two set the course
            chance = float(stats.poisson.sf(fields - 3, float(on_it[inside].sum())))
            if chance < least:
                best, least = on, chance
    return best if least * tried < CHANCE else np.zeros(len(t), bool)


def _keeps_its_place(place: NDArray[np.floating]) -> bool:
    """Whether losses lie at one place across the tape; unknown places do not say so."""
    if not np.isfinite(place).all():
        return False
    turn = np.exp(2j * np.pi * place).mean()
    return bool(np.sqrt(max(-2 * np.log(max(abs(turn), 1e-12)), 0.0)) / (2 * np.pi) < SAME_PLACE)


def as_long_as_the_pictures(pictures: NDArray[np.bool_], length: I64, shot: I64) -> NDArray[np.bool_]:
    """True for the long ones, (losses,), of shots in which most that are as long are known to be ``pictures``."""
    found = np.zeros(len(pictures), bool)
    long = length >= LONG_SAMPLES
    for which in np.unique(shot[long & pictures]):
        mine = long & (shot == which)
        known = np.count_nonzero(mine & pictures)
        found |= mine & (known >= max(FEWEST_LONG, LONG_TO_OTHERS * (np.count_nonzero(mine) - known)))
    return found


def on_striped_things(
    field: I64, line: I64, x0: I64, x1: I64, dark: NDArray[np.bool_], shot: I64, position: NDArray[np.floating] | None = None, *, lines: int
) -> NDArray[np.bool_]:
    """True for dashes of striped things that move along the line, (dashes,), candidates that were not taken among them.

    ``dark``: whether each is darker than what is around it. Other arguments as for ``on_tracks``.
    """
    found = np.zeros(len(field), bool)
    place = np.full(len(field), np.nan) if position is None else np.asarray(position, float)
    _, look = np.unique(np.stack([shot, dark.astype(np.int64)]), axis=1, return_inverse=True)
    look = np.asarray(look).ravel()
    for which in np.unique(look):
        mine = np.flatnonzero(look == which)
        while FEWEST <= len(mine) <= MOST_STRIPES:
            course = _best_striped(field[mine], line[mine], x0[mine], x1[mine], place[mine], lines)
            if not course.any():
                break
            own = course | _as_long_as(course, field[mine], x1[mine] - x0[mine])
            found[mine[own]] = True
            mine = mine[~own]
    return found


def _as_long_as(course: NDArray[np.bool_], field: I64, length: I64) -> NDArray[np.bool_]:
    """Dashes of the length that those on a course have, about the time of it."""
    usual = float(np.median(length[course]))
    first, last = field[course].min() - STRIPED_SEEN_FIELDS, field[course].max() + STRIPED_SEEN_FIELDS
    return np.asarray((np.abs(length - usual) <= max(ALIKE_SAMPLES, ALIKE_SHARE * usual)) & (field >= first) & (field <= last))


def _best_striped(field: I64, line: I64, x0: I64, x1: I64, place: NDArray[np.floating], lines: int) -> NDArray[np.bool_]:
    """As ``_best_course``, of dashes as long as each other."""
    t, y, x, length = field.astype(float), line.astype(float), (x0 + x1) / 2, (x1 - x0).astype(float)
    twin = _twins(field, line, x0, x1)
    best, least = np.zeros(len(t), bool), CHANCE
    tried = 0
    near = (2 * STRIPED_LINES + 1) / lines * (2 * STRIPED_SAMPLES + 1) / ACTIVE_SAMPLES
    for i in range(len(t)):
        alike = np.abs(length - length[i]) <= np.maximum(ALIKE_SAMPLES, ALIKE_SHARE * length[i])
        far = np.abs(x - x[i]) >= LEAST_TRAVEL_SAMPLES
        later = np.flatnonzero(alike & (far | (twin[i] & twin)) & (t > t[i]) & (t <= t[i] + STRIPED_FIELDS))
        later = later[np.abs(y[later] - y[i]) <= MOST_LINES * (t[later] - t[i]) + STRIPED_LINES]
        tried += len(later)
        if not len(later):
            continue
        others = np.flatnonzero(alike & (t >= t[i]) & (t <= t[later].max()))
        share = (t[others] - t[i])[None, :] / (t[later] - t[i])[:, None]
        inside = share <= 1
        on = (
            inside
            & (np.abs(y[i] + share * (y[later] - y[i])[:, None] - y[others]) <= STRIPED_LINES)
            & (np.abs(x[i] + share * (x[later] - x[i])[:, None] - x[others]) <= STRIPED_SAMPLES)
        )
        usual = near * inside.sum(axis=1)
        chance = stats.poisson.sf(on.sum(axis=1) - 3, usual)
        for k in np.argsort(chance):
            if chance[k] >= least:
                break
            members = others[on[k]]
            travels = bool(far[later[k]]) or np.count_nonzero(twin[members]) >= LEAST_TWINS
            elsewhere = np.count_nonzero(np.isin(field[others], field[members])) - len(members)
            if elsewhere > MOST_ELSEWHERE * len(members) or not travels:
                continue
            if len(np.unique(field[members])) >= FEWEST and not _keeps_its_place(place[members]):
                best, least = np.zeros(len(t), bool), float(chance[k])
                best[members] = True
                break
    return best if least * tried < CHANCE else np.zeros(len(t), bool)


def _twins(field: I64, line: I64, x0: I64, x1: I64) -> NDArray[np.bool_]:
    """Whether another dash of the same field begins and ends alike on a line not far off."""
    apart = np.abs(line[:, None] - line[None, :])
    ends = np.maximum(np.abs(x0[:, None] - x0[None, :]), np.abs(x1[:, None] - x1[None, :]))
    pairs = (field[:, None] == field[None, :]) & (apart >= TWIN_LINES[0]) & (apart <= TWIN_LINES[1]) & (ends <= TWIN_SAMPLES)
    inside = (x0 > EDGE_SAMPLES) & (x1 < ACTIVE_SAMPLES - EDGE_SAMPLES)
    return np.asarray(pairs.any(axis=1) & inside)
