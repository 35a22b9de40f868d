"""Losses that are rulings of the picture: thin level lines, of a grid or a page, that fall on single lines of a field as they move.

A ruling shows in pieces along one line, with nothing on the lines beside it. Null hypothesis: losses lie anywhere in the fields of a
shot, so that hardly ever two share a line (Poisson). A failing head loses many pieces of a line too, but on all lines of its bands.
A ruling has one level. A long loss that shows noise is seen in pieces too, where its noise comes near the picture; so those that are
not level are not asked.

A ruling may also show whole, as a loss from one end of a line to the other that stops there. Losses hardly ever last so long, and one
that does goes on in the next line. Null hypothesis: each is as long with a chance of ``WHOLE_CHANCE``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

I64 = NDArray[np.int64]

CHANCE = 1e-6
"""Of so many lines that hold two losses or more, below which the picture is ruled (Poisson)."""
FEWEST_LINES = 4
ALONE_LINES = 2
"""A ruling has no losses on so many lines above and below it."""
AS_LONG = 0.5
"""In a ruled shot, losses of at least this share of the length that pieces of rulings have are pieces of others."""
WHOLE_SAMPLES = 600
"""A loss as long (44 us of the 52 of a line) is of a whole line."""
WHOLE_CHANCE = 1e-3
"""Losses as long: 8 in 10,000 (log-normal, median 3 us, deviation 0.85: house practice)."""


def on_rulings(field: I64, line: I64, length: I64, shot: I64, *, lines: int) -> NDArray[np.bool_]:
    """True for losses on rulings, (losses,), of white and black ones.

    ``field``: number of the field in time; ``line``: in the field, of ``lines``; ``length``: samples.
    """
    found = np.zeros(len(field), bool)
    for which in np.unique(shot):
        mine = np.flatnonzero(shot == which)
        found[mine] = _of_a_shot(field[mine], line[mine], length[mine], lines)
    return found


def _of_a_shot(field: I64, line: I64, length: I64, lines: int) -> NDArray[np.bool_]:
    none = np.zeros(len(field), bool)
    places, at, count = np.unique(np.stack([field, line]), axis=1, return_inverse=True, return_counts=True)
    at = np.asarray(at).ravel()
    shared = _alone(places) & (count > 1)
    fields = int(field.max() - field.min()) + 1 if len(field) else 1
    usual = len(field) ** 2 / (2.0 * fields * lines)
    whole = _alone(places)[at] & (length >= WHOLE_SAMPLES)
    in_pieces = np.count_nonzero(shared) >= FEWEST_LINES and stats.poisson.sf(np.count_nonzero(shared) - 1, usual) <= CHANCE
    if not in_pieces and stats.binom.sf(np.count_nonzero(whole) - 1, len(field), WHOLE_CHANCE) > CHANCE:
        return none
    ruled = shared[at] | whole
    return np.asarray(ruled | (length >= AS_LONG * np.median(length[ruled])))


def _alone(places: I64) -> NDArray[np.bool_]:
    """Whether no other place (field, line) is of the same field and within ``ALONE_LINES``; places in order of both."""
    gap = np.where(np.diff(places[0]) == 0, np.diff(places[1]), ALONE_LINES + 1)
    far = gap > ALONE_LINES
    return np.asarray(np.concatenate([[True], far]) & np.concatenate([far, [True]]))
