"""Losses that move through the picture from field to field as things do: a thin edge that now and then falls on a line of its own.

Two losses of a shot in different fields set a course, so many lines and samples a field. Null hypothesis: the others lie anywhere in
the picture, and so few of them on any course (Poisson). Tape damage keeps to no such course: a scratch stands still, comes back a
pass further, or keeps its place across the tape; a crease is over in a field.

A striped thing that moves, a shirt or a blind, shows now one and now another of its stripes on a line of its own. Its dashes are of one
length and look, and keep a course along the line while they change from line to line within the thing. Those that were not taken for
losses tell of it too.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.standards import ACTIVE_SAMPLES, Standard

I64 = NDArray[np.int64]

CHANCE = 1e-3
"""Of so many others on the best of all courses of a shot, at which chance is ruled out (Poisson times courses tried)."""
FEWEST = 5
"""Losses on a course, in as many fields."""
LEAST_LINES, MOST_LINES = 0.15, 4.0
"""Lines a field: what is slower stands still; a scratch's own course is a pass a field, or none."""
FASTEST_LINES = 12.0
"""... up to here where the losses lie at all places of a pass, as on the edge of a wipe: dashes of a scratch a pass apart keep courses of a
half or a third of a pass a field."""
REACH_LINES = 1.0
REACH_SAMPLES = 8.0
"""How far off a course a loss may lie, besides half its length."""
LONGEST_FIELDS = 120
"""A course is set by two losses no further apart: two seconds of 525."""
FEWEST_ON_FRONT, MOST_AT_FRONT = 4, 60
"""Losses on the edge of a wipe, anywhere along it, in as many fields; and in a shot where it is looked for."""
FRONT_REACH_LINES, LEAST_FRONT_LINES, FRONT_SHARE = 0.7, 1.0, 0.1
"""How far off it one may lie, lines a field that it moves at least, and the share of the lines that it must be seen to cross."""
MOST_AT_ONCE = 300
"""With more losses in a shot tape damage is certain, and by chance they lie on courses too."""
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
    field: I64, line: I64, x0: I64, x1: I64, shot: I64, position: NDArray[np.floating] | None = None, *, lines: int, standard: Standard
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
            course = _best_course(field[mine], line[mine], x0[mine], x1[mine], place[mine], lines, standard)
            if not course.any():
                break
            found[mine[course]] = True
            mine = mine[~course]
    return found


def _best_course(
    field: I64, line: I64, x0: I64, x1: I64, place: NDArray[np.floating], lines: int, standard: Standard
) -> NDArray[np.bool_]:
    """The losses on the course that chance explains least; none where it explains all."""
    t, y, x = field.astype(float), line.astype(float), (x0 + x1) / 2
    half = (x1 - x0) / 2
    best, least = np.zeros(len(t), bool), CHANCE
    tried = 0
    for i in range(len(t)):
        later = np.flatnonzero((t > t[i]) & (t <= t[i] + LONGEST_FIELDS))
        speed = (y[later] - y[i]) / (t[later] - t[i])
        later = later[(np.abs(speed) >= LEAST_LINES) & (np.abs(speed) <= FASTEST_LINES)]
        tried += len(later)
        for j in later:
            fast = abs(y[j] - y[i]) > MOST_LINES * (t[j] - t[i])
            share = (t - t[i]) / (t[j] - t[i])
            inside = (share >= 0) & (share <= 1)
            reach = REACH_SAMPLES + np.maximum(half, max(half[i], half[j]))
            on = inside & (np.abs(y[i] + share * (y[j] - y[i]) - y) <= REACH_LINES) & (np.abs(x[i] + share * (x[j] - x[i]) - x) <= reach)
            if np.count_nonzero(on) < FEWEST or len(np.unique(field[on])) < FEWEST or _keeps_its_place(place[on]):
                continue
            if fast and _keeps_its_place((y[on] + x[on] / standard.samples_per_line) / float(standard.lines_per_pass)):
                continue
            on_it = (2 * REACH_LINES + 1) / lines * np.minimum(2 * reach / ACTIVE_SAMPLES, 1.0)
            usual = float(on_it[inside].sum())
            chance = float(stats.poisson.sf(np.count_nonzero(on) - 3, usual))
            if chance < least:
                best, least = on, chance
    return best if least * tried < CHANCE else np.zeros(len(t), bool)


def on_fronts(
    field: I64, line: I64, x0: I64, x1: I64, shot: I64, position: NDArray[np.floating] | None = None, *, lines: int, standard: Standard
) -> NDArray[np.bool_]:
    """True for losses on the edge of a wipe that goes up or down, (losses,), wherever they are along it; arguments as of ``on_tracks``."""
    found = np.zeros(len(field), bool)
    place = np.full(len(field), np.nan) if position is None else np.asarray(position, float)
    for which in np.unique(shot):
        mine = np.flatnonzero(shot == which)
        if not FEWEST_ON_FRONT <= len(mine) <= MOST_AT_FRONT:
            continue
        t, y, x = field[mine].astype(float), line[mine].astype(float), (x0 + x1)[mine] / 2
        best, least, tried = np.zeros(len(mine), bool), CHANCE, 0
        for i in range(len(mine)):
            later = np.flatnonzero((t > t[i]) & (t <= t[i] + LONGEST_FIELDS) & (np.abs(y - y[i]) >= FRONT_SHARE * lines))
            speed = np.abs(y[later] - y[i]) / (t[later] - t[i])
            later = later[(speed >= LEAST_FRONT_LINES) & (speed <= FASTEST_LINES)]
            tried += len(later)
            for j in later:
                share = (t - t[i]) / (t[j] - t[i])
                inside = (share >= 0) & (share <= 1)
                on = inside & (np.abs(y[i] + share * (y[j] - y[i]) - y) <= FRONT_REACH_LINES)
                fields = len(np.unique(t[on]))
                if fields < FEWEST_ON_FRONT or _keeps_its_place(place[mine][on]):
                    continue
                if _keeps_its_place((y[on] + x[on] / standard.samples_per_line) / float(standard.lines_per_pass)):
                    continue
                usual = 2 * FRONT_REACH_LINES / lines * (np.count_nonzero(inside) - 2)
                chance = float(stats.poisson.sf(fields - 3, usual))
                if chance < least:
                    best, least = on, chance
        if least * tried < CHANCE:
            found[mine[best]] = True
    return found


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
