"""Rows freed of their correlation: what the fit gives, how sure it says it is, and what it is compared with."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal, stats

from detect.judge.head_fit import NEIGHBOURS_SHOW, fit_heads
from detect.judge.row_bases import head_readings
from detect.judge.rows import INDEX, RELATIONS, Rows
from detect.judge.time_geometry import scallop_shape, skew_of_scallop, skew_shape
from detect.judge.wheel import CHROMA_LINES, NOISE_OF_BLOCK
from detect.judge.white_rows import WhiteRows, square, white_rows
from detect.standards import STANDARDS, STD_525
from tests.drawn_rows import HEIGHT, PHASE, VIEW, jumps_between

SEEDS = 60
OFFSETS = np.array([0.3, -0.1, -0.1, -0.1])


def coloured(seed: int) -> np.ndarray:
    """What content reads that is alike in neighbouring lines of both fields, with some noise."""
    rng = np.random.default_rng(seed)
    lines = signal.lfilter([1.0], [1.0, -0.9], rng.normal(0, 0.1, HEIGHT))
    out = rng.normal(0, 0.01, HEIGHT)
    out[2:-4] += jumps_between(lines)
    return out


def level_rows(seed: int, *, shows: float = NEIGHBOURS_SHOW) -> Rows:
    """Rows of the level relation that hold OFFSETS."""
    readings = head_readings(STD_525, VIEW, "level", PHASE)
    pattern = readings.reads(shows)[:, :3] @ (OFFSETS[1:] - OFFSETS[0])
    ratio, weight = np.zeros((len(RELATIONS), HEIGHT)), np.zeros((len(RELATIONS), HEIGHT))
    ratio[INDEX["level"]], weight[INDEX["level"]] = pattern + coloured(seed), 1.0
    return Rows(ratio, weight)


def test_a_drawn_pattern_reads_what_its_lines_say() -> None:
    """Four lines p, a, b, n with the boundary between a and b: 1.5 (1 - 1/3) of the step (arithmetic)."""
    readings = head_readings(STD_525, VIEW, "level", PHASE)
    first = int(np.flatnonzero(readings.crossing)[10])
    assert readings.reads()[first, 3] == pytest.approx(1.0)
    assert readings.reads()[first - 2, 3] == readings.reads()[first + 2, 3] == pytest.approx(-0.5)
    assert readings.reads()[first + 8, 3] == 0.0


def test_a_step_spread_over_two_lines_reads_more_where_less_slant_is_taken_off() -> None:
    """Arithmetic: lines 0, 0, 1/2, 1 read b - a - s (n - p) / 3 = 1/2 - s / 3 of what a sharp step reads, 1 - s / 3."""
    view = replace(VIEW, chroma_lines=CHROMA_LINES["two"])
    sharp, spread = (head_readings(STD_525, v, "saturation", PHASE) for v in (VIEW, view))
    first = int(np.flatnonzero(sharp.crossing)[10])
    for slant in (1.0, 0.8):
        shows = 2 * slant / (3 - slant)
        assert sharp.reads(shows)[first, 3] == pytest.approx(1.0)
        assert spread.reads(shows)[[first, first + 2], 3] == pytest.approx((0.5 - slant / 3) / (1 - slant / 3))


def test_errors_are_as_large_as_they_say_and_smaller_than_without_the_correlation() -> None:
    values, sigmas, plain = [], [], []
    basis = head_readings(STD_525, VIEW, "level", PHASE)
    for seed in range(SEEDS):
        rows = level_rows(seed)
        fit = fit_heads(rows, VIEW, STD_525, "level", PHASE)
        assert fit is not None
        values.append(fit.value - OFFSETS)
        sigmas.append(fit.sigma)
        at = np.flatnonzero(basis.crossing)
        heads = np.linalg.lstsq(basis.reads()[at, :3], rows.ratio[INDEX["level"]][at], rcond=None)[0]
        plain.append(np.append(0.0, heads) - np.append(0.0, heads).mean() - OFFSETS)
    z = np.array(values) / np.array(sigmas)
    # a share of 0.683 is due, with the scatter of as many tapes (binomial, scipy; the four heads of a tape count as one and a half)
    spread = stats.binom.std(SEEDS * 1.5, 0.683) / (SEEDS * 1.5)
    assert abs((np.abs(z) < 1).mean() - 0.683) < 3 * spread
    assert np.std(values) < 0.85 * np.std(plain)


def test_the_share_that_neighbours_show_is_learnt_where_offsets_are_large() -> None:
    rows = level_rows(1, shows=0.7)
    readings = head_readings(STD_525, VIEW, "level", PHASE)
    large = readings.reads(0.7)[:, :3] @ (100 * (OFFSETS[1:] - OFFSETS[0]))
    rows.ratio[INDEX["level"]] = large + coloured(1)
    fit = fit_heads(rows, VIEW, STD_525, "level", PHASE)
    assert fit is not None
    assert fit.shows == pytest.approx(0.7, abs=0.01)
    assert fit.value == pytest.approx(100 * OFFSETS, abs=0.3)


def test_whitened_least_squares_is_aitkens_estimator() -> None:
    """(X' C^-1 X)^-1 X' C^-1 y, Aitken 1935, written out with the covariance the rows were whitened by."""
    rows = level_rows(3)
    reads = head_readings(STD_525, VIEW, "level", PHASE).reads()[:, :3]
    white = white_rows(rows.ratio[INDEX["level"]], rows.weight[INDEX["level"]], VIEW, reach=2, faults=reads, nulls=reads[:, None])
    assert isinstance(white, WhiteRows)
    inverse = np.linalg.inv(white.root @ white.root.T)
    x, y = reads[white.at], rows.ratio[INDEX["level"]][white.at]
    expected = np.linalg.solve(x.T @ inverse @ x, x.T @ inverse @ y)
    assert np.linalg.lstsq(white.basis(reads), white.data, rcond=None)[0] == pytest.approx(expected, rel=1e-6)


def test_content_with_periods_of_its_own_widens_the_errors() -> None:
    """Stripes 14.3 lines apart, a null period: what the heads' fit gives there is no longer one standard error."""
    stripes = 3 * np.sign(np.sin(2 * np.pi * np.arange(HEIGHT) / 2 / 14.3 / 4))
    of_stripes = np.zeros(HEIGHT)
    of_stripes[2:-4] = jumps_between(stripes)
    plain, striped = (fit_heads(_level(coloured(5) + extra), VIEW, STD_525, "level", PHASE) for extra in (0.0, of_stripes))
    assert plain is not None
    assert striped is not None
    assert striped.sigma.max() > 2 * plain.sigma.max()
    assert (np.abs(striped.value) < 3 * striped.sigma).all()


def _level(values: np.ndarray) -> Rows:
    ratio, weight = np.zeros((len(RELATIONS), HEIGHT)), np.zeros((len(RELATIONS), HEIGHT))
    ratio[INDEX["level"]], weight[INDEX["level"]] = values, 1.0
    return Rows(ratio, weight)


def test_too_few_rows_say_nothing() -> None:
    rows = level_rows(1)
    rows.weight[INDEX["level"], 50:] = 0.0
    assert fit_heads(rows, VIEW, STD_525, "level", PHASE) is None


def test_the_square_of_a_fit_is_chi_square_by_its_freedom() -> None:
    """Mean 1 for readings that are noise alone (scipy.stats.chi2)."""
    rng = np.random.default_rng(4)
    basis = rng.normal(size=(200, 3))
    squares = [3 * square(basis, rng.normal(size=200)) for _ in range(400)]
    assert stats.kstest(squares, stats.chi2(3).cdf).pvalue > 0.01


@pytest.mark.parametrize("name", ["525", "625"])
def test_a_scallop_at_a_phase_a_little_off_is_a_scallop_with_skew(name: str) -> None:
    """cos(theta + d) = cos(theta) - d sin(theta) to first order (trigonometry)."""
    standard = STANDARDS[name]
    angle = np.radians(np.linspace(-45, 45, 31))
    off = 0.02
    turned = scallop_shape(angle + np.radians(90) * off / float(standard.lines_per_pass))
    both = scallop_shape(angle) + skew_of_scallop(standard, off) * skew_shape(angle)
    assert turned == pytest.approx(both, abs=1e-5)


def test_noise_of_which_a_block_code_makes_half_one_in_each_block_keeps_its_size() -> None:
    """IEC 61834-2 (from memory) codes blocks of 8 rows of both fields, each by itself."""
    blocks = replace(VIEW, noise_block_rows=8)
    heads = np.floor((np.arange(HEIGHT) / 2 - PHASE) / float(STD_525.lines_per_pass)).astype(int) % 4
    of_blocks = np.repeat([OFFSETS[heads[a : a + 8]].mean() for a in range(0, HEIGHT, 8)], 8)[:HEIGHT]
    lines = NOISE_OF_BLOCK * of_blocks + (1 - NOISE_OF_BLOCK) * OFFSETS[heads]
    gains: dict[bool, list[float]] = {True: [], False: []}
    for seed in range(12):
        rows = level_rows(seed)
        rows.ratio[INDEX["noise"]], rows.weight[INDEX["noise"]] = 0.0, 1.0
        rows.ratio[INDEX["noise"], :-2] = lines[2:] - lines[:-2] + np.random.default_rng(seed).normal(0, 0.02, HEIGHT - 2)
        for known, view in ((True, blocks), (False, VIEW)):
            fit = fit_heads(rows, view, STD_525, "noise", PHASE)
            assert fit is not None
            gains[known].append(float(fit.value @ OFFSETS / (OFFSETS @ OFFSETS)))
    assert np.mean(gains[True]) == pytest.approx(1.0, abs=0.05)
    assert np.mean(gains[False]) < 0.8
