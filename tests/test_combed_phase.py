"""Which lines a comb made chroma lines of, where what it leaves in luminance shows the heads a line beside their place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from detect.judge.judged import DECODERS, won_by_decoder
from detect.judge.rows import RELATIONS, Rows
from detect.judge.wheel import CHROMA_LINES
from detect.standards import STD_525
from tests.drawn_rows import HEIGHT, PERIOD, PHASE, VIEW, put

VIEWS = {name: replace(VIEW, chroma_lines=CHROMA_LINES[name]) for name in DECODERS["525"]}


def combed(lines: str, seed: int) -> Rows:
    """Saturation and hue of four heads, of which the decoder made each chroma line from ``lines`` of the field."""
    rng = np.random.default_rng(seed)
    head = np.floor((np.arange(HEIGHT) / 2 - PHASE) / PERIOD).astype(int) % 4
    rows = Rows(np.zeros((len(RELATIONS), HEIGHT)), np.zeros((len(RELATIONS), HEIGHT)))
    for relation, size in (("saturation", 4.0), ("hue", 3.0)):
        of_head = rng.normal(0, size, 4)[head]
        made = sum(share * np.roll(of_head, -2 * after) for after, share in CHROMA_LINES[lines])
        put(rows, relation, np.asarray(made), noise=rng.normal(0, 0.3, HEIGHT - 6))
    return rows


@pytest.mark.parametrize("off", [0.0, -1.0, 1.0])
@pytest.mark.parametrize("lines", ["two", "three"])
@pytest.mark.parametrize("seed", range(3))
def test_the_decoder_is_told_though_luminance_shows_the_heads_a_line_off(lines: str, off: float, seed: int) -> None:
    """A comb about the line leaves subcarrier on both sides of a boundary (common practice, no single source)."""
    won = won_by_decoder(combed(lines, seed), VIEWS, STD_525, PHASE + off).steps
    assert max(won, key=lambda name: won[name]) == lines


@pytest.mark.parametrize("seed", range(3))
def test_lines_taken_as_they_are_stay_so(seed: int) -> None:
    won = won_by_decoder(combed("one", seed), VIEWS, STD_525, PHASE).steps
    assert max(won, key=lambda name: won[name]) == "one"
