"""Noise of one head in some windows of a stretch."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.evidence import Proof
from detect.judge.passing import passing_noise
from detect.judge.rows import INDEX, RELATIONS
from detect.judge.stretch import WindowJumps
from detect.judge.tracking import USUAL_VARIANCE

WINDOWS, HEAD_C = 9, np.array([0.0, 9.0, -9.0, 0.0])
"""Jumps at A to B, B to C, C to D, D to A where head C is 9 dB noisier."""
QUIET = 1.0e6
CLEAR, NOTHING = Proof(60.0, 10.0, 0.5, 8.0), Proof(3.0, 0.5, 2.0, 1.0)


def windows(noisy: dict[int, float], weight: np.ndarray, seed: int) -> WindowJumps:
    """``noisy``: share of the noise in some windows; ``weight`` (windows,): how quiet the picture is."""
    rng = np.random.default_rng(seed)
    a1, a2 = (np.zeros((WINDOWS, len(RELATIONS), 4)) for _ in range(2))
    k = INDEX["noise"]
    for w in range(WINDOWS):
        jumps = noisy.get(w, 0.0) * HEAD_C
        a2[w, k] = weight[w] * np.where(jumps != 0, 0.02, 1.0)  # lines beside a noisy head are no quiet ones
        a1[w, k] = a2[w, k] * (jumps + rng.normal(0, 0.2, 4))
    return WindowJumps(np.arange(WINDOWS), a1, a2, np.full(a1.shape[:2], USUAL_VARIANCE))


@pytest.mark.parametrize("seed", range(5))
def test_the_windows_of_a_head_that_clogs_are_found(seed: int) -> None:
    noisy = {4: 0.8, 5: 1.0, 6: 0.9}
    for least in (1, 3):  # by one window, or by all together
        found = passing_noise(
            windows(noisy, np.full(WINDOWS, QUIET), seed),
            lambda part: CLEAR if {*range(part.start, part.stop)} <= {*noisy} and part.stop - part.start >= least else NOTHING,  # noqa: B023
        )
        assert found is not None
        assert found[1] == slice(4, 7)


def test_texture_is_not_asked() -> None:
    weight = np.full(WINDOWS, QUIET)
    weight[5] = 1e-3 * QUIET
    assert passing_noise(windows({5: 1.0}, weight, 1), lambda w: CLEAR) is None


def test_a_window_that_null_periods_explain_is_nothing() -> None:
    assert passing_noise(windows({5: 1.0}, np.full(WINDOWS, QUIET), 1), lambda w: NOTHING) is None


def test_small_jumps_are_not_asked() -> None:
    assert passing_noise(windows({5: 0.2}, np.full(WINDOWS, QUIET), 1), lambda w: pytest.fail("asked")) is None
