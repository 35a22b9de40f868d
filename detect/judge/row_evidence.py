"""Whether a fault stands out in the fit of all rows together, where the jumps of no one relation show it by themselves.

The same fit at periods no wheel has tells what content does (``null``), at periods near the wheel's whether bands of the picture
fit better still (``near``). What is compared is the square of the figure over its variance; for the heads, of which three are free,
the quadratic form of their values with their inverse covariance, by the number of them.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from detect.judge.evidence import Proof, proof_of, square_of
from detect.judge.head_fit import HeadTerms, fit_heads
from detect.judge.regimes import TimingRows, timing_rows
from detect.judge.row_bases import TimingModel
from detect.judge.rows import EDGES, Rows
from detect.judge.timebase import ModelFit
from detect.judge.wheel import View, WheelFit, near_places, null_places
from detect.standards import HEADS, Standard

PLACES: Mapping[str, slice] = {"quadrature": slice(0, 3), "skew": slice(3, 4), "scallop": slice(4, 5)}
"""Places of the figures among the unknowns of the fit."""

OWN_SHIFTS = (-0.5, 0.5)
"""Lines from the wheel's phase at which the heads are asked as well before a near period may win, which is tried at several phases: a
decoder, or the blocks of a carrier, may shift what colour shows of a boundary by part of a line."""


def timing_evidence(
    rows: Rows, view: View, standard: Standard, fit: WheelFit, *, edges: bool = False, model: TimingModel = "uncorrected"
) -> dict[str, Proof]:
    """Evidence for skew, quadrature and scallop from displacement, its growth and hue along the line, and
    from the blanking ``edges`` where they are the tape's own. Under the ``corrected`` model scallop alone shows."""
    whole = timing_rows(rows, view, standard, fit)
    asked = whole if edges else whole.without(EDGES)
    mine = asked.fit(standard, fit.phase_lines, model=model)
    own = _squares(mine)
    left = dict(zip(asked.white, mine.left, strict=True))
    null = np.max([_squares(asked.fit(at, p, data=left, model=model)) for at, p in null_places(standard)], axis=0)
    near = [_near(asked, standard, fit.phase_lines, mine, at, k, model) for k, at in enumerate(PLACES.values())]
    return {
        name: proof_of(float(own[k]), float(null[k]), near[k], at.stop - at.start)
        for k, (name, at) in enumerate(PLACES.items())
    }


def _near(
    asked: TimingRows, standard: Standard, phase: float, mine: ModelFit, at: slice, k: int, model: TimingModel
) -> float:
    """The largest square of one figure at the near periods, in readings without the other faults: a large skew there poses as all."""
    data = {
        relation: left + asked.part_of(mine, standard, phase, relation, at, model)
        for relation, left in zip(asked.white, mine.left, strict=True)
    }
    places = near_places(standard, phase)
    return max(float(_squares(asked.fit(near, p, data=data, model=model))[k]) for near, p in places)


def heads_evidence(rows: Rows, view: View, standard: Standard, fit: WheelFit, relation: str, terms: HeadTerms) -> Proof | None:
    """Evidence for offsets of the heads in one relation, None where they cannot be told."""
    heads = fit_heads(rows, view, standard, relation, fit.phase_lines, terms)
    if heads is None:
        return None
    own = heads.square_at(standard, fit.phase_lines)
    null = max(heads.square_at(at, phase, of_rest=True) for at, phase in null_places(standard))
    places = near_places(standard, fit.phase_lines, resolved_lines=view.resolved_lines(relation))
    near = max(heads.square_at(at, phase) for at, phase in places)
    best = max(own, *(heads.square_at(standard, fit.phase_lines + shift) for shift in OWN_SHIFTS))
    return proof_of(own, null, near * own / best, HEADS - 1)


def _squares(model: ModelFit) -> NDArray[np.float64]:
    """For each of ``PLACES``: squared distance from nought in standard errors, by degree of freedom."""
    out = []
    for at in PLACES.values():
        out.append(square_of(model.value[at], model.cov[at, at]))
    return np.array(out)

