"""What a carrier's blocks leave in rows by their place in the block: taken off, and nothing else."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from detect.judge.coded_rows import grid_pattern
from detect.judge.row_bases import head_readings
from detect.judge.wheel import View
from detect.standards import STD_525

ROWS, GRID = 480, 16
PATTERN = 1.5 * np.resize([1.0, 0.2, 0.0, 0.0, -0.2, -1.0, -0.9, 0.9], ROWS)
VIEW = View(0, ROWS)


def scatter(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, 0.4, ROWS)


@pytest.mark.parametrize("seed", range(5))
def test_a_pattern_of_the_grid_is_found_to_its_error(seed: int) -> None:
    found = grid_pattern(PATTERN + 0.3 + scatter(seed), np.ones(ROWS), GRID)
    assert found == pytest.approx(np.resize(found[:GRID], ROWS))
    assert np.abs(found - PATTERN).max() < 4 * 0.4 * 1.25 / np.sqrt(ROWS / GRID)


def test_what_chance_explains_is_left_alone() -> None:
    """The estimate must add less than a fifth of what plain medians would: of 16 of them from 30 rows each."""
    added = [np.mean(grid_pattern(scatter(s), np.ones(ROWS), GRID) ** 2) for s in range(40)]
    assert np.mean(added) < 0.2 * (0.4 * 1.25) ** 2 / (ROWS / GRID)


@pytest.mark.parametrize("jump", [0.5, 20.0])
def test_jumps_of_the_wheel_keep_their_size(jump: float) -> None:
    """Boundaries lie 32.8 rows apart and blocks 16: each place of the grid holds few of them."""
    reads = head_readings(STD_525, VIEW, "noise", 5.0).reads()
    wheel = reads[:, 3] * jump
    kept = [
        float(wheel @ (wheel + PATTERN + noise - grid_pattern(wheel + PATTERN + noise, np.ones(ROWS), GRID)) / (wheel @ wheel))
        for noise in map(scatter, range(20))
    ]
    assert np.mean(kept) == pytest.approx(1.0, abs=0.06)


def test_lines_at_the_edge_of_a_block_have_more_of_its_noise() -> None:
    """OpenCV's cosine transform: of noise whose coefficients are dropped the sooner the higher they are, as coders do, the outer lines of a
    block have more left than the inner ones."""
    rng = np.random.default_rng(1)
    energy = np.zeros(8)
    for _ in range(400):
        block = cv2.dct(rng.normal(0, 1, (8, 8)))
        block[np.abs(block) < 0.8 * (1 + np.arange(8))[:, None]] = 0
        energy += (cv2.idct(block) ** 2).sum(axis=1)
    assert min(energy[0], energy[7]) > 1.3 * energy[2:6].max()
    pairs = 10 * np.log10(np.roll(np.resize(energy, ROWS), -2) / np.resize(energy, ROWS))
    assert grid_pattern(pairs, np.ones(ROWS), GRID) == pytest.approx(pairs - pairs[:GRID].mean(), abs=1e-6)


def test_too_few_rows_tell_no_pattern() -> None:
    weight = np.zeros(ROWS)
    weight[:100] = 1.0
    assert not grid_pattern(PATTERN, weight, GRID).any()
