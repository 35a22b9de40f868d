"""Strong faults that last a second or two: they drown in the content of the rest.

Where the phase is known, windows are asked one by one and in pairs, those with the largest jumps first. Null hypothesis: content, which
is as strong at the null periods in the same windows. The best of some windows is taken, so it must stand out further than a whole stretch,
and one shot is no proof against a picture that has bands just there: such findings stay unconfirmed.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from detect.judge.evidence import Proof, parts_of
from detect.judge.rows import INDEX
from detect.judge.stretch import WindowJumps
from detect.standards import HEADS

F64 = NDArray[np.float64]

ASKED = ("skew", "quadrature", "saturation_banding", "level_banding")
"""Kinds that are: of noise, see ``passing``; response and hue of a second are content's as easily."""
MOST_WINDOWS, LEAST = 3, 8.0
"""Windows that are asked, by themselves and with either neighbour, and the strength of their own jumps from which they are: two of less
cannot have ``STRENGTH`` together."""
RATIO, STRENGTH = 3.0, 20.0
"""Null ratio, the best of so many, and strength: an F ratio that noise does not reach (house values)."""


def brief_fault(
    jumps: WindowJumps, relation: str, part: str, prove: Callable[[slice], Proof], *, known: F64 | None = None
) -> tuple[Proof, slice] | None:
    """Windows (a slice of those of ``jumps``) that show a fault for themselves, and its evidence; None where none do.

    ``part``: of the jumps, common to all boundaries or what differs ("common", "heads"); ``known`` (4,) is taken off them.
    """
    k = INDEX[relation]
    a1, a2, variance = jumps.a1[:, k], jumps.a2[:, k], jumps.variance[:, k]
    square, freedom = np.zeros(len(a2)), 1 if part == "common" else HEADS - 1
    for w in np.flatnonzero((a2.min(axis=1) > 0) & (variance > 0)):
        of_part = parts_of(a1[w] / a2[w] - (0.0 if known is None else known), a2[w])[0 if part == "common" else 1]
        square[w] = (a2[w] * of_part**2).sum() / variance[w] / freedom
    found: list[tuple[Proof, slice]] = []
    for w in np.argsort(-square)[:MOST_WINDOWS]:
        for a, b in ((w, w + 1), (w - 1, w + 1), (w, w + 2)):
            if square[w] >= LEAST and a >= 0 and b <= len(square):
                proof = prove(slice(int(a), int(b)))
                if proof.holds_at(RATIO) and proof.strength >= STRENGTH:
                    found.append((proof, slice(int(a), int(b))))
    return max(found, key=lambda f: f[0].ratio, default=None)
