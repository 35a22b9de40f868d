"""A wheel that only part of a stretch shows: a fault of some seconds drowns in the content of the rest.

Where a whole stretch shows no wheel, or one that content may have made, its parts are asked one by one. The more parts are asked,
the higher the largest of their null ratios by chance, so a part must stand out much further than a whole stretch. What one part
shows is taken for the phase of all of it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from detect.judge.doubt import MOSTLY_HIDDEN
from detect.judge.evidence import parts_of
from detect.judge.judged import JudgedFile, gathered, mask_of, pool_of, wheel_of
from detect.judge.rows import INDEX, Rows
from detect.judge.stretch import Pooled
from detect.judge.tracking import window_groups
from detect.judge.wheel import WheelFit, fit_wheel

SHORTEST_PART = 4
"""Windows in a part: about four seconds; with fewer, the pictures of one shot decide."""
MOST_PARTS = 100
"""Parts asked, each overlapping the next by half: what this costs does not grow with the tape."""
PART_RATIO = 6.0
"""Null ratio of the best part; what the best parts of clean tapes reach: docs/evidence.md. A whole stretch that reaches it is sure by
itself."""
SAME_LINES = 0.3
"""Phases nearer than this are one, and the whole then needs no part."""


LOUD_DB, FAINT = 3.0, 1e-3
"""Rows that differ so much in noise tell of a head that clogs, and what they weigh of the median row: lines beside it are no quiet ones."""
FEWEST_LOUD, MOST_NOISY = 8, 4
"""Rows of a window from which it is asked alone, and windows that are asked: those with the most such rows."""
NOISE_RATIO, LEAST_DB = 4.5, 0.3
"""Ratio that noise by itself must reach in a part, and how much heads must differ there. Of 137 clean tapes of several simulators the best
part reached 3.4, but for blinds (4.4, of 0.2 dB), a predicted carrier (4.1), and two built on the wheel's own lines (9 and 10): a house
value, from material that is not kept here."""
QUIET_SHARE = 0.1
"""What the median row of such a window must weigh of that of the quietest: in the others texture passes for noise (as in ``passing``)."""


def seen_in_part(file: JudgedFile, members: NDArray[np.int64], whole: Pooled) -> Pooled:
    """``whole`` at the phase of the part that shows the wheel, with that part as ``anchor``; ``whole`` itself if none does.

    Where both show it at one phase, ``part`` is what the part shows: a fault of some seconds may drown in the whole.
    """
    if whole.locked and whole.fit.null_ratio >= PART_RATIO:
        return whole
    best = best_part(file, members)
    if best is None or best[1].null_ratio < PART_RATIO:
        best = None if whole.locked else noisy_window(file, members)
        if best is None:
            noisy = None if whole.locked else noisy_part(file, members)
            if noisy is None:
                return whole
            return replace(pool_of(file, members, noisy[1]), anchor=pool_of(file, *noisy))
    if whole.locked and _apart(file, whole.fit, best[1]) < SAME_LINES:
        return replace(whole, part=best[1])
    anchor = pool_of(file, best[0], None)  # at the phase of all its rows: a bow moves that of its jumps by a line or so
    if whole.locked and _apart(file, whole.fit, anchor.fit) < SAME_LINES:
        return replace(whole, part=anchor.fit)
    return replace(pool_of(file, members, anchor.fit.phase_lines), anchor=anchor)


def _apart(file: JudgedFile, one: WheelFit, other: WheelFit) -> float:
    return abs(file.standard.phase_change_lines(one.phase_lines, other.phase_lines))

def best_part(file: JudgedFile, members: NDArray[np.int64]) -> tuple[NDArray[np.int64], WheelFit] | None:
    """The windows of the part with the largest null ratio, and the wheel in it; None where ``members`` (windows) are no more than one
    part."""
    parts = _parts(members)
    return max(((part, wheel_of(file, part, None)) for part in parts), key=lambda p: p[1].null_ratio) if len(parts) > 1 else None


def _parts(members: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Each overlaps the next by half."""
    length = max(SHORTEST_PART, -(-2 * len(members) // MOST_PARTS))
    firsts = range(0, max(len(members) - length // 2, 1), length // 2)
    return [members[a : a + length] for a in firsts] if len(members) > length else [members]


def noisy_part(file: JudgedFile, members: NDArray[np.int64]) -> tuple[NDArray[np.int64], float] | None:
    """The window that shows the noise of heads best in a part where noise shows the wheel by itself, and its phase; None where none does.

    Noise that is there for seconds drowns where quieter pictures follow, since quiet cells rule; here windows count by their scatter.
    """
    if file.doubt.get("noise", 0.0) >= MOSTLY_HIDDEN:
        return None
    k = INDEX["noise"]
    best: tuple[float, NDArray[np.int64], float] | None = None
    for part in _parts(members):
        rows = gathered(file, part, alike=True).rows()
        alone = np.zeros_like(rows.weight)
        alone[k] = rows.weight[k]
        fit = fit_wheel(Rows(rows.ratio, alone), file.view, file.standard)
        ratio = _noise_ratio(fit)
        size = np.abs(parts_of(fit.jumps[k], fit.jump_weight[k])[1]).max()
        if ratio >= NOISE_RATIO and fit.strength[k] > fit.near_peak[k] and size >= LEAST_DB and (best is None or ratio > best[0]):
            best = ratio, part, fit.phase_lines
    if best is None:
        return None
    _, part, phase = best
    return max((np.array([w]) for w in part), key=lambda w: _noise_ratio(wheel_of(file, w, phase))), phase


def _noise_ratio(fit: WheelFit) -> float:
    k = INDEX["noise"]
    return float(fit.strength[k] / max(fit.null_peak[k], 1.0))


def noisy_window(file: JudgedFile, members: NDArray[np.int64]) -> tuple[NDArray[np.int64], WheelFit] | None:
    """A window in which the noise of one head shows the wheel by itself, and the wheel in it; None where there is none.

    A head that clogs for seconds shows in no longer part: the quiet before and after rules what is read there.
    """
    k = INDEX["noise"]
    index: list[int] = []
    loud: list[int] = []
    quiet: list[float] = []
    for w, group in window_groups(file.readings.chunks(), mask_of(file, members)):
        ratio, weight = group.rows.ratio[k], group.rows.weight[k]
        usual = float(np.median(weight[weight > 0])) if (weight > 0).any() else 0.0
        index.append(w)
        quiet.append(usual)
        loud.append(int((np.abs(ratio[weight > FAINT * usual]) > LOUD_DB).sum()))
    asked = np.array(loud) * (np.array(quiet) > QUIET_SHARE * max(quiet, default=0.0))
    for at in np.argsort(-asked, kind="stable")[:MOST_NOISY]:
        if asked[at] < FEWEST_LOUD:
            break
        window = np.array([index[at]])
        fit = wheel_of(file, window, None)
        stands_out = fit.strength[k] >= PART_RATIO * max(fit.null_peak[k], 1.0) and fit.strength[k] > fit.near_peak[k]
        if stands_out and np.abs(parts_of(fit.jumps[k], fit.jump_weight[k])[1]).max() >= LOUD_DB:
            return window, fit
    return None
