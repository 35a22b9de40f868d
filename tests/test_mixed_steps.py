"""A comb that adds the composite signal of neighbouring lines, where heads are displaced against each other."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.head_fit import HeadTerms, fit_heads
from detect.judge.rows import RELATIONS, Rows
from detect.standards import STD_525
from tests.drawn_rows import HEIGHT, PERIOD, PHASE, VIEW, put

STEPS = (0.0, 27.0, -27.0, 0.0)
"""Degrees of subcarrier: head C 21 ns late."""


def mixed_hue(heads: np.ndarray, rng: np.random.Generator) -> Rows:
    """Hue of a picture of one colour: lines are (1, 2, 1) / 4 of the subcarriers around, each decoded by its own burst."""
    number = np.floor((np.arange(-2, HEIGHT + 2) / 2 - PHASE) / PERIOD + 1e-9).astype(int)
    of_head = np.cumsum((0.0, *STEPS[:3]))
    place, hue = of_head[number % 4], heads[number % 4]
    phasor = np.exp(1j * np.radians(place))
    seen = 2 * phasor[2:-2] + phasor[:-4] + phasor[4:]
    lines = hue[2:-2] + np.degrees(np.angle(seen * np.conj(phasor[2:-2])))
    rows = Rows(np.zeros((len(RELATIONS), HEIGHT)), np.zeros((len(RELATIONS), HEIGHT)))
    put(rows, "hue", lines, rng.normal(0, 0.3, HEIGHT - 6))
    return rows


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("size", [0.0, 2.0])
def test_what_a_comb_takes_over_a_head_change_is_no_hue_of_a_head(seed: int, size: float) -> None:
    heads = size * np.array([-0.25, 0.75, -0.25, -0.25])
    rows = mixed_hue(heads, np.random.default_rng(seed))
    told, untold = (
        fit_heads(rows, VIEW, STD_525, "hue", PHASE, HeadTerms(common=True, mixed=steps)) for steps in (STEPS, None)
    )
    assert told is not None
    assert untold is not None
    assert np.all(np.abs(told.value - heads) < 4 * told.sigma + 0.05 * np.abs(heads))
    assert np.abs(untold.value - heads).max() > 1.0
