"""Runs looked for in the fields around."""

from __future__ import annotations

import numpy as np
import pytest

from detect.measure.loss_again import REACH_LINES, REACH_SAMPLES, found_again

LINES, WIDTH = 60, 720


def by_hand(y: np.ndarray, refs: np.ndarray, moves: np.ndarray, line: int, x0: int, x1: int) -> float:
    """The same in plain numpy, place by place."""
    inside = np.arange(x0, x1, max(1, (x1 - x0) // 20))
    ends = np.concatenate([[x0 - 3], inside, [x1 + 2]])
    here = y[2].astype(int)
    best = 4096.0
    for r, f in enumerate(refs):
        cx, cy = int(np.round(moves[1, r, 0])), int(np.floor(moves[1, r, 1] + 0.25))
        for dy in range(cy - REACH_LINES, cy + REACH_LINES + 1):
            for dx in range(cx - REACH_SAMPLES, cx + REACH_SAMPLES + 1):
                if f < 0 or line - 1 + dy < 0 or line + 1 + dy >= LINES or x0 - 3 + dx < 0 or x1 + 3 + dx > WIDTH:
                    continue
                own = np.abs(here[line, ends] - y[f, line + dy, ends + dx]).mean()
                beside = [np.abs(here[k, inside] - y[f, k + dy, inside + dx]) for k in (line - 1, line + 1)]
                best = min(best, max(own, np.mean(beside)))
    return best


@pytest.mark.parametrize(("x0", "length"), [(3, 5), (100, 20), (300, 39), (500, 90), (710, 7)])
def test_the_search_agrees_with_every_place_tried_by_hand(x0: int, length: int) -> None:
    """As loud as 10 bits allow: the sums of 16 bits do not overflow."""
    rng = np.random.default_rng(length)
    y = np.where(rng.random((6, LINES, WIDTH)) < 0.5, 4, 1019).astype(np.int16)
    refs = np.array([0, 1, 3, -1])
    moves = rng.normal(0, [6, 2], (3, 4, 2)).astype(np.float32)
    found = found_again(y, 2, refs, moves, 30, 29, 31, x0, x0 + length, 0.0)
    assert found == pytest.approx(by_hand(y, refs, moves, 30, x0, x0 + length), abs=1e-6)


def test_a_piece_that_moved_is_found_and_a_new_one_is_not() -> None:
    y = np.full((6, LINES, WIDTH), 300, np.int16)
    y[:, :, ::7] = 320
    y[2, 30, 200:230] = 900
    y[3, 32, 207:237] = 900
    refs, still = np.array([0, 1, 3, 4]), np.zeros((3, 4, 2), np.float32)
    assert found_again(y, 2, refs, still, 30, 29, 31, 200, 230, 0.0) == 0.0
    y[3, 32, 207:237] = 300
    assert found_again(y, 2, refs, still, 30, 29, 31, 200, 230, 0.0) > 500
