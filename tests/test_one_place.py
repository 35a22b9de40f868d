"""An edge of the picture at one head change, and faults of the wheel, which come back."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.evidence import wheel_found
from detect.judge.one_place import without_one_place
from detect.judge.rows import INDEX, RELATIONS, Rows
from detect.judge.wheel import WheelFit, fit_wheel
from detect.standards import STD_525
from tests.drawn_rows import HEIGHT, PERIOD, PHASE, VIEW, put

HUE = INDEX["hue"]


def hue_rows(heads: np.ndarray, edge: float, seed: int) -> Rows:
    """Hue of the heads in degrees, with noise, and one edge of the picture where pass 11 ends."""
    number = np.floor((np.arange(HEIGHT) / 2 - PHASE) / PERIOD + 1e-9).astype(int)
    rows = Rows(np.zeros((len(RELATIONS), HEIGHT)), np.zeros((len(RELATIONS), HEIGHT)))
    put(rows, "hue", heads[number % 4] + edge * (number > 11), np.random.default_rng(seed).normal(0, 0.5, HEIGHT - 6))
    return rows


def fitted(rows: Rows) -> WheelFit:
    return fit_wheel(rows, VIEW, STD_525)


@pytest.mark.parametrize("seed", range(5))
def test_an_edge_at_one_head_change_poses_as_a_wheel_and_is_left_out(seed: int) -> None:
    rows = hue_rows(np.zeros(4), 40.0, seed)
    fit = fitted(rows)
    assert wheel_found(fit)
    left = without_one_place(rows, VIEW, STD_525, fit)
    assert left is not rows
    changed = np.flatnonzero(left.weight[HUE] != rows.weight[HUE])
    assert np.all(np.abs(changed / 2 - (PHASE + 12 * PERIOD)) < 6)
    assert not wheel_found(fitted(left))


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("size", [1.0, 6.0])
def test_a_fault_that_comes_back_is_left_as_it_is(seed: int, size: float) -> None:
    rows = hue_rows(size * np.array([-0.25, 0.75, -0.25, -0.25]), 0.0, seed)
    fit = fitted(rows)
    assert wheel_found(fit)
    assert without_one_place(rows, VIEW, STD_525, fit) is rows


@pytest.mark.parametrize("seed", range(5))
def test_a_fault_beside_such_an_edge_is_read_without_it(seed: int) -> None:
    rows = hue_rows(np.array([-0.5, 1.5, -0.5, -0.5]), 40.0, seed)
    fit = fitted(rows)
    for _ in range(3):
        rows, before = without_one_place(rows, VIEW, STD_525, fit), rows
        if rows is before:
            break
        fit = fitted(rows)
    assert wheel_found(fit)
    assert abs((fit.phase_lines - PHASE + PERIOD / 2) % PERIOD - PERIOD / 2) < 0.5
    np.testing.assert_allclose(fit.jumps[HUE], [2.0, -2.0, 0.0, 0.0], atol=0.6)
