"""Which head is which in a later play: the signature kept in the deck file against what this play shows, in the four turns that
are possible. A number is given only when one turn fits and no other can; otherwise it is refused, with the reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.standards import HEADS

F64 = NDArray[np.float64]

DRIFT: dict[str, float] = {
    "response_db": 0.15,
    "saturation_pct": 0.8,
    "level_ire": 0.15,
    "noise_db": 0.4,
}
"""How much a head's figure wanders from day to day, one sigma, in its own unit; used until the deck's own history says more
(estimate from common practice, no single source)."""
ODDS = 1e4
"""The best turn must be this many times likelier than the next."""
FIT_CHANCE = 1e-3
"""A best turn whose misfit would be seen more rarely than this is no fit: another wheel, or a recording that covers
the heads."""

Quantity = tuple[Sequence[float], Sequence[float]]
"""Four values and their four sigmas."""


@dataclass(frozen=True, slots=True)
class Numbering:
    """``numbers`` of the heads A to D, None when refused. ``odds`` of the best turn over the next."""

    numbers: list[int] | None
    odds: float
    text: str


def number_heads(play: Mapping[str, Quantity], signature: Mapping[str, Quantity], *, drift: Mapping[str, float] | None = None) -> Numbering:
    """Match figures of this play (heads A to D) to a signature (heads 1 to 4), quantity by quantity.

    Keys are names of quantities; "response_db@3" counts as "response_db" for its drift. Values are compared with the
    mean of the heads taken out, so each quantity has three degrees of freedom.
    """
    wander = {**DRIFT, **(drift or {})}
    shared = sorted(set(play) & set(signature))
    usable = [k for k in shared if _finite(play[k]) and _finite(signature[k])]
    if not usable:
        return Numbering(None, 1.0, "Heads not numbered: this play and the deck file have no figure in common.")
    misfit = np.zeros(HEADS)
    dof = 0
    for key in usable:
        values, sigmas = (np.asarray(v, np.float64) for v in play[key])
        known, known_sigmas = (np.asarray(v, np.float64) for v in signature[key])
        sigma_day = wander.get(key.split("@")[0], 0.0)
        for turn in range(HEADS):
            there = np.roll(known, -turn)
            sigma = np.sqrt(sigmas**2 + np.roll(known_sigmas, -turn) ** 2 + sigma_day**2)
            off = values - there
            weight = 1 / sigma**2
            off = off - (off * weight).sum() / weight.sum()
            misfit[turn] += float((off**2 * weight).sum())
        dof += HEADS - 1
    order = np.argsort(misfit)
    best, second = int(order[0]), int(order[1])
    odds = float(np.exp(min(0.5 * (misfit[second] - misfit[best]), 700.0)))
    numbers = [(k + best) % HEADS + 1 for k in range(HEADS)]
    if stats.chi2.sf(misfit[best], dof) < FIT_CHANCE:
        return Numbering(
            None,
            odds,
            "Heads not numbered: no turn of the wheel brings this play together with the deck's signature "
            "(another wheel, heads readjusted since, or the recording's own banding is larger).",
        )
    if odds < ODDS:
        return Numbering(
            None,
            odds,
            f"Heads not numbered: the likeliest match is only {odds:.0f} times likelier than the next "
            f"({ODDS:.0f} is asked for); the heads are too much alike.",
        )
    listed = ", ".join(f"{letter} is {n}" for letter, n in zip("ABCD", numbers, strict=True))
    return Numbering(numbers, odds, f"Heads numbered by their signature: {listed}.")


def _finite(quantity: Quantity) -> bool:
    return all(v is not None and np.isfinite(v) for part in quantity for v in part)
