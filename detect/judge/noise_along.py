"""Noise along the pass, common to all heads: what a picture shows of the contact between tips and tape from one edge to the other.

Two shapes are fitted to the noise relation together with the heads' own offsets: a slope, as sin(theta), and a bow, as -cos(theta).
Evidence is asked as of every fault: against the same fit at periods no wheel has, and at periods near the wheel's. What the first and
the last lines of every pass have by themselves is fitted besides and left out: beside a head change a decoder that combs leaves subcarrier
in the luminance, which reads as noise.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from detect.judge.evidence import Proof, proof_of, square_of
from detect.judge.head_fit import WORST_CONDITION
from detect.judge.row_bases import head_readings, pass_of
from detect.judge.rows import INDEX, Rows
from detect.judge.time_geometry import line_fraction, scallop_shape, skew_shape, theta
from detect.judge.wheel import View, near_places, null_places
from detect.judge.white_rows import white_rows
from detect.standards import ACTIVE_SAMPLES, HEADS, Standard

F64 = NDArray[np.float64]

CLEAR = 3.0
"""Standard errors a figure must be away from zero, as ``found.CLEAR``."""
SHAPES = 2
BESIDE = {"525": (2,), "625": (2, 4)}
"""Rows from a head change up to which a decoder that combs reaches: one line of the field in 525, two in 625, whose subcarrier repeats
after two. The first and last lines, so many each, have something by themselves."""
ENDS = np.array([[-0.5, 1.0], [0.5, 1.0]])
"""What slope and bow make of start and end of a pass against its middle."""


@dataclass(frozen=True, slots=True)
class NoiseAlong:
    """Noise at start and end of the passes against their middle, dB of power, (2,), and standard errors; how it stands out."""

    value_db: F64
    sigma_db: F64
    proof: Proof

    @property
    def worst(self) -> int:
        """0: the start of the passes differs most from their middle; 1: the end."""
        return int(np.argmax(np.abs(self.value_db)))

    @property
    def clear(self) -> bool:
        return self.proof.holds and abs(self.value_db[self.worst]) > CLEAR * self.sigma_db[self.worst]


def _reads(standard: Standard, view: View, phase: float) -> F64:
    """What slope and bow (ends against middle), the heads B, C, D against A, and first and last lines read, (bottom, 7 or 9)."""
    rows = np.arange(view.bottom, dtype=np.float64)
    middle = line_fraction(standard, ACTIVE_SAMPLES / 2)

    def shapes(row: F64) -> F64:
        at = theta(standard, phase, row, middle)
        return np.stack([skew_shape(at), scallop_shape(at)], axis=1)

    def beside(row: F64) -> F64:
        own = pass_of(standard, phase, row)
        near = [pass_of(standard, phase, row + sign * away) != own for away in BESIDE[standard.short_name] for sign in (-1, 1)]
        ends = [a & ~b for a, b in zip(near[2:], near[:-2], strict=True)]  # the second lines are none of the first
        return np.stack([*near[:2], *ends], axis=1).astype(np.float64)

    heads = head_readings(standard, view, "noise", phase).reads()[:, : HEADS - 1]
    return np.hstack([shapes(rows + 2) - shapes(rows), heads, beside(rows + 2) - beside(rows)])


@lru_cache(maxsize=8)
def _nulls(standard: Standard, view: View) -> F64:
    return np.stack([_reads(at, view, phase) for at, phase in null_places(standard)], axis=1)


def noise_along(rows: Rows, view: View, standard: Standard, phase: float) -> NoiseAlong | None:
    """Slope and bow of the noise along the pass; None where they cannot be told.

    A carrier that codes blocks of rows spreads its own noise by rows of macroblocks, 16 or 32 rows, which is next to half a pass or one.
    """
    if view.noise_block_rows > 1:
        return None
    k = INDEX["noise"]
    reads = _reads(standard, view, phase)
    white = white_rows(
        rows.ratio[k][: view.bottom], rows.weight[k][: view.bottom], view, reach=2, faults=reads, nulls=_nulls(standard, view)
    )
    if white is None or np.linalg.cond(white.basis(reads)) ** 2 > WORST_CONDITION:
        return None
    value, cov = _fit(white.basis(reads), white.data)
    rest = white.data - white.basis(reads) @ value
    others_off = white.data - white.basis(reads)[:, SHAPES:] @ value[SHAPES:]

    def square(at: Standard, p: float, data: F64) -> float:
        return _square(*_fit(white.basis(_reads(at, view, p)[:, : SHAPES + HEADS - 1]), data))

    proof = proof_of(
        square(standard, phase, others_off),
        max(square(at, p, rest) for at, p in null_places(standard)),
        max(square(at, p, others_off) for at, p in near_places(standard, phase)),
        SHAPES,
    )
    return NoiseAlong(ENDS @ value[:SHAPES], np.sqrt(np.diag(ENDS @ cov[:SHAPES, :SHAPES] @ ENDS.T)), proof)


def shots_that_show(along: NoiseAlong, shots: Iterable[Rows], view: View, standard: Standard, phase: float) -> int:
    """How many shots, by their rows, each show what all show ``along`` the pass: noise is new in every one, a picture's texture is not."""
    worst, sign = along.worst, np.sign(along.value_db[along.worst])
    seen = (noise_along(rows, view, standard, phase) for rows in shots)
    return sum(bool(sign * own.value_db[worst] > CLEAR * own.sigma_db[worst]) for own in seen if own is not None)


def _fit(basis: F64, data: F64) -> tuple[F64, F64]:
    cov = np.asarray(np.linalg.pinv(basis.T @ basis, rcond=1e-9, hermitian=True), np.float64)
    return cov @ (basis.T @ data), cov


def _square(value: F64, cov: F64) -> float:
    """Of the two shapes."""
    return square_of(value[:SHAPES], cov[:SHAPES, :SHAPES])
