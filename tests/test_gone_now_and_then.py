"""A head that reads nothing, in a file whose carrier shows its noise now and then only."""

from __future__ import annotations

import numpy as np
import pytest

from detect.findings import WheelState
from detect.judge.gone_heads import Bands, find_gone, overruled
from detect.standards import STD_525

PERIOD, PHASE, HEAD, HEIGHT = 525 / 32, 1.0, 2, 243
FRAMES = 300


def bands(rng: np.random.Generator, shown: float, *, first: int = 120, after: int = 180, anywhere: bool = False) -> Bands:
    """One head's passes in both fields of some frames, of which a share is seen; ``anywhere``: as long, but at no head's place."""
    top, frame = [], []
    for number in range(first, after):
        for k in range(HEAD, int((HEIGHT - PHASE) / PERIOD), 4):
            for row0 in (0.0, 0.5):
                if rng.random() < shown:
                    at = np.ceil(PHASE + k * PERIOD - row0) + row0
                    top.append(rng.integers(10, 210) + row0 if anywhere else at)
                    frame.append(number)
    start = np.array(frame, np.int64)
    return Bands(np.array(top), np.array(top) + 16, start, start + 1, HEIGHT)


def state(phase: float = PHASE) -> WheelState:
    return WheelState(
        start_frame=0, end_frame=FRAMES, phase_lines=phase, phase_sigma_lines=0.1, locked=True, significance=50.0, null_ratio=4.0
    )


def spans(seen: Bands) -> list[tuple[int, int, int]]:
    every = np.ones(FRAMES, bool)
    return [(g.head, g.start_frame, g.end_frame) for g in find_gone(seen, [state()], STD_525, programme=every)]


@pytest.mark.parametrize("seed", range(5))
def test_a_fifth_of_its_passes_tells_of_a_head_and_when_it_was_gone(seed: int) -> None:
    ((head, start, end),) = spans(bands(np.random.default_rng(seed), 0.2))
    assert head == HEAD
    assert 120 <= start < 135
    assert 165 < end <= 180


@pytest.mark.parametrize("seed", range(5))
def test_all_of_them_tell_it_to_the_frame(seed: int) -> None:
    assert spans(bands(np.random.default_rng(seed), 1.0)) == [(HEAD, 120, 180)]


@pytest.mark.parametrize("seed", range(5))
def test_bands_anywhere_are_no_heads(seed: int) -> None:
    """One in 26 has both ends at head changes by chance, and one in four of these is of a given head."""
    assert spans(bands(np.random.default_rng(seed), 0.12, anywhere=True)) == []


def test_bands_overrule_an_unsure_phase_and_no_other() -> None:
    seen = bands(np.random.default_rng(1), 0.12)
    told = overruled(4.8, 4.2, seen, (0, FRAMES), STD_525)
    assert told == pytest.approx(PHASE, abs=0.5)
    assert overruled(4.8, 40.0, seen, (0, FRAMES), STD_525) is None, "that phase is sure"
    assert overruled(1.2, 4.2, seen, (0, FRAMES), STD_525) is None, "they agree"
    assert overruled(4.8, 4.2, seen, (200, FRAMES), STD_525) is None, "none there"
    assert overruled(4.8, 4.2, bands(np.random.default_rng(1), 0.12, anywhere=True), (0, FRAMES), STD_525) is None
