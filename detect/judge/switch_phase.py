"""The wheel where nothing shows it but the switching from head to head: dashes at line ends, one pass apart all down the picture.

A switch waits for the end of a line, so its dash stands at the beginning of the first line of a pass or at the end of the last one; one
line of either field at every head change. Null hypothesis: lines that show dashes lie anywhere, in one of P lines at a head change (P lines
a pass; binomial, times the phases tried). Lines are counted, not dashes: what stands in the picture is there in every frame.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.findings import WheelState
from detect.judge.gone_heads import with_phases
from detect.measure.line_ends import STANDING
from detect.standards import ACTIVE_SAMPLES, Standard

F64 = NDArray[np.float64]

TRIED = 132
"""Phases that are tried: to an eighth of a line."""
SIGNIFICANT = 1e-6
MOST_CHANGES = 0.5
"""Share of the head changes in view, of both fields, that must show a dash in some frame (house practice)."""
MOST_DASHES = 0.5
"""... and of all dashes at this end of the lines, those that must stand at them."""


def with_phases_of_dashes(
    wheel: Sequence[WheelState], candidates: Mapping[str, NDArray[Any]], rows0: tuple[int, int], height: int, standard: Standard
) -> list[WheelState]:
    """The same stretches, those without a phase with that of the dashes, where they show one.

    ``candidates``: of losses; ``rows0``: frame row of line 0 of either field; ``height``: frame rows.
    """
    mine = np.asarray(candidates.get("kind", np.zeros(0))) == STANDING
    if not mine.any():
        return list(wheel)
    frame, field, line, x0 = (np.asarray(candidates[k])[mine].astype(np.int64) for k in ("frame", "field", "line", "x0"))

    def phase_of(state: WheelState) -> float | None:
        here = (frame >= state.start_frame) & (frame < state.end_frame)
        return _phase_of(np.asarray(rows0)[field[here]] / 2 + line[here], x0[here] < ACTIVE_SAMPLES / 2, height / 2, standard)

    return with_phases(wheel, phase_of)


def _phase_of(at: F64, on_the_left: NDArray[np.bool_], lines: float, standard: Standard) -> float | None:
    """``at``: field line of each dash from the top of the frame, in halves; whether at the left; ``lines``: height of the picture."""
    period = float(standard.lines_per_pass)
    tried = np.arange(TRIED) * period / TRIED
    best: tuple[float, float | None] = (SIGNIFICANT, None)
    for dashes, lag in ((at[on_the_left], 0.0), (at[~on_the_left], 1.0)):
        if not len(dashes):
            continue
        where, count = np.unique(dashes, return_counts=True)
        into = (where[None, :] + lag - tried[:, None]) % period  # lines since the change, of the line that would show it
        inside = into < 1.0
        hits = inside.sum(axis=1)
        in_view = 2 * lines / period
        good = (hits >= MOST_CHANGES * in_view) & ((inside * count).sum(axis=1) >= MOST_DASHES * count.sum())
        if not good.any():
            continue
        most = hits[good].max()
        chance = TRIED * float(stats.binom.sf(most - 1, len(where), 1 / period))
        if chance < best[0]:
            turn = np.exp(2j * np.pi * tried[good & (hits == most)] / period).mean()
            best = (chance, float(np.angle(turn) / (2 * np.pi) * period % period))
    return best[1]
