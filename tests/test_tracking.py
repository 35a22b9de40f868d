"""The phase over time: a wheel stands still or jumps, a picture's bands may drift."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from detect.judge.rows import RELATIONS, Rows
from detect.judge.tracking import drifting, fit_curve, track
from detect.judge.wheel import phase_lattice
from detect.standards import HEADS, STANDARDS, STD_525, Standard, pass_of_rows
from tests.drawn_rows import HEIGHT, PHASE, VIEW, put

WINDOWS = 24


def curves(standard: Standard, phase: np.ndarray, strength: float, seed: int) -> np.ndarray:
    """Curves (windows, phases) that are highest at a phase each, field lines, with ripples of content."""
    lattice, period = phase_lattice(standard), float(standard.lines_per_pass)
    off = (lattice[None, :] - phase[:, None] + period / 2) % period - period / 2
    rng = np.random.default_rng(seed)
    ripples = ndimage.gaussian_filter1d(rng.normal(0, 1, (len(phase), len(lattice))), 0.4 / float(standard.phase_step_lines), mode="wrap")
    return np.asarray(strength * np.exp(-0.5 * (off / 0.3) ** 2) + 10 * (ripples / ripples.std()) ** 2)


@pytest.mark.parametrize("name", ["525", "625"])
@pytest.mark.parametrize("seed", range(5))
def test_bands_that_drift_are_no_wheel_and_a_wheel_that_stands_or_jumps_is(name: str, seed: int) -> None:
    standard = STANDARDS[name]
    time = np.arange(WINDOWS, dtype=np.float64)
    for speed, strength in ((0.7, 300.0), (-2.5, 300.0)):
        curve = curves(standard, 3 + speed * time, strength, seed)
        assert drifting(curve, track(curve), standard).mean() > 0.8
    for phase in (np.full(WINDOWS, 5.0), np.where(time < 11, 5.0, 9.0)):
        for strength in (60.0, 300.0):
            curve = curves(standard, phase, strength, seed)
            assert not drifting(curve, track(curve), standard).any()


@pytest.mark.parametrize("seed", range(5))
def test_windows_of_contrasty_content_tell_the_phase_by_what_stands_out(seed: int) -> None:
    """Edges of content, few and high, are no row's usual scatter, and move boundaries of most phases by more than noise does."""
    rng = np.random.default_rng(seed)
    edges = np.cumsum(rng.normal(0, 10, HEIGHT // 2) * (rng.random(HEIGHT // 2) < 0.2)).repeat(2)
    heads = np.array([2.0, -3.0, 0.5, 0.5])[pass_of_rows(STD_525, PHASE, np.arange(HEIGHT)) % HEADS]
    rows = Rows(np.zeros((len(RELATIONS), HEIGHT)), np.zeros((len(RELATIONS), HEIGHT)))
    put(rows, "level", 4 * heads + edges, rng.normal(0, 0.03, HEIGHT - 6))
    curve = fit_curve(rows, VIEW, STD_525)
    assert float(phase_lattice(STD_525)[int(np.argmax(curve))]) == pytest.approx(PHASE, abs=0.5)


@pytest.mark.parametrize("name", ["525", "625"])
def test_a_change_of_phase_goes_the_shorter_way(name: str) -> None:
    """Phases are known modulo a pass of 525/32 or 125/8 lines."""
    standard = STANDARDS[name]
    period = float(standard.lines_per_pass)
    assert standard.phase_change_lines(1.0, 3.5) == pytest.approx(2.5)
    assert standard.phase_change_lines(1.0, period - 1.0) == pytest.approx(-2.0)
    assert standard.phase_change_lines(period - 0.5, 0.25) == pytest.approx(0.75)
    many = standard.phase_change_lines(np.full(3, 1.0), np.array([1.0, 2.0, period]))
    assert many == pytest.approx([0.0, 1.0, -1.0])
