"""Cuts are found where shots change, and not at flashes, fades, fast motion or captions."""

from __future__ import annotations

import numpy as np
import pytest

from detect.measure.cuts import CutFinder
from tests import losses_material as m

RASTER = m.raster_of(486)
ROWS = RASTER.height


def cuts_in(*shots: tuple[m.Scene, int]) -> list[int]:
    finder = CutFinder()
    return [f.number for f, _ in m.render(list(shots), RASTER, m.Recipe(), [], seed=1) if finder.push(f)]


def still(name: str, **move: float) -> m.Scene:
    return m.pan(m.still(name), ROWS, **{"vx": 0.0, "vy": 0.0, **move})


def test_a_change_of_picture_is_a_cut_at_its_first_frame() -> None:
    assert cuts_in((still("coffee"), 12), (still("brick"), 12), (still("chelsea", vx=3), 12)) == [6, 12]


@pytest.mark.parametrize(
    "move", [{"vx": 22.0, "vy": 2.0}, {"zoom": 0.02}, {"zoom": -0.02, "turn": 0.4}, {"vx": -6.0, "vy": 4.0}]
)
def test_fast_camera_moves_are_no_cut(move: dict[str, float]) -> None:
    assert cuts_in((still("coffee", **move), 24)) == []


def test_flashes_are_no_cut() -> None:
    assert cuts_in((m.flashes(still("coffee", vx=2), seed=3, every=8), 60)) == []


def test_captions_are_no_cut() -> None:
    assert cuts_in((m.captioned(still("grass", vx=1), ROWS, seed=2, period=10), 60)) == []


def test_a_fade_to_black_is_no_cut_but_another_picture_after_it_is() -> None:
    coffee, brick = still("coffee"), still("brick")
    fade: m.Scene = lambda t: coffee(t) * max(0.0, 1 - t / 20)  # noqa: E731
    rise: m.Scene = lambda t: brick(t) * min(1.0, t / 20)  # noqa: E731
    black: m.Scene = lambda t: np.zeros((ROWS, m.WIDTH), np.float32)  # noqa: E731
    found = cuts_in((fade, 24), (black, 8), (rise, 24))
    assert len(found) == 1
    assert 16 <= found[0] <= 20


def test_black_has_no_cuts() -> None:
    assert cuts_in((lambda t: np.zeros((ROWS, m.WIDTH), np.float32), 12)) == []


def test_the_first_frame_is_no_cut() -> None:
    assert cuts_in((still("coffee"), 2)) == []
