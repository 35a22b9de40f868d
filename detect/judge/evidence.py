"""Is a pattern of the heads in the rows, or does the picture do that by itself?

Three questions, asked of every kind: does it stand out from the same fit at periods no wheel has (null), is it stronger at the wheel's
own period than at periods near it (near), and is it seen in more than one independent picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.judge.rows import EDGES, INDEX, Rows, robust_variance
from detect.judge.wheel import EDGE_ROWS, View, WheelFit
from detect.standards import HEADS

F64 = NDArray[np.float64]

NULL_RATIO = 1.8
"""Strength over the largest at the null periods. What is reached without a fault: docs/evidence.md."""
KNOWN_PHASE_RATIO = 1.2
"""The same where another kind of fault has shown the phase: the null peaks are the largest of a thousand phases, and only one is asked
now. What gets there must still be clear of its error and above its limit (same source)."""
NEAR_ENOUGH = 1.03
"""How much stronger a near period may fit: where a few lines carry all the weight it meets the same boundaries and wins by a hair. Bands
of the picture at another period win by much more (same source)."""
JOINT_RATIO = 1.6
"""The same for all relations together, before a phase is called found."""
ALONE_RATIO = 1.5 * NULL_RATIO
"""The same for one relation by itself."""
LEAST_STRENGTH = 6.0
"""Strength below which nothing is said, whatever the ratios: F(4, 400) has a chance of 1e-4 there."""
LEAST_PICTURES = 1.5
"""Independent pictures below which a finding stays unconfirmed (five windows of one static shot count as 1.0 to 1.3)."""
LEAST_DETAIL = 0.15
"""Share of the places of a picture (rows by sections of the line) that must hold detail, in the mean of the windows: with less, the picture
is flat, and its bands may be all there is to see (house value, between flat or striped simulated pictures and a page of text)."""
DETAIL = 1.0
"""Weight of a place in a frame from which it holds detail: from there its lines tell displacement to a sample."""
LEAST_MOVING = 0.06
"""... and by how much of itself that detail changes from window to window where anything moves (house value, between still simulated
pictures and one held in the hand)."""
FEWEST_WINDOWS = 3


@dataclass(frozen=True, slots=True)
class Proof:
    """``strength`` per degree of freedom; ``ratio`` to the null peak; ``near``: the strength at the best near period over the own."""

    strength: float
    ratio: float
    near: float
    z: float

    @property
    def holds(self) -> bool:
        return self.holds_at(NULL_RATIO)

    def holds_at(self, ratio: float) -> bool:
        return self.strength >= LEAST_STRENGTH and self.ratio >= ratio and self.near < NEAR_ENOUGH


def square_of(value: F64, cov: F64) -> float:
    """Squared distance of some figures from nought in standard errors, by degree of freedom."""
    return float(value @ np.linalg.pinv(cov, hermitian=True) @ value) / len(value)


def proof_of(own: float, null: float, near: float, freedom: int) -> Proof:
    """Of squares by degree of freedom: at the wheel's place, the largest at null periods and at near ones."""
    p = float(stats.chi2.sf(own * freedom / max(null / 4.0, 1.0), freedom))
    return Proof(
        strength=own,
        ratio=own / max(null, 1.0),
        near=near / max(own, 1e-9),
        z=float(min(stats.norm.isf(max(p, 1e-300) / 2), 38.0)),
    )


def wheel_found(fit: WheelFit) -> bool:
    """A steady wheel: all relations together, or one by itself, stand out from the null periods, or all rows have proved it.

    A blanking edge by itself does not count: what the picture has beside blanking put in afterwards poses as one.
    """
    alone = (fit.strength > ALONE_RATIO * np.maximum(fit.null_peak, 1.0)) & (fit.strength > fit.near_peak)
    alone[[INDEX[name] for name in EDGES]] = False
    return fit.by_rows or fit.null_ratio >= JOINT_RATIO or bool(alone.any())


def parts_of(jumps: F64, weight: F64) -> tuple[F64, F64]:
    """Split four jumps into what is common to all boundaries and what differs: both (4,)."""
    total = weight.sum()
    common = float((weight * jumps).sum() / total) if total > 0 else 0.0
    return np.full(HEADS, common), jumps - common


def evidence(fit: WheelFit, relation: str, part: str, *, known: F64 | None = None) -> Proof:
    """Evidence for the common or the differing part ("common", "heads", "all") of one relation's jumps."""
    k = INDEX[relation]
    variance, weight = float(fit.variance[k]), fit.jump_weight[k]
    if variance <= 0 or weight.sum() <= 0:
        return Proof(0.0, 0.0, np.inf, 0.0)
    jumps = fit.jumps[k] - (0.0 if known is None else known)
    common, heads = parts_of(jumps, weight)
    chosen, freedom = {"common": (common, 1), "heads": (heads, HEADS - 1), "all": (jumps, HEADS)}[part]
    square = float((weight * chosen**2).sum() / variance)
    null = max(float(fit.null_peak[k]), 1.0)
    p = float(stats.f.sf(square / freedom / max(null / 4.0, 1.0), freedom, 60))
    return Proof(
        strength=square / freedom,
        ratio=square / HEADS / null,
        near=float(fit.near_peak[k]) / max(float(fit.strength[k]), 1e-9),
        z=float(min(stats.norm.isf(max(p, 1e-300) / 2), 38.0)),
    )


class PictureCount:
    """How many independent pictures the windows of a stretch are worth, from the correlation of their rows.

    Rows of independent pictures add up to a variance of one; rows that repeat add up to their number. Where noise is all that the rows
    hold beside the bands, they look independent however still the picture stands: see ``stands_still``.
    """

    def __init__(self, height: int) -> None:
        self._sum, self._weight = np.zeros(height), np.zeros(height)
        self._windows = 0
        self._detail: F64 | None = None

    def add(self, rows: Rows, detail: F64) -> None:
        """A window: its ``rows``, and what detail a frame of it holds, (rows, sections), noise about nought."""
        self._add_detail(detail)
        k = INDEX["level"]
        variance = robust_variance(rows)[k]
        if not np.isfinite(variance) or variance <= 0:
            return
        z = np.clip(np.sqrt(rows.weight[k] / variance) * rows.ratio[k], -4, 4)
        self._sum += z
        self._weight += rows.weight[k] > 0
        self._windows += 1

    def _add_detail(self, detail: F64) -> None:
        sums = np.stack([np.ones_like(detail), detail, detail**2])
        self._detail = sums if self._detail is None else self._detail + sums

    def add_count(self, other: PictureCount) -> None:
        """Add what another one holds."""
        self._sum += other._sum
        self._weight += other._weight
        self._windows += other._windows
        if other._detail is not None:
            self._detail = other._detail if self._detail is None else self._detail + other._detail

    def stands_still(self, view: View) -> bool:
        """Whether there is but one picture, or none, to see: no detail, or detail that does not move."""
        if self._detail is None:
            return False
        count, total, squares = self._detail[:, view.top + EDGE_ROWS : view.bottom - EDGE_ROWS]
        windows = int(count.max(initial=0))
        detailed = total >= DETAIL * windows
        if windows < FEWEST_WINDOWS:
            return False
        if detailed.mean() < LEAST_DETAIL:
            return True
        mean = total[detailed] / windows
        spread = np.sqrt(np.maximum(squares[detailed] / windows - mean**2, 0) * windows / (windows - 1))
        return bool(np.median(spread / mean) < LEAST_MOVING)

    def independent(self, view: View) -> float:
        """Windows over the growth of the summed rows' variance (robust: median square), 1 at least."""
        if self._windows < 2:
            return float(self._windows)
        inner = slice(view.top + EDGE_ROWS, view.bottom - EDGE_ROWS)
        good = self._weight[inner] > 0
        if good.sum() < 20:
            return 1.0
        growth = float(np.median(self._sum[inner][good] ** 2) / 0.4549 / self._windows)
        return float(np.clip(self._windows / max(growth, 1.0), 1.0, self._windows))
