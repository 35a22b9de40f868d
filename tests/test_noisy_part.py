"""Noise of one head for some seconds among quieter pictures: found by noise alone, in a part of the tape."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from detect.judge.rows import DB_PER_LN_POWER
from detect.judge.seen_in_part import noisy_part
from detect.measure.relations import QUANTITIES
from detect.readings import Chunk, Header, Readings, ReadingsWriter, Sums
from detect.standards import HEADS, STD_525, pass_of_rows
from tests.drawn_rows import HEIGHT, PHASE, VIEW

WINDOWS, EACH = 12, 36
NOISY = (4, 5, 6)
HEADS_DB = np.array([0.9, -0.3, -0.3, -0.3])


def tape(folder: Path, size: float, seed: int, *, doubt: float = 0.0) -> Any:
    """Twelve windows; in three of them heads differ, and the others are quieter, so that they weigh a thousand times as much."""
    rng = np.random.default_rng(seed)
    heads = size * HEADS_DB[pass_of_rows(STD_525, PHASE, np.arange(HEIGHT)) % HEADS]
    ratio, weight = rng.normal(0, 0.5, (WINDOWS, HEIGHT)), np.full((WINDOWS, HEIGHT), 1000.0)
    for w in NOISY:
        ratio[w, :-2] += heads[2:] - heads[:-2]
        weight[w] = 1.0
    sums = {name: Sums(*(np.zeros((WINDOWS, HEIGHT, k), np.float32) for _ in range(2))) for name, k in QUANTITIES.items()}
    sums["noise"] = Sums((ratio / DB_PER_LN_POWER).astype(np.float32)[:, :, None], weight.astype(np.float32)[:, :, None])
    start = EACH * np.arange(WINDOWS)
    writer = ReadingsWriter(folder / "tape.readings.zip")
    writer.add_chunk(Chunk(start, start + EACH, np.full(WINDOWS, EACH), sums, {"curve": np.ones((WINDOWS, 2), np.float32)}))
    writer.close(Header({}), losses={}, cuts=EACH * np.arange(1, WINDOWS))
    return SimpleNamespace(
        readings=Readings(folder / "tape.readings.zip"), standard=STD_525, view=VIEW, height=HEIGHT, start=start, end=start + EACH,
        rate=Fraction(30000, 1001), doubt={"noise": doubt},
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(5))
def test_three_noisy_windows_among_quieter_ones_show_the_wheel(tmp_path: Path, seed: int) -> None:
    found = noisy_part(tape(tmp_path, 1.0, seed), np.arange(WINDOWS))
    assert found is not None
    window, phase = found
    assert window[0] in NOISY
    assert phase == pytest.approx(PHASE, abs=0.25)


@pytest.mark.parametrize("seed", range(10))
def test_without_a_difference_of_heads_nothing_does(tmp_path: Path, seed: int) -> None:
    assert noisy_part(tape(tmp_path, 0.0, seed), np.arange(WINDOWS)) is None


def test_differences_too_small_to_tell_are_not_told(tmp_path: Path) -> None:
    assert noisy_part(tape(tmp_path, 0.2, 1), np.arange(WINDOWS)) is None


def test_a_carrier_that_makes_its_own_noise_is_not_asked(tmp_path: Path) -> None:
    assert noisy_part(tape(tmp_path, 1.0, 1, doubt=1.5), np.arange(WINDOWS)) is None
