"""Losses that are rulings of the picture: thin level lines, of a grid or a page, that fall on single lines of a field as they move.

A ruling shows in pieces along one line, with nothing on the lines beside it. Null hypothesis: losses lie anywhere in their fields, so that
hardly ever two share a line (Poisson; fields with many, as a crease makes them, have more such lines). A failing head loses many pieces of
a line too, but on all lines of its bands. A ruling has one level. A long loss that shows noise is seen in pieces too, where its noise comes
near the picture; so those that are not level are not asked.

In a ruled shot a piece on a line of its own that differs from the picture by as much as the rulings do is another, however short.

A ruling may also show whole, as a loss from one end of a line to the other that stops there. Losses hardly ever last so long, and one
that does goes on in the next line. Null hypothesis: each is as long with a chance of ``WHOLE_CHANCE``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]

CHANCE = 1e-6
"""Of so many lines that hold two losses or more, below which the picture is ruled (Poisson)."""
FEWEST_LINES = 4
ALONE_LINES = 2
"""A ruling has no losses on so many lines above and below it."""
AS_LONG = 0.5
"""In a ruled shot, losses of at least this share of the length that pieces of rulings have are pieces of others."""
SAME_CONTRAST = 0.05
"""Share by which the contrast of a ruling differs from the others' (house value). A loss of its
own level over another picture hardly ever meets it."""
WHOLE_SAMPLES = 600
"""A loss as long (44 us of the 52 of a line) is of a whole line."""
WHOLE_CHANCE = 1e-3
"""Losses as long: 8 in 10,000 (log-normal, median 3 us, deviation 0.85: house practice)."""


def on_rulings(
    field: I64, line: I64, x0: I64, x1: I64, shot: I64, contrast_ire: F64 | None = None, *, lines: int
) -> NDArray[np.bool_]:
    """True for losses on rulings, (losses,), of white and black ones.

    ``field``: number of the field in time; ``line``: in the field, of ``lines``; ``x0``, ``x1``: samples from and to;
    ``contrast_ire``: by how much each differs from the picture.
    """
    found = np.zeros(len(field), bool)
    for which in np.unique(shot):
        mine = np.flatnonzero(shot == which)
        contrast = np.full(len(mine), np.nan) if contrast_ire is None else contrast_ire[mine]
        found[mine] = _of_a_shot(field[mine], line[mine], x0[mine], x1[mine], contrast, lines)
    return found


def _of_a_shot(field: I64, line: I64, x0: I64, x1: I64, contrast: F64, lines: int) -> NDArray[np.bool_]:
    none = np.zeros(len(field), bool)
    length = x1 - x0
    places, at = np.unique(np.stack([field, line]), axis=1, return_inverse=True)
    at = np.asarray(at).ravel()
    first = _first_of_piece(at, x0, x1)
    count = np.bincount(at[first], minlength=places.shape[1])
    shared = _alone(places) & (count > 1)
    of_field = np.bincount(np.unique(field[first], return_inverse=True)[1].ravel())
    usual = float((of_field * (of_field - 1)).sum()) / (2.0 * lines)
    whole = _alone(places)[at] & (length >= WHOLE_SAMPLES)
    in_pieces = np.count_nonzero(shared) >= FEWEST_LINES and stats.poisson.sf(np.count_nonzero(shared) - 1, usual) <= CHANCE
    if not in_pieces and stats.binom.sf(np.count_nonzero(whole) - 1, len(field), WHOLE_CHANCE) > CHANCE:
        return none
    ruled = shared[at] | whole
    usual_contrast = np.median(contrast[ruled])
    alike = _alone(places)[at] & (np.abs(contrast - usual_contrast) <= SAME_CONTRAST * usual_contrast)
    return np.asarray(ruled | alike | (length >= AS_LONG * np.median(length[ruled])))


def _first_of_piece(at: I64, x0: I64, x1: I64) -> NDArray[np.bool_]:
    """Whether a loss overlaps none of its place, ``at``, that begins before it: what overlaps is one piece, seen twice."""
    order = np.lexsort((x0, at))
    out = np.ones(len(at), bool)
    place, end = -1, -1
    for i in order:
        out[i] = at[i] != place or x0[i] > end
        end = max(end, int(x1[i])) if at[i] == place else int(x1[i])
        place = int(at[i])
    return out


def _alone(places: I64) -> NDArray[np.bool_]:
    """Whether no other place (field, line) is of the same field and within ``ALONE_LINES``; places in order of both."""
    gap = np.where(np.diff(places[0]) == 0, np.diff(places[1]), ALONE_LINES + 1)
    far = gap > ALONE_LINES
    return np.asarray(np.concatenate([[True], far]) & np.concatenate([far, [True]]))
