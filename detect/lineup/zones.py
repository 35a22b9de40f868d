"""Which rows of a block carry the signal, and where along the line it is flat."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from detect.lineup.capture import Block
from detect.standards import RASTERS

F32 = NDArray[np.float32]

_CELL = 15
"""Columns of a cell when rows are compared: medians over cells do not mind edges that move."""
_ROW_OFF_IRE = 6.0
"""A row whose cells differ by more (median) from the zone's typical line carries something else."""
_CELL_OFF_SIGMAS = 8.0
"""A cell farther than this from the same cell of the other rows (in its own median deviation, at least 1 IRE) does not
belong to the signal."""
_CELLS_OFF = 2
"""So many such cells next to each other are a caption or a loss; an edge of the signal lies in one."""
_FLAT_IRE_PER_SAMPLE = 0.5
"""Steepest slope of a flat part; a ramp over the whole line has 0.14."""
_FLAT_REACH = 6
"""Columns left out on each side of anything that is not flat: rise time and time errors."""


def zone_rows(block: Block) -> NDArray[np.bool_]:
    """Rows of the picture that show the signal: the zone of the bars, or all rows like the typical one. Ends are left out.

    The vertical interval of rasters that store it, half lines, identifications and captions fall out by their unlikeness.
    """
    height = block.y.shape[0]
    first, last = 0, height
    if block.bar_rows is not None:
        first, last = int(block.bar_rows[0] * height), int(np.ceil(block.bar_rows[1] * height))
    if height in RASTERS:
        first = max(first, RASTERS[height].picture_row0)
    width = block.y.shape[1] // _CELL * _CELL
    cells = np.median(block.y[:, :width].reshape(height, -1, _CELL), axis=2)
    middle = slice(first + (last - first) // 8, last - (last - first) // 8)
    apart = np.abs(cells - np.median(cells[middle], axis=0))
    good = np.median(apart, axis=1) < _ROW_OFF_IRE
    good &= ~_with_foreign_cells(apart, good)
    good[:first] = False
    good[last:] = False
    # one row in from every end: the line next to a change of zone is interpolated or cut
    return np.asarray(ndimage.binary_erosion(good, np.ones(3), border_value=0))


def _with_foreign_cells(apart: NDArray[np.float32], good: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Rows (rows,) on which neighbouring cells of ``apart`` (rows, cells) IRE lie far outside what the ``good`` rows do."""
    if not good.any():
        return ~good
    usual = np.maximum(1.4826 * np.median(apart[good], axis=0), 1.0)
    foreign = (apart > _CELL_OFF_SIGMAS * usual) & (apart > _ROW_OFF_IRE)
    together = ndimage.minimum_filter1d(foreign.astype(np.uint8), _CELLS_OFF, axis=1, mode="constant")
    return np.asarray(together.any(axis=1))


def flat_columns(line: F32) -> NDArray[np.bool_]:
    """Columns where a line is flat, well clear of edges and packets."""
    smooth = ndimage.gaussian_filter1d(line.astype(np.float64), 1.0)
    busy = np.abs(np.gradient(smooth)) > _FLAT_IRE_PER_SAMPLE
    flat = ~ndimage.binary_dilation(busy, np.ones(2 * _FLAT_REACH + 1))
    cut = max(1, line.size // 36)
    flat[:cut] = False
    flat[-cut:] = False
    return np.asarray(flat)


def typical_line(rows: F32) -> F32:
    """Median over rows, (rows, columns) -> (columns,)."""
    return np.asarray(np.median(rows, axis=0), np.float32)
