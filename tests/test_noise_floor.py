"""Detail that reads as noise: how much of it there is, from lines that are quiet at times."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.noise_floor import LineEnergies, LineLevels, Quiet
from detect.judge.wheel import View
from detect.readings import Chunk, Sums

HEIGHT, WINDOWS = 486, 8
VIEW = View(0, HEIGHT)
NOISE_IRE2 = 0.5
SCATTER = 0.06
"""Of a line's energy, as a share: root of 2 / 500 for some 500 independent squares a window."""
NONE = np.zeros(HEIGHT)


def chunk(energy: np.ndarray, seed: int = 0) -> Chunk:
    """A chunk whose lines show these mean energies (windows, rows)."""
    rng = np.random.default_rng(seed)
    log = np.log(energy * (1 + SCATTER * rng.standard_normal(energy.shape)))[:, :, None]
    n = len(energy)
    sums = {"noise_log": Sums(log.astype(np.float32), np.ones(log.shape, np.float32))}
    starts = 36 * np.arange(n)
    return Chunk(starts, starts + 36, np.full(n, 36), sums, {})


def share(made: Chunk, offset_db: np.ndarray = NONE) -> float:
    every = np.ones(len(made.frames), bool)
    levels = LineLevels(VIEW)
    levels.add(made, every)
    return Quiet(levels, LineEnergies.of([(made, every)], VIEW, HEIGHT)).detail_share(offset_db)


@pytest.mark.parametrize("seed", range(4))
def test_noise_alone_holds_no_detail(seed: int) -> None:
    assert share(chunk(np.full((WINDOWS, HEIGHT), NOISE_IRE2), seed)) < 0.03


@pytest.mark.parametrize("detail", [0.1, 0.4, 1.0])
def test_detail_on_part_of_the_lines_is_told_to_its_share(detail: float) -> None:
    energy = np.full((WINDOWS, HEIGHT), NOISE_IRE2)
    energy[:, 100:400] *= 1 + detail
    inner = np.zeros(HEIGHT)
    inner[100:400] = detail / (1 + detail)
    assert share(chunk(energy)) == pytest.approx(inner[8:-8].mean(), abs=0.03)


def test_a_noisy_head_is_no_detail() -> None:
    offset = np.where(np.arange(HEIGHT) // 33 % 4 == 2, 4.5, -1.5)
    energy = NOISE_IRE2 * 10 ** (np.broadcast_to(offset, (WINDOWS, HEIGHT)) / 10)
    assert share(chunk(energy), offset) < 0.03
    assert share(chunk(energy)) > 0.1


def test_the_rest_of_a_file_tells_of_detail_that_a_part_never_lets_up() -> None:
    energy = np.full((WINDOWS, HEIGHT), NOISE_IRE2)
    energy[4:] *= 1.5
    made = chunk(energy)
    levels = LineLevels(VIEW)
    levels.add(made, np.ones(WINDOWS, bool))
    busy = LineEnergies.of([(made, np.arange(WINDOWS) >= 4)], VIEW, HEIGHT)
    assert Quiet(levels, busy).detail_share(NONE) == pytest.approx(1 / 3, abs=0.03)


def test_too_few_lines_tell_nothing() -> None:
    energy = np.full((2, HEIGHT), NOISE_IRE2)
    energy[:, 200:] *= 2
    assert share(chunk(energy)) == 0.0
