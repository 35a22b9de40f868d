"""Line standards and stored rasters, restated for the simulator so that it shares nothing with the measuring side.

Sources: ITU-R BT.1700 (lines, subcarriers, bursts, blanking), ITU-R BT.601 (sampling, codes), SMPTE ST 125, ST 314,
RP 202 and ST 356 (which lines a raster stores); what concerns head passes is derived from four heads and a whole
number of turns a field.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

StandardName = Literal["525", "625"]

NS_PER_SAMPLE = 1e9 / 13.5e6
"""Luma sample, 74.074 ns (BT.601)."""
ACTIVE = 720
"""Luma samples of the digital active line (BT.601)."""
CODES_PER_IRE = 2.19
"""8-bit luma codes for 1 % of black to white (BT.601)."""
LUMA_RANGE = 219.0
"""8-bit codes from black to white (BT.601)."""
CHROMA_RANGE = 224.0
"""8-bit codes of a full colour difference, peak to peak (BT.601)."""
V_OVER_U = {"subcarrier": (0.564 * 2.03) / (0.713 * 1.14), "components": 1.0}
"""Scale of Cr against Cb in the plane in which colour turns: Cb = 0.564 (B - Y), Cr = 0.713 (R - Y) (BT.601), U = (B - Y) / 2.03,
V = (R - Y) / 1.14 (BT.1700), 1.41 in all."""
BLACK = 16.0
NEUTRAL = 128.0
HEADS = 4


@dataclass(frozen=True, slots=True)
class Lines:
    """One line standard. Sample counts are at 13.5 MHz; columns count from the first stored sample of a line."""

    name: StandardName
    frame_rate: Fraction
    lines_per_frame: int
    samples_per_line: int
    active_start: int
    """Samples from 0H to column 0 (BT.601)."""
    passes_per_field: int
    subcarrier_hz: float
    burst_centre: float
    """Samples from 0H to the middle of the burst (BT.1700: 525 19 cycles + half of 9; 625 5.6 us + half of 10
    cycles)."""
    blanking_left: float
    """Column where the tape's own picture begins, half amplitude."""
    blanking_right: float
    picture_rows: int
    """Rows of the full picture, the coordinate system of scenes."""

    @property
    def lines_per_pass(self) -> float:
        """Field lines one head scans: 16.40625 (525), 15.625 (625)."""
        return self.lines_per_frame / 2 / self.passes_per_field

    @property
    def degrees_per_ns(self) -> float:
        """Subcarrier phase, degrees in a nanosecond: 1.28864 (525), 1.59610 (625)."""
        return self.subcarrier_hz * 360e-9

    @property
    def field_rate(self) -> Fraction:
        return 2 * self.frame_rate

    @property
    def tape_mm_per_s(self) -> float:
        """Full speed: one stripe of 0.396875 mm a pass (380.62 or 396.875 mm/s)."""
        return float(self.field_rate) * self.passes_per_field * 0.396875


LINES: dict[str, Lines] = {
    "525": Lines("525", Fraction(30_000, 1001), 525, 858, 122, 16, 315e6 / 88, 88.6, 4.9, 715.8, 486),
    "625": Lines("625", Fraction(25), 625, 864, 132, 20, 4_433_618.75, 90.8, 9.75, 711.75, 576),
}


@dataclass(frozen=True, slots=True)
class Raster:
    """One stored height. Frame row r shows picture row ``r + picture_offset``; rows outside the picture are blanked."""

    height: int
    lines: Lines
    top_row_first: bool
    """Whether row 0 belongs to the field that is first in time."""
    picture_offset: int

    @property
    def first_row_of_field(self) -> tuple[int, int]:
        """First frame row of each field, in time order."""
        return (0, 1) if self.top_row_first else (1, 0)


_RASTERS: dict[tuple[int, bool], Raster] = {
    (480, False): Raster(480, LINES["525"], False, 4),  # SMPTE ST 314: 486 rows less 4 on top, 2 below
    (480, True): Raster(480, LINES["525"], True, 5),  # SMPTE RP 202: lines 23 and 286 on top
    (486, False): Raster(486, LINES["525"], False, 0),  # SMPTE ST 125
    (512, True): Raster(512, LINES["525"], True, -27),  # SMPTE ST 356
    (576, True): Raster(576, LINES["625"], True, 0),  # ITU-R BT.601 / BT.656
    (576, False): Raster(576, LINES["625"], False, -1),  # DV 625 stores lines 335 and 23 on top
    (608, True): Raster(608, LINES["625"], True, -32),  # SMPTE ST 356
}
_USUAL_ORDER = {480: False, 486: False, 512: True, 576: True, 608: True}


def raster(height: int, *, field_order: Literal["usual", "top", "bottom"] = "usual") -> Raster:
    """The stored raster of a height; raises ValueError for one that no standard stores."""
    if height not in _USUAL_ORDER:
        raise ValueError(f"no raster of {height} rows; expected one of {sorted(_USUAL_ORDER)}")
    top_first = _USUAL_ORDER[height] if field_order == "usual" else field_order == "top"
    try:
        return _RASTERS[height, top_first]
    except KeyError:
        raise ValueError(f"{height} rows are not stored with the {field_order} field first") from None


def usual_height(standard: StandardName) -> int:
    return 486 if standard == "525" else 576
