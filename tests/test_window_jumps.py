"""How much of a pattern of heads one window shows, beside a step that all head changes share."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from detect.judge import found
from detect.judge.evidence import parts_of
from detect.judge.kinds import KINDS
from detect.judge.rows import INDEX, RELATIONS
from detect.judge.stretch import WindowJumps
from detect.judge.tracking import MEDIAN_EXPLAINED, USUAL_VARIANCE, variance_elsewhere
from detect.judge.wheel import Boundaries
from detect.standards import HEADS, STD_525

WINDOWS, SKEW, QUADRATURE = 12, 70.0, np.array([16.0, -9.0, -4.0, -3.0])
SHIFT = INDEX["shift"]


def windows(seed: int, shares: np.ndarray) -> tuple[WindowJumps, np.ndarray, np.ndarray]:
    """Windows whose boundaries weigh as their pictures will, with a skew and a share of quadrature; and the pooled parts of the jumps."""
    rng = np.random.default_rng(seed)
    a1, a2 = (np.zeros((WINDOWS, len(RELATIONS), HEADS)) for _ in range(2))
    a2[:, SHIFT] = rng.lognormal(0.0, 1.0, (WINDOWS, HEADS))
    jumps = -SKEW + shares[:, None] * (np.roll(QUADRATURE, -1) - QUADRATURE)
    a1[:, SHIFT] = a2[:, SHIFT] * jumps + np.sqrt(USUAL_VARIANCE * a2[:, SHIFT]) * rng.normal(0, 1, (WINDOWS, HEADS))
    common, heads = parts_of(a1[:, SHIFT].sum(0) / a2[:, SHIFT].sum(0), a2[:, SHIFT].sum(0))
    return WindowJumps(np.arange(WINDOWS), a1, a2, np.full(a1.shape[:2], USUAL_VARIANCE)), common, heads


@pytest.mark.parametrize("seed", range(10))
def test_a_large_skew_is_no_quadrature_of_any_window(seed: int) -> None:
    """Errors in their own standard errors: chi-square of as many windows (scipy)."""
    jumps, common, heads = windows(seed, np.ones(WINDOWS))
    value, sigma = jumps.amplitude(SHIFT, heads, beside=common)
    assert stats.chi2.sf(float((((value - 1) / sigma) ** 2).sum()), WINDOWS) > 1e-3
    alone, error = jumps.amplitude(SHIFT, heads)
    assert stats.chi2.sf(float((((alone - 1) / error) ** 2).sum()), WINDOWS) < 1e-6


def test_windows_without_the_pattern_show_none_of_it() -> None:
    shares = np.where(np.arange(WINDOWS) < 6, 1.0, 0.0)
    jumps, common, heads = windows(3, shares)
    value, sigma = jumps.amplitude(SHIFT, heads, beside=common)
    assert (np.abs(value[6:]) < 4 * sigma[6:]).all()


@pytest.mark.parametrize("scale", [0.5, 3.0, 20.0])
def test_what_boundaries_show_elsewhere_is_the_variance_of_their_rows(scale: float) -> None:
    """Template sums of noise of a known variance; never less than is usual."""
    rng = np.random.default_rng(1)
    height = 486
    s2 = np.ones((len(RELATIONS), height + 1))
    s1 = rng.normal(0, np.sqrt(scale), s2.shape)
    got = variance_elsewhere(Boundaries(s1, s2, s1, s2, 8, height - 8), STD_525)
    mean = float(np.mean(got[: INDEX["shift"] + 1]))
    assert mean == pytest.approx(max(scale, USUAL_VARIANCE), rel=0.25)
    assert pytest.approx(stats.chi2.median(HEADS) / HEADS) == MEDIAN_EXPLAINED


@pytest.mark.parametrize(("name", "z", "clear"), [
    ("hue_banding", 4.0, False), ("hue_banding", 5.0, True), ("response_banding", 4.0, False), ("saturation_banding", 4.0, False),
    ("level_banding", 4.0, True), ("noise_banding", 4.0, True),
])  # fmt: skip
def test_colour_and_response_must_be_clearer_of_their_error(name: str, z: float, clear: bool) -> None:
    kind = next(kind for kind in KINDS if kind.kind == name)
    figure = SimpleNamespace(values=[z, 0.0, 0.0, -z], sigmas=[1.0] * 4)
    pooled: Any = SimpleNamespace(readings=SimpleNamespace(**{kind.figure: figure}))
    assert found._clear(pooled, kind, {}) is clear
