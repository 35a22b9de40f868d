"""A wheel that only part of a stretch shows: a fault of some seconds drowns in the content of the rest.

Where a whole stretch shows no wheel, or one that content may have made, its parts are asked one by one. The more parts are asked,
the higher the largest of their null ratios by chance, so a part must stand out much further than a whole stretch. What one part
shows is taken for the phase of all of it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from detect.judge.judged import JudgedFile, pool_of, wheel_of
from detect.judge.stretch import Pooled
from detect.judge.wheel import WheelFit

SHORTEST_PART = 4
"""Windows in a part: about four seconds; with fewer, the pictures of one shot decide."""
MOST_PARTS = 100
"""Parts asked, each overlapping the next by half: what this costs does not grow with the tape."""
PART_RATIO = 6.0
"""Null ratio of the best part; what the best parts of clean tapes reach: docs/evidence.md. A whole stretch that reaches it is sure by
itself."""
SAME_LINES = 0.3
"""Phases nearer than this are one, and the whole then needs no part."""


def seen_in_part(file: JudgedFile, members: NDArray[np.int64], whole: Pooled) -> Pooled:
    """``whole`` at the phase of the part that shows the wheel, with that part as ``anchor``; ``whole`` itself if none does."""
    if whole.locked and whole.fit.null_ratio >= PART_RATIO:
        return whole
    best = best_part(file, members)
    if best is None or best[1].null_ratio < PART_RATIO:
        return whole
    period = float(file.standard.lines_per_pass)
    apart = abs((best[1].phase_lines - whole.fit.phase_lines + period / 2) % period - period / 2)
    if whole.locked and apart < SAME_LINES:
        return whole
    return replace(pool_of(file, members, best[1].phase_lines), anchor=pool_of(file, best[0], None))


def best_part(file: JudgedFile, members: NDArray[np.int64]) -> tuple[NDArray[np.int64], WheelFit] | None:
    """The windows of the part with the largest null ratio, and the wheel in it; None where ``members`` (windows) are no more than one
    part."""
    length = max(SHORTEST_PART, -(-2 * len(members) // MOST_PARTS))
    if len(members) <= length:
        return None
    firsts = range(0, len(members) - length // 2, length // 2)
    parts = (members[a : a + length] for a in firsts)
    return max(((part, wheel_of(file, part, None)) for part in parts), key=lambda p: p[1].null_ratio)
