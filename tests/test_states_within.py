"""Findings keep to the stretch of the wheel whose letters they have, also where a window holds both sides of a re-lock."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from detect.findings import Finding, WheelState
from detect.judge.states import within

FILE: Any = SimpleNamespace(
    start=np.arange(0, 360, 36), end=np.arange(36, 396, 36), programme_frames=360, label=lambda frame: f"00:00:{frame:06d}"
)


def finding(start: int, end: int) -> Finding:
    return Finding(
        id="", kind="saturation_banding", start_frame=start, end_frame=end, start_timecode=None, end_timecode=None, affected_pct=1.0,
        heads=["B"], value=4.0, unit="%", sigma=0.1, significance=30.0, status="confirmed", severity="note", text="", causes=[],
    )  # fmt: skip


def state(start: int, end: int) -> WheelState:
    return WheelState(
        start_frame=start, end_frame=end, phase_lines=3.0, phase_sigma_lines=0.1, locked=True, significance=9.0, null_ratio=9.0,
        head_numbers=None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("frames", "members", "stretch", "expected"),
    [
        ((0, 108), [0, 1, 2], (0, 121), (0, 121)),  # to the end of the first stretch's windows: it ends where the wheel changes
        ((108, 360), [3, 9], (121, 360), (121, 360)),  # the window of the re-lock is counted to the second stretch
        ((130, 200), [3, 9], (121, 360), (130, 200)),
        ((100, 180), [3, 9], (121, 360), (121, 180)),
    ],
)
def test_a_finding_keeps_to_its_stretch(
    frames: tuple[int, int], members: list[int], stretch: tuple[int, int], expected: tuple[int, int]
) -> None:
    kept = within(finding(*frames), np.array(members), state(*stretch), FILE)
    assert kept is not None
    assert (kept.start_frame, kept.end_frame) == expected


def test_nothing_is_left_of_a_finding_of_the_other_stretch() -> None:
    assert within(finding(109, 120), np.array([3, 9]), state(121, 360), FILE) is None
