"""Noise of a head that comes and goes: seconds in which it clogs, or plays itself clean.

Quiet cells rule what is read as noise, so of a stretch that is quiet before and after, the quiet is read. Windows are therefore asked one
by one, at the phase of the stretch; those with the largest jumps first. Null hypothesis: content, which is loud where the picture is full
of texture. There the boundaries weigh next to nothing, those of the quiet heads too.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from detect.judge.evidence import Proof, parts_of
from detect.judge.rows import INDEX
from detect.judge.stretch import WindowJumps
from detect.standards import HEADS

MOST_WINDOWS, LEAST_DB, RATIO = 3, 3.0, 4.0
"""Windows that are asked; how large a jump must be; and how far one must stand out from the null periods, the best of a few (house
values)."""
LEAST_WEIGHT = 0.1
"""What boundaries without that noise must weigh of those of the quietest window."""
SHARE = 0.5
"""Windows beside belong to it if they show so much of it."""


def passing_noise(jumps: WindowJumps, prove: Callable[[slice], Proof]) -> tuple[Proof, slice] | None:
    """Windows (a slice of those of ``jumps``) in which heads differ in noise, and the evidence of the clearest; None where none do.

    ``prove``: evidence of heads that differ in some windows. A window is asked by itself, and with those beside it that show the same.
    """
    k = INDEX["noise"]
    a1, a2 = jumps.a1[:, k], jumps.a2[:, k]
    heads = np.array([parts_of(a / b, b)[1] if b.min() > 0 else 0 * a for a, b in zip(a1, a2, strict=True)])
    quiet = np.sort(a2, axis=1)[:, HEADS // 2]  # two boundaries of four have nothing to do with a noisy head
    size = np.where(quiet > LEAST_WEIGHT * quiet.max(), np.abs(heads).max(axis=1), 0.0)
    found: list[tuple[Proof, slice]] = []
    for w in np.argsort(-size)[:MOST_WINDOWS]:
        if size[w] < LEAST_DB:
            break
        run = _alike(jumps.amplitude(k, heads[w])[0] > SHARE, int(w))
        alone = slice(int(w), int(w) + 1)
        found += [(prove(part), run) for part in ([alone] if run == alone else [alone, run])]
    return max((f for f in found if f[0].holds_at(RATIO)), key=lambda f: f[0].ratio, default=None)


def _alike(like: NDArray[np.bool_], window: int) -> slice:
    """The windows around one that are like it, without a gap."""
    first = last = window
    while first > 0 and like[first - 1]:
        first -= 1
    while last + 1 < len(like) and like[last + 1]:
        last += 1
    return slice(first, last + 1)
