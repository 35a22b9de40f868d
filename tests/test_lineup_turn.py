"""Arithmetic of trial turns and numbering by signature, over simulated adjusters and decks."""

from __future__ import annotations

import numpy as np
import pytest

from detect.lineup.numbering import DRIFT, number_heads
from detect.lineup.turn import NOISE_SIGMAS, Reading, advise_turn, movements

CLOSE_NS = 3.0
RANGE_NS = 200.0
"""Way of the adjuster over which its non-linearity is stated: the farthest a trial turn takes it here."""


class Adjuster:
    """A screw with unknown gain and sign, a bend of ``bend`` over its whole range, and play of ``play`` trial turns."""

    def __init__(self, rng: np.random.Generator, *, sigma_ns: float) -> None:
        self.rng, self.sigma_ns = rng, sigma_ns
        self.error_ns = float(rng.uniform(15, 80) * rng.choice([-1, 1]))
        # a trial turn worth the name: it moves between a quarter and two and a half times of what is wrong
        self.gain = float(abs(self.error_ns) * rng.uniform(0.25, 2.5) * rng.choice([-1, 1]))
        self.bend = float(rng.uniform(0, 0.2))
        self.play = 0.05
        self.screw = self.guide = 0.0

    def turn(self, amount: float) -> None:
        """The guide follows the screw once its play is taken up."""
        self.screw += amount
        if self.screw - self.guide > self.play / 2:
            self.guide = self.screw - self.play / 2
        elif self.guide - self.screw > self.play / 2:
            self.guide = self.screw + self.play / 2

    @property
    def true_ns(self) -> float:
        moved = self.gain * self.guide
        return self.error_ns + moved * (1 + self.bend * moved / RANGE_NS)

    def read(self) -> Reading:
        return Reading(self.true_ns + float(self.rng.normal(0, self.sigma_ns)), self.sigma_ns)


def set_by_advice(seed: int, *, sigma_ns: float) -> tuple[float, int]:
    """What is left after a trial turn and two further steps, and how many turns were made without need."""
    adjuster = Adjuster(np.random.default_rng(seed), sigma_ns=sigma_ns)
    adjuster.turn(0.2)  # the play is taken up one way before the first capture
    before = adjuster.read()
    last = 1.0
    adjuster.turn(last)
    after = adjuster.read()
    needless = 0
    for _ in range(2):
        advice = advise_turn(before, after, turned=last)
        steps = movements(advice)
        if advice.action == "stop":
            assert not steps
            break
        needless += abs(after.value) <= NOISE_SIGMAS * after.sigma and bool(steps)
        if not steps:
            steps = [last]
        for step in steps:
            adjuster.turn(step)
        before, after, last = after, adjuster.read(), sum(steps)
    return abs(adjuster.true_ns), needless


@pytest.mark.parametrize("sigma_ns", [0.1, 0.5])
def test_two_further_steps_come_under_three_nanoseconds(sigma_ns: float) -> None:
    left = [set_by_advice(seed, sigma_ns=sigma_ns) for seed in range(400)]
    assert sum(n for _, n in left) == 0
    assert np.mean([ns < CLOSE_NS for ns, _ in left]) >= 0.95


@pytest.mark.parametrize("seed", range(20))
def test_nothing_is_turned_for_an_error_within_its_noise(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sigma = float(rng.uniform(0.2, 5))
    after = Reading(float(rng.uniform(-1, 1) * NOISE_SIGMAS * sigma), sigma)
    advice = advise_turn(Reading(float(rng.normal(0, 50)), sigma), after)
    assert advice.action == "stop"
    assert movements(advice) == []


def test_half_way_in_one_turn_needs_one_more() -> None:
    advice = advise_turn(Reading(40.0, 0.5), Reading(20.0, 0.5))
    assert advice.action == "go on"
    assert advice.further_turns == pytest.approx(1.0)
    # further = a / (b - a): its error is |b| s / (b - a)^2 and |a| s / (b - a)^2 in quadrature
    assert advice.sigma_turns == pytest.approx(np.hypot(40, 20) * 0.5 / 400)


def test_a_turn_too_far_is_approached_from_the_same_side() -> None:
    advice = advise_turn(Reading(20.0, 0.5), Reading(-10.0, 0.5))
    assert advice.action == "go back and return"
    steps = movements(advice)
    assert sum(steps) == pytest.approx(-1 / 3)
    assert steps[-1] > 0


def test_a_turn_that_changes_nothing_asks_for_more() -> None:
    assert advise_turn(Reading(20.0, 1.0), Reading(19.0, 1.0)).action == "turn more to tell"
    with pytest.raises(ValueError, match="turn of zero"):
        advise_turn(Reading(20.0, 1.0), Reading(10.0, 1.0), turned=0.0)


# --- numbering by signature -------------------------------------------------------------------------------------------


def play_of(rng: np.random.Generator, *, spread: float) -> tuple[dict, dict, int]:
    """A signature, a later play of the same deck with heads turned by ``turn``, drifted and measured anew."""
    turn = int(rng.integers(4))
    sizes = {"response_db@3": 1.5, "response_db@4.1": 2.0, "saturation_pct": 4.0, "level_ire": 0.6, "noise_db": 1.5}
    signature, play = {}, {}
    for key, size in sizes.items():
        truth = rng.normal(0, size * spread, 4)
        drift = rng.normal(0, DRIFT[key.split("@")[0]], 4)
        sigma = 0.05 * size
        signature[key] = ((truth + rng.normal(0, sigma, 4)).tolist(), [sigma] * 4)
        play[key] = ((np.roll(truth + drift, -turn) + rng.normal(0, sigma, 4)).tolist(), [sigma] * 4)
    return signature, play, turn


def test_a_later_play_is_numbered_right_or_refused_in_two_hundred_seeds() -> None:
    right = refused = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        # decks from heads all alike (0) to plainly different ones (1)
        signature, play, turn = play_of(rng, spread=float(rng.uniform(0, 1)))
        found = number_heads(play, signature)
        if found.numbers is None:
            refused += 1
            continue
        assert found.numbers == [(k + turn) % 4 + 1 for k in range(4)], seed
        right += 1
    assert right >= 120
    assert refused >= 1


def test_heads_all_alike_are_not_numbered() -> None:
    for seed in range(50):
        signature, play, _ = play_of(np.random.default_rng(seed), spread=0.0)
        assert number_heads(play, signature).numbers is None


def test_another_wheel_is_not_numbered() -> None:
    numbered = 0
    for seed in range(200):
        signature, _, _ = play_of(np.random.default_rng(seed), spread=1.0)
        _, play, _ = play_of(np.random.default_rng(10_000 + seed), spread=1.0)
        numbered += number_heads(play, signature).numbers is not None
    assert numbered == 0


def test_nothing_in_common_is_said() -> None:
    found = number_heads({"level_ire": ([0.0] * 4, [0.1] * 4)}, {"noise_db": ([0.0] * 4, [0.1] * 4)})
    assert found.numbers is None
    assert "no figure in common" in found.text
