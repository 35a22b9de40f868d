"""Bands that one still picture shows, or an empty one, are no evidence by themselves."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.evidence import PictureCount
from detect.judge.rows import RELATIONS, Rows
from tests.drawn_rows import HEIGHT, VIEW

SECTIONS, WINDOWS = 8, 6


def counted(detail: np.ndarray, seed: int) -> PictureCount:
    """Windows whose rows hold noise alone; ``detail`` (windows, rows, sections)."""
    rng = np.random.default_rng(seed)
    count = PictureCount(HEIGHT)
    for of_window in detail:
        rows = Rows(rng.normal(0, 1, (len(RELATIONS), HEIGHT)), np.ones((len(RELATIONS), HEIGHT)))
        count.add(rows, of_window)
    return count


@pytest.mark.parametrize("seed", range(3))
def test_a_picture_that_moves_is_told_from_one_that_stands_and_from_none(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shape = (WINDOWS, HEIGHT, SECTIONS)
    noise = rng.normal(0, 1, shape)
    still = np.broadcast_to(rng.gamma(2.0, 50.0, shape[1:]) + 10, shape)
    assert counted(noise, seed).stands_still(VIEW), "nothing to see"
    assert counted(still + noise, seed).stands_still(VIEW), "one picture"
    assert not counted(rng.gamma(2.0, 50.0, shape) + 10, seed).stands_still(VIEW), "a picture each window"
    emptied = np.where(np.arange(WINDOWS)[:, None, None] < 3, still, 0.0) + noise
    assert not counted(emptied, seed).stands_still(VIEW), "a picture that gives way to an empty one"
    assert not counted((still + noise)[:2], seed).stands_still(VIEW), "too few windows to say"


def test_counts_of_parts_add_up() -> None:
    rng = np.random.default_rng(9)
    detail = rng.gamma(2.0, 50.0, (WINDOWS, HEIGHT, SECTIONS)) + 10
    one, other = counted(detail[:3], 1), counted(np.broadcast_to(detail[3], (3, HEIGHT, SECTIONS)), 2)
    assert not one.stands_still(VIEW)
    assert other.stands_still(VIEW)
    other.add_count(one)
    assert not other.stands_still(VIEW)
