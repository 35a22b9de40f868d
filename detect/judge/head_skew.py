"""Skew of each head by itself: tips that press unequally deep into the tape.

The jumps at the boundaries cannot tell it from quadrature: both are one step at each. What can is the error's growth along the line,
which a stretched pass has in each of its lines and a displaced head has not; in 525 lines hue shows it to a fraction of a degree.
Three more unknowns are fitted to all rows of uncorrected material, and asked the questions that every fault is asked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from detect.judge.evidence import KNOWN_PHASE_RATIO, Proof, proof_of, square_of
from detect.judge.row_bases import mixed_reads, pass_of, slant_free, timing_readings
from detect.judge.time_geometry import line_fraction, skew_shape, theta
from detect.judge.wheel import View, near_places, null_places
from detect.standards import ACTIVE_SAMPLES, HEADS, Standard

if TYPE_CHECKING:
    from detect.judge.regimes import TimingRows

F64 = NDArray[np.float64]

COMMON = 5
"""e_B, e_C, e_D against A, skew, scallop; after them the skews of heads B, C, D against the mean of the four, then what a comb mixes."""
OWN = slice(COMMON, COMMON + HEADS - 1)
SIGMA_SCALE, FLOOR_NS = 2.0, 1.0
"""Standard errors of the fit times this, and what is added: content errs alike in many rows (house values, set on
tapes of equal skew)."""
OF_SATURATION_NS, OF_SCALLOP = 0.4, 0.15
"""What is added to that for each % by which the saturation of two heads differs, and as a share of a scallop: hue along the line is
read from chroma that changes across the same boundary (house values, set so that tapes of equal skew show none)."""
OF_DIFFERENTIAL_NS = 1.5
"""What is added for each degree of differential phase by which a head differs: pictures are brighter at one side of a line than at the
other, and its hue then grows along the line too (house value)."""
OF_MIXED_NS = 0.4
"""What is added for each degree by which a comb's lines differ where it adds them across a boundary: the share it takes over is linear for
small steps only: atan(k sin J / (1 - k + k cos J)) against k J (house value)."""
CLEAR = 4.0
"""Standard errors a head's own skew must be away from zero before it is believed, and taken off its quadrature."""
LEAST_GAIN = 30.0
"""Chi-square the three must win before the other questions are asked at all."""


@dataclass(frozen=True, slots=True)
class HeadSkew:
    """Skew of each head less the mean of the four, ns (4,), with standard errors; all ``COMMON`` unknowns beside it; how it stands out."""

    value_ns: F64
    sigma_ns: F64
    common: F64
    common_cov: F64
    proof: Proof | None

    @property
    def evident(self) -> bool:
        clear = bool((np.abs(self.value_ns) > CLEAR * self.sigma_ns).any())
        return clear and self.proof is not None and self.proof.holds_at(KNOWN_PHASE_RATIO)


@lru_cache(maxsize=256)
def _reads(standard: Standard, view: View, relation: str, phase: float, mixed: tuple[float, ...] | None) -> F64:
    """What all unknowns read in one relation, (bottom, 8 or 9)."""
    operator = view.operator(relation)
    centre, left, right = (line_fraction(standard, x) for x in (ACTIVE_SAMPLES / 2, 0, ACTIVE_SAMPLES))
    unit = -standard.subcarrier_deg_per_ns if relation == "hue_ramp" else 1.0

    def of(head: int, fraction: float) -> Callable[[F64], F64]:
        def curve(row: F64) -> F64:
            number = pass_of(standard, phase, row) % HEADS
            sign = (number == head).astype(np.float64) - (number == 0)
            return np.asarray(sign * skew_shape(theta(standard, phase, row, fraction)))

        return curve

    def read(head: int, fraction: float) -> F64:
        return slant_free(view, operator, of(head, fraction))

    own = [read(h, centre) if relation == "shift" else unit * (read(h, right) - read(h, left)) for h in range(1, HEADS)]
    reads = [timing_readings(standard, view, relation, phase).uncorrected, np.stack(own, axis=1)]
    if mixed is not None:
        hue = relation == "hue_ramp"
        reads.append(mixed_reads(standard, view, relation, phase, mixed)[:, None] if hue else np.zeros((view.bottom, 1)))
    return np.hstack(reads)


def head_skew(
    picture: TimingRows,
    standard: Standard,
    phase: float,
    *,
    saturation_pct: float,
    differential_deg: float = 0.0,
    mixed: tuple[float, ...] | None = None,
) -> HeadSkew | None:
    """Unequal skew in the rows of uncorrected 525-line material; None elsewhere: without hue along the line errors are huge.

    ``saturation_pct``: by how much neighbouring heads differ at most; ``differential_deg``: by how much a head's differential phase
    differs from the mean; ``mixed``: steps that a decoder may take over to the lines beside a boundary (``HeadTerms``).
    """
    if "hue_ramp" not in picture.white:
        return None

    def whitened(at: Standard, p: float) -> F64:
        return np.vstack([white.basis(_reads(at, picture.view, k, p, mixed)) for k, white in picture.white.items()])

    def fit(at: Standard, p: float, data: F64) -> tuple[F64, F64]:
        basis = whitened(at, p)
        cov = np.asarray(np.linalg.pinv(basis.T @ basis, rcond=1e-10, hermitian=True), np.float64)
        return cov @ (basis.T @ data), cov

    data = np.concatenate([white.data for white in picture.white.values()])
    basis = whitened(standard, phase)
    value, cov = fit(standard, phase, data)
    of_content = np.sqrt(
        (OF_SATURATION_NS * saturation_pct) ** 2 + (OF_SCALLOP * value[4]) ** 2 + (OF_DIFFERENTIAL_NS * differential_deg) ** 2
        + (OF_MIXED_NS * np.abs(mixed or (0.0,)).max()) ** 2
    )
    from_b = np.vstack([-np.ones(HEADS - 1), np.eye(HEADS - 1)])  # A's is what makes the mean zero
    sigma = np.sqrt(np.diag(from_b @ cov[OWN, OWN] @ from_b.T))
    proof = None
    if (HEADS - 1) * _square(value, cov) > LEAST_GAIN:
        rest = data - basis @ value
        without = rest + basis[:, OWN] @ value[OWN]
        null = max(_square(*fit(at, p, rest)) for at, p in null_places(standard))
        near = max(_square(*fit(at, p, without)) for at, p in near_places(standard, phase))
        proof = proof_of(_square(value, cov), null, near, HEADS - 1)
    told = HeadSkew(
        value_ns=from_b @ value[OWN],
        sigma_ns=np.sqrt((SIGMA_SCALE * sigma) ** 2 + FLOOR_NS**2 + of_content**2),
        common=value[:COMMON],
        common_cov=SIGMA_SCALE**2 * cov[:COMMON, :COMMON],
        proof=proof,
    )
    # where hue shows nothing at all, a decoder may have silenced it
    return None if picture.hue.silent and not told.evident else told


def _square(value: F64, cov: F64) -> float:
    """Of the heads' own skews."""
    return square_of(value[OWN], cov[OWN, OWN])
