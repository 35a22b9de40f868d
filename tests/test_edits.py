"""Faults that begin and end at cuts of the programme."""

from __future__ import annotations

import numpy as np
import pytest

from detect.findings import Cause, Finding
from detect.judge.edits import with_edits

PROGRAMME = np.ones(3000, bool)
CUTS = np.array([700, 1500, 2200])


def finding(start: int, end: int, kind: str = "saturation_banding") -> Finding:
    causes = [
        Cause(cause="equaliser", origin="playback", likelihood="likely", because="", check=""),
        Cause(cause="gain of the channel", origin="either", likelihood="possible", because="", check=""),
    ]
    return Finding(
        id="f001", kind=kind, start_frame=start, end_frame=end, start_timecode=None, end_timecode=None, affected_pct=10.0, heads=["B"],  # type: ignore[arg-type]
        value=-8.0, unit="%", sigma=0.3, significance=20.0, status="confirmed", severity="flag", text="Said.", causes=causes,
    )  # fmt: skip


def test_a_fault_between_two_cuts_is_rather_recorded_and_the_odds_are_given() -> None:
    told = with_edits([finding(705, 1496)], CUTS, PROGRAMME)[0]
    assert "begins and ends at a cut" in told.text
    assert "0.00" in told.text  # three cuts, 21 frames each, of 3000: 2 % for one edge, 0.04 % for both
    assert [c.origin for c in told.causes] == ["recording", "playback"]
    assert told.causes[-1].likelihood == "less likely"


@pytest.mark.parametrize(("start", "end"), [(0, 3000), (20, 2990), (1000, 1500), (700, 1900), (1000, 3000)])
def test_a_fault_with_an_edge_within_a_shot_or_none_inside_says_nothing(start: int, end: int) -> None:
    told = with_edits([finding(start, end)], CUTS, PROGRAMME)[0]
    assert told.text == "Said."


def test_where_cuts_are_everywhere_falling_on_one_says_nothing() -> None:
    told = with_edits([finding(700, 3000)], np.arange(50, 3000, 50), PROGRAMME)[0]
    assert told.text == "Said."


def test_losses_are_not_asked() -> None:
    told = with_edits([finding(700, 1500, "dropouts")], CUTS, PROGRAMME)[0]
    assert told.text == "Said."
