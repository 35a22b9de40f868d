"""Light of one line that looks exactly as a loss does, told by what losses are like all together: by their lengths, and by where cuts are.

Sparks, glints and dirt that are drawn, or fall, on single lines differ from losses in nothing that one of them shows. But losses of a tape
are log-normal in length, and know nothing of the cuts of the programme.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.standards import NS_PER_SAMPLE

I64 = NDArray[np.int64]

LENGTHS_US = stats.lognorm(s=0.85, scale=3.0)
"""Lengths of losses (log-normal, median 3 us, deviation 0.85: house practice)."""
CHANCE = 1e-4
"""Of so many losses in a step of lengths, given those much longer, at which sparks are as long (Poisson)."""
STEP = 1.25
"""From one length that is asked to the next."""
MUCH_LONGER = 2.0
"""Times as long as those of a step: there are losses alone, or longer sparks, and then fewer are left out."""
AT_CUT_CHANCE = 1e-6
"""Of so many losses beside cuts (binomial), at which things of the shots are seen there, which the shot on the other side cannot tell..."""
FEWEST_CUTS, OF_CUTS = 3, 0.5
"""... if they are at so many cuts, and at that share of them: at a single one it may be a splice."""


def longest_spark(length: I64, shortest: float) -> float:
    """Up to which length, in samples, the dashes of a shot are sparks, which those below ``shortest`` are known to be.

    ``length`` (dashes,): of all that are taken for losses.
    """
    limit = shortest
    while limit < length.max(initial=0):
        beyond = int(np.count_nonzero(length >= MUCH_LONGER * limit))
        low, high, far = (x * NS_PER_SAMPLE * 1e-3 for x in (limit, limit * STEP, MUCH_LONGER * limit))
        due = (beyond + 1) * float(LENGTHS_US.cdf(high) - LENGTHS_US.cdf(low)) / float(LENGTHS_US.sf(far))
        here = int(np.count_nonzero((length >= limit) & (length < limit * STEP)))
        if stats.poisson.sf(here - 1, due) > CHANCE:
            break
        limit *= STEP
    return limit


def beside_cuts(frame: I64, at_cut: NDArray[np.bool_], cuts: I64, frames: int, fields_at_cut: int) -> NDArray[np.bool_]:
    """True for the losses beside cuts, (losses,), where there are far more than elsewhere.

    ``at_cut``: whether one lies in one of the ``fields_at_cut`` fields beside each cut, or at an end of the ``frames``.
    """
    places = np.concatenate([[0], cuts, [frames]])
    near = np.abs(frame[at_cut][:, None] - places[None, :]).argmin(axis=1)
    share = min(fields_at_cut * (len(places) - 1) / max(2 * frames, 1), 1.0)
    if len(np.unique(near)) < max(FEWEST_CUTS, OF_CUTS * len(places)):
        return np.zeros(len(frame), bool)
    chance = float(stats.binom.sf(np.count_nonzero(at_cut) - 1, len(frame), share))
    return at_cut.copy() if chance < AT_CUT_CHANCE else np.zeros(len(frame), bool)
