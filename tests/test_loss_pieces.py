"""Losses in pictures whose neighbours span everything: moving stripes, checks and lettering."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from detect.judge.loss_choice import choose_losses
from detect.measure import loss_again
from tests import losses_material as m
from tests.losses_clips import Found, match_arrays, search

RASTER = m.raster_of(486)
FIELDS = 40
Stack = tuple[np.ndarray, np.ndarray, np.ndarray]


def steep() -> m.Scene:
    """Every field unlike the last: 3.6 field lines a stripe, moving by 0.8 lines a field."""
    return m.stripes(486, period=7.2, vy=-1.6, slant=0.1)


def checks() -> m.Scene:
    y, x = np.mgrid[0:700, 0:1100]
    squares = np.where(((x // 11 + y // 9) % 2) == 1, 95.0, 6.0).astype(np.float32)
    return m.pan(squares, 486, vx=4.3, vy=-1.7, zoom=0.003, turn=0.15)


def lettering() -> m.Scene:
    return m.credits(486, vy=2.5, seed=4, over=m.stripes(486, period=9.0, vy=0.7, slant=0.05))


def searched(scene: m.Scene, damage: list[m.Damage], noise_ire: float = 1.0) -> Found:
    frames = [f for f, _ in m.render([(scene, FIELDS)], RASTER, m.Recipe(noise_ire=noise_ire), damage, seed=3)]
    return search(frames, height=486, depth=10, codec="ffv1", minutes=FIELDS / 3600)


def taken(found: Found) -> np.ndarray:
    return choose_losses(found.arrays, cuts=np.array([], int), frame_rate=29.97)


def losses(count: int) -> list[m.Damage]:
    rng = np.random.default_rng(8)
    fields = np.sort(rng.integers(4, FIELDS - 4, count))
    kinds = ("white", "black", "noise")
    return [
        m.Damage(int(t), 15 + 16 * (i % 13), x := int(rng.integers(30, 560)), x + int(rng.integers(16, 120)), kinds[i % 3])
        for i, t in enumerate(fields)
    ]


def test_losses_are_found_in_steep_moving_stripes_with_their_ends() -> None:
    damage = losses(30)
    found = searched(steep(), damage)
    chosen = taken(found)
    index = match_arrays(found.arrays, damage)
    assert np.all(index[chosen] >= 0)
    hit, first = np.unique(index[chosen], return_index=True)
    assert len(hit) >= 27
    off = found.arrays["x0"][chosen][first] - np.array([damage[i].x0 for i in hit])
    assert np.median(np.abs(off)) <= loss_again.BLOCK_SAMPLES


def flashes() -> m.Scene:
    """So bright that white is clipped, one to three fields long."""
    return m.flashes(m.pan(m.still("coffee"), 486, vx=3, vy=1), seed=2, every=6)


@pytest.mark.parametrize("scene", [steep, checks, lettering, flashes])
def test_pictures_of_that_kind_without_losses_hold_none(scene: Callable[[], m.Scene]) -> None:
    assert not taken(searched(scene(), [])).any()


def stack_of(scene: m.Scene) -> Stack:
    frames = [f for f, _ in m.render([(scene, 6)], RASTER, m.Recipe(), [], seed=3)]
    y = np.stack([field.y for frame in frames for field in frame.fields]).astype(np.int16)
    return y, y, y


def share(scene: m.Scene) -> float:
    _, tall, low = stack_of(scene)
    return float(loss_again.share_blind(tall, low, 2, 12, 240, 6, 714, round(loss_again.BLIND_IRE * 8.76)))


def test_only_pictures_without_a_range_are_searched_so() -> None:
    assert share(steep()) > loss_again.BLIND_SHARE
    assert share(m.pan(m.still("coffee"), 486, vx=6, vy=2)) < 0.2 * loss_again.BLIND_SHARE
    assert share(m.credits(486, vy=2.0, seed=1)) < loss_again.BLIND_SHARE


def test_a_piece_five_times_as_unlike_as_its_controls_is_as_likely_a_loss_as_not() -> None:
    pieces = np.array([[9, 20, 40, 50, 9], [9, 20, 40, 500, 9], [9, 20, 40, 25, 9]], np.float32)
    even, likely, unlikely = loss_again.odds(pieces)
    assert even == pytest.approx(0, abs=1e-6)
    assert unlikely < -2 < 2 < likely
