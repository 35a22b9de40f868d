"""What the blocks of a carrier leave in rows of pairs by their place in the block, taken off.

Coders drop the coefficients of a block the sooner the higher they are. Of what is left of its noise its first and last line have more than
those in its middle (the first cosines are largest there), and two lines of one block differ by less than two of different ones. So rows
read something by their place in the grid of blocks alone, up to 2 dB in noise, where no head is: it is no wheel's, since passes and blocks
are not as long. Each place's median over the picture, against the mean of all places, is taken off as far as it is more than chance (James
and Stein 1961, positive part, as of Efron and Morris 1973; from memory).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

GRID_ROWS: Mapping[str, int] = dict.fromkeys(["dvvideo", "mpeg2video", "prores", "dnxhd", "mjpeg", "h264", "hevc", "mpeg4", "vc1"], 16)
"""Frame rows after which the grid of blocks repeats, by codec (FFmpeg names): eight lines of one field, or of both in 16 rows
(IEC 61834-2; ISO/IEC 13818-2, 14496-10; SMPTE ST 2019-1)."""
NOISE_BLOCK_ROWS: Mapping[str, int] = {"dvvideo": 8, "mpeg2video": 8}
"""Frame rows of the blocks that these code by themselves with few coefficients: a share of a line's noise is then its block's
(``wheel.NOISE_OF_BLOCK``; IEC 61834-2; ISO/IEC 13818-2, where blocks of one field hold 16)."""
CHROMA_OF_BLOCK: Mapping[str, float] = {"dvvideo": 0.15}
"""Share of a line's colour that is its block's: few coefficients are left of colour. Chi-square that heads win is greatest there in eight
DV25 tapes of ten, by an eighth on average; MPEG-2 at 50 Mb/s has 0.05 (house value)."""
WEIGHT_CAP = 3.0
"""No row has more say in its place's median than so many times the median row."""
FEWEST_ROWS = 10
"""Rows at one place of the grid that tell its median."""
MEDIAN_ERROR = 1.2533
"""Standard error of the median of Gaussian readings, over that of their mean: root of pi / 2."""


def grid_pattern(ratio: F64, weight: F64, rows: int) -> F64:
    """What readings (height,) of inverse variance ``weight`` have by their place in a grid of ``rows`` rows: (height,), of mean nought over
    the places; all nought where too few were seen or chance explains it."""
    none = np.zeros(len(ratio))
    seen = np.flatnonzero(weight > 0)
    if rows < 2 or not len(seen):
        return none
    say = np.minimum(weight, WEIGHT_CAP * np.median(weight[seen]))
    middle, variance = np.zeros(rows), np.zeros(rows)
    for place in range(rows):
        mine = seen[seen % rows == place]
        if len(mine) < FEWEST_ROWS:
            return none
        value, error = _median(ratio[mine], say[mine])
        middle[place], variance[place] = value, error**2
    off = middle - middle.mean()
    spread = float(np.sum(off**2)) / (rows - 1)
    share = max(0.0, 1.0 - float(variance.mean()) / spread) if spread > 0 else 0.0
    return np.asarray(share * np.resize(off, len(ratio)))


def _median(values: F64, say: F64) -> tuple[float, float]:
    """Weighted median, and its standard error from the scatter about it."""
    order = np.argsort(values, kind="stable")
    along = np.cumsum(say[order])
    value = float(np.interp(0.5 * along[-1], along - say[order] / 2, values[order]))
    away = np.abs(values - value)
    order = np.argsort(away, kind="stable")
    along = np.cumsum(say[order])
    scatter = float(np.interp(0.5 * along[-1], along - say[order] / 2, away[order])) / 0.6745
    return value, MEDIAN_ERROR * scatter * float(np.sqrt(np.sum(say**2))) / float(np.sum(say))
