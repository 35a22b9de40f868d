"""Evidence stills: what they show is what the codes say, and nothing is drawn over the picture."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from detect.measure.fields import Field, Frame, SampleFormat
from detect.measure.stills import CHROMA_BASE, CHROMA_GAIN, MARGIN_PX, make_stills
from detect.standards import STD_525, pass_bounds_rows

TEN_BIT = SampleFormat(bit_depth=10, chroma_step_x=2, chroma_step_y=1, full_range=False, has_chroma=True)


def frame_of(y: np.ndarray, cb: np.ndarray | None, cr: np.ndarray | None) -> Frame:
    fields = tuple(
        Field(0, index, row0, y[row0::2], None if cb is None else cb[row0::2], None if cr is None else cr[row0::2])
        for index, row0 in enumerate((1, 0))
    )
    return Frame(0, fields)  # type: ignore[arg-type]


def flat_frame(y: int, cb: int, cr: int, *, height: int = 486) -> Frame:
    return frame_of(
        np.full((height, 720), y, np.uint16),
        np.full((height, 360), cb, np.uint16),
        np.full((height, 360), cr, np.uint16),
    )


def decoded(data: bytes) -> np.ndarray:
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)


@pytest.mark.parametrize(
    ("codes", "rgb"),
    [
        ((940, 512, 512), (255, 255, 255)),
        ((64, 512, 512), (0, 0, 0)),
        ((646, 176, 567), (191, 191, 0)),
        ((260, 399, 848), (191, 0, 0)),
    ],
)
def test_colour_bars_come_out_in_their_colours(codes, rgb):
    """10-bit codes of white, black, 75 % yellow and 75 % red: BT.601, values agreed by colour-science and PyAV."""
    picture = decoded(make_stills(flat_frame(*codes), TEN_BIT, rows=[])["frame"])
    middle = picture[100:300, 200:400].reshape(-1, 3).mean(axis=0)
    assert middle[::-1] == pytest.approx(rgb, abs=4)


def test_the_whole_frame_has_the_aspect_of_the_screen_and_ticks_in_the_margin_only():
    bands = [(a, b - 1) for k, a, b in pass_bounds_rows(STD_525, 5.3, 486) if k % 4 == 1]
    plain = decoded(make_stills(flat_frame(600, 512, 512), TEN_BIT, rows=[])["frame"]).astype(int)
    marked = decoded(make_stills(flat_frame(600, 512, 512), TEN_BIT, rows=bands)["frame"]).astype(int)
    height, width, _ = plain.shape
    assert (width - 2 * MARGIN_PX) / height == pytest.approx(4 / 3, rel=0.01)
    inside = slice(MARGIN_PX + 8, width - MARGIN_PX - 8)
    assert np.abs(marked[:, inside] - plain[:, inside]).max() <= 2
    dark = (plain - marked)[:, 10 : MARGIN_PX - 4].max(axis=(1, 2)) > 60
    edges = [edge for band in bands for edge in band]
    assert all(dark[max(0, e - 1) : e + 2].any() for e in edges), "every band edge has its tick"
    outside = [r for r in range(height) if all(r < a - 3 or r > b + 3 for a, b in bands)]
    assert not dark[outside].any()


def test_a_shift_of_thirty_nanoseconds_can_be_seen_in_the_detail():
    x = np.arange(720)
    edge = 64 + 600 / (
        1 + np.exp(-(x[None, :] - 363.3 - np.where(np.arange(486) // 2 < 121, 0.0, 30 / 74.074)[:, None]) / 0.8)
    )
    frame = frame_of(edge.astype(np.uint16), None, None)
    mono = SampleFormat(10, 2, 1, False, False)
    detail = decoded(make_stills(frame, mono, rows=[(242, 275)])["detail"])[:, MARGIN_PX:-MARGIN_PX, 1].astype(float)
    crossings = [np.argmax(row > 140) for row in detail]
    assert abs(np.median(crossings[:150]) - np.median(crossings[-150:])) >= 3, "three pixels or more"


def test_a_saturation_band_is_exaggerated_as_stated():
    """A step d of Cr over 33 rows, about a mean over 129: R moves by 1.402 d (G - (G - base) 33/129) (BT.601)."""
    cr = np.full((486, 360), 512 + 150, np.uint16)
    cr[200:233] -= 20
    frame = frame_of(np.full((486, 720), 500, np.uint16), np.full((486, 360), 512, np.uint16), cr)
    red = decoded(make_stills(frame, TEN_BIT, rows=[])["chroma"])[:, 200:500, 2].mean(axis=1)
    step = 255 * 1.402 * 20 / 896
    expected = step * (CHROMA_GAIN - (CHROMA_GAIN - CHROMA_BASE) * 33 / 129)
    found = np.median(red[110:130]) - np.median(red[212:221])
    assert found == pytest.approx(expected, abs=3), "within what JPEG keeps of a colour step"


def test_a_transfer_without_colour_has_no_chroma_still():
    frame = frame_of(np.full((576, 720), 500, np.uint16), None, None)
    assert set(make_stills(frame, SampleFormat(10, 2, 1, False, False), rows=[(0, 30)])) == {"frame", "detail"}


def test_a_band_at_the_very_edge_of_the_picture_is_drawn_all_the_same():
    for rows in ([(0, 3)], [(480, 485)], [(0, 485)]):
        assert set(make_stills(flat_frame(500, 500, 500), TEN_BIT, rows=rows)) == {"frame", "detail", "chroma"}
