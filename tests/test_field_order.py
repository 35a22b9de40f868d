"""Which field is first, by motion and by flags; where rows lie, on every raster."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from carriers import CARRIERS, RATES, Carrier, Picture, Scene, clip, store
from scipy import ndimage

from detect.measure.field_order import Pair, pairs_of, weigh
from detect.measure.fields import Field, Frame
from detect.measure.media import open_transfer, read_frames
from detect.standards import RASTERS, STD_525, STD_625, Standard

CROPS = [
    (486, STD_525, 21, 283),  # ST 125 / RP 187
    (480, STD_525, 23, 285),  # DV, ST 314
    (480, STD_525, 23, 286),  # MPEG-2, RP 202
    (576, STD_625, 23, 336),  # BT.601 / BT.656
    (576, STD_625, 23, 335),  # DV, IEC 61834
    (512, STD_525, 7, 270),  # D-10, ST 356
    (608, STD_625, 7, 320),  # D-10, ST 356
]
"""Rows, standard, and the first line of either field, first field in time before the second (standards as named)."""


def offset_lines(standard: Standard, first: int, second: int) -> float:
    """How far line ``second`` of field 2 lies below line ``first`` of field 1: derived from interlace, half a line
    each."""
    return second - first - standard.lines_per_frame / 2


@pytest.mark.parametrize(("height", "standard", "first", "second"), CROPS)
def test_rows_of_every_raster_follow_the_one_interlace_rule(
    tmp_path: Path, height: int, standard: Standard, first: int, second: int
) -> None:
    """BT.601, BT.656, ST 125, ST 314, IEC 61834, RP 202, ST 356 by their first lines; the order is then no matter of
    habit."""
    offset = offset_lines(standard, first, second)
    assert abs(offset) == 0.5
    top_first = offset > 0
    path = clip(tmp_path, "v210-mov", Scene(height, top_first=top_first), frames=5, flag="none")
    frame = next(read_frames(open_transfer(path)))
    assert (frame.fields[1].row0 - frame.fields[0].row0) / 2 == offset


def test_pictures_with_vertical_interval_begin_where_st_356_puts_line_23_and_283() -> None:
    """ST 356: fields start with lines 7 and 270 (525) or 7 and 320 (625), so 32 rows of 625 and 27 of 525 lie above."""
    assert RASTERS[608].picture_row0 == 2 * (23 - 7)
    assert RASTERS[512].picture_row0 == 2 * (283 - 270) + 1
    for height in (480, 486, 576):
        assert RASTERS[height].picture_row0 == 0


@pytest.mark.parametrize("height", [486, 576])
@pytest.mark.parametrize("top_first", [True, False])
@pytest.mark.parametrize("speed_px", [4, *(pytest.param(speed, marks=pytest.mark.long) for speed in (1, 20))])
def test_motion_tells_the_order_whatever_the_flag_says(
    tmp_path: Path, height: int, top_first: bool, speed_px: int
) -> None:
    scene = Scene(height, top_first=top_first, speed_px=speed_px)
    wrong = "bottom" if top_first else "top"
    transfer = open_transfer(clip(tmp_path, "v210-mov", scene, frames=6, flag=wrong))
    assert transfer.first_field_is_top == top_first
    assert transfer.field_order_source == "picture"
    assert transfer.raster.top_row_is_first_field == top_first
    assert any("motion is followed" in w for w in transfer.warnings)


@pytest.mark.parametrize("motion", ["still", "frames"])
@pytest.mark.parametrize("flag", ["top", "bottom"])
def test_where_motion_is_silent_the_flag_decides(tmp_path: Path, motion: str, flag: str) -> None:
    transfer = open_transfer(clip(tmp_path, "v210-mov", Scene(486, motion=motion), frames=8, flag=flag))
    assert transfer.first_field_is_top == (flag == "top")
    assert transfer.field_order_source == "flag"


def test_without_motion_or_flag_the_usual_order_is_taken_and_said_so(tmp_path: Path) -> None:
    mute = Carrier("mute", "rawvideo", "uyvy422", ".avi", mute_flags=True)
    for height in (486, 576):
        transfer = open_transfer(clip(tmp_path, mute, Scene(height, motion="still"), frames=4))
        assert transfer.first_field_is_top == RASTERS[height].top_row_is_first_field
        assert transfer.field_order_source == "raster"
        assert any("--field-order" in w for w in transfer.warnings)


def test_the_option_overrules_all_and_is_questioned(tmp_path: Path) -> None:
    path = clip(tmp_path, "v210-mov", Scene(486, top_first=False), frames=8)
    transfer = open_transfer(path, field_order="top")
    assert (transfer.first_field_is_top, transfer.field_order_source) == (True, "option")
    assert any("moves the other way" in w for w in transfer.warnings)


def _frame(number: int, rows: np.ndarray) -> Frame:
    fields = [Field(number, i, i, rows[i::2], None, None) for i in (0, 1)]
    return Frame(number, (fields[0], fields[1]))


def test_a_still_with_noise_names_no_order_in_300_trials() -> None:
    """Null: for a still both orders comb alike, so not one pair may vote; and votes by chance must be as rare as
    said."""
    rng = np.random.default_rng(11)
    picture = 500 + 200 * ndimage.gaussian_filter(rng.normal(size=(120, 240)), 1.0)
    named = 0
    for _ in range(300):
        run = [_frame(i, picture + rng.normal(0, 6, picture.shape)) for i in range(3)]
        named += weigh(pairs_of(run)).first_is_top is not None
    assert named == 0


def test_votes_decide_only_when_lopsided() -> None:
    """Two-sided binomial: 8 of 8 has a chance of 2/256, 7 of 9 one of 0.18 (binomial tables)."""
    top, bottom = Pair(1.0, 1.0, 9.0, 50), Pair(1.0, 9.0, 1.0, 50)
    assert weigh([top] * 8).p_value == pytest.approx(2 / 256)
    assert weigh([top] * 8).first_is_top is True
    assert weigh([bottom] * 8).first_is_top is False
    assert weigh([top] * 7 + [bottom] * 2).p_value == pytest.approx(0.1797, abs=1e-4)
    assert weigh([top] * 7 + [bottom] * 2).first_is_top is None
    assert weigh([top] * 3).first_is_top is None


def test_steady_slow_motion_combs_as_one_to_nine() -> None:
    """Derived: comb energy of a small shift grows as its square; fields three apart against one give 9 to 1."""
    wave = 500 + 100 * np.sin(2 * np.pi * np.arange(720) / 60)
    pictures = []
    for number in range(3):
        rows = np.empty((240, 720))
        for row0 in (0, 1):
            rows[row0::2] = np.roll(wave, 2 * number + row0)
        pictures.append(rows)
    for pair in pairs_of([_frame(i, rows) for i, rows in enumerate(pictures)]):
        assert pair.bottom_first / pair.top_first == pytest.approx(9, rel=0.02)
        assert pair.within == pytest.approx(pair.top_first, rel=0.01)


def test_a_fence_in_a_fast_pan_does_not_turn_the_order_round(tmp_path: Path) -> None:
    """Stripes every 24 columns moving 8 a field comb not at all three fields apart: no vote may come of it."""
    columns = np.arange(720)
    fence = 500 + 150 * np.sin(2 * np.pi * columns / 24)

    def pictures(count: int) -> list[Picture]:
        rng = np.random.default_rng(4)
        out = []
        for number in range(count):
            rows = np.empty((486, 720))
            for row0 in (0, 1):
                rows[row0::2] = np.roll(fence, 8 * (2 * number + row0))
            noisy = np.rint(rows + rng.normal(0, 4, rows.shape)).astype(np.uint16)
            flat = np.full((486, 360), 512, np.uint16)
            out.append((noisy, flat, flat))
        return out

    path = store(tmp_path / "fence.mov", pictures(10), CARRIERS["v210-mov"], rate=RATES[486], flag="top")
    transfer = open_transfer(path)
    assert transfer.first_field_is_top
    assert transfer.field_order_source == "flag"


# --- random combinations ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Combination:
    height: int
    top_first: bool
    rows_off_top: int
    rows_off_bottom: int
    flag: str
    carrier: str
    speed_px: int


def combinations(count: int, seed: int) -> list[Combination]:
    rng = np.random.default_rng(seed)
    full = {480: 486, 486: 486, 512: 512, 576: 576, 608: 608}
    flags = ["top", "bottom", "progressive", "none", "top-interleaved", "bottom-interleaved"]
    carriers = ["v210-mov", "uyvy-avi", "ffv1-1-8bit-mkv", "mpeg2-intra-mxf", "prores-hq-mov", "uyvy-mkv"]
    out = []
    for _ in range(count):
        height = int(rng.choice(list(full)))
        spare = full[height] - height
        above = int(rng.integers(0, spare + 1))
        out.append(
            Combination(
                height,
                bool(rng.integers(2)),
                above,
                spare - above,
                str(rng.choice(flags)),
                str(rng.choice(carriers)),
                int(rng.choice([2, 4, 8])),
            )
        )
    return out


def check(folder: Path, case: Combination) -> None:
    """The first field shows the earlier instant, on the rows it lies on, after any crop and under any flag."""
    full = case.height + case.rows_off_top + case.rows_off_bottom
    scene = Scene(full, top_first=case.top_first, speed_px=case.speed_px, noise_codes=2.0)
    kept = slice(case.rows_off_top, full - case.rows_off_bottom)
    pictures = [(y[kept], cb[kept], cr[kept]) for y, cb, cr in scene.frames(6)]
    how = CARRIERS[case.carrier]
    path = store(folder / f"random{how.suffix}", pictures, how, rate=RATES[case.height], flag=case.flag)
    first_on_top = case.top_first == (case.rows_off_top % 2 == 0)
    transfer = open_transfer(path)
    assert transfer.first_field_is_top == first_on_top, case
    frame = list(read_frames(transfer))[2]
    scale = 2.0 ** (10 - transfer.samples.bit_depth)
    quiet = Scene(full, top_first=case.top_first, speed_px=case.speed_px, noise_codes=0.0)
    instants = [woven_instant(quiet, 2 * 2 + i)[kept] for i in (0, 1)]
    for field in frame.fields:
        errors = [float(np.abs(field.y * scale - rows[field.row0 :: 2])[:, 48:-48].mean()) for rows in instants]
        assert errors[field.index] < 0.5 * errors[1 - field.index], case
    path.unlink()


def woven_instant(scene: Scene, instant: int) -> np.ndarray:
    """All rows of a scene as they are at one instant, counted in fields."""
    still = Scene(scene.height, motion="still", noise_codes=0.0, seed=scene.seed)
    luma = next(iter(still.frames(1)))[0].astype(np.float64)
    return np.roll(luma, instant * scene.speed_px, axis=1)


@pytest.mark.parametrize("case", combinations(12, seed=1), ids=str)
def test_a_dozen_random_orders_crops_and_flags_keep_their_geometry(tmp_path: Path, case: Combination) -> None:
    check(tmp_path, case)


@pytest.mark.long
@pytest.mark.parametrize("case", combinations(200, seed=2), ids=str)
def test_two_hundred_random_orders_crops_and_flags_keep_their_geometry(tmp_path: Path, case: Combination) -> None:
    check(tmp_path, case)


def test_rates_are_those_of_bt_1700() -> None:
    """BT.1700: 4.5 MHz/286 lines a second over 525, twice interlaced; 15 625 over 625."""
    assert Fraction(4_500_000, 286) / 525 == STD_525.frame_rate
    assert Fraction(15_625) / 625 == STD_625.frame_rate
