"""Planes and fields of a decoded picture, as views of the decoder's own buffers."""

from __future__ import annotations

from typing import Any

import numpy as np
from av.video.reformatter import VideoReformatter

from detect.measure.fields import Field, SampleFormat

PLANAR_TWIN = {
    "uyvy422": "yuv422p",
    "yuyv422": "yuv422p",
    "yvyu422": "yuv422p",
    "nv12": "yuv420p",
    "nv21": "yuv420p",
    "nv16": "yuv422p",
    "nv20le": "yuv422p10le",
    "yuv422p10be": "yuv422p10le",
    "yuv420p10be": "yuv420p10le",
    "uyyvyy411": "yuv411p",
}
"""Layouts rearranged without loss into planes before measuring."""


def planes_of(picture: Any, samples: SampleFormat, reformatter: Any = None) -> tuple[Any, Any, Any]:
    """Y', C'B, C'R planes of a decoded picture as (rows, columns) views; C planes None in monochrome.

    ``reformatter``: kept from picture to picture, which makes rearranging packed layouts ten times cheaper.
    """
    twin = PLANAR_TWIN.get(picture.format.name)
    if twin is not None:
        picture = (reformatter or VideoReformatter()).reformat(picture, format=twin)
    luma = _plane(picture, 0, samples.bit_depth)
    if not samples.has_chroma:
        return luma, None, None
    return luma, _plane(picture, 1, samples.bit_depth), _plane(picture, 2, samples.bit_depth)


def _plane(picture: Any, index: int, bit_depth: int) -> Any:
    plane = picture.planes[index]
    kind: Any = np.uint8 if bit_depth == 8 else np.uint16
    rows = np.frombuffer(plane, kind).reshape(plane.height, -1)
    return rows[:, : plane.width]


def fields_of(number: int, planes: tuple[Any, Any, Any], *, first_is_top: bool) -> tuple[Field, Field]:
    """Both fields of a picture in time order, as views of its planes: rows 0, 2, 4... are the top field's."""
    y, cb, cr = planes
    first, second = (
        Field(
            number,
            index,
            row0,
            y[row0::2],
            None if cb is None else cb[row0::2],
            None if cr is None else cr[row0::2],
        )
        for index, row0 in enumerate((0, 1) if first_is_top else (1, 0))
    )
    return first, second
