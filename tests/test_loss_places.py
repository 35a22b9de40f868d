"""Dashes that keep to a part of the picture are told from losses; what tape and heads do, and one spot of damage, is not."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from detect.judge.loss_places import CHANCE, keeps_to_picture, on_standing_lines
from detect.standards import STANDARDS, Standard

SHOT_FIELDS = 300
Losses = tuple[np.ndarray, np.ndarray]
LINES = {"525/59.94": 243, "625/50": 288}


def water(rng: np.random.Generator, standard: Standard) -> Losses:
    """The lower half of the picture glints."""
    lines = LINES[standard.name]
    return rng.integers(0, SHOT_FIELDS, 200), rng.integers(lines // 2, lines, 200)


def anywhere(rng: np.random.Generator, standard: Standard) -> Losses:
    return rng.integers(0, SHOT_FIELDS, 200), rng.integers(0, LINES[standard.name], 200)


def _in_passes(rng: np.random.Generator, standard: Standard, head: int | None, place: tuple[float, float]) -> Losses:
    period, lines = float(standard.lines_per_pass), LINES[standard.name]
    k = rng.integers(0, standard.passes_per_field, 2000)
    k = k[k % 4 == head] if head is not None else k
    line = (3.7 + (k + rng.uniform(*place, len(k))) * period).astype(int)
    inside = line < lines
    return rng.integers(0, SHOT_FIELDS, inside.sum()), line[inside]


def one_head(rng: np.random.Generator, standard: Standard) -> Losses:
    return _in_passes(rng, standard, 2, (0.0, 1.0))


def edge(rng: np.random.Generator, standard: Standard) -> Losses:
    return _in_passes(rng, standard, None, (0.0, 0.1))


def one_spot(rng: np.random.Generator, standard: Standard) -> Losses:
    """A crease: a fifth of a second, in a part of every field."""
    return rng.integers(100, 112, 150), rng.integers(30, 110, 150)


@pytest.mark.parametrize("name", ["525", "625"])
@pytest.mark.parametrize(
    ("make", "kept"), [(water, True), (anywhere, False), (one_head, False), (edge, False), (one_spot, False)]
)
def test_only_what_the_picture_makes_keeps_to_it(make: Callable[..., Losses], kept: bool, name: str) -> None:
    for seed in range(5):
        losses = make(np.random.default_rng(seed), STANDARDS[name])
        assert keeps_to_picture(*losses, STANDARDS[name], fields=SHOT_FIELDS) is kept


@pytest.mark.parametrize("name", ["525", "625"])
def test_in_a_shot_of_half_a_second_water_is_told_too(name: str) -> None:
    rng, lines = np.random.default_rng(1), LINES[STANDARDS[name].name]
    losses = np.repeat(np.arange(24), 20), rng.integers(lines // 2, lines, 480)
    assert keeps_to_picture(*losses, STANDARDS[name], fields=24)


def test_losses_that_fall_anywhere_hardly_ever_do() -> None:
    """Binomial (scipy.stats): none in 300 shots is what a chance of 1e-6 gives."""
    assert stats.binom.sf(0, 300, CHANCE) < 1e-3
    standard = STANDARDS["525/59.94"]
    assert not any(keeps_to_picture(*anywhere(np.random.default_rng(s), standard), standard, fields=SHOT_FIELDS) for s in range(300))


@pytest.mark.parametrize("name", ["525", "625"])
@pytest.mark.parametrize("seed", range(5))
def test_what_comes_back_on_one_line_of_the_picture_is_the_pictures(name: str, seed: int) -> None:
    """A line of data, or a ruling, that flickers once in a while, among losses of the tape."""
    standard, rng = STANDARDS[name], np.random.default_rng(seed)
    field, line = anywhere(rng, standard)
    at = int(rng.integers(5, 200))
    field = np.concatenate([field[:20], 40 * np.arange(10)])
    line = np.concatenate([line[:20], at + rng.integers(0, 2, 10)])
    standing = on_standing_lines(field, line, np.zeros(len(field), np.int64), standard)
    assert standing[20:].all()
    assert not standing[:20][np.abs(line[:20] - at) > 3].any()
    apart = on_standing_lines(field, line, field // 40, standard)  # a shot each: the file as a whole tells
    assert apart[20:].all()


@pytest.mark.parametrize("name", ["525", "625"])
@pytest.mark.parametrize("make", [anywhere, one_head, edge, one_spot])
def test_what_the_tape_does_stands_on_no_line(make: Callable[..., Losses], name: str) -> None:
    standard = STANDARDS[name]
    found = [on_standing_lines(*losses, np.zeros(len(losses[0]), np.int64), standard).any()
             for losses in (make(np.random.default_rng(s), standard) for s in range(40))]  # fmt: skip
    assert not any(found)


@pytest.mark.parametrize("name", ["525", "625"])
def test_a_scratch_stands_on_no_line_though_it_stands_on_many(name: str) -> None:
    standard = STANDARDS[name]
    for seed in range(20):
        field, line = _in_passes(np.random.default_rng(seed), standard, None, (0.40, 0.42))
        few = np.random.default_rng(seed).choice(len(field), 40, replace=False)
        assert not on_standing_lines(field[few], line[few], np.zeros(40, np.int64), standard).any()
