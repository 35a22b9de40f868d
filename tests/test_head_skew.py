"""Unequal skew: told from quadrature by what grows along the line, sized, and not seen where all heads are alike."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.head_skew import HeadSkew
from detect.judge.regimes import fit_regimes
from detect.judge.timebase import TimeBaseFit
from detect.standards import STD_525
from tests.drawn_rows import HEIGHT, LEFT, MIDDLE, PERIOD, PHASE, RIGHT, VIEW, put, rows_and_fit

DEGREES_PER_NS = 1.289
"""Of subcarrier, 525: 360 x 3.579545 MHz (BT.1700), a late signal turns the hue clockwise."""
NONE = np.zeros(4)


def fitted(own: np.ndarray, skew: float, seed: int, heads: np.ndarray = NONE, scallop: float = 0.0) -> TimeBaseFit:
    """Uncorrected rows of a common skew and each head's own; the head that scans a line's start keeps the line."""
    place = (np.arange(HEIGHT) / 2 - PHASE) / PERIOD
    number = np.floor(place + 1e-9)
    head = number.astype(int) % 4

    def at(fraction: float) -> np.ndarray:
        angle = np.radians(90 * (place + fraction / PERIOD - number) - 45)
        bow = scallop * np.cos(angle) / (1 - np.sqrt(0.5))
        return np.asarray((skew + own[head]) * np.sin(angle) / np.sqrt(2) - bow + heads[head])

    rows, fit = rows_and_fit(at(MIDDLE), at(RIGHT) - at(LEFT), seed)
    noise = np.random.default_rng(seed + 1).normal(0, 0.1, HEIGHT - 6)
    put(rows, "hue_ramp", -DEGREES_PER_NS * (at(RIGHT) - at(LEFT)), noise)
    return fit_regimes(rows, VIEW, STD_525, fit)


def own_of(timing: TimeBaseFit) -> HeadSkew:
    assert timing.regime == "uncorrected"
    assert timing.head_skew is not None
    return timing.head_skew


@pytest.mark.parametrize("seed", range(5))
def test_one_head_of_unequal_skew_is_told_and_makes_no_quadrature(seed: int) -> None:
    own = np.array([-7.5, 22.5, -7.5, -7.5])
    timing = fitted(own, 12.0, seed)
    told = own_of(timing)
    assert told.evident
    assert np.all(np.abs(told.value_ns - own) < 4 * told.sigma_ns)
    assert np.all(np.abs(timing.quadrature_ns) < 4 * timing.quadrature_sigma_ns)
    assert timing.skew_ns == pytest.approx(12.0, abs=4 * timing.skew_sigma_ns)


@pytest.mark.parametrize("heads", [NONE, np.array([-5.0, -5.0, 15.0, -5.0])])
@pytest.mark.parametrize("seed", range(5))
def test_heads_of_equal_skew_show_none(seed: int, heads: np.ndarray) -> None:
    told = own_of(fitted(NONE, 30.0, seed, heads, scallop=20.0))
    assert not told.evident
    assert np.all(np.abs(told.value_ns) < 4 * told.sigma_ns)


@pytest.mark.parametrize("seed", range(3))
def test_hue_that_shows_nothing_tells_nothing(seed: int) -> None:
    """A decoder may have silenced it: null, not zero."""
    assert fitted(NONE, 0.0, seed, np.array([-5.0, -5.0, 15.0, -5.0])).head_skew is None
