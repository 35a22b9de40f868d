"""Dashes that keep to a part of the picture: water that glints, spangles under a lamp, with nothing on the lines beside them.

A field is scanned in four or five turns of the wheel, and each turn by the same four heads. Whatever the tape, the heads or the place
across the tape do to losses, they do it in every turn of a field alike. So losses of a shot fall on the turns as its lines do. What the
picture makes falls where the picture has it. Null hypothesis: losses at any one place in the turn are spread evenly over the turns that
show that place (likelihood ratio, chi-square). Damage of one spot is over soon; losses near each other in the picture and in time are
therefore counted once.

White dashes are not seen over white, so a bright sky keeps losses from a part of the picture too. Only shots in which near misses crowd
(``loss_light``) are asked.

**One line of the picture.** In a shot of any kind, or in a whole file, losses that come back on one line of the picture, long after each
other, are pieces of something that stands there: a ruling, the edge of a caption, a line of data. Null hypothesis: each of the losses at
that place across the tape is as likely to fall on any pass of the field (binomial, times the lines of a field). Most of them must.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.standards import HEADS, Standard

I64 = NDArray[np.int64]

CHANCE = 1e-6
"""Of an uneven spread over the turns, below which the picture makes it."""
FEWEST = 20
"""Places (block of lines at one time) below which nothing is said."""
BLOCK_LINES = 8
LASTS_FIELDS = 30
"""Losses this near in time may be of one spot of damage: a fifth of a metre of tape."""
MOST_FIELDS_HIT = 0.6
"""... but where so many of a shot's fields have losses they go on through it, however short it is, and every field counts."""
STANDING_CHANCE = 1e-3
"""Of losses that keep to one line of all that their place across has, below which the line is the picture's, in a shot or a file."""
STANDING_SHARE = 0.5
"""... and their share of all that their place has: a tape spreads them over 16 lines (house value)."""
STANDING_REACH = 1.5
"""Field lines either way that are the same place: a line of the picture falls on one of either field."""
FIELD_LINES = {"525": 243, "625": 288}


def keeps_to_picture(field: I64, line: I64, standard: Standard, *, fields: int) -> bool:
    """Whether losses of one shot of so many fields are spread over a field as no tape spreads them.

    ``field``: number of the field in time; ``line``: in the field.
    """
    turn_lines = HEADS * float(standard.lines_per_pass)
    lines = FIELD_LINES[standard.short_name]
    going_on = len(np.unique(field)) >= MOST_FIELDS_HIT * fields
    time = field if going_on else field // LASTS_FIELDS
    _, once = np.unique(np.stack([time, line // BLOCK_LINES]), axis=1, return_index=True)
    if len(once) < FEWEST:
        return False
    count = np.bincount(np.minimum(line[once], lines - 1), minlength=lines).astype(float)
    every = np.arange(lines)
    turn, place = (every // turn_lines).astype(int), (every % turn_lines).astype(int)
    table = np.zeros((place.max() + 1, turn.max() + 1))
    shown = np.zeros_like(table)
    np.add.at(table, (place, turn), count)
    np.add.at(shown, (place, turn), 1.0)
    usual = table.sum(axis=1, keepdims=True) * shown / np.maximum(shown.sum(axis=1, keepdims=True), 1.0)
    seen, due = table.sum(axis=0), usual.sum(axis=0)
    ratio = 2 * np.sum(np.where(seen > 0, seen * np.log(np.maximum(seen, 1e-9) / np.maximum(due, 1e-9)), 0.0))
    return bool(stats.chi2.sf(ratio, len(seen) - 1) < CHANCE)


def on_standing_lines(field: I64, line: I64, shot: I64, standard: Standard) -> NDArray[np.bool_]:
    """True for losses, (losses,), that keep to one line of a shot's picture.

    ``field``: number of the field in time; ``line``: in the field.
    """
    found = _standing(field, line, standard)
    for which in np.unique(shot):
        mine = shot == which
        found[mine] |= _standing(field[mine], line[mine], standard)
    return found


def _standing(field: I64, line: I64, standard: Standard) -> NDArray[np.bool_]:
    period, lines = float(standard.lines_per_pass), FIELD_LINES[standard.short_name]
    found = np.zeros(len(field), bool)
    time, row = np.unique(np.stack([field // LASTS_FIELDS, line]), axis=1)
    for at in np.unique(line):
        turn = np.round((row - at) / period)
        like = np.abs(row - at - turn * period) <= STANDING_REACH
        in_all = len(np.unique(np.stack([time, turn])[:, like], axis=1).T)
        on_line = len(np.unique(time[like & (turn == 0)]))
        passes = 1 + int((lines - 1 - at) // period) + int(at // period)
        rare = stats.binom.sf(on_line - 1, in_all, 1 / passes) * lines < STANDING_CHANCE
        if rare and on_line >= STANDING_SHARE * in_all:
            found |= np.abs(line - at) <= STANDING_REACH
    return found
