"""Heads behind a comb that mixes displaced passes: the lines beside a head change have something by themselves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from detect.judge.figures import terms_of
from detect.judge.head_fit import HeadTerms, fit_heads
from detect.judge.rows import INDEX, RELATIONS, UNSLANTED, Rows
from detect.judge.timebase import time_base_of
from detect.judge.wheel import CHROMA_LINES
from detect.standards import STD_525
from tests.drawn_rows import HEIGHT, PERIOD, PHASE, VIEW, rows_and_fit

COMB = replace(VIEW, chroma_lines=CHROMA_LINES["three"], combs=1)
HEADS = np.array([3.0, -1.0, -1.0, -1.0])


def rows_of(lines: np.ndarray, relation: str, share: float, seed: int) -> Rows:
    """What the relation reads of lines, with such a share of the slant taken off; noise of a fifth."""
    rows = Rows(np.zeros((len(RELATIONS), HEIGHT)), np.zeros((len(RELATIONS), HEIGHT)))
    before, a, b, after = lines[:-6], lines[2:-4], lines[4:-2], lines[6:]
    read = b - a if relation in UNSLANTED else ((b - a) - share * (after - before) / 3) / (1 - share / 3)
    k = INDEX[relation]
    rows.ratio[k, 2:-4] = read + np.random.default_rng(seed).normal(0, 0.2, HEIGHT - 6)
    rows.weight[k, 2:-4] = 1.0
    return rows


def mixed(of_boundary: np.ndarray, relation: str = "saturation") -> np.ndarray:
    """Heads, of which a comb adds up the colour, less what the lines beside each type of boundary lose, (4,)."""
    number = np.floor((np.arange(HEIGHT) / 2 - PHASE) / PERIOD + 1e-9).astype(int)
    made = HEADS[number % 4]
    if relation == "saturation":
        made = (2 * made + np.roll(made, 2) + np.roll(made, -2)) / 4
    for away in (-2, 2):
        beyond = np.roll(number, -away)
        lost = np.where(beyond != number, of_boundary[np.minimum(number, beyond) % 4], 0.0)
        made = made - lost
    return np.asarray(made)


@pytest.mark.parametrize("relation", ["saturation", "noise"])
@pytest.mark.parametrize("share", [0.75, 0.9])
@pytest.mark.parametrize("seed", range(3))
def test_what_lines_beside_a_head_change_lose_is_none_of_the_heads(relation: str, share: float, seed: int) -> None:
    rows = rows_of(mixed(np.array([2.0, 9.0, 0.0, 5.0]), relation), relation, share, seed)
    by_themselves, all_alike = (fit_heads(rows, COMB, STD_525, relation, PHASE, HeadTerms(beside=lines)) for lines in (1, 0))
    assert by_themselves is not None
    assert all_alike is not None
    assert np.all(np.abs(by_themselves.value - HEADS) < 4 * by_themselves.sigma)
    assert by_themselves.sigma.max() < 0.5 * all_alike.sigma.max() or np.any(np.abs(all_alike.value - HEADS) > 4 * all_alike.sigma)
    assert by_themselves.beside == pytest.approx(np.array([5.0, 9.0, 9.0, 5.0]), abs=2.0)  # at either end of each head's passes


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("relation", ["saturation", "noise"])
def test_such_lines_are_seen_though_the_picture_shows_no_displacement(relation: str, seed: int) -> None:
    _, fit = rows_and_fit(np.zeros(HEIGHT), np.zeros(HEIGHT), seed)
    unknown = time_base_of("undetermined", np.zeros(5), np.eye(5), STD_525)
    for lost, lines in ((np.array([2.0, 9.0, 0.0, 5.0]), 1), (np.zeros(4), 0)):
        rows = rows_of(mixed(lost, relation), relation, 0.8, seed)
        assert terms_of(relation, rows, COMB, STD_525, fit, unknown).beside == lines


def test_passes_that_a_corrector_lines_up_leave_nothing_beside() -> None:
    rows, fit = rows_and_fit(np.zeros(HEIGHT), np.zeros(HEIGHT), 1)
    corrected = time_base_of("line-corrected", np.zeros(5), np.eye(5), STD_525)
    assert terms_of("saturation", rows, COMB, STD_525, fit, corrected).beside == 0
