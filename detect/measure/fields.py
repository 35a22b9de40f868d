"""A field: planes, parity, place in time. What decoding hands to measuring."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from detect.standards import Raster, Standard

Plane = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a transfer, in native codes.

    ``y`` is (lines, width), ``cb`` and ``cr`` are (chroma lines, chroma width); axis 0 runs down the picture, axis 1 along the
    line. They are views of the decoder's buffers and are valid until the next frame is asked for: never write to them.
    ``frame`` counts from 0 at the file's first frame. ``index`` 0 is the first field of its frame in time.
    Line i of the field is frame row ``row0 + 2 i``.
    """

    frame: int
    index: int
    row0: int
    y: Plane
    cb: Plane | None
    cr: Plane | None


@dataclass(frozen=True, slots=True)
class Frame:
    """Both fields of one frame, in time order, from one decoded picture. ``damaged``: decoded with complaints."""

    number: int
    fields: tuple[Field, Field]
    damaged: bool = False
    keyframe: bool = True


@dataclass(frozen=True, slots=True)
class SampleFormat:
    """How codes are to be read: ``bit_depth`` 8 or 10; chroma steps 1/2/4 along and 1/2 down; full or narrow range."""

    bit_depth: int
    chroma_step_x: int
    chroma_step_y: int
    full_range: bool
    has_chroma: bool


@dataclass(frozen=True, slots=True)
class Transfer:
    """What is known of a file before measuring. Rates and times are exact."""

    path: str
    size_bytes: int
    container: str
    codec: str
    pixel_format: str
    width: int
    height: int
    raster: Raster
    standard: Standard
    samples: SampleFormat
    first_field_is_top: bool
    field_order_source: str
    """"flag", "picture" (from motion) or "option"."""
    frame_rate: Fraction
    frames_expected: int | None
    start_timecode: str | None
    timecode_source: str | None
    drop_frame: bool
    intra_only: bool
    warnings: tuple[str, ...] = ()
