"""Thin things that move are told from losses by their course; losses that fall anywhere, scratches and creases are kept."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from detect.judge.loss_tracks import FRONT, as_long_as_the_pictures, on_striped_things, on_tracks
from detect.standards import STD_525

LINES = 243
PASS_LINES = 525 / 32
Losses = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def anywhere(rng: np.random.Generator, count: int, fields: int = 600) -> Losses:
    x0 = rng.integers(0, 680, count)
    return np.sort(rng.integers(0, fields, count)), rng.integers(0, LINES, count), x0, x0 + rng.integers(7, 60, count)


def moving(rng: np.random.Generator, count: int = 9) -> Losses:
    """A thin edge that rises by 1.2 lines and goes left by 0.9 samples a field, seen in some of 50 fields."""
    t = np.sort(rng.choice(50, count, replace=False)) + 100
    middle = 640 - 0.9 * (t - 100) + rng.normal(0, 5, count)
    half = rng.integers(10, 28, count)
    return t, np.round(200 - 1.2 * (t - 100)).astype(int), (middle - half).astype(int), (middle + half).astype(int)


def scratch(rng: np.random.Generator, share: float = 0.7) -> tuple[Losses, np.ndarray]:
    """Seven passes in ten are hit for half a second at one place across the tape, which drifts a little."""
    t, k = np.nonzero(rng.random((30, 14)) < share)
    place = 0.4 + 0.0002 * t
    at = 4.1 + (k + place) * PASS_LINES
    x0 = (858 * (at % 1) * 0.8).astype(int)
    return (t, at.astype(int), x0, x0 + 20), place


def joined(*parts: Losses) -> Losses:
    whole = [np.concatenate(p) for p in zip(*parts, strict=True)]
    order = np.argsort(whole[0], kind="stable")
    return whole[0][order], whole[1][order], whole[2][order], whole[3][order]


def tracks(losses: Losses, position: np.ndarray | None = None) -> np.ndarray:
    return on_tracks(*losses, np.zeros(len(losses[0]), int), position, lines=LINES, standard=STD_525)


@pytest.mark.parametrize("seed", range(10))
def test_a_thin_edge_that_moves_is_told_among_losses_that_fall_anywhere(seed: int) -> None:
    rng = np.random.default_rng(seed)
    edge, others = moving(rng), anywhere(rng, 20)
    told = tracks(joined(edge, others))
    assert told.sum() >= len(edge[0]) - 1
    assert told.sum() <= len(edge[0]) + 1


@pytest.mark.parametrize("lines_a_field", [5.0, 7.3, -11.0])
def test_so_is_the_edge_of_a_fast_wipe(lines_a_field: float) -> None:
    rng = np.random.default_rng(3)
    t = np.sort(rng.choice(int(200 / abs(lines_a_field)), 8, replace=False))
    line = np.round(120 + lines_a_field * (t - t.mean())).astype(int)
    x0 = 150 + rng.integers(0, 30, 8)
    told = tracks(joined((t + 100, line, x0, x0 + 150), anywhere(rng, 20)))
    assert 7 <= told.sum() <= 10


def fronts(losses: Losses) -> np.ndarray:
    return on_tracks(*losses, np.zeros(len(losses[0]), int), lines=LINES, standard=STD_525, sought=FRONT)


def test_four_on_the_edge_of_a_wipe_wherever_along_it_are_told() -> None:
    """As a wipe of 7.2 lines a field left them behind a comb."""
    t, line, x0 = np.array([169, 175, 197, 199]), np.array([33, 76, 235, 249]), np.array([379, 179, 666, 587])
    assert fronts((t, line, x0, x0 + 60)).all()
    rng = np.random.default_rng(4)
    told = fronts(joined((t, line, x0, x0 + 60), anywhere(rng, 3, fields=250)))
    assert 4 <= told.sum() <= 5


def test_losses_that_fall_anywhere_are_on_no_front() -> None:
    """Binomial, as below: once in a thousand shots by chance."""
    false = [fronts(anywhere(np.random.default_rng(seed), count)).any() for seed in range(100) for count in (4, 8, 20)]
    assert sum(false) <= 2
    for seed in range(5):
        assert not fronts(scratch(np.random.default_rng(seed), 0.12)[0]).any()


def test_losses_that_fall_anywhere_are_kept() -> None:
    """Binomial (scipy.stats): at one chance in a thousand a shot, 100 shots give more than one with probability 0.005."""
    false = [tracks(anywhere(np.random.default_rng(seed), 40)).any() for seed in range(100)]
    assert stats.binom.sf(1, 100, 1e-3) < 0.005
    assert sum(false) <= 1


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("share", [0.7, 0.3])
@pytest.mark.parametrize("seed", range(5))
def test_a_scratch_is_kept(seed: int, share: float, known: bool) -> None:
    losses, place = scratch(np.random.default_rng(seed), share)
    assert not tracks(losses, place if known else None).any()


def test_a_crease_over_neighbouring_passes_of_a_field_is_kept() -> None:
    k = np.arange(12)
    at = 10 + k * PASS_LINES + 0.8 * k
    losses = (np.full(12, 40), at.astype(int), 300 + 5 * k, 340 + 5 * k)
    assert not tracks(losses).any()


def test_where_a_tape_sheds_no_course_is_sought() -> None:
    """Thousands in a shot lie on courses by chance, and are not picture."""
    assert not tracks(joined(moving(np.random.default_rng(1)), anywhere(np.random.default_rng(3), 5000))).any()


def striped(rng: np.random.Generator, *, fields: int = 30) -> Losses:
    """A shirt with stripes three lines apart that goes left by 5.5 samples a field and up and down with the steps: one or two of its
    stripes fall on lines of their own."""
    t, y, x = [], [], []
    for field in range(fields):
        top = 150 + 4 * np.sin(field / 3)
        for stripe in rng.choice(4, rng.integers(0, 3), replace=False):
            t.append(200 + field)
            y.append(int(top + 3.4 * stripe))
            x.append(600 - 5.5 * field + rng.normal(0, 0.5))
    x0 = np.array(x).astype(int)
    return np.array(t), np.array(y), x0, x0 + 21 + rng.integers(-1, 2, len(t))


def stripes(losses: Losses, position: np.ndarray | None = None) -> np.ndarray:
    count = len(losses[0])
    return on_striped_things(*losses, np.zeros(count, bool), np.zeros(count, int), position, lines=LINES)


@pytest.mark.parametrize("seed", range(10))
def test_stripes_of_a_shirt_are_told_among_losses_that_fall_anywhere(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shirt, others = striped(rng), anywhere(rng, 30)
    order = np.argsort(np.concatenate([shirt[0], others[0]]), kind="stable")
    of_shirt = (np.arange(len(order)) < len(shirt[0]))[order]
    told = stripes(joined(shirt, others))
    assert told[of_shirt].mean() > 0.9
    assert told[~of_shirt].sum() <= 4  # as long as the stripes, and within a second of them


def test_losses_that_fall_anywhere_are_no_stripes() -> None:
    false = [stripes(anywhere(np.random.default_rng(seed), 60)).any() for seed in range(100)]
    assert sum(false) <= 1


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("seed", range(5))
def test_a_scratch_is_no_striped_thing(seed: int, known: bool) -> None:
    losses, place = scratch(np.random.default_rng(seed))
    assert not stripes(losses, place if known else None).any()


def test_losses_of_two_and_three_lines_are_no_stripes() -> None:
    rng = np.random.default_rng(4)
    t, y, x0, x1 = anywhere(rng, 80)
    tall = rng.integers(1, 4, 80)
    lines = np.concatenate([np.arange(n) for n in tall])
    assert not stripes((np.repeat(t, tall), np.repeat(y, tall) + lines, np.repeat(x0, tall), np.repeat(x1, tall))).any()


def test_long_dashes_of_a_shot_whose_others_are_the_pictures_are_too() -> None:
    """As measured on rungs that move: 150 of 160 keep a course or have one contrast. Shorter ones, and other shots, are let alone."""
    length = np.array([270] * 150 + [280] * 10 + [27] * 10 + [280] * 2)
    shot = np.array([0] * 170 + [1] * 2)
    pictures = np.arange(172) < 150
    told = as_long_as_the_pictures(pictures, length, shot)
    np.testing.assert_array_equal(told, (length >= 270) & (shot == 0))


def test_some_long_dashes_that_move_do_not_speak_for_as_many_that_do_not() -> None:
    length, shot = np.full(40, 270), np.zeros(40, int)
    assert not as_long_as_the_pictures(np.arange(40) < 20, length, shot).any()
    assert not as_long_as_the_pictures(np.arange(40) < 7, length[:40], np.repeat([0, 1], [7, 33])).any(), "seven are too few"
