"""Evidence stills of one frame, as JPEG data: the whole frame, a crop stretched along the line, chroma exaggerated.

Nothing is ever drawn over the picture: band edges are ticks in a margin beside it.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.measure.fields import Field, Frame, SampleFormat
from detect.standards import black_code, code_scale, codes_per_ire

Picture = NDArray[np.uint8]
"""(rows, columns, 3), blue, green, red."""
F32 = NDArray[np.float32]

CHROMA_GAIN = 4.0
"""Exaggeration of chroma differences: a 5 % difference of saturation becomes plain to see (display choice)."""
CHROMA_BASE = 0.5
"""What is kept of the chroma itself, so that strong colours leave room for the difference (display choice)."""
TURN_ROWS = 129
"""Frame rows over which the chroma's mean is taken: about a turn of the wheel in either standard (131.25, 125), odd."""
STRETCH = 8
"""Stretch along the line in the detail: one sample (74 ns) becomes eight pixels, so 9 ns is one (display choice)."""
DETAIL_SAMPLES = 84
"""Luma samples along the line shown in the detail: about 6 us."""
DETAIL_LINES = 72
"""Field lines shown in the detail: one turn of the wheel (65.625 or 62.5 lines) and a little."""
DETAIL_LINE_PX = 5
PICTURE_ASPECT = 4 / 3
"""Display aspect of the screen (common practice); the 2 % by which 720 samples exceed it are left alone."""
MARGIN_PX = 26
EDGE_SAMPLES = 24
"""Columns left out at either end when a place for the detail is chosen: blanking may reach in (BT.601, BT.1700)."""
JPEG_QUALITY = 85
_PAPER = (244, 246, 247)
_INK = (60, 52, 48)


def make_stills(frame: Frame, samples: SampleFormat, *, rows: list[tuple[int, int]]) -> dict[str, bytes]:
    """JPEG data by style: "frame", "detail", and "chroma" where the picture has colour.

    ``rows`` are the frame rows (first, last inclusive) of the bands concerned; they choose where the detail is taken.
    """
    y, cb, cr = _woven(frame, samples)
    stills = {"frame": _jpeg(_with_ticks(_upright(_colours(y, cb, cr)), rows, height=_height(frame)))}
    detail, shown = _detail(frame, samples, rows=rows)
    stills["detail"] = _jpeg(_with_ticks(detail, shown, height=2 * DETAIL_LINES))
    if samples.has_chroma and frame.fields[0].cb is not None:
        chroma = _upright(_colours(np.full_like(y, 0.5), _differences(cb), _differences(cr)))
        ticked = _with_ticks(chroma, rows, height=_height(frame))
        stills["chroma"] = _jpeg(_with_label(ticked, f"chroma differences x {CHROMA_GAIN:g}, luminance left out"))
    return stills


def _height(frame: Frame) -> int:
    return sum(field.y.shape[0] for field in frame.fields)


def _luma(field: Field, samples: SampleFormat) -> F32:
    """Luma of a field, 0 black to 1 white."""
    black = black_code(samples.bit_depth, full_range=samples.full_range)
    white = 100 * codes_per_ire(samples.bit_depth, full_range=samples.full_range)
    return ((field.y.astype(np.float32) - black) / white).astype(np.float32)


def _chroma(plane: NDArray[Any], samples: SampleFormat, *, lines: int, width: int) -> F32:
    """Cb or Cr of a field, -0.5 to 0.5, brought to the luma's lines and columns."""
    scale = code_scale(samples.bit_depth)
    reach = (256 if samples.full_range else 224) * scale
    values = (plane.astype(np.float32) - 128 * scale) / reach
    return np.asarray(cv2.resize(values, (width, lines), interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def _planes(field: Field, samples: SampleFormat) -> tuple[F32, F32, F32]:
    """Y, Cb and Cr of a field, all on the luma's lines and columns; chroma is zero where there is none."""
    y = _luma(field, samples)
    lines, width = y.shape
    if field.cb is None or field.cr is None:
        return y, np.zeros_like(y), np.zeros_like(y)
    cb = _chroma(field.cb, samples, lines=lines, width=width)
    return y, cb, _chroma(field.cr, samples, lines=lines, width=width)


def _colours(y: F32, cb: F32, cr: F32) -> Picture:
    """Blue, green, red from Y, Cb and Cr (BT.601 equations)."""
    red, blue = y + 1.402 * cr, y + 1.772 * cb
    green = (y - 0.299 * red - 0.114 * blue) / 0.587
    return np.clip(np.stack([blue, green, red], axis=-1) * 255 + 0.5, 0, 255).astype(np.uint8)


def _woven(frame: Frame, samples: SampleFormat) -> tuple[F32, F32, F32]:
    """Y, Cb and Cr of both fields, row by row."""
    shape = (_height(frame), frame.fields[0].y.shape[1])
    out = (np.zeros(shape, np.float32), np.zeros(shape, np.float32), np.zeros(shape, np.float32))
    for field in frame.fields:
        for whole, plane in zip(out, _planes(field, samples), strict=True):
            whole[field.row0 :: 2] = plane
    return out


def _differences(chroma: F32) -> F32:
    """Chroma with its departure from the mean over a turn of the wheel exaggerated, column by column."""
    mean = np.asarray(cv2.blur(chroma, (1, TURN_ROWS), borderType=cv2.BORDER_REFLECT), dtype=np.float32)
    return np.asarray(CHROMA_BASE * mean + CHROMA_GAIN * (chroma - mean), dtype=np.float32)


def _upright(picture: Picture) -> Picture:
    """A whole frame brought to 4:3 by its width; rows stay rows."""
    height = picture.shape[0]
    width = round(height * PICTURE_ASPECT)
    return np.asarray(cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _detail(
    frame: Frame, samples: SampleFormat, *, rows: list[tuple[int, int]]
) -> tuple[Picture, list[tuple[int, int]]]:
    """Part of the first field where upright edges cross the bands concerned, stretched along the line.

    Also the bands as rows of that part (two to a field line).
    """
    field = frame.fields[0]
    lines, width = field.y.shape
    tall, wide = min(DETAIL_LINES, lines), min(DETAIL_SAMPLES, width)
    top = _top_line(rows, lines=lines, tall=tall)
    left = _left_sample(_luma(field, samples)[top : top + tall], wide=wide)
    part = _colours(*_planes(field, samples))[top : top + tall, left : left + wide]
    size = (wide * STRETCH, tall * DETAIL_LINE_PX)
    along = cv2.resize(part, (size[0], tall), interpolation=cv2.INTER_CUBIC)
    picture = np.asarray(cv2.resize(along, size, interpolation=cv2.INTER_NEAREST), dtype=np.uint8)
    return picture, [(first - 2 * top, last - 2 * top) for first, last in rows]


def _top_line(rows: list[tuple[int, int]], *, lines: int, tall: int) -> int:
    """First field line of the detail: about the band nearest the middle of the picture, or the middle itself."""
    middle = lines / 2
    centres = [(first + last + 1) / 4 for first, last in rows]
    centre = min(centres, key=lambda line: abs(line - middle), default=middle)
    return int(np.clip(round(centre - tall / 2), 0, lines - tall))


def _left_sample(luma: F32, *, wide: int) -> int:
    """First sample of the stretch with most upright edge: gradient along the line that agrees from line to line."""
    width = luma.shape[1]
    gradient = np.gradient(luma, axis=1)
    upright = np.clip((gradient[:-1] * gradient[1:]).sum(axis=0), 0, None)
    upright[:EDGE_SAMPLES] = 0
    upright[width - EDGE_SAMPLES :] = 0
    return int(np.argmax(np.convolve(upright, np.ones(wide), mode="valid")))


def _with_ticks(picture: Picture, rows: list[tuple[int, int]], *, height: int) -> Picture:
    """The picture with margins left and right in which brackets mark the bands; ``height`` in rows scales them."""
    tall, wide, _ = picture.shape
    out = np.full((tall, wide + 2 * MARGIN_PX, 3), _PAPER, np.uint8)
    out[:, MARGIN_PX : MARGIN_PX + wide] = picture
    for first, last in rows:
        if last < 0 or first >= height:
            continue
        top, bottom = round(first * tall / height), round((last + 1) * tall / height) - 1
        for inner, outer in ((MARGIN_PX - 3, MARGIN_PX - 13), (MARGIN_PX + wide + 2, MARGIN_PX + wide + 12)):
            for edge in (top, bottom):
                if 0 <= edge < tall:
                    cv2.line(out, (inner, edge), (outer, edge), _INK, 1)
            cv2.line(out, (outer, max(0, top)), (outer, min(tall - 1, bottom)), _INK, 1)
    return out


def _with_label(picture: Picture, text: str) -> Picture:
    """The picture with a line of text in a strip below it."""
    strip = np.full((24, picture.shape[1], 3), _PAPER, np.uint8)
    cv2.putText(strip, text, (MARGIN_PX, 16), cv2.FONT_HERSHEY_SIMPLEX, 0.45, _INK, 1, cv2.LINE_AA)
    return np.vstack([picture, strip])


def _jpeg(picture: Picture) -> bytes:
    done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    if not done:
        raise RuntimeError("the JPEG encoder refused a picture")
    return bytes(data.tobytes())
