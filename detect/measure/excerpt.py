"""A short moving excerpt: every field a picture of its own at field rate, lines doubled, as MP4 (H.264) or WebM (VP9).

Weaving both fields into one picture would show the fields' own motion as combing, and blending them would soften the
very band edges that are to be seen; so neither is done.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from detect.errors import CannotRead
from detect.measure.fields import Field, Frame, SampleFormat
from detect.measure.stills import PICTURE_ASPECT

U8 = NDArray[np.uint8]

ENCODERS = (("libx264", "mp4"), ("libvpx-vp9", "webm"))
"""In order of preference: H.264 (ISO/IEC 14496-10) plays nearly everywhere, VP9 where the former was left out."""
QUALITIES = (19, 25, 31, 37)
"""Constant rate factors in turn, until the excerpt fits; 19 is near to lossless to the eye (common practice)."""
SECAM_AND_PAL, SMPTE_170M = 5, 6
"""Colour codes of ISO/IEC 23091-2 for 625 and 525 lines; both mean the matrix of BT.601."""
NARROW, FULL = 1, 2


@dataclass(frozen=True, slots=True)
class Encoded:
    """The excerpt's data and the ending that names its container: "mp4" or "webm"."""

    data: bytes
    ending: str


def encode_fields(
    frames: Callable[[], Iterable[Frame]], samples: SampleFormat, *, frame_rate: Fraction, most_bytes: int
) -> Encoded:
    """Encode every field of ``frames()``, which is asked again where the first quality gives too many bytes.

    Raises CannotRead when there is no frame, no encoder, or no quality that fits.
    """
    encoder = next((pair for pair in ENCODERS if pair[0] in av.codecs_available), None)
    if encoder is None:
        raise CannotRead("no encoder for H.264 or VP9 in this installation of PyAV; the excerpt cannot be made")
    for quality in QUALITIES:
        data = _encode(frames(), samples, encoder=encoder, rate=2 * frame_rate, quality=quality)
        if not data:
            raise CannotRead("no frame of the excerpt could be decoded")
        if len(data) <= most_bytes:
            return Encoded(data, encoder[1])
    raise CannotRead(f"the excerpt stays above {most_bytes / 1e6:.1f} MB")


def _encode(
    frames: Iterable[Frame], samples: SampleFormat, *, encoder: tuple[str, str], rate: Fraction, quality: int
) -> bytes:
    buffer = io.BytesIO()
    count = 0
    with av.open(buffer, "w", format=encoder[1]) as out:
        stream: Any = None
        for frame in frames:
            for field in frame.fields:
                picture = doubled(field, samples)
                if stream is None:
                    stream = _stream(out, picture, encoder=encoder[0], rate=rate, quality=quality, samples=samples)
                video = av.VideoFrame.from_ndarray(picture, format="yuv420p")
                video.pts, video.time_base = count, 1 / rate
                video.color_range = FULL if samples.full_range else NARROW
                count += 1
                out.mux(stream.encode(video))
        if stream is not None:
            out.mux(stream.encode(None))
    return buffer.getvalue() if count else b""


def _stream(out: Any, picture: U8, *, encoder: str, rate: Fraction, quality: int, samples: SampleFormat) -> Any:
    width, height = picture.shape[1], picture.shape[0] * 2 // 3
    stream = out.add_stream(encoder, rate=rate, options={"crf": str(quality)})
    context = stream.codec_context
    context.width, context.height, context.pix_fmt = width, height, "yuv420p"
    context.time_base = 1 / rate
    context.sample_aspect_ratio = (Fraction(PICTURE_ASPECT).limit_denominator(3) * height / width).limit_denominator(255)
    context.color_range = FULL if samples.full_range else NARROW
    context.colorspace = SECAM_AND_PAL if height > 520 else SMPTE_170M
    if encoder == "libvpx-vp9":
        context.bit_rate = 0
    context.thread_count = 1
    return stream


def doubled(field: Field, samples: SampleFormat) -> U8:
    """One field as a full picture in 8-bit Y'CbCr 4:2:0, planes below each other: (3/2 height, width).

    Each line is shown twice, about the place it has in the frame, so that still pictures do not bob between fields.
    """
    shift = samples.bit_depth - 8
    y = (field.y >> shift).astype(np.uint8)
    lines, width = y.shape
    picture = np.repeat(y, 2, axis=0)
    if field.row0:
        picture = np.vstack([picture[:1], picture[:-1]])
    planes = [picture]
    for chroma in (field.cb, field.cr):
        if chroma is None:
            planes.append(np.full((lines, width // 2), 128, np.uint8))
            continue
        small = cv2.resize((chroma >> shift).astype(np.uint8), (width // 2, lines), interpolation=cv2.INTER_LINEAR)
        if field.row0:  # a chroma row then covers the end of one line and the start of the next
            before = np.vstack([small[:1], small[:-1]])
            small = cv2.addWeighted(before, 0.5, small, 0.5, 0)
        planes.append(np.asarray(small, np.uint8))
    return np.concatenate([plane.ravel() for plane in planes]).reshape(-1, width)
