"""Level rulings that move are told from losses: many pieces of one line, and nothing beside it. What tape does is kept."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.loss_choice import choose_losses
from detect.judge.loss_rulings import on_rulings
from detect.measure.loss_candidates import KINDS

LINES, FIELDS = 243, 200
Losses = tuple[np.ndarray, np.ndarray, np.ndarray]


def anywhere(rng: np.random.Generator, count: int) -> Losses:
    return rng.integers(0, FIELDS, count), rng.integers(0, LINES, count), rng.integers(7, 60, count)


def rulings(rng: np.random.Generator) -> Losses:
    """A grid of 16.5 lines that shows in every fifth field, in up to four pieces along a line."""
    field, line = (a.ravel() for a in np.meshgrid(np.arange(0, FIELDS, 5), np.arange(10, 230, 33), indexing="ij"))
    pieces = rng.integers(0, 5, len(field))
    return np.repeat(field, pieces), np.repeat(line, pieces), rng.integers(90, 180, int(pieces.sum()))


def failing_head(rng: np.random.Generator) -> Losses:
    """All lines of one band in four, pieces anywhere along them."""
    count = 3000
    return rng.integers(0, FIELDS, count), 65 * rng.integers(0, 3, count) + rng.integers(0, 16, count), rng.integers(20, 200, count)


def told(*parts: Losses) -> np.ndarray:
    field, line, length = (np.concatenate(p) for p in zip(*parts, strict=True))
    x0 = one_after_the_other(field, line, length)
    return on_rulings(field, line, x0, x0 + length, np.zeros(len(field), int), lines=LINES)


def one_after_the_other(field: np.ndarray, line: np.ndarray, length: np.ndarray) -> np.ndarray:
    """Places along the line at which pieces of one line do not overlap."""
    x0, ends = np.zeros(len(field), int), dict[tuple[int, int], int]()
    for i, at in enumerate(zip(field.tolist(), line.tolist(), strict=True)):
        x0[i] = ends.get(at, 0) + 5
        ends[at] = int(x0[i] + length[i])
    return x0


@pytest.mark.parametrize("seed", range(5))
def test_rulings_are_told_and_short_losses_among_them_kept(seed: int) -> None:
    rng = np.random.default_rng(seed)
    grid, others = rulings(rng), anywhere(rng, 30)
    found = told(grid, others)
    assert found[: len(grid[0])].mean() > 0.98
    short = others[2] < 40
    assert not found[len(grid[0]) :][short].mean() > 0.1


def whole_lines(count: int) -> Losses:
    """Ruled paper that moves by half a line: every 39th line of one field, from end to end."""
    return np.full(count, 40), 4 + 39 * np.arange(count), np.full(count, 699)


@pytest.mark.parametrize("seed", range(5))
def test_lines_ruled_from_end_to_end_are_told_and_losses_among_them_kept(seed: int) -> None:
    ruled, others = whole_lines(6), anywhere(np.random.default_rng(seed), 20)
    found = told(ruled, others)
    assert found[:6].all()
    assert not found[6:].any()


def test_a_loss_that_lasts_for_lines_or_one_long_one_is_kept() -> None:
    """1 in 1000 losses is as long as a line; one that is longer goes on in the next (common practice, no single source)."""
    many = anywhere(np.random.default_rng(3), 300)
    assert not told(many, whole_lines(1)).any()
    lasting = np.full(6, 40), 100 + np.arange(6), np.full(6, 699)
    assert not told(many, lasting).any()


def test_short_pieces_of_the_rulings_contrast_are_others_of_them_and_losses_of_any_other_kept() -> None:
    """The edges of keys that rise through the picture: 48 IRE below the white about them, in pieces of any length."""
    of_keys, of_others = [], []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        whole, short, others = whole_lines(6), anywhere(rng, 40), anywhere(rng, 30)
        field, line, length = (np.concatenate(p) for p in zip(whole, short, others, strict=True))
        x0 = one_after_the_other(field, line, length)
        contrast = np.concatenate([rng.normal(48.0, 0.5, 46), rng.uniform(15.0, 100.0, 30)])
        found = on_rulings(field, line, x0, x0 + length, np.zeros(len(field), int), contrast, lines=LINES)
        of_keys.append(found[:46].mean())
        of_others.append(found[46:].mean())
    assert min(of_keys) > 0.95
    assert np.mean(of_others) < 0.1  # 4.8 of 85 IRE have that contrast by chance


@pytest.mark.parametrize("count", [0, 1, 10, 300, 3000])
def test_losses_that_fall_anywhere_are_kept(count: int) -> None:
    assert not told(anywhere(np.random.default_rng(count), count)).any()


@pytest.mark.parametrize("seed", range(5))
def test_a_crease_is_kept(seed: int) -> None:
    """Sixty losses in ten fields: some share a line there, which in fields of one or two would be rulings."""
    rng = np.random.default_rng(seed)
    field, line, length = rng.integers(100, 110, 60), rng.integers(0, LINES, 60), rng.integers(20, 200, 60)
    assert not told((field, line, length), anywhere(rng, 5)).any()


def test_a_loss_that_is_seen_twice_is_one() -> None:
    field, line = np.repeat(np.arange(0, 60, 10), 2), np.repeat([140, 20, 170, 80, 200, 50], 2)
    x0 = np.tile([100, 120], 6)
    assert not on_rulings(field, line, x0, x0 + 80, np.zeros(12, int), lines=LINES).any()
    apart = np.tile([100, 200], 6)
    assert on_rulings(field, line, apart, apart + 80, np.zeros(12, int), lines=LINES).all()


def test_a_failing_head_is_kept() -> None:
    assert told(failing_head(np.random.default_rng(1))).mean() < 0.02


def test_pieces_of_losses_that_show_noise_make_no_rulings() -> None:
    """Rulings are of one level; a long noisy loss is seen in pieces where its noise comes near the picture."""
    field, line = np.repeat(np.arange(0, 60, 10), 2), np.repeat([140, 20, 170, 80, 200, 50], 2)
    x0 = np.tile([100, 200], 6)
    arrays = {
        "frame": field, "field": np.zeros(12, int), "line": line, "x0": x0, "x1": x0 + 80, "score": np.full(12, 9.0),
        "leak": np.zeros(12), "stack": np.ones(12, int),
    }  # fmt: skip
    level, noise = (arrays | {"kind": np.full(12, KINDS.index(kind))} for kind in ("white", "noise"))
    assert not choose_losses(level, cuts=np.array([], int), frame_rate=29.97).any()
    assert choose_losses(noise, cuts=np.array([], int), frame_rate=29.97).all()
