"""Through one composite signal and back: what a decoder's separation of colour and luminance does to the lines of a field.

Rendered lines are put on the subcarrier that their burst would give them and parted again, by a filter along the line or by a comb over
lines. Combs add lines whose subcarriers are half a cycle apart, but for what the lines are displaced against each other.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from synthetic_clips.rasters import BLACK, CHROMA_RANGE, LUMA_RANGE, NEUTRAL, NS_PER_SAMPLE, StandardName

Array = NDArray[np.float32]
Separation = Literal["none", "notch", "comb"]

COLOUR_HZ = 1.3e6
"""Band of the colour differences, half amplitude (BT.1700)."""
TRAP_HZ = 0.6e6
"""Half the width of what a notch takes out of luminance, half amplitude: enough for areas of colour, not for its edges (common
practice, no single source)."""
TAPS = 41
COMB_LINES = {"525": 1, "625": 2}
"""How far apart lines of a field are whose subcarriers are half a cycle apart: 227.5 cycles a line, twice 283.75 (BT.1700)."""
U_OF_CB = LUMA_RANGE / (CHROMA_RANGE * 0.564 * 2.03)
V_OF_CR = LUMA_RANGE / (CHROMA_RANGE * 0.713 * 1.14)
"""Subcarrier, in codes of luma, for a code of colour difference: Cb = 0.564 (B - Y), Cr = 0.713 (R - Y) (BT.601), U = (B - Y) / 2.03,
V = (R - Y) / 1.14 (BT.1700)."""


@lru_cache(maxsize=2)
def _low_pass(hz: float) -> Array:
    """Along the line, at the sampling rate of luma; what lies at the subcarrier and beyond is gone."""
    taps = signal.firwin(TAPS, hz, fs=1e9 / NS_PER_SAMPLE, window=("kaiser", 6.0))
    return np.asarray(taps, np.float32)


def _filtered(lines: NDArray[np.complexfloating[Any, Any]], hz: float = COLOUR_HZ) -> NDArray[np.complex64]:
    taps = _low_pass(hz)
    real, imaginary = (ndimage.convolve1d(part, taps, axis=1, mode="constant") for part in (lines.real, lines.imag))
    return np.asarray(real + 1j * imaginary, np.complex64)


def through_composite(
    y: Array,
    cb: Array,
    cr: Array,
    *,
    standard: StandardName,
    separation: Separation,
    carrier_rad: NDArray[np.float64],
    step_rad: float,
    v_switch: NDArray[np.float64],
) -> None:
    """Put the lines of one field into a composite signal and part them again, in place.

    ``y`` (lines, 720), ``cb`` and ``cr`` (lines, 360): 8-bit codes with fractions. ``carrier_rad`` (lines,): phase of each line's
    subcarrier at column 0, as its burst has it; ``step_rad``: by how much it advances from sample to sample. ``v_switch`` (lines,):
    the sign of V, +1 or -1. Lines that a comb has no neighbours for are parted along the line. Beyond either end of a line there is black.
    """
    turn = carrier_rad[:, None] + step_rad * np.arange(y.shape[1])
    carrier = np.exp(1j * turn).astype(np.complex64)
    sign = v_switch[:, None].astype(np.float32)
    # U sin + V cos: the imaginary part of (U + i V) times the carrier
    colour = np.zeros(y.shape, np.complex64)
    colour[:, ::2] = 2 * (U_OF_CB * (cb - NEUTRAL) + 1j * V_OF_CR * sign * (cr - NEUTRAL))
    composite = y - BLACK + (_filtered(colour) * carrier).imag
    apart = COMB_LINES[standard]
    combed = composite.copy()
    if separation == "comb" and len(y) > 2 * apart:
        middle = slice(apart, -apart)
        combed[middle] = (2 * composite[middle] - composite[: -2 * apart] - composite[2 * apart :]) / 4
    parted = _filtered(2j * combed * carrier.conj())
    trapped = parted if separation == "comb" else _filtered(parted, TRAP_HZ)
    y[:] = BLACK + composite - (trapped * carrier).imag
    cb[:] = parted.real[:, ::2] / U_OF_CB + NEUTRAL
    cr[:] = parted.imag[:, ::2] * sign / V_OF_CR + NEUTRAL
