"""Regimes from boundaries, on rows written down from the geometry."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.regimes import fit_regimes
from detect.judge.rows import INDEX
from detect.judge.time_geometry import WHOLE_LINES_AT, skew_of_scallop
from detect.judge.timebase import TimeBaseFit
from detect.standards import STD_525
from tests.drawn_rows import BURST, HEIGHT, LEFT, MIDDLE, PERIOD, PHASE, RIGHT, VIEW, error_at, lines_of, put, rows_and_fit


def _fitted(shift: np.ndarray, growth: np.ndarray, seed: int) -> TimeBaseFit:
    rows, fit = rows_and_fit(shift, growth, seed)
    return fit_regimes(rows, VIEW, STD_525, fit)


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


@pytest.mark.parametrize("seed", range(20))
def test_skew_is_not_taken_for_a_corrected_scallop_where_nothing_shows_the_course_along_the_line(seed: int) -> None:
    """In mid-line the two are nearly the same: what a corrector leaves of a scallop goes straight through every pass."""
    rows, fit = rows_and_fit(*lines_of(10, 0, np.zeros(4), corrected=False), seed)
    rows.ratio[INDEX["ramp"], 2:-4] += np.random.default_rng(100 + seed).normal(0, 40, HEIGHT - 6)  # as good as nothing
    read = fit_regimes(rows, VIEW, STD_525, fit)
    assert read.regime != "line-corrected"  # half of the seeds were, before a skew alone was asked
    assert np.isnan(read.scallop_ns) or abs(read.scallop_ns) < 3 * read.scallop_sigma_ns


def test_half_a_nanosecond_is_content_however_sure_it_is() -> None:
    heads = np.array([0.5, -0.5, 0.2, -0.2])
    rows, fit = rows_and_fit(*lines_of(0.4, 0.0, heads, corrected=False), 1, noise_ns=0.02)
    assert fit_regimes(rows, VIEW, STD_525, fit).regime == "undetermined"
    rows, fit = rows_and_fit(*lines_of(8.0, 0.0, 0 * heads, corrected=False), 1, noise_ns=0.02)
    assert fit_regimes(rows, VIEW, STD_525, fit).regime == "uncorrected"


def _with_edges(skew: float, heads: np.ndarray, *, moved: bool, seed: int) -> TimeBaseFit:
    """A picture that shows little, and blanking edges that show everything, or stand still."""
    rows, fit = rows_and_fit(*lines_of(skew, 0.0, heads, corrected=False), seed, noise_ns=12.0)
    at_left = error_at(skew, 0.0, heads, LEFT) if moved else np.zeros(HEIGHT)
    put(rows, "edge_left", at_left, np.random.default_rng(seed + 100).normal(0, 1.0, HEIGHT - 6))
    fit.variance[INDEX["edge_left"]] = 1.0
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
    put(rows, "edge_left", error_at(-80.0, 0.0, np.zeros(4), LEFT))
    fit.variance[INDEX["edge_left"]] = 1.0
    found = fit_regimes(rows, VIEW, STD_525, fit)
    assert not found.edges
    assert abs(found.skew_ns - 80.0) < 3.5 * found.skew_sigma_ns


@pytest.mark.parametrize("at", [0.0, 0.25, 0.5])
@pytest.mark.parametrize("seed", range(3))
def test_lines_displaced_as_wholes_are_read_as_such(seed: int, at: float) -> None:
    """A player that keeps a clock through each line: all of it is where its start is, or its middle, and nothing grows along it."""
    heads = np.array([-4.0, 12.0, -4.0, -4.0])
    skew, scallop = 20.0, 60.0
    rows, fit = rows_and_fit(error_at(skew, scallop, heads, at), np.zeros(HEIGHT), seed)
    found = fit_regimes(rows, VIEW, STD_525, fit)
    assert found.regime == "uncorrected"
    assert found.whole_lines
    of_place = scallop * skew_of_scallop(STD_525, abs(at - WHOLE_LINES_AT))
    assert found.skew_ns == pytest.approx(skew, abs=of_place + 4 * np.hypot(found.skew_sigma_ns, 0.3))
    assert found.scallop_ns == pytest.approx(scallop, abs=4 * np.hypot(found.scallop_sigma_ns, 0.03 * scallop))
    np.testing.assert_allclose(found.quadrature_ns, heads, atol=4 * float(np.hypot(found.quadrature_sigma_ns.max(), 0.3)))


@pytest.mark.parametrize("seed", range(6))
def test_errors_that_run_on_through_the_lines_are_not(seed: int) -> None:
    heads = np.array([-4.0, 12.0, -4.0, -4.0])
    rows, fit = rows_and_fit(*lines_of(20.0, 16.0, heads, corrected=False), seed)
    assert not fit_regimes(rows, VIEW, STD_525, fit).whole_lines


@pytest.mark.parametrize("after", [2, -2])
@pytest.mark.parametrize("seed", range(3))
def test_one_line_of_every_pass_that_a_velocity_corrector_left_is_no_scallop(seed: int, after: int) -> None:
    """Its slope is taken from the next line start, or the one before: at an end of the pass there is none."""
    number = np.floor((np.arange(HEIGHT) / 2 - PHASE) / PERIOD + 1e-9)
    alone = number != np.roll(number, -after)
    shift, growth = (lines * alone for lines in lines_of(0, -150, np.zeros(4), corrected=True))
    fit = _fitted(shift, growth, seed)
    assert fit.regime == "undetermined"
    assert np.isnan(fit.scallop_ns)
    assert np.isnan(fit.velocity_ns)


@pytest.mark.parametrize("common", [0.0, 150.0])
@pytest.mark.parametrize("after", [2, -2])
@pytest.mark.parametrize("seed", range(3))
def test_nor_is_one_whose_slope_is_taken_from_another_head_a_quadrature(seed: int, after: int, common: float) -> None:
    """A corrector that interpolates between line starts gives the last line of a pass the step to the next head as its slope (or the first
    line the step from the one before)."""
    number = np.floor((np.arange(HEIGHT) / 2 - PHASE) / PERIOD + 1e-9).astype(int)
    heads = np.array([26.0, -18.0, -14.0, 6.0])
    step = (heads[np.roll(number, -after) % 4] - heads[number % 4] + common) * (number != np.roll(number, -after))
    fit = _fitted(step * (MIDDLE - BURST), step * (RIGHT - LEFT), seed)
    assert fit.regime == "undetermined"
    assert np.isnan(fit.quadrature_ns).all()
    assert fit.one_line
    steps_alike = 150.0 * (number != np.roll(number, -after))
    assert not _fitted(steps_alike * (MIDDLE - BURST), steps_alike * (RIGHT - LEFT), seed).one_line
