"""Timecode arithmetic against SMPTE ST 12-1's rule and two libraries."""

from __future__ import annotations

import opentimelineio.opentime as otio
import pytest
import timecode as timecode_library
from hypothesis import given
from hypothesis import strategies as st

from detect.errors import BadTimecode
from detect.standards import STD_525, STD_625
from detect.timecode import Counting, counting_of, frame_of, label_after, label_of

DROP = Counting(30, True)
TABLE_ST_12_1 = {
    "00:00:59;29": 1799,
    "00:01:00;02": 1800,
    "00:09:59;29": 17_981,
    "00:10:00;00": 17_982,
    "01:00:00;00": 107_892,
    "01:01:01;01": 109_721,
    "10:00:00;00": 1_078_920,
    "23:59:59;29": 2_589_407,
}
"""From the rule of SMPTE ST 12-1 (IEC 60461): two labels left out a minute but each tenth."""


@pytest.mark.parametrize(("label", "frame"), TABLE_ST_12_1.items())
def test_drop_frame_labels_count_as_st_12_1_says(label: str, frame: int) -> None:
    assert frame_of(label, counting=DROP) == frame
    assert label_of(frame, counting=DROP) == label


@given(st.integers(0, DROP.frames_per_day - 1))
def test_drop_frame_agrees_with_opentimelineio(frame: int) -> None:
    theirs = otio.RationalTime(frame, 30_000 / 1001).to_timecode(30_000 / 1001, True)
    assert label_of(frame, counting=DROP) == theirs
    assert frame_of(theirs, counting=DROP) == frame


@given(st.integers(0, DROP.frames_per_day - 1))
def test_drop_frame_agrees_with_the_timecode_library(frame: int) -> None:
    assert timecode_library.Timecode("29.97", label_of(frame, counting=DROP)).frame_number == frame


@given(st.integers(0, Counting(25).frames_per_day - 1))
def test_25_frames_agree_with_both_libraries(frame: int) -> None:
    label = label_of(frame, counting=Counting(25))
    assert label == otio.RationalTime(frame, 25).to_timecode(25)
    assert timecode_library.Timecode("25", label).frame_number == frame


@pytest.mark.parametrize("minute", [m for m in range(60) if m % 10])
def test_labels_that_do_not_exist_are_refused_though_libraries_take_them(minute: int) -> None:
    """00:01:00;00 and ;01 have no frame (SMPTE ST 12-1); both libraries turn them into a neighbour."""
    for frames in ("00", "01"):
        with pytest.raises(BadTimecode, match="does not exist"):
            frame_of(f"07:{minute:02d}:00;{frames}", counting=DROP)


@pytest.mark.parametrize(
    "label", ["", "1:2:3:4", "24:00:00:00", "00:60:00:00", "00:00:60:00", "00:00:00:30", "aa:00:00:00", "00:00:00"]
)
def test_what_is_no_label_is_refused(label: str) -> None:
    with pytest.raises(BadTimecode):
        frame_of(label, counting=Counting(30))


def test_drop_frame_exists_at_30_labels_only() -> None:
    with pytest.raises(BadTimecode, match="30 labels"):
        counting_of("00:00:00;00", frame_rate=STD_625.frame_rate)


def test_a_drop_frame_day_lasts_as_long_as_st_12_1_implies() -> None:
    """2 589 408 frames of 1001/30000 s are 86 399.9136 s: 86 ms short of a day."""
    assert DROP.frames_per_day == 2_589_408
    assert float(DROP.frames_per_day / STD_525.frame_rate) == pytest.approx(86_399.9136, abs=1e-4)


def test_labels_wrap_at_midnight_and_keep_their_counting() -> None:
    assert label_after("23:59:59;29", 1, frame_rate=STD_525.frame_rate) == "00:00:00;00"
    assert label_after("23:59:59:24", 1, frame_rate=STD_625.frame_rate) == "00:00:00:00"
    assert label_after(None, 30, frame_rate=STD_525.frame_rate) == "00:00:01:00"
    assert label_of(-1, counting=Counting(25)) == "23:59:59:24"
