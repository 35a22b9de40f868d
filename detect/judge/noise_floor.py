"""How much picture detail there is in what is read as noise.

Detail that passes for noise grows and shrinks with a head's response: of a response of r dB it puts k r into the head's noise, where
k = D / (N + D) is the share of detail D beside noise N. N is one and the same all over a tape, once the heads' own offsets are taken
off, while detail comes and goes. So N is what the quietest lines of all its windows show, and k what lines show beyond it. Detail that
never lets up anywhere is not seen.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.judge.rows import DB_PER_LN_POWER, WEIGHT_CAP
from detect.judge.wheel import EDGE_ROWS, View
from detect.readings import Chunk

F64 = NDArray[np.float64]

QUIETEST = 0.02
"""Share of the lines that are taken for noise alone."""
LOWEST_DB, STEP_DB, BINS = -45.0, 0.1, 900
"""Histogram of the lines' energies: dB of IRE squared. Noise of 85 to 0 dB below white lies within it."""
FEWEST_LINES = 2000
"""Lines of windows below which no floor is looked for: the quietest 2 % are then 40."""


def _levels_db(chunk: Chunk) -> tuple[F64, F64]:
    """Mean energy of the quiet cells of each line in dB, and weight: (windows, rows)."""
    sums = chunk.sums["noise_log"]
    return DB_PER_LN_POWER * sums.ratio[:, :, 0].astype(np.float64), sums.weight[:, :, 0].astype(np.float64)


class LineLevels:
    """How often each line of the raster showed which energy, over a whole file: counts (rows, bins), and its scatter."""

    def __init__(self, view: View) -> None:
        self._inner = np.arange(view.top + EDGE_ROWS, view.bottom - EDGE_ROWS)
        self._counts = np.zeros((view.bottom, BINS))
        self._steps = np.zeros(BINS)

    def add(self, chunk: Chunk, chosen: NDArray[np.bool_]) -> None:
        level, weight = (part[chosen][:, self._inner] for part in _levels_db(chunk))
        at = np.clip((level - LOWEST_DB) / STEP_DB, 0, BINS - 1).astype(np.int64)
        good = weight > 0
        rows = np.broadcast_to(self._inner, at.shape)
        np.add.at(self._counts, (rows[good], at[good]), 1.0)
        step = np.abs(level[:, 2:] - level[:, :-2])[good[:, 2:] & good[:, :-2]]
        self._steps += np.bincount(np.clip(step / STEP_DB, 0, BINS - 1).astype(np.int64), minlength=BINS)

    def floor_db(self, offset_db: F64) -> float | None:
        """Energy of noise alone, dB, of lines whose heads are off by ``offset_db`` (rows,); None with too few lines."""
        total = float(self._counts.sum())
        if total < FEWEST_LINES:
            return None
        moved = np.zeros(BINS)
        for offset in np.unique(offset_db[self._inner]):
            mine = self._counts[self._inner[offset_db[self._inner] == offset]].sum(axis=0)
            moved += np.interp(np.arange(BINS) + offset / STEP_DB, np.arange(BINS), mine, left=0.0, right=0.0)
        # next lines of a field mostly show alike: how much they differ is the error of one
        scatter = _quantile(self._steps, 0.5) * STEP_DB / stats.norm.isf(0.25) / np.sqrt(2)
        return float(LOWEST_DB + STEP_DB * _quantile(moved, QUIETEST) + stats.norm.isf(QUIETEST) * scatter)


def _quantile(counts: F64, share: float) -> float:
    """Place in a histogram, in bins."""
    along = np.cumsum(counts)
    return float(np.interp(share * along[-1], along, np.arange(len(counts)) + 1.0))


@dataclass(frozen=True, slots=True)
class LineEnergies:
    """Of some windows: weight of each line, and weighted mean of the inverse of its energy, (rows,) each."""

    weight: F64
    inverse: F64

    @classmethod
    def of(cls, chunks: Iterable[tuple[Chunk, NDArray[np.bool_]]], view: View, height: int) -> LineEnergies:
        """Chunks with the windows chosen of each."""
        weight, inverse = np.zeros(height), np.zeros(height)
        for chunk, chosen in chunks:
            level, w = _levels_db(chunk)
            weight += w[chosen].sum(axis=0)
            inverse += (w * 10 ** (-level / 10))[chosen].sum(axis=0)
        outside = np.ones(height, bool)
        outside[view.top + EDGE_ROWS : view.bottom - EDGE_ROWS] = False
        weight[outside] = inverse[outside] = 0.0
        seen = weight > 0
        mean = np.divide(inverse, weight, out=np.zeros(height), where=seen)
        return cls(np.minimum(weight, WEIGHT_CAP * np.median(weight[seen])) if seen.any() else weight, mean)

    def detail_share(self, floor_db: float, offset_db: F64) -> float:
        """Share of detail, 0 to 1, in what these lines show, whose heads are off by ``offset_db`` (rows,)."""
        total = float(self.weight.sum())
        if total <= 0:
            return 0.0
        noise = 10 ** ((floor_db + offset_db) / 10) * self.inverse
        return float(np.clip((self.weight * (1 - noise)).sum() / total, 0.0, 1.0))


@dataclass(frozen=True, slots=True)
class Quiet:
    """What a stretch shows of noise, beside the whole file."""

    levels: LineLevels
    here: LineEnergies

    def detail_share(self, offset_db: F64) -> float:
        """``offset_db`` (rows,): what the head of each line adds to the noise."""
        floor = self.levels.floor_db(offset_db)
        return 0.0 if floor is None else self.here.detail_share(floor, offset_db)
