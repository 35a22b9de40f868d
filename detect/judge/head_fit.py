"""Offsets of the four heads from all rows of a relation."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from detect.judge.row_bases import HeadReadings, beside_readings, first_line_reads, head_readings, mixed_reads
from detect.judge.rows import INDEX, Rows
from detect.judge.wheel import View, null_places, share_of_slant, without_slant
from detect.judge.white_rows import WhiteRows, white_rows
from detect.standards import HEADS, Standard

F64 = NDArray[np.float64]

NEIGHBOURS_SHOW, NEIGHBOURS_ERROR = 0.82, 0.05
"""Share of a head's offset that pairs show whose outer lines alone cross a boundary, since weights shrink the slant, and how firmly
that is held where the tape itself tells otherwise; what tapes tell: docs/evidence.md."""
MOST_SLANT = 2.0
"""Share of the slant taken off that is not believed: it is 1 at most, but for noise."""
WORST_CONDITION = 1e9
"""Condition of the normal equations beyond which the heads cannot be told."""
ROUNDS = 3
"""Fits of offsets and of that share in turn."""


@dataclass(frozen=True, slots=True)
class HeadTerms:
    """What else is in the rows of a relation.

    ``common``: a step common to all boundaries. ``mixed``: that a decoder which adds lines takes a part of these steps, one for each type
    of boundary, over to the lines on either side. ``first_line``: something that the first line of every pass has by itself. ``beside``: so
    many lines on either side of a boundary have something by themselves, by its type, and say nothing of the heads. ``gain`` (bottom,)
    multiplies the rows, ``known`` (bottom,) is taken off them.
    """

    common: bool = False
    mixed: tuple[float, ...] | None = None
    first_line: bool = False
    beside: int = 0
    known: F64 | None = None
    gain: F64 | None = None


PLAIN = HeadTerms()


@dataclass(frozen=True, slots=True)
class HeadFit:
    """Offsets of the heads, mean zero, with standard errors, (4,) each; the rows they were read from, and what fits them not."""

    value: F64
    sigma: F64
    shows: float
    view: View
    relation: str
    terms: HeadTerms
    white: WhiteRows
    rest: F64
    mixed: float
    """Share of the steps that the lines beside a boundary take over; 0 where that was not asked. A comb's is negative: hue falls where
    the signal is late."""
    mixed_sigma: float
    first_line: float
    """What the first line of every pass has by itself; 0 where that was not asked."""
    beside: F64
    """The most that a line beside the boundaries of each head has by itself, (4,); 0 where that was not asked."""
    beside_squares: tuple[float, float]
    """Chi-square of what the last lines before all boundaries have by themselves, and the first behind them; 0 where that was not asked."""
    beside_unlike: float
    """The greater of the same, of what these lines differ by from boundary to boundary; 0 where that was not asked."""
    shown_by_itself: tuple[float, float]
    """Share of the offsets that the pairs beside a boundary show, from these rows alone, and its standard error."""

    def square_at(self, standard: Standard, phase: float, *, of_rest: bool = False) -> float:
        """Quadratic form of the heads' offsets, by the three of them, at any phase and length of the passes; ``of_rest``: of what the
        fit leaves."""
        basis = self.white.basis(_reads(standard, self.view, self.relation, phase, self.shows, self.terms))
        inverse = np.linalg.pinv(basis.T @ basis, rcond=1e-9, hermitian=True)
        value = (inverse @ (basis.T @ (self.rest if of_rest else self.white.data)))[: HEADS - 1]
        return float(value @ np.linalg.pinv(inverse[: HEADS - 1, : HEADS - 1], rcond=1e-9, hermitian=True) @ value) / (HEADS - 1)

    def explained(self, standard: Standard, phase: float) -> float:
        """Chi-square that all unknowns win at any phase and length of the passes."""
        basis = self.white.basis(_reads(standard, self.view, self.relation, phase, self.shows, self.terms))
        fitted = basis @ np.linalg.lstsq(basis, self.white.data, rcond=1e-6)[0]
        return float(fitted @ fitted)


def _reads(standard: Standard, view: View, relation: str, phase: float, shows: float, terms: HeadTerms) -> F64:
    """What the unknowns read: heads B, C and D against A, then what the terms ask for; (bottom, 3 and more)."""
    each = head_readings(standard, view, relation, phase).reads(shows)
    reads = [each if terms.common else each[:, : HEADS - 1]]
    if terms.mixed is not None:
        reads.append(mixed_reads(standard, view, relation, phase, terms.mixed))
    if terms.first_line:
        reads.append(first_line_reads(standard, view, relation, phase))
    if terms.beside:
        inner, outer = beside_readings(standard, view, relation, phase, terms.beside)
        reads.append(inner if outer is None else without_slant(inner, outer, share_of_slant(shows)))
    return np.column_stack(reads)


@lru_cache(maxsize=24)
def _nulls(
    standard: Standard, view: View, relation: str, *, common: bool, mixed: tuple[float, ...] | None, first_line: bool, beside: int
) -> F64:
    terms = HeadTerms(common=common, mixed=mixed, first_line=first_line, beside=beside)
    return np.stack([_reads(at, view, relation, phase, NEIGHBOURS_SHOW, terms) for at, phase in null_places(standard)], axis=1)


def fit_heads(
    rows: Rows, view: View, standard: Standard, relation: str, phase: float, terms: HeadTerms = PLAIN
) -> HeadFit | None:
    """Offsets of the heads in one relation, None where the heads cannot be told."""
    k = INDEX[relation]
    readings = head_readings(standard, view, relation, phase)
    ratio = rows.ratio[k][: view.bottom] * (1.0 if terms.gain is None else terms.gain)
    ratio = ratio - (0.0 if terms.known is None else terms.known)
    operator = view.operator(relation)
    white = white_rows(
        ratio, rows.weight[k][: view.bottom], view, reach=2 * operator.step_y,
        faults=_reads(standard, view, relation, phase, NEIGHBOURS_SHOW, terms),
        nulls=_nulls(standard, view, relation, common=terms.common, mixed=terms.mixed, first_line=terms.first_line, beside=terms.beside),
    )  # fmt: skip
    if white is None:
        return None
    shows, itself = NEIGHBOURS_SHOW, (NEIGHBOURS_SHOW, np.inf)
    for _ in range(ROUNDS if operator.slanted else 1):
        basis = white.basis(_reads(standard, view, relation, phase, shows, terms))
        normal = basis.T @ basis
        if np.linalg.cond(normal) > WORST_CONDITION:
            return None
        cov = np.asarray(np.linalg.inv(normal), np.float64)
        value = cov @ (basis.T @ white.data)
        if operator.slanted:
            parts = _parts(readings, value, terms, standard, view, relation, phase)
            itself = _shown(white, *parts)
            own, prior = 1 / itself[1] ** 2, 1 / NEIGHBOURS_ERROR**2
            shows = (own * itself[0] + prior * NEIGHBOURS_SHOW) / (own + prior)
    mean_out = np.eye(HEADS) - 1.0 / HEADS
    spread = np.zeros((HEADS, HEADS))
    spread[1:, 1:] = cov[: HEADS - 1, : HEADS - 1]
    return HeadFit(
        value=mean_out @ np.concatenate([[0.0], value[: HEADS - 1]]),
        sigma=np.sqrt(np.diag(mean_out @ spread @ mean_out)),
        shows=shows,
        view=view,
        relation=relation,
        terms=terms,
        white=white,
        rest=white.data - basis @ value,
        mixed=float(value[HEADS - 1 + terms.common]) if terms.mixed is not None else 0.0,
        mixed_sigma=float(np.sqrt(cov[HEADS - 1 + terms.common, HEADS - 1 + terms.common])) if terms.mixed is not None else 0.0,
        first_line=float(value[HEADS - 1 + terms.common + (terms.mixed is not None)]) if terms.first_line else 0.0,
        beside=_most_beside(value[-2 * HEADS * terms.beside :]) if terms.beside else np.zeros(HEADS),
        beside_squares=_squares_beside(value, cov, terms.beside),
        beside_unlike=max(_squares_beside(value, cov, terms.beside, unlike=True)),
        shown_by_itself=itself,
    )


def _squares_beside(value: F64, cov: F64, lines: int, *, unlike: bool = False) -> tuple[float, float]:
    """Chi-square of the lines next to the boundaries, before and behind them; lines go from the farthest before to the farthest behind.
    ``unlike``: of what they differ by from one type of boundary to the next."""
    if not lines:
        return 0.0, 0.0
    start = len(value) - 2 * HEADS * lines
    both = (start + lines - 1 + side + 2 * lines * np.arange(HEADS) for side in (0, 1))
    of = np.diff(np.eye(HEADS), axis=0) if unlike else np.eye(HEADS)
    each = ((of @ value[at], of @ cov[np.ix_(at, at)] @ of.T) for at in both)
    before, behind = (float(own @ np.linalg.solve(error, own)) for own, error in each)
    return before, behind


def _most_beside(lines: F64) -> F64:
    """From what lines have by themselves, by type of boundary, to the most at either end of a head's passes, (4,)."""
    most = np.abs(lines).reshape(HEADS, -1).max(axis=1)
    return np.asarray(np.maximum(most, np.roll(most, 1)))


def _parts(
    readings: HeadReadings, value: F64, terms: HeadTerms, standard: Standard, view: View, relation: str, phase: float
) -> tuple[F64, F64]:
    """What is fitted of steps and of lines beside them, as the two inner lines hold it and as a third of the outer ones does: (bottom,)."""
    steps = HEADS - 1 + terms.common
    assert readings.outer is not None
    inner, outer = readings.inner[:, :steps] @ value[:steps], readings.outer[:, :steps] @ value[:steps]
    if terms.beside:
        own, others = beside_readings(standard, view, relation, phase, terms.beside)
        assert others is not None
        inner, outer = inner + own @ value[-own.shape[1] :], outer + others @ value[-own.shape[1] :]
    return inner, -outer / 3


def _shown(white: WhiteRows, inner: F64, outer: F64) -> tuple[float, float]:
    """Share that the neighbours show of these offsets, and its standard error: infinite where the offsets are too small to tell."""
    unknown = NEIGHBOURS_SHOW, np.inf
    inner, outer = (white.basis(part[:, None])[:, 0] for part in (inner, outer))
    normal = np.array([[inner @ inner, inner @ outer], [inner @ outer, outer @ outer]])
    if np.linalg.cond(normal) > WORST_CONDITION:
        return unknown
    cov = np.linalg.inv(normal)
    one, other = cov @ np.array([inner @ white.data, outer @ white.data])
    if one <= 0 or not 0 < other / one < MOST_SLANT:
        return unknown
    slant = float(other / one)
    error = float(np.sqrt(cov[1, 1] + slant**2 * cov[0, 0] - 2 * slant * cov[0, 1]) / one)
    return 2 * slant / (3 - slant), 6 / (3 - slant) ** 2 * error
