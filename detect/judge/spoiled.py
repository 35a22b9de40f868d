"""Rows that losses of signal spoil, window by window: comparing heads leaves them out.

A scratch comes back in every pass at the same line. Its dashes are steps of level as steady as any head's, at a place of their own, and
would be taken for the wheel. Single losses on lines of all places are left in where most lines have some: they cancel.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from detect.judge.loss_choice import LIKELY
from detect.measure.line_ends import STANDING
from detect.measure.noise_bands import GONE
from detect.standards import ACTIVE_SAMPLES

LEAST_SHARE = 0.0008
"""Share of a window's line, over all its frames, from which losses spoil it: 1.5 us in one of 36; at 70 IRE it is off by 0.06 IRE."""
MOST_ROWS = 0.3
"""Share of a window's rows that is left out at most, the worst first."""
AROUND_ROWS = 8
MOST_AROUND = 0.4
"""Lines so many of whose neighbours are spoiled too are those of a failing head, which is to be seen."""
BESIDE_BANDS = 3
"""Lines beside a band without picture that are left out with it: decoders carry its noise over to two."""
PAIRS = (-4, -2, 0, 2)
"""A pair relation at row r reads the frame rows r - 2 to r + 4 of its field."""


def spoiled_rows(
    losses: Mapping[str, NDArray[Any]],
    *,
    rows0: tuple[int, int],
    height: int,
    start_frame: NDArray[np.int64],
    end_frame: NDArray[np.int64],
) -> dict[int, NDArray[np.bool_]]:
    """Rows (height,) to leave out, by the frame at which their window starts.

    ``rows0``: frame row of line 0 of either field; ``start_frame``, ``end_frame``: of the windows in order of time.
    """
    if not len(losses.get("frame", ())) or not len(start_frame):
        return {}
    sure = (np.asarray(losses["score"]) >= LIKELY) & ~np.isin(losses["kind"], (STANDING, GONE))
    frame, field, line, x0, x1 = (np.asarray(losses[k]).astype(np.int64)[sure] for k in ("frame", "field", "line", "x0", "x1"))
    row = np.asarray(rows0)[field] + 2 * line
    window = np.searchsorted(start_frame, frame, side="right") - 1
    inside = (row >= 0) & (row < height) & (window >= 0)
    out = {}
    for which in np.unique(window[inside]):
        mine = inside & (window == which)
        samples = ACTIVE_SAMPLES * int(end_frame[which] - start_frame[which])
        left_out = _left_out(np.bincount(row[mine], (x1 - x0)[mine], minlength=height) / samples)
        if left_out.any():
            out[int(start_frame[which])] = left_out
    for band in np.flatnonzero(np.asarray(losses["kind"]) == GONE):
        frames = int(losses["frame"][band]), int(losses["run"][band])
        first = rows0[int(losses["field"][band])] + 2 * int(losses["line"][band])
        rows = np.arange(first - 2 * BESIDE_BANDS, first + 2 * (int(losses["stack"][band]) + BESIDE_BANDS), 2)
        for which in np.flatnonzero((start_frame < frames[1]) & (end_frame > frames[0])):
            left_out = out.setdefault(int(start_frame[which]), np.zeros(height, bool))
            for offset in PAIRS:
                at = rows + offset
                left_out[at[(at >= 0) & (at < height)]] = True
    return out


def _left_out(share: NDArray[np.float64]) -> NDArray[np.bool_]:
    spoiled = share >= LEAST_SHARE
    around = np.convolve(spoiled, np.ones(2 * AROUND_ROWS + 1) / (2 * AROUND_ROWS + 1), "same")
    spoiled &= around <= MOST_AROUND
    room = int(MOST_ROWS * len(share) / len(PAIRS))
    worst = np.argsort(np.where(spoiled, -share, 0.0), kind="stable")[: min(room, np.count_nonzero(spoiled))]
    out = np.zeros(len(share), bool)
    for offset in PAIRS:
        at = worst + offset
        out[at[(at >= 0) & (at < len(out))]] = True
    return out
