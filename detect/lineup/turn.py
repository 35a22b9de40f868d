"""Arithmetic of a trial turn: from a figure before and after, how much further to turn for zero.

The adjuster is taken as linear over the turn. Screws have play (backlash), so the last movement is always in the
direction of the trial turn: where the way to zero leads back, go past it and return. Nothing is advised for a figure
that is within its noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

Action = Literal["stop", "go on", "go back and return", "turn more to tell"]

NOISE_SIGMAS = 4.0
"""A figure, or a change, closer to zero than this many standard errors is not acted on: chance below 1 in 10 000."""
OVERSHOOT_TURNS = 0.25
"""How far past the mark to go when coming back, in trial turns: several times the play of a worn screw (about 5 %)."""
MOST_TURNS = 3.0
"""The furthest turn advised at once, in trial turns: a straight line is not to be trusted beyond."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A figure and its standard error, in the same unit."""

    value: float
    sigma: float


@dataclass(frozen=True, slots=True)
class TurnAdvice:
    """``further_turns`` counts in trial turns, positive in the direction of the trial; None when nothing is to be turned.

    ``change_per_turn`` is what one trial turn did. ``expected`` is the figure to expect after the advised turn, with
    its sigma.
    """

    action: Action
    further_turns: float | None
    sigma_turns: float | None
    change_per_turn: Reading
    expected: Reading | None
    overshoot_turns: float
    limited: bool


def advise_turn(before: Reading, after: Reading, *, turned: float = 1.0) -> TurnAdvice:
    """What to do after a turn of ``turned`` trial turns took a figure from ``before`` to ``after``.

    ``turned`` is the sum of the movements between the two captures, negative when it came out against the trial turn; the
    last movement is taken to have gone the way of the trial turn. Raises ValueError for a turn of zero.
    """
    if turned == 0 or not np.isfinite(turned):
        raise ValueError("a turn of zero tells nothing about the adjuster")
    change = after.value - before.value
    change_sigma = float(np.hypot(before.sigma, after.sigma))
    per_turn = Reading(change / turned, change_sigma / abs(turned))
    if abs(after.value) <= NOISE_SIGMAS * after.sigma:
        return TurnAdvice("stop", None, None, per_turn, None, 0.0, False)
    if abs(change) <= NOISE_SIGMAS * change_sigma:
        return TurnAdvice("turn more to tell", None, None, per_turn, None, 0.0, False)
    exact = -after.value / per_turn.value
    # d(further)/d(after) = -before/change^2 turned, d(further)/d(before) = after/change^2 turned
    scale = abs(turned) / change**2
    sigma = float(np.hypot(before.value * scale * after.sigma, after.value * scale * before.sigma))
    further = float(np.clip(exact, -MOST_TURNS, MOST_TURNS))
    limited = further != exact
    # play is taken up in the direction of the trial turn, whatever the sum of the last movements was
    back = further < 0
    left = after.value + further * per_turn.value
    expected = Reading(left if limited else 0.0, float(np.hypot(after.sigma, further * per_turn.sigma)))
    action: Action = "go back and return" if back else "go on"
    return TurnAdvice(action, further, sigma, per_turn, expected, OVERSHOOT_TURNS if back else 0.0, limited)


def movements(advice: TurnAdvice) -> list[float]:
    """The advised movements of the screw in trial turns, one after the other; the last one goes the way of the trial
    turn."""
    if advice.further_turns is None:
        return []
    if advice.action == "go back and return":
        return [advice.further_turns - advice.overshoot_turns, advice.overshoot_turns]
    return [advice.further_turns]
