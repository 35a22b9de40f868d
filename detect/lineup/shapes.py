"""The shape of a head's frequency response in the trade's words: flat, peaked, dipped, rolled off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
ShapeWord = Literal["flat", "peaked", "dipped", "rolled off"]

FLAT_DB = 0.3
"""A channel within this of flat is called flat: channels match to about 0.5 dB when set with care (common practice), and a
multiburst is read to better than 0.15 dB."""
_SIGMAS = 4.0
"""A shape needs to stand out of the noise by this."""
_STILL_DOWN = 0.7
"""Rolled off: the highest packet is still down by this share of the lowest point; otherwise the response has come
back."""


@dataclass(frozen=True, slots=True)
class Shape:
    """``mhz`` and ``db``: where the response is farthest from flat, None and the largest excursion when it is flat."""

    word: ShapeWord
    mhz: float | None
    db: float


def shape_of(mhz: F64, db: F64, sigma_db: F64) -> Shape:
    """Name the shape of one response (packets,), dB against low frequencies; NaN packets are left out."""
    use = np.isfinite(db)
    f, v, s = mhz[use], db[use], sigma_db[use]
    if f.size == 0:
        return Shape("flat", None, 0.0)
    worst = int(np.argmax(np.abs(v)))
    if abs(v[worst]) < max(FLAT_DB, _SIGMAS * float(s[worst])):
        return Shape("flat", None, float(v[worst]))
    if v[worst] > 0:
        return Shape("peaked", float(f[worst]), float(v[worst]))
    word: ShapeWord = "rolled off" if v[-1] <= _STILL_DOWN * v[worst] else "dipped"
    return Shape(word, float(f[worst]), float(v[worst]))


def common_part(db: F64) -> F64:
    """What all heads share, (packets,), from (heads, packets): where all lie on one side of flat, the smallest excursion.

    A decoder's or generator's own response is in all four alike; a fault of one head never is.
    """
    with np.errstate(invalid="ignore"):
        above, below = np.all(db > 0, axis=0), np.all(db < 0, axis=0)
    smallest = np.take_along_axis(db, np.argmin(np.abs(np.nan_to_num(db, nan=1e9)), axis=0)[None, :], axis=0)[0]
    return np.where(above | below, smallest, 0.0)
