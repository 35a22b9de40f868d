"""Cuts: where one shot ends and the next begins, from small pictures of the first field of each frame.

A cut is where the new picture cannot be found again in the last one, block by block, after motion and any change of
level or contrast. Blocks are compared by their normalised correlation (cv2.TM_CCOEFF_NORMED), which is blind to flashes
and fades, and each block may move, which is blind to camera and object motion. Only pictures that a plain comparison
finds unlike are searched.
"""

from __future__ import annotations

from collections import deque
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.measure.fields import Frame

_PIXEL = (8, 2, 3)
"""One small pixel: 8 samples by 2 lines, of every third line (whole factors: ten times quicker than others)."""
_BLOCK = (15, 10)
_REACH = (6, 4)
"""How far a block may move between frames, small pixels: 48 samples, 24 field lines."""
_ALIKE = 0.93
"""Correlation of whole pictures from which nothing needs to be searched."""
_LOST = 0.58
"""A cut: blocks find less than this correlation on average. Blocks of other shots reach 0.3 to 0.55 by chance."""
_DROP = 0.18
"""... and this much less than the shot's own frames did lately: fire or rain is unlike itself without any cut."""
_FLAT = 1.5
"""Standard deviation of a small picture, 8-bit codes, below which there is nothing to compare (black, a fade)."""
_MEMORY = 4
CUT_OVERLAP_FRAMES = _MEMORY + 2
"""Frames a slice must be given before its first to find the same cuts as the whole file (black stretches apart)."""


class CutFinder:
    """Fed with frames in order, tells where shots begin."""

    def __init__(self) -> None:
        self._recent: deque[NDArray[np.float32]] = deque(maxlen=2)
        self._scores: deque[float] = deque(maxlen=_MEMORY)

    def push(self, frame: Frame) -> bool:
        """True when this frame begins a new shot. The first does not; coming up from black to another picture does."""
        small = small_picture(frame.fields[0].y)
        if float(small.std()) < _FLAT:
            return False
        if not self._recent:
            self._recent.append(small)
            return False
        score = likeness(small, self._recent[-1])
        usual = float(np.median(self._scores)) if self._scores else 1.0
        cut = score < _LOST and score < usual - _DROP
        if cut and len(self._recent) > 1:  # after a flash the picture before it is the one to compare with
            cut = likeness(small, self._recent[-2]) < max(_LOST, score + _DROP / 2)
        if cut:
            self._recent.clear()
        self._scores.append(score)
        self._recent.append(small)
        return cut


def small_picture(luma: NDArray[np.uint8] | NDArray[np.uint16]) -> NDArray[np.float32]:
    """(lines // 6, width // 8) picture in 8-bit codes of a field's luma (lines, width)."""
    across, down, step = _PIXEL
    rows, columns = luma.shape[0] // (down * step), luma.shape[1] // across
    part: NDArray[Any] = np.ascontiguousarray(luma[step // 2 :: step][: rows * down, : columns * across])
    small = cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA).astype(np.float32)
    return small / np.float32(4.0) if luma.dtype == np.uint16 else small


def likeness(new: NDArray[np.float32], old: NDArray[np.float32]) -> float:
    """How well the blocks of ``new`` are found again in ``old``: mean correlation (1: alike), weighted by content."""
    a, b = new - new.mean(), old - old.mean()
    norm = float(np.sqrt((a * a).sum() * (b * b).sum()))
    whole = float((a * b).sum()) / norm if norm > 0 else 0.0
    if whole > _ALIKE:
        return whole
    padded = cv2.copyMakeBorder(old, _REACH[1], _REACH[1], _REACH[0], _REACH[0], cv2.BORDER_REPLICATE)
    places = [
        (y, x)
        for y in range(0, new.shape[0] - _BLOCK[1] + 1, _BLOCK[1])
        for x in range(0, new.shape[1] - _BLOCK[0] + 1, _BLOCK[0])
    ]
    total = weights = 0.0
    for half in (places[::2], places[1::2]):  # the second half only where the first is in doubt
        for y, x in half:
            block = new[y : y + _BLOCK[1], x : x + _BLOCK[0]]
            weight = min(float(cv2.meanStdDev(block)[1][0, 0]), 20.0)
            if weight >= _FLAT:
                area = padded[y : y + _BLOCK[1] + 2 * _REACH[1], x : x + _BLOCK[0] + 2 * _REACH[0]]
                total += weight * cv2.minMaxLoc(cv2.matchTemplate(area, block, cv2.TM_CCOEFF_NORMED))[1]
                weights += weight
        if weights > 0 and total / weights > _LOST + _DROP / 2:
            break
    return total / weights if weights > 0 else whole
