"""Horizontal edges that move overshoot a little from field to field; that is no loss, and a loss beside one is."""

from __future__ import annotations

import numpy as np
import pytest

from detect.measure.fields import Field, Frame
from detect.measure.losses import LIKELY
from tests.test_losses import search

ROWS, SAMPLES = 486, 720
LOST = (7, 1, 120, 300, 340)
"""Frame, field, line, x0, x1."""


def flag(seed: int, *, lost: bool) -> list[Frame]:
    """Stripes of 31 rows that rise unevenly, as pictures predicted from others do; each edge overshoots by 4 to 8 % of its step."""
    rng = np.random.default_rng(seed)
    frames, at = [], 0.0
    for number in range(14):
        fields = []
        for index, row0 in enumerate((1, 0)):
            at += rng.choice([0.0, 0.5, 1.0])
            rows = np.arange(row0, ROWS, 2) + at
            place = rows / 31.0
            softened = np.clip(0.5 + 31.0 / 4 * (np.abs(place % 2 - 1) - 0.5), 0, 1)
            over = np.gradient(np.gradient(softened))
            line = 33 + 42 * (softened - rng.uniform(0.2, 0.4) * over)
            y = np.repeat(line[:, None], SAMPLES, axis=1) + rng.normal(0, 0.05, (ROWS // 2, SAMPLES))
            if lost and (number, index) == LOST[:2]:
                y[LOST[2], LOST[3] : LOST[4]] = 100.0
            codes = np.clip(64 + 8.76 * y, 4, 1019).astype(np.uint16)
            fields.append(Field(number, index, row0, codes, None, None))
        frames.append(Frame(number, (fields[0], fields[1])))
    return frames


@pytest.mark.parametrize("seed", range(4))
def test_overshoot_of_a_moving_edge_is_no_loss(seed: int) -> None:
    found = search(flag(seed, lost=False))
    assert not (found["score"] >= LIKELY).any()


def test_a_loss_on_such_an_edge_is_found() -> None:
    found = search(flag(1, lost=True))
    likely = found["score"] >= LIKELY
    here = (found["frame"] == LOST[0]) & (found["field"] == LOST[1]) & (found["line"] == LOST[2])
    assert (likely & here).sum() == 1
    assert not (likely & ~here).any()
