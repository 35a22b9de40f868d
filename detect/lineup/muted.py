"""Which band a muted head scans: from frames of a line-up signal in which every fourth band is lost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.lineup.capture import Stray
from detect.lineup.phase import head_of, lattice
from detect.standards import HEADS, Standard

F64 = NDArray[np.float64]

_LOST_IRE = 8.0
"""A line is lost when its typical departure from the other lines is larger; banding stays below 4 IRE."""
_FEWEST_LOST, _MOST_LOST = 0.12, 0.40
"""Share of a frame's lines that are lost with one head: a quarter of those in view, with room for blanked rows."""
_LEAST_FRAMES = 4
_PHASE_SLACK_LINES = 0.6
"""How far the bands of the muted frames may lie from those of the same play measured before."""
_CLEAR = 0.9
"""Share of the lines of the muted head that must be lost, and of the other heads' that must not."""
_EDGE_SHARE = 0.04


@dataclass(frozen=True, slots=True)
class MutedBand:
    """``letter`` 0 to 3 of the lost head. ``lost_share`` of its lines and of the others' (highest). ``phase_lines``
    as found."""

    letter: int
    lost_share: float
    others_lost: float
    phase_lines: float
    frames: tuple[int, int]


def lost_lines(frame: Stray) -> NDArray[np.bool_]:
    """Lines unlike the rest, (rows,): compared with the line typical of their part of the picture."""
    y = frame.y
    height = y.shape[0]
    off = np.zeros(height)
    # a split signal changes down the picture: compare within thirds, each of which holds more than a turn of the wheel
    for part in np.array_split(np.arange(height), 3):
        off[part] = np.median(np.abs(y[part] - np.median(y[part], axis=0)), axis=1)
    noise = np.sqrt(np.mean(np.diff(y, 2, axis=1) ** 2, axis=1) / 6)
    level = float(np.median(noise))
    return np.asarray((off > _LOST_IRE) | (noise > 4 * level + 2.0))


def loses_a_head(frame: Stray) -> bool:
    """Whether about a quarter of the lines is lost, as when one head of four is."""
    return bool(_FEWEST_LOST < lost_lines(frame).mean() < _MOST_LOST)


def find_muted(strays: Sequence[Stray], standard: Standard, *, phase_lines: float | None) -> MutedBand | None:
    """The band that is lost in a run of frames; None when no single head is. ``phase_lines``: of the same play, if
    known."""
    usable = [(s.frame, lost_lines(s)) for s in strays]
    usable = [(n, lost) for n, lost in usable if _FEWEST_LOST < lost.mean() < _MOST_LOST]
    if len(usable) < _LEAST_FRAMES:
        return None
    run = _longest_run(usable)
    if len(run) < _LEAST_FRAMES:
        return None
    share = np.mean([lost for _, lost in run], axis=0)
    height = len(share)
    cut = max(4, int(_EDGE_SHARE * height))
    inner = np.zeros(height, bool)
    inner[cut:-cut] = True
    phases = lattice(standard)
    if phase_lines is not None and np.isfinite(phase_lines):
        apart = np.abs(standard.phase_change_lines(np.full(len(phases), phase_lines), phases))
        phases = phases[apart <= _PHASE_SLACK_LINES]
    best: tuple[float, MutedBand] | None = None
    for phase in phases:
        head = head_of(standard, float(phase), height)
        means = np.array([share[inner & (head == h)].mean() for h in range(HEADS)])
        letter = int(np.argmax(means))
        others = float(np.max(np.delete(means, letter)))
        score = float(means[letter] - others)
        if best is None or score > best[0]:
            band = MutedBand(letter, float(means[letter]), others, float(phase), (run[0][0], run[-1][0] + 1))
            best = (score, band)
    if best is None or best[1].lost_share < _CLEAR or best[1].others_lost > 1 - _CLEAR:
        return None
    return best[1]


def _longest_run(frames: list[tuple[int, NDArray[np.bool_]]]) -> list[tuple[int, NDArray[np.bool_]]]:
    """Frames that follow each other (gaps of two allowed) and lose the same lines."""
    runs: list[list[tuple[int, NDArray[np.bool_]]]] = []
    for number, lost in frames:
        if runs and number - runs[-1][-1][0] <= 3 and stats.pearsonr(runs[-1][-1][1], lost).statistic > 0.5:
            runs[-1].append((number, lost))
        else:
            runs.append([(number, lost)])
    return max(runs, key=len)


def numbers_from_muted(letter: int, number: int) -> list[int]:
    """Numbers of the heads A to D when band ``letter`` is head ``number`` (1 to 4): heads scan in the order of their
    numbers."""
    return [(number - 1 + k - letter) % HEADS + 1 for k in range(HEADS)]
