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

    ``y`` is (lines, width), ``cb`` and ``cr`` are (chroma lines, chroma width); axis 0 runs down the picture, axis 1
    along the line. They are views of the decoder's buffers and are valid until the next frame is asked for: never
    write to them. ``frame`` counts from 0 at the file's first frame. ``index`` 0 is the first field of its frame in
    time. Line i of the field is frame row ``row0 + 2 i``.
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
    complaint: str = ""
    """What the decoder said of a damaged frame, one line."""
    timecode: str | None = None
    """Label stored with this picture (DV subcode, MPEG-2 group, H.264), if any."""


@dataclass(frozen=True, slots=True)
class SampleFormat:
    """How codes are to be read: ``bit_depth`` 8 or 10; chroma steps 1/2/4 along and 1/2 down; full or narrow range."""

    bit_depth: int
    chroma_step_x: int
    chroma_step_y: int
    full_range: bool
    has_chroma: bool
    matrix: str = "unspecified"
    """Colour matrix as the file states it: "bt601", "bt709" or "unspecified"; chroma is never converted."""


@dataclass(frozen=True, slots=True)
class Timing:
    """How pictures of a file are counted.

    ``by_pts``: picture number = round((pts - ``origin_pts``) x ``time_base`` x ``file_rate``), so that a lost picture
    does not shift later ones; otherwise pictures are counted as they come. ``file_rate`` is the rate the file states.
    """

    stream_index: int = 0
    time_base: Fraction = Fraction(1, 25)
    origin_pts: int = 0
    file_rate: Fraction = Fraction(25)
    by_pts: bool = False
    length_slack_frames: int = 1
    """How far the stated length may differ from the true one without meaning that the file is cut off."""


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
    """"flag", "picture" (from motion), "option", or "raster" (no flag, no motion: the usual order of that raster)."""
    frame_rate: Fraction
    frames_expected: int | None
    start_timecode: str | None
    timecode_source: str | None
    drop_frame: bool
    intra_only: bool
    """Every packet is a keyframe: packets can be skipped undecoded."""
    warnings: tuple[str, ...] = ()
    timing: Timing = Timing()
    first_sample: int = 0
    """Sample of the 720-sample active line that column 0 holds: 0, or 8 in files 704 wide."""
    limits: tuple[str, ...] = ()
    """What this carrier or this copy cannot show, one sentence each."""
