"""What shots are weighed by: scatter as boundaries see it."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.head_fit import PLAIN, fit_heads
from detect.judge.row_bases import head_readings
from detect.judge.rows import INDEX, RELATIONS, Pool, Rows, robust_variance
from detect.judge.shot_scatter import boundary_variance
from detect.judge.wheel import View
from detect.standards import STD_525, STD_625, Standard

LEVEL = INDEX["level"]
PHASE = 5.2
HEADS = np.array([0.3, -0.1, -0.1, -0.1])


def shot(standard: Standard, rng: np.random.Generator, *, sd: float, shelves: int = 0, heads: float = 0.0) -> Rows:
    """Level of one shot: noise of ``sd`` IRE a row, ``shelves`` rows of 5 IRE, and a step of the heads."""
    height = 486 if standard is STD_525 else 576
    noise = rng.normal(0, sd, height)
    noise[rng.choice(np.arange(20, height - 20), shelves, replace=False)] += 5.0
    reads = head_readings(standard, View(0, height), "level", PHASE % float(standard.lines_per_pass)).reads()
    offsets = heads * np.append(HEADS[1:] - HEADS[0], 0.0)
    ratio, weight = np.zeros((2, len(RELATIONS), height))
    ratio[LEVEL] = noise + reads @ offsets
    weight[LEVEL] = 1.0
    return Rows(ratio, weight)


@pytest.mark.parametrize("standard", [STD_525, STD_625])
def test_noise_scatters_as_its_median_says(standard: Standard) -> None:
    rows = shot(standard, np.random.default_rng(1), sd=0.1)
    seen = boundary_variance(rows, View(0, rows.height), standard)[LEVEL]
    assert robust_variance(rows)[LEVEL] <= seen < 1.4 * 0.1**2


def test_few_large_rows_count_and_the_median_does_not_see_them() -> None:
    rows = shot(STD_525, np.random.default_rng(2), sd=0.02, shelves=12)
    mean_square = float(np.mean(rows.ratio[LEVEL] ** 2))
    assert robust_variance(rows)[LEVEL] < 0.002 * mean_square
    assert boundary_variance(rows, View(0, rows.height), STD_525)[LEVEL] > 0.5 * mean_square


def test_a_fault_is_no_scatter() -> None:
    """Steps of the heads, fifteen times the noise of a row."""
    without, there = (shot(STD_525, np.random.default_rng(3), sd=0.02, heads=h) for h in (0.0, 1.0))
    variance = [boundary_variance(rows, View(0, rows.height), STD_525)[LEVEL] for rows in (without, there)]
    assert variance[1] < 3 * variance[0]
    assert np.mean(there.ratio[LEVEL] ** 2) > 20 * np.mean(without.ratio[LEVEL] ** 2)


def test_a_wall_with_a_shelf_does_not_rule() -> None:
    """Ten such walls, quiet but for a few rows, and three plain shots that are noisier row by row: the head's level comes from these."""
    rng = np.random.default_rng(4)
    view = View(0, 486)
    walls = [shot(STD_525, rng, sd=0.01, shelves=8, heads=1.0) for _ in range(10)]
    shots = walls + [shot(STD_525, rng, sd=0.05, heads=1.0) for _ in range(3)]
    errors = []
    for by_boundaries in (False, True):
        pool = Pool(486)
        for rows in shots:
            pool.add(rows, boundary_variance(rows, view, STD_525) if by_boundaries else robust_variance(rows))
        heads = fit_heads(pool.rows(), view, STD_525, "level", PHASE, PLAIN)
        assert heads is not None
        errors.append(float(np.abs(heads.value - HEADS).max()))
    assert errors[1] < 0.02
    assert errors[0] > 3 * errors[1]
