"""Light that looks exactly as losses do: by the lengths of all together, and by the cuts it keeps to."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from detect.judge.loss_sparks import beside_cuts, longest_spark
from detect.standards import NS_PER_SAMPLE

US = 1e3 / NS_PER_SAMPLE
"""Samples in a microsecond: 13.5 (BT.601)."""


def losses(rng: np.random.Generator, count: int) -> np.ndarray:
    """Lengths in samples: log-normal about 3 us (house practice), none below 0.5 us (common practice, no single source)."""
    return np.maximum(stats.lognorm.rvs(0.85, scale=3 * US, size=count, random_state=rng), 0.5 * US).astype(np.int64)


@pytest.mark.parametrize("seed", range(6))
def test_sparks_go_as_far_as_they_outnumber_losses(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sparks = rng.integers(6, 19, 500)
    assert 18 <= longest_spark(sparks, 13.5) <= 24
    assert 18 <= longest_spark(np.concatenate([sparks, losses(rng, 80)]), 13.5) <= 24


@pytest.mark.parametrize("shortest", [13.5, 20.0, 35.0])
def test_losses_are_no_sparks_whatever_was_left_out_below(shortest: float) -> None:
    """Poisson (scipy.stats): one chance in 10,000 a tape, so none in 100 tapes is expected with 99 %."""
    lengths = (losses(np.random.default_rng(seed), 60) for seed in range(100))
    assert sum(longest_spark(some[some >= shortest], shortest) > shortest for some in lengths) <= 1


def test_what_is_seen_at_cuts_alone_is_the_shots() -> None:
    cuts = np.array([100, 200])
    frame, at_cut = np.array([0, 0, 99, 100, 100, 199, 200, 200, 299]), np.ones(9, bool)
    assert beside_cuts(frame, at_cut, cuts, 300, 4).all()


def test_losses_at_a_splice_and_losses_anywhere_are_kept() -> None:
    cuts = np.array([100, 200])
    assert not beside_cuts(np.full(40, 100), np.ones(40, bool), cuts, 300, 4).any()
    for seed in range(50):
        frame = np.sort(np.random.default_rng(seed).integers(0, 300, 60))
        at_cut = np.isin(frame, [0, 99, 100, 199, 200, 299])
        assert not beside_cuts(frame, at_cut, cuts, 300, 4).any()
