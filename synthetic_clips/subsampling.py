"""From 10-bit 4:2:2 to what a codec takes: 8 bit, 4:1:1, and 4:2:0 with the chroma of each field kept apart."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.uint16] | NDArray[np.uint8]


def to_eight_bits(plane: NDArray[np.uint16]) -> NDArray[np.uint8]:
    """Round 10-bit codes to 8 bits, kept out of 0 and 255 (BT.601)."""
    return np.asarray(np.clip((plane.astype(np.int32) + 2) >> 2, 1, 254), np.uint8)


def to_four_one_one(chroma: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Halve the samples along the line, co-sited with the even ones (IEC 61834, 525 lines), weights 1 2 1."""
    wide = np.pad(chroma.astype(np.int32), ((0, 0), (1, 1)), mode="edge")
    return np.asarray((wide[:, 0:-2:2] + 2 * wide[:, 1:-1:2] + wide[:, 2::2] + 2) >> 2, np.uint8)


def to_four_two_zero_interlaced(chroma: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Halve the lines of each field by itself (height, width) -> (height / 2, width).

    Sited as in interlaced MPEG-2 (ISO/IEC 13818-2): a quarter of the way down between two lines of the upper field,
    three quarters in the lower field.
    """
    out = np.empty((chroma.shape[0] // 2, chroma.shape[1]), np.uint8)
    for parity, (first, second) in enumerate(((3, 1), (1, 3))):
        lines = chroma[parity::2].astype(np.int32)
        out[parity::2] = ((first * lines[0::2] + second * lines[1::2] + 2) >> 2).astype(np.uint8)
    return out
