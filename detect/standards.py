"""Line standards, rasters, rates and the arithmetic of head passes: constants with their sources.

Everything here is exact where the standard is exact (``Fraction``), and every figure names its source:

* ITU-R BT.1700 (analogue composite systems) for line and field rates and subcarriers,
* ITU-R BT.601 for sampling, active line and quantisation,
* "derived" where it follows from those and from four head passes to a turn of the wheel,
* "common practice" where the trade agrees but no single document was seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

Lines = TypeVar("Lines", float, NDArray[np.float64])

StandardName = Literal["525/59.94", "625/50"]

SAMPLE_RATE_HZ = Fraction(13_500_000)
"""Luma sampling rate, both standards (BT.601)."""
NS_PER_SAMPLE = float(Fraction(10**9) / SAMPLE_RATE_HZ)
"""74.074 ns (BT.601)."""
ACTIVE_SAMPLES = 720
"""Luma samples of the digital active line (BT.601)."""
V_OVER_U = (0.877 * 1.402) / (0.493 * 1.772)
"""How much more of V than of U a unit of Cr and of Cb is, 1.41: U = 0.493 (B - Y) and V = 0.877 (R - Y), the axes about which the
subcarrier turns (BT.1700), against Cb = (B - Y) / 1.772 and Cr = (R - Y) / 1.402 (BT.601)."""
HEADS = 4
PASS_ANGLE_DEG = 90.0
"""Angle of the wheel in one pass; derived from four heads on the wheel."""
STRIPE_PITCH_MM = 0.396875
"""Along the tape, one stripe to the next, full speed: 15 in/s over 960 stripes/s (derived; ANSI C98.6-1965)."""
WHEEL_RADIUS_MM = 26.2
"""Tip radius of the head wheel; common practice, no single source (from memory)."""
PASS_MM = WHEEL_RADIUS_MM * math.radians(PASS_ANGLE_DEG)
"""Length of a pass: 41.2 mm (derived)."""


@dataclass(frozen=True, slots=True)
class Standard:
    """One line standard on a four-head machine.

    Attributes give units in their names. ``lines_per_pass`` counts *field* lines (one field line is two frame rows).
    """

    name: StandardName
    frame_rate: Fraction
    lines_per_frame: int
    samples_per_line: int
    """Total luma samples from one 0H to the next (BT.601)."""
    active_start_sample: int
    """Luma samples from 0H to the first active one (BT.601)."""
    passes_per_field: int
    subcarrier_hz: Fraction
    turns_per_s: Fraction

    @property
    def short_name(self) -> str:
        return self.name.split("/")[0]

    @property
    def line_period_ns(self) -> float:
        return float(self.samples_per_line * Fraction(10**9) / SAMPLE_RATE_HZ)

    @property
    def lines_per_pass(self) -> Fraction:
        """Field lines one head scans: 525/32 or 125/8 (derived)."""
        return Fraction(self.lines_per_frame, 2 * self.passes_per_field)

    @property
    def phase_step_lines(self) -> Fraction:
        """Band boundaries fall on a lattice: phases closer than this give the same bands (derived)."""
        return Fraction(1, self.lines_per_pass.denominator)

    def phase_change_lines(self, before: Lines, after: Lines) -> Lines:
        """From one phase to another by the shorter way, field lines, within half a pass either way; numbers or arrays (derived)."""
        period = float(self.lines_per_pass)
        return (after - before + period / 2) % period - period / 2

    @property
    def alternating_v(self) -> bool:
        """The V component changes its sign from line to line in 625 (BT.1700): lines two apart of a field have the same."""
        return self.short_name == "625"

    @property
    def subcarrier_deg_per_ns(self) -> float:
        """Degrees of subcarrier in one nanosecond: 1.28864 (525), 1.59610 (625); from BT.1700."""
        return float(self.subcarrier_hz) * 360e-9

    @property
    def tip_speed_mm_per_us(self) -> float:
        """Head-to-tape speed across the tape (derived from the wheel radius)."""
        return float(2 * np.pi * WHEEL_RADIUS_MM * float(self.turns_per_s) * 1e-6)

    @property
    def tape_speed_mm_per_s(self) -> float:
        """Full speed: four stripes a turn (derived; 380.62 or 396.875 mm/s)."""
        return float(self.turns_per_s) * HEADS * STRIPE_PITCH_MM

    @property
    def skew_ns_per_um(self) -> float:
        """Skew, peak to peak, for one micrometre of guide position: sqrt(2)/(R w) (derived)."""
        return float(np.sqrt(2) / (WHEEL_RADIUS_MM * 2 * np.pi * float(self.turns_per_s)) * 1e6)

    @property
    def scallop_ns_per_um(self) -> float:
        """Scallop, peak to peak, for one micrometre of guide height: (1 - 1/sqrt 2)/(R w) (derived)."""
        return float((1 - np.sqrt(0.5)) / (WHEEL_RADIUS_MM * 2 * np.pi * float(self.turns_per_s)) * 1e6)

    @property
    def quadrature_ns_per_arcsec(self) -> float:
        """One second of arc between heads: 3.2 ns (525), 3.1 ns (625) (derived)."""
        return float(1e9 / (float(self.turns_per_s) * 360 * 3600))


STD_525 = Standard(
    name="525/59.94",
    frame_rate=Fraction(30_000, 1001),
    lines_per_frame=525,
    samples_per_line=858,
    active_start_sample=122,
    passes_per_field=16,
    subcarrier_hz=Fraction(315_000_000, 88),
    turns_per_s=Fraction(240_000, 1001),
)
STD_625 = Standard(
    name="625/50",
    frame_rate=Fraction(25),
    lines_per_frame=625,
    samples_per_line=864,
    active_start_sample=132,
    passes_per_field=20,
    subcarrier_hz=Fraction(443_361_875, 100),
    turns_per_s=Fraction(250),
)
STANDARDS: dict[str, Standard] = {"525": STD_525, "625": STD_625, STD_525.name: STD_525, STD_625.name: STD_625}


@dataclass(frozen=True, slots=True)
class Raster:
    """One stored picture height and where its rows lie in the field.

    ``top_row_is_first_field``: whether frame row 0 belongs to the field that is first in time.
    ``picture_row0``: first frame row of the picture proper; rows above it carry the vertical interval.
    """

    height: int
    standard: Standard
    top_row_is_first_field: bool
    picture_row0: int


RASTERS: dict[int, Raster] = {
    480: Raster(480, STD_525, False, 0),  # DV (SMPTE ST 314) crop; MPEG-2 (RP 202) crops it top field first
    486: Raster(486, STD_525, False, 0),  # SMPTE ST 125 / RP 187
    512: Raster(512, STD_525, True, 27),  # SMPTE ST 356: 525 with vertical interval on top
    576: Raster(576, STD_625, True, 0),  # ITU-R BT.601/BT.656
    608: Raster(608, STD_625, True, 32),  # SMPTE ST 356: 625 with vertical interval on top
}


def code_scale(bit_depth: int) -> float:
    """Codes per 8-bit code: 1 in 8 bit, 4 in 10 bit (BT.601)."""
    return float(2 ** (bit_depth - 8))


def codes_per_ire(bit_depth: int, *, full_range: bool = False) -> float:
    """Luma codes for 1 IRE = 1 % of black to white: 2.19 (8 bit), 8.76 (10 bit) (BT.601)."""
    if full_range:
        return float(2**bit_depth - 1) / 100.0
    return 2.19 * code_scale(bit_depth)


def black_code(bit_depth: int, *, full_range: bool = False) -> float:
    """Luma code of black: 16 (8 bit), 64 (10 bit) (BT.601)."""
    return 0.0 if full_range else 16.0 * code_scale(bit_depth)


def pass_bounds_rows(standard: Standard, phase_lines: float, height: int) -> list[tuple[int, int, int]]:
    """Frame rows of each pass in view: (pass index k, first row, last row exclusive).

    Pass k covers ``phase + k P <= row/2 < phase + (k+1) P``; k = -1 is the part band on top.
    """
    period = float(standard.lines_per_pass)
    out: list[tuple[int, int, int]] = []
    k = -1
    while True:
        first = max(0, int(np.ceil(2 * (phase_lines + k * period) - 1e-9)))
        last = min(height, int(np.ceil(2 * (phase_lines + (k + 1) * period) - 1e-9)))
        if first >= height:
            return out
        if last > first:
            out.append((k, first, last))
        k += 1


def pass_of_rows(standard: Standard, phase_lines: float, rows: np.ndarray) -> np.ndarray:
    """Pass index k of each frame row (int array, same shape); head letter index is ``k % 4``."""
    return np.floor((np.asarray(rows) / 2.0 - phase_lines) / float(standard.lines_per_pass) + 1e-9).astype(np.int64)
