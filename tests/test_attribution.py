"""Deck or recording: right over a simulated table of errors and noise, and silent where nobody can tell."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats

from detect.judge.attribution import REAL_SIGMAS, SURE, Attribution, attribute, attribute_heads

DECK_NS = (0.0, 10.0, 40.0)
RECORDED_NS = (0.0, 10.0, 40.0)
SIGMA_NS = (0.5, 2.0, 8.0)


def trials(deck: float, recorded: float, sigma: float, *, count: int, seed: int) -> list[Attribution]:
    rng = np.random.default_rng(seed)
    noise = sigma * rng.standard_normal((count, 2))
    return [attribute(deck + recorded + a, sigma, deck + b, sigma) for a, b in noise]


@pytest.mark.parametrize("sigma", SIGMA_NS)
@pytest.mark.parametrize(("deck", "recorded"), [p for p in itertools.product(DECK_NS, RECORDED_NS) if p[0] != p[1]])
def test_the_larger_part_is_named_or_nothing_is(deck: float, recorded: float, sigma: float) -> None:
    wrong = "recorded" if deck > recorded else "deck"
    right = "deck" if deck > recorded else "recorded"
    origins = [t.origin for t in trials(deck, recorded, sigma, count=400, seed=int(deck + 7 * recorded))]
    # the stated risk of 1 - SURE = 2.5 %, with the binomial scatter of 400 trials
    assert origins.count(wrong) <= stats.binom.ppf(0.999, 400, 1 - SURE)
    # deck less half the finding, over its error: where that is six sigmas it must be told nearly always
    gap = abs(deck - recorded) / 2 / np.hypot(sigma, sigma / 2)
    if gap > 6 and deck + recorded > 2 * REAL_SIGMAS * sigma:
        assert origins.count(right) >= 390


@pytest.mark.parametrize("sigma", [1.0, 4.0])
def test_equal_parts_are_rarely_told_apart(sigma: float) -> None:
    origins = [t.origin for t in trials(20.0, 20.0, sigma, count=400, seed=5)]
    # both tails of 2.5 %
    assert origins.count("cannot tell") >= stats.binom.ppf(0.001, 400, 2 * SURE - 1)


def test_a_finding_within_its_error_has_no_origin() -> None:
    found = attribute(4.0, 2.0, 4.0, 0.1)
    assert found.origin == "cannot tell"
    assert "within its own error" in found.text


def test_errors_that_oppose_each_other_are_recorded_in() -> None:
    found = attribute(30.0, 1.0, -20.0, 1.0)
    assert found.origin == "recorded"
    assert found.deck_share == pytest.approx(-2 / 3)


def test_the_arithmetic_is_written_out() -> None:
    found = attribute(40.0, 1.0, 38.0, 1.0, days=3.0)
    assert "On this tape 40.0 ±1.0 ns" in found.text
    assert "3 days before the deck had 38.0 ±1.0 ns" in found.text
    assert "2.0 ±1.4 ns was recorded" in found.text


HEADS = [6.0, -4.0, 1.0, -3.0]


def heads(finding: list[float], deck: list[float], *, numbered: bool, sigma: float = 0.3) -> Attribution:
    return attribute_heads(finding, [sigma] * 4, deck, [sigma] * 4, numbered=numbered, unit="%")


def test_heads_alike_on_both_tapes_are_the_decks() -> None:
    assert heads(HEADS, HEADS, numbered=True).origin == "deck"
    assert heads(HEADS, [0.0] * 4, numbered=True).origin == "recorded"


def test_without_numbers_an_origin_is_named_only_when_it_holds_for_every_turn() -> None:
    assert heads(HEADS, [0.1, -0.1, 0.1, -0.1], numbered=False).origin == "recorded"
    turned = heads(HEADS, [-3.0, 6.0, -4.0, 1.0], numbered=False)
    assert turned.origin == "cannot tell"
    assert "not numbered" in turned.text


@pytest.mark.parametrize("seed", range(20))
def test_an_unnumbered_play_is_never_given_to_the_wrong_side(seed: int) -> None:
    rng = np.random.default_rng(seed)
    deck = rng.normal(0, 4, 4)
    deck -= deck.mean()
    recorded = rng.normal(0, 4, 4) * rng.integers(0, 2)
    recorded -= recorded.mean()
    play = np.roll(deck, int(rng.integers(4))) + recorded + rng.normal(0, 0.3, 4)
    found = heads((play - play.mean()).tolist(), deck.tolist(), numbered=False)
    if not recorded.any():
        assert found.origin != "recorded"
