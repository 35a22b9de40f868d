"""Regimes from boundaries, on rows written down from the geometry: 90 degrees a pass, 525/32 lines (derived; BT.601 for the samples)."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.regimes import fit_regimes
from detect.judge.rows import INDEX, RELATIONS, Rows
from detect.judge.timebase import TimeBaseFit
from detect.judge.wheel import View, WheelFit
from detect.standards import STD_525

VIEW = View(0, 486)
HEIGHT, PHASE, PERIOD = 486, 3.3125, 525 / 32
MIDDLE, LEFT, RIGHT, BURST = (122 + 360) / 858, 122 / 858, (122 + 720) / 858, 88 / 858


def _error(skew: float, scallop: float, heads: np.ndarray, fraction: float) -> np.ndarray:
    """ns at a fraction of the line for every frame row; the head that scans a line's start keeps it."""
    place = (np.arange(HEIGHT) / 2 - PHASE) / PERIOD
    number = np.floor(place + 1e-9)
    angle = np.radians(90 * (place + fraction / PERIOD - number) - 45)
    return skew * np.sin(angle) / np.sqrt(2) - scallop * np.cos(angle) / (1 - np.sqrt(0.5)) + heads[number.astype(int) % 4]


def rows_and_fit(shift: np.ndarray, growth: np.ndarray, seed: int, noise_ns: float = 1.0) -> tuple[Rows, WheelFit]:
    """Rows that hold two displacements (HEIGHT,), with noise, and a fit that knows the phase."""
    rng = np.random.default_rng(seed)
    ratio, weight = np.zeros((len(RELATIONS), HEIGHT)), np.zeros((len(RELATIONS), HEIGHT))
    for name, line in (("shift", shift), ("ramp", growth)):
        p, a, b, n = line[:-6], line[2:-4], line[4:-2], line[6:]
        ratio[INDEX[name], 2:-4] = 1.5 * ((b - a) - (n - p) / 3) + rng.normal(0, noise_ns, HEIGHT - 6)
        weight[INDEX[name], 2:-4] = 1.0
    none, many = np.zeros(len(RELATIONS)), np.zeros((len(RELATIONS), 4))
    fit = WheelFit(PHASE, 0.01, 1.0, 1.0, none, none, none, none, np.full(len(RELATIONS), noise_ns**2), many, many)
    return Rows(ratio, weight), fit


def _fitted(shift: np.ndarray, growth: np.ndarray, seed: int) -> TimeBaseFit:
    rows, fit = rows_and_fit(shift, growth, seed)
    return fit_regimes(rows, VIEW, STD_525, fit)


def lines_of(skew: float, scallop: float, heads: np.ndarray, *, corrected: bool) -> tuple[np.ndarray, np.ndarray]:
    at = {f: _error(skew, scallop, heads, f) for f in (MIDDLE, LEFT, RIGHT, BURST)}
    return at[MIDDLE] - (at[BURST] if corrected else 0), at[RIGHT] - at[LEFT]


@pytest.mark.parametrize("seed", range(5))
def test_scallop_alone_shows_its_regime(seed: int) -> None:
    none = np.zeros(4)
    one = _fitted(*lines_of(0, 60, none, corrected=False), seed)
    other = _fitted(*lines_of(0, 60, none, corrected=True), seed)
    assert (one.regime, other.regime) == ("uncorrected", "line-corrected")
    assert abs(one.scallop_ns - 60) < 3 * one.scallop_sigma_ns
    assert abs(other.scallop_ns - 60) < 3 * other.scallop_sigma_ns
    assert abs(one.skew_ns) < 3.5 * one.skew_sigma_ns
    assert np.isnan(other.skew_ns)
    assert np.isnan(other.quadrature_ns).all()


@pytest.mark.parametrize("seed", range(5))
def test_all_three_together_come_back(seed: int) -> None:
    heads = np.array([12.0, -20.0, 5.0, 3.0])
    fit = _fitted(*lines_of(25, -90, heads, corrected=False), seed)
    assert fit.regime == "uncorrected"
    assert abs(fit.skew_ns - 25) < 3.5 * fit.skew_sigma_ns < 7
    assert abs(fit.scallop_ns + 90) < 3.5 * fit.scallop_sigma_ns < 14
    assert (np.abs(fit.quadrature_ns - heads) < 3.5 * fit.quadrature_sigma_ns).all()


@pytest.mark.parametrize("seed", range(5))
def test_nothing_there_is_undetermined(seed: int) -> None:
    fit = _fitted(np.zeros(HEIGHT), np.zeros(HEIGHT), seed)
    assert fit.regime == "undetermined"
    assert np.isnan(fit.skew_ns)
    assert np.isnan(fit.scallop_ns)


@pytest.mark.parametrize("seed", range(5))
def test_skew_behind_a_corrector_is_not_invented(seed: int) -> None:
    """Line correction takes skew and quadrature away but for their growth within a line."""
    fit = _fitted(*lines_of(0, 200, np.array([30.0, -30.0, 10.0, -10.0]), corrected=True), seed)
    assert fit.regime == "line-corrected"
    assert abs(fit.scallop_ns - 200) < 3 * fit.scallop_sigma_ns < 24


def _with_edges(skew: float, heads: np.ndarray, *, moved: bool, seed: int) -> TimeBaseFit:
    """A picture that shows little, and blanking edges that show everything, or stand still."""
    rows, fit = rows_and_fit(*lines_of(skew, 0.0, heads, corrected=False), seed, noise_ns=12.0)
    at_left = _error(skew, 0.0, heads, LEFT) if moved else np.zeros(HEIGHT)
    p, a, b, n = at_left[:-6], at_left[2:-4], at_left[4:-2], at_left[6:]
    noise = np.random.default_rng(seed + 100).normal(0, 1.0, HEIGHT - 6)
    k = INDEX["edge_left"]
    rows.ratio[k, 2:-4] = 1.5 * ((b - a) - (n - p) / 3) + noise
    rows.weight[k, 2:-4] = 1.0
    fit.variance[k] = 1.0
    return fit_regimes(rows, VIEW, STD_525, fit)


@pytest.mark.parametrize("seed", range(5))
def test_edges_of_the_tape_say_what_the_picture_does_not(seed: int) -> None:
    heads = np.array([6.0, -2.0, -2.0, -2.0])
    fit = _with_edges(8.0, heads, moved=True, seed=seed)
    assert fit.edges
    assert fit.regime == "uncorrected"
    assert abs(fit.skew_ns - 8.0) < 3.5 * fit.skew_sigma_ns < 4.0
    assert (np.abs(fit.quadrature_ns - heads) < 3.5 * fit.quadrature_sigma_ns).all()


@pytest.mark.parametrize("seed", range(5))
def test_edges_put_in_afterwards_do_not_deny_what_the_picture_shows(seed: int) -> None:
    heads = np.array([60.0, -20.0, -20.0, -20.0])
    fit = _with_edges(80.0, heads, moved=False, seed=seed)
    assert not fit.edges
    assert fit.regime == "uncorrected"
    assert abs(fit.skew_ns - 80.0) < 3.5 * fit.skew_sigma_ns


@pytest.mark.parametrize("seed", range(5))
def test_edges_that_move_otherwise_than_the_picture_are_content(seed: int) -> None:
    rows, fit = rows_and_fit(*lines_of(80.0, 0.0, np.zeros(4), corrected=False), seed, noise_ns=3.0)
    k = INDEX["edge_left"]
    other = _error(-80.0, 0.0, np.zeros(4), LEFT)
    p, a, b, n = other[:-6], other[2:-4], other[4:-2], other[6:]
    rows.ratio[k, 2:-4] = 1.5 * ((b - a) - (n - p) / 3)
    rows.weight[k, 2:-4] = 1.0
    fit.variance[k] = 1.0
    found = fit_regimes(rows, VIEW, STD_525, fit)
    assert not found.edges
    assert abs(found.skew_ns - 80.0) < 3.5 * found.skew_sigma_ns
