"""Colour turns in the plane of the subcarrier, or of the components; either is told, and read at its size whatever the colour."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from detect.judge.colour_plane import in_subcarrier_plane, turned_in_components
from detect.judge.head_fit import HeadTerms, fit_heads
from detect.judge.judged import describe, gathered
from detect.judge.wheel import View
from detect.measure.fields import Field, Frame, SampleFormat
from detect.measure.windows import WindowMeasurer
from detect.readings import Header, Readings, ReadingsWriter
from detect.standards import STD_525, V_OVER_U, pass_of_rows

HEIGHT, PHASE, FRAMES = 486, 4.3125, 36
TURN_DEG = np.array([0.0, 4.0, 0.0, 0.0])
RED, BLUE = (-0.17, 0.5), (0.5, -0.08)
"""Cb and Cr in parts of full swing (BT.601)."""


def played(
    folder: Path, colours: tuple[tuple[float, float], ...], *, scale: float, gain: float = 1.0, turn_deg: np.ndarray = TURN_DEG
) -> Readings:
    """Patches of colour that reach over all rows; head B turns them by 4 degrees in the plane in which Cr is so much larger, and head C
    has a gain."""
    rng = np.random.default_rng(5)
    number = pass_of_rows(STD_525, PHASE, np.arange(HEIGHT)) % 4
    patch = np.arange(360) * 12 // 360
    b, r = (np.array([colours[p % len(colours)][k] for p in patch]) * 40.0 for k in (0, 1))
    turn = np.radians(turn_deg[number])[:, None]
    size = np.where(number == 2, gain, 1.0)[:, None]
    blue = size * (b * np.cos(turn) - scale * r * np.sin(turn))
    red = size * (r * np.cos(turn) + b * np.sin(turn) / scale)
    writer = ReadingsWriter(folder / "colour.readings.zip")
    windows = WindowMeasurer(
        SampleFormat(10, 2, 1, False, True), height=HEIGHT, width=720, frame_rate=STD_525.frame_rate, sink=writer.add_chunk
    )
    for frame in range(FRAMES):
        planes = [np.full((HEIGHT, 720), 500.0), 512 + 8.96 * blue, 512 + 8.96 * red]
        y, cb, cr = (np.rint(p + rng.normal(0, 3, p.shape)).astype(np.uint16) for p in planes)
        fields = [Field(frame, i, row, y[row::2], cb[row::2], cr[row::2]) for i, row in enumerate((1, 0))]
        windows.push(Frame(frame, (fields[0], fields[1])))
    windows.finish()
    transfer = {
        "path": "colour", "size_bytes": 1, "container": "memory", "codec": "raw", "pixel_format": "yuv422p10le", "width": 720,
        "height": HEIGHT, "field_order": "bottom", "field_order_source": "flag", "frame_rate": "30000/1001", "frames": FRAMES,
        "frames_measured": FRAMES, "frames_undecodable": 0, "duration_s": FRAMES * 1001 / 30000, "start_timecode": None,
        "timecode_source": None, "drop_frame": False, "standard": STD_525.name,
    }  # fmt: skip
    writer.close(Header(transfer=transfer, measured={"chroma_step_y": 1}), losses={}, cuts=np.array([], np.int64))
    return Readings(folder / "colour.readings.zip")


def read(readings: Readings, relation: str) -> np.ndarray:
    file = describe(readings)
    rows = gathered(file, np.arange(len(file.start))).rows()
    heads = fit_heads(rows, View(0, HEIGHT), STD_525, relation, PHASE, HeadTerms(common=relation == "hue"))
    assert heads is not None
    return heads.value


@pytest.mark.parametrize("colours", [(RED,), (BLUE,), (RED, BLUE)])
def test_a_turn_of_the_subcarrier_reads_itself_whatever_the_colour(tmp_path: Path, colours: tuple[tuple[float, float], ...]) -> None:
    readings = played(tmp_path, colours, scale=V_OVER_U)
    assert read(readings, "hue") == pytest.approx(TURN_DEG - TURN_DEG.mean(), abs=0.06)
    assert read(readings, "saturation") == pytest.approx(np.zeros(4), abs=0.15)


def test_in_the_components_red_would_read_a_third_more_than_that(tmp_path: Path) -> None:
    """(s Cr^2 + Cb^2 / s) / (Cb^2 + Cr^2) with s = 1.41: arithmetic; and what it fakes of saturation, phi Cb Cr (1/s - s) / |C|^2."""
    readings = played(tmp_path, (RED,), scale=V_OVER_U)
    chunk = next(readings.chunks())
    plain, turned = chunk.sums["chroma_im"], in_subcarrier_plane(chunk).sums["chroma_im"]
    b, r = RED
    share = (V_OVER_U * r**2 + b**2 / V_OVER_U) / (b**2 + r**2)
    good = plain.weight > 0
    assert np.median(plain.ratio[good & (np.abs(plain.ratio) > 0.05)] / turned.ratio[good & (np.abs(plain.ratio) > 0.05)]) == pytest.approx(
        share, rel=0.02
    )
    assert share == pytest.approx(1.33, abs=0.01)


@pytest.mark.parametrize("gain", [1.0, 1.15])
@pytest.mark.parametrize("components", [False, True])
def test_which_plane_turned_is_told_beside_a_head_that_is_off_in_gain(tmp_path: Path, components: bool, gain: float) -> None:
    readings = played(tmp_path, (RED, BLUE), scale=1.0 if components else V_OVER_U, gain=gain)
    chosen = np.ones(sum(len(c.start_frame) for c in readings.chunks()), bool)
    assert turned_in_components(readings, chosen, View(0, HEIGHT), STD_525, PHASE, height=HEIGHT) is components


def test_without_a_turn_the_plane_is_that_of_the_subcarrier(tmp_path: Path) -> None:
    readings = played(tmp_path, (RED, BLUE), scale=1.0, gain=1.15, turn_deg=np.zeros(4))
    chosen = np.ones(sum(len(c.start_frame) for c in readings.chunks()), bool)
    assert not turned_in_components(readings, chosen, View(0, HEIGHT), STD_525, PHASE, height=HEIGHT)
