"""A phase of the wheel for losses where the picture shows none: a scratch comes back every pass, whatever the phase is.

The phase is put so that the place where losses crowd lies in the middle of the passes. What follows from it is only what does not
depend on it: that they come back, not where across the tape, nor with which head.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from detect.judge.loss_choice import LIKELY
from detect.judge.tape_map import WheelStretch, place_losses
from detect.standards import Standard


@dataclass(frozen=True, slots=True)
class Assumed:
    """A stretch of the wheel as ``tape_map.WheelStretch`` has it, its phase known or assumed."""

    start_frame: int
    end_frame: int
    phase_lines: float
    locked: bool = True


CELLS = 64
"""Of a pass, in which losses are counted."""
REACH = 2
"""Cells either way that are the same place: 1.3 mm."""


def with_assumed_phases(
    wheel: Sequence[WheelStretch],
    candidates: Mapping[str, NDArray[Any]],
    *,
    standard: Standard,
    rows0: tuple[int, int],
    first_sample: int,
) -> list[Assumed]:
    """The same stretches, those without a known phase with an assumed one."""
    period = float(standard.lines_per_pass)
    zero = [Assumed(state.start_frame, state.end_frame, 0.0) for state in wheel]
    at_zero = place_losses(candidates, wheel=zero, standard=standard, rows0=rows0, first_sample=first_sample)
    likely = np.asarray(candidates["score"]) >= LIKELY
    out = []
    for index, state in enumerate(wheel):
        if state.locked and state.phase_lines is not None:
            out.append(Assumed(state.start_frame, state.end_frame, state.phase_lines))
            continue
        place = at_zero.in_turn[likely & (at_zero.stretch == index)]
        crowd = _most_crowded(place[np.isfinite(place)])
        out.append(replace(zero[index], phase_lines=((crowd - 0.5) % 1.0) * period))
    return out


def _most_crowded(place: NDArray[np.floating[Any]]) -> float:
    """The place in the pass, 0 to 1, about which most lie."""
    counts = np.bincount(np.minimum((place * CELLS).astype(np.int64), CELLS - 1), minlength=CELLS)
    around = sum(np.roll(counts, shift) for shift in range(-REACH, REACH + 1))
    return (int(np.argmax(around)) + 0.5) / CELLS
