"""Noise that changes along the pass, alike for all heads: found, sized, told from a noisy head, and not seen where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from detect.judge.noise_along import NoiseAlong, noise_along
from detect.judge.rows import INDEX, RELATIONS, Rows
from detect.judge.wheel import View
from detect.standards import STD_525, STD_625, Standard
from tests.drawn_rows import HEIGHT, PERIOD, PHASE


def seen(noise_db: np.ndarray, seed: int, scatter_db: float = 0.3, standard: Standard = STD_525) -> NoiseAlong:
    """The plain pair relation of a noise (rows,) in dB."""
    height = len(noise_db)
    rows = Rows(np.zeros((len(RELATIONS), height)), np.zeros((len(RELATIONS), height)))
    k = INDEX["noise"]
    rows.ratio[k, :-2] = noise_db[2:] - noise_db[:-2] + np.random.default_rng(seed).normal(0, scatter_db, height - 2)
    rows.weight[k, :-2] = 1.0
    found = noise_along(rows, View(0, height), standard, PHASE)
    assert found is not None
    return found


def place() -> np.ndarray:
    """Place in the pass at mid-line, 0 to 1: 525/32 lines a pass, mid-line 482 of 858 samples after 0H (BT.601)."""
    return np.asarray(((np.arange(HEIGHT) / 2 - PHASE) / PERIOD) % 1.0 + 482 / 858 / PERIOD)


@pytest.mark.parametrize("seed", range(5))
def test_more_noise_at_the_end_of_every_pass_is_found_and_sized(seed: int) -> None:
    """A slope as the sine of the angle: half of it from the middle to the end."""
    slope = 4.0 * np.sin(np.radians(90 * place() - 45)) / np.sqrt(2)
    found = seen(slope, seed)
    assert found.clear
    assert found.worst in (0, 1)
    np.testing.assert_allclose(found.value_db, [-2.0, 2.0], atol=4 * found.sigma_db.max())


def test_a_noisier_last_quarter_shows_at_the_end() -> None:
    found = seen(np.where(place() > 0.75, 3.0, 0.0), 1)
    assert found.clear
    assert found.worst == 1
    assert 1.5 < found.value_db[1] < 4.5


def test_a_noisy_head_is_no_change_along_the_pass() -> None:
    head = np.floor((np.arange(HEIGHT) / 2 - PHASE) / PERIOD).astype(int) % 4
    assert not seen(np.where(head == 2, 3.0, 0.0), 1).clear


@pytest.mark.parametrize("which", [0.0, 1.0])
def test_the_line_beside_a_head_change_is_no_change_along_the_pass(which: float) -> None:
    """Subcarrier that a comb leaves in the first line of every pass, or in the last."""
    lines_in = (np.arange(HEIGHT) / 2 - PHASE) % PERIOD
    beside = lines_in < 1 if which == 0 else lines_in >= PERIOD - 1
    found = seen(np.where(beside, 5.0, 0.0), 1)
    assert not found.clear
    assert np.all(np.abs(found.value_db) < 4 * found.sigma_db)


def test_errors_are_as_large_as_they_say_where_there_is_nothing() -> None:
    found = [seen(np.zeros(HEIGHT), s) for s in range(60)]
    z = np.concatenate([f.value_db / f.sigma_db for f in found])
    low, _ = stats.binom.interval(0.999, len(z), stats.norm.cdf(1) - stats.norm.cdf(-1))
    assert np.count_nonzero(np.abs(z) < 1) >= low
    assert not any(f.clear for f in found)


def test_nor_are_two_lines_on_either_side_in_625() -> None:
    """The subcarrier of 625 lines repeats after two (BT.1700), so a comb reaches two lines over a head change."""
    lines_in = (np.arange(576) / 2 - PHASE) % 15.625
    found = seen(np.where((lines_in < 2) | (lines_in >= 15.625 - 2), 4.0, 0.0), 1, standard=STD_625)
    assert not found.clear
    end = seen(np.where(lines_in > 12, 3.0, 0.0), 1, standard=STD_625)
    assert end.clear
    assert end.worst == 1
