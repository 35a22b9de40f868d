"""When a fault is there, and whether it grows."""

from __future__ import annotations

import numpy as np

from detect.judge.course import Extent, stretches
from detect.judge.finding_text import text_of
from detect.judge.kinds import KINDS

WINDOWS = 20
START = np.arange(WINDOWS) * 36
SIGMA = np.full(WINDOWS, 0.03)


def test_a_rising_fault_grows() -> None:
    rising = np.linspace(0.6, 1.4, WINDOWS) + np.random.default_rng(1).normal(0, 0.03, WINDOWS)
    (only,) = stretches(rising, SIGMA, START, START + 36)
    assert abs(only.rise - 0.72) < 0.06  # from 0.64 to 1.36 about one, in all but the first and the last window


def test_of_what_grows_the_size_at_its_end_is_told() -> None:
    kind = next(kind for kind in KINDS if kind.kind == "level_banding")
    values = np.array([-0.04, -0.04, 0.12, -0.04])
    text = text_of(kind, values, ["C"], 0.12, 0.01, Extent(start_frame=0, end_frame=9, rise=1.0), "", "")
    assert "grows through the stretch, to about +0.18 IRE at its end" in text
    assert "grows" not in text_of(kind, values, ["C"], 0.12, 0.01, Extent(start_frame=0, end_frame=9), "", "")


def test_a_constant_fault_whose_gain_differs_from_shot_to_shot_does_not_grow() -> None:
    said = []
    for seed in range(100):
        shots = np.repeat(np.random.default_rng(seed).normal(1.0, 0.15, WINDOWS // 2), 2)
        said += [s.rise for s in stretches(shots, SIGMA, START, START + 36)]
    assert len(said) >= 100
    assert not any(said)


def test_a_fault_of_some_windows_begins_and_ends_with_them() -> None:
    there = np.where((np.arange(WINDOWS) >= 5) & (np.arange(WINDOWS) < 14), 1.0, 0.0)
    (only,) = stretches(there, SIGMA, START, START + 36)
    assert (only.start_frame, only.end_frame) == (5 * 36, 14 * 36)


def test_windows_that_say_nothing_are_left_out_where_the_fault_begins_beside_them() -> None:
    silent = np.where(np.arange(WINDOWS) < 4, np.inf, SIGMA)
    half = np.where(np.arange(WINDOWS) == 4, 0.5, np.where(np.arange(WINDOWS) > 4, 1.0, 0.0))
    (only,) = stretches(half, silent, START, START + 36)
    assert (only.start_frame, only.end_frame) == (4 * 36 + 18, WINDOWS * 36)


def test_windows_that_say_nothing_belong_to_a_fault_that_is_whole_beside_them() -> None:
    silent = np.where(np.arange(WINDOWS) < 4, np.inf, SIGMA)
    (only,) = stretches(np.where(np.isfinite(silent), 1.0, 0.0), silent, START, START + 36)
    assert (only.start_frame, only.end_frame) == (0, WINDOWS * 36)


def test_a_fault_that_ends_unseen_ends_in_the_middle_of_what_is_not_seen_and_says_so() -> None:
    silent = np.where((np.arange(WINDOWS) >= 10) & (np.arange(WINDOWS) < 14), np.inf, SIGMA)
    early = np.where(np.arange(WINDOWS) < 10, 1.0, 0.0)
    (only,) = stretches(early, silent, START, START + 36)
    assert (only.start_frame, only.end_frame, only.unseen) == (0, 12 * 36, (0, 4 * 36))
    (only,) = stretches(1.0 - early, silent, START, START + 36)
    assert (only.start_frame, only.end_frame, only.unseen) == (12 * 36, WINDOWS * 36, (4 * 36, 0))
    kind = next(kind for kind in KINDS if kind.kind == "level_banding")
    text = text_of(kind, np.array([-0.04, -0.04, 0.12, -0.04]), ["C"], 0.12, 0.01, only, "", "")
    assert "where it begins is not seen: for 144 frames" in text
    assert "ends is not seen" not in text


def test_a_fault_that_the_next_window_to_speak_still_shows_in_part_ends_there() -> None:
    silent = np.where((np.arange(WINDOWS) >= 10) & (np.arange(WINDOWS) < 14), np.inf, SIGMA)
    early = np.where(np.arange(WINDOWS) < 10, 1.0, np.where(np.arange(WINDOWS) == 14, 0.25, 0.0))
    (only,) = stretches(early, silent, START, START + 36)
    assert (only.end_frame, only.unseen) == (14 * 36 + 9, (0, 0))


def test_content_that_reads_a_little_of_the_fault_does_not_prolong_it() -> None:
    there = np.where((np.arange(WINDOWS) >= 5) & (np.arange(WINDOWS) < 14), 1.0, 0.07)
    (only,) = stretches(there, np.full(WINDOWS, 0.01), START, START + 36)
    assert (only.start_frame, only.end_frame) == (5 * 36, 14 * 36)


def test_a_carrier_that_takes_most_of_a_fault_in_some_shots_does_not_end_it() -> None:
    seen = np.where(np.arange(WINDOWS) % 10 < 5, 1.0, 0.15)
    spared = stretches(seen, np.full(WINDOWS, 0.03), START, START + 36)
    (only,) = stretches(seen, np.full(WINDOWS, 0.03), START, START + 36, taken=0.6)
    assert len(spared) > 1
    assert (only.first, only.last) == (0, WINDOWS)


def test_a_fault_that_ends_has_an_end_through_such_a_carrier_too() -> None:
    seen = np.where(np.arange(WINDOWS) < WINDOWS // 2, 1.0, 0.02)
    (only,) = stretches(seen, np.full(WINDOWS, 0.03), START, START + 36, taken=0.6)
    assert only.last == WINDOWS // 2


def test_nor_does_one_that_may_take_all_of_a_fault_prolong_it() -> None:
    seen = np.where((np.arange(WINDOWS) >= 8) & (np.arange(WINDOWS) < 14), 1.0, 0.02)
    (only,) = stretches(seen, np.full(WINDOWS, 0.03), START, START + 36, taken=2.5)
    assert (only.first, only.last) == (8, 14)


def test_the_size_of_a_fault_is_that_of_windows_that_surely_have_it_whole() -> None:
    """It begins a sixth of a window late and ends as early: those windows are within the scatter of whole ones."""
    seen = np.where((np.arange(WINDOWS) >= 8) & (np.arange(WINDOWS) < 14), 1.0, 0.0)
    seen[[8, 13]] = 0.84
    (only,) = stretches(seen, SIGMA, START, START + 36)
    assert only.core == (9, 13)
    short = np.where((np.arange(WINDOWS) >= 8) & (np.arange(WINDOWS) < 11), 1.0, 0.0)
    (only,) = stretches(short, SIGMA, START, START + 36)
    assert only.core == (8, 11)
    (only,) = stretches(np.ones(WINDOWS), SIGMA, START, START + 36)
    assert only.core == (0, WINDOWS)
