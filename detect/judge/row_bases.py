"""What a unit of each fault reads in every row of a relation, from geometry alone.

A pair relation looks at four stored lines p, a, b, n of one field: it reads 1.5 ((b - a) - (n - p) / 3) where the slant of the picture
is taken off, b - a elsewhere. Arrays go over all frame rows of the view, (bottom, unknowns).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from detect.judge.rows import EDGES
from detect.judge.time_geometry import BURST_CENTRE_SAMPLES, WHOLE_LINES_AT, line_fraction, scallop_shape, skew_shape, theta
from detect.judge.wheel import ALONE, Operator, View, share_of_slant, without_slant
from detect.standards import ACTIVE_SAMPLES, HEADS, Standard

F64 = NDArray[np.float64]
Curve = Callable[[F64], F64]
TimingModel = Literal["uncorrected", "corrected", "whole_lines", "first_lines", "last_lines", "first_steps", "last_steps"]

SPREAD_SHARE = 0.9
"""Share of the slant that is taken off where lines are means of others, between what tapes tell: a step spread over lines reads 0.29
of itself by it, and not 0.25."""


def pass_of(standard: Standard, phase: float, row: F64) -> F64:
    """Number of the pass that a frame row lies in."""
    return np.asarray(np.floor((row / 2 - phase) / float(standard.lines_per_pass) + 1e-9))


@dataclass(frozen=True, slots=True)
class HeadReadings:
    """What offsets of the heads B, C and D against A, and a step common to all boundaries, make of each pair: (bottom, 4).

    ``inner``: b - a; ``outer``: n - p, None where slant is not taken off.
    """

    inner: F64
    outer: F64 | None
    boundary: NDArray[np.int64]
    """Type of the boundary nearest to each pair's middle: 0 from A to B, 3 from D to A."""

    @property
    def crossing(self) -> NDArray[np.bool_]:
        """Whether the boundary lies between the two inner lines, (bottom,)."""
        return np.asarray(self.inner[:, -1] != 0)

    def reads(self, shows: float = 1.0) -> F64:
        """What the relation reads, (bottom, 4), in units of a step between two lines.

        ``shows``: how much of a step that the outer lines alone hold is read. It tells the share s of the slant that is taken off, which
        weights shrink: pairs read b - a - s (n - p) / 3, the step itself 1 - s / 3, and beside it s / 3; so shows / 2 = s / (3 - s).
        """
        if self.outer is None:
            return self.inner
        return without_slant(self.inner, self.outer, share_of_slant(shows))

    def of_boundaries(self, values: F64) -> F64:
        """A value for each type of boundary, (4,), at every row: (bottom,)."""
        return np.asarray(values[self.boundary])


def _heads_of(standard: Standard, phase: float, rows: F64) -> F64:
    """Whether frame rows belong to heads B, C and D, and the number of their pass: (rows, 4)."""
    n = pass_of(standard, phase, rows)
    return np.stack([*(n % HEADS == h for h in range(1, HEADS)), n], axis=1)


@lru_cache(maxsize=512)
def head_readings(standard: Standard, view: View, relation: str, phase: float) -> HeadReadings:
    operator = view.operator(relation)
    of_block, block = operator.block
    rows = np.arange(view.bottom, dtype=np.float64)

    def line(at: F64) -> F64:
        """Heads and number of the pass that a stored line shows, means where it holds several lines."""
        total = np.zeros((len(at), HEADS))
        for offset, share in operator.held():
            total += (1 - of_block) * share * _heads_of(standard, phase, at + offset)
        for k in range(block if of_block > 0 else 0):
            total += of_block / block * _heads_of(standard, phase, np.floor(at / block) * block + k)
        return total

    p, a, b, n = (line(rows + 2 * k * operator.step_y) for k in (-1, 0, 1, 2))
    middle = rows + 3 * operator.step_y - 2  # half-way between the first picture line of a and the last of b, to a line
    nearest = np.round((middle / 2 - phase) / float(standard.lines_per_pass)).astype(np.int64)
    return HeadReadings(b - a, n - p if operator.slanted else None, (nearest - 1) % HEADS)


@lru_cache(maxsize=512)
def first_line_reads(standard: Standard, view: View, relation: str, phase: float) -> F64:
    """What is read of something that the first line of every pass has by itself, as lines are stored: (bottom,)."""
    operator = replace(view.operator(relation), lines=ALONE)

    def is_first(row: F64) -> F64:
        return np.asarray(pass_of(standard, phase, row) != pass_of(standard, phase, row - 2 * operator.step_y), np.float64)

    return slant_free(view, operator, is_first)


@lru_cache(maxsize=256)
def beside_readings(standard: Standard, view: View, relation: str, phase: float, lines: int) -> tuple[F64, F64 | None]:
    """What something that each of so many stored lines on either side of a boundary has by itself makes of each pair, by type of boundary:
    inner and outer as of ``HeadReadings``, (bottom, 8 lines) each."""
    operator = view.operator(relation)
    span = 2 * operator.step_y

    def line(away: int, kind: int) -> Curve:
        """Of the line ``away`` from a boundary: 1 is the first behind it, -1 the last before."""
        far, near = (-away * span, (int(np.sign(away)) - away) * span)

        def there(row: F64) -> F64:
            own, beyond = pass_of(standard, phase, row), pass_of(standard, phase, row + far)
            first = (beyond != own) & (pass_of(standard, phase, row + near) == own)
            return np.asarray(first & (np.minimum(own, beyond) % HEADS == kind), np.float64)

        return there

    rows = np.arange(view.bottom, dtype=np.float64)
    places = [line(away, kind) for kind in range(HEADS) for away in (*range(-lines, 0), *range(1, lines + 1))]
    p, a, b, n = (np.stack([at(rows + k * span) for at in places], axis=1) for k in (-1, 0, 1, 2))
    return b - a, n - p if operator.slanted else None


@lru_cache(maxsize=512)
def mixed_reads(standard: Standard, view: View, relation: str, phase: float, steps: tuple[float, ...]) -> F64:
    """What is read where the lines beside each boundary lie nearer to each other by a share of its step, for a share of one: (bottom,).

    ``steps``: of each type of boundary, 0 from A to B, 3 from D to A.
    """
    step_of = np.asarray(steps)

    def nearer(row: F64) -> F64:
        before, own, after = (pass_of(standard, phase, row + beside) for beside in (-2, 0, 2))
        last = (after != own) * step_of[(own % HEADS).astype(np.int64)]
        first = (before != own) * step_of[(before % HEADS).astype(np.int64)]
        return np.asarray(last - first, np.float64)

    return slant_free(view, view.operator(relation), nearer)


@dataclass(frozen=True, slots=True)
class TimingReadings:
    """What e_B, e_C, e_D against A, skew and scallop read in ns or degrees, uncorrected and line-corrected: (bottom, 5) each.

    ``whole_lines``: uncorrected, by a player that keeps a clock through each line: all of it is displaced by what the error is
    ``WHOLE_LINES_AT``.
    ``first_lines``, ``last_lines``: as line-corrected, in the first or last line of every pass alone, which a velocity corrector may
    leave as they are. ``first_steps``, ``last_steps``: the growth that it gives such a line where it takes its slope from a line of another
    head: the step to that head, of the heads and, as skew, common to all.
    """

    uncorrected: F64
    corrected: F64
    whole_lines: F64
    first_lines: F64
    last_lines: F64
    first_steps: F64
    last_steps: F64

    def of(self, model: TimingModel) -> F64:
        return np.asarray(getattr(self, model))


@lru_cache(maxsize=512)
def timing_readings(standard: Standard, view: View, relation: str, phase: float) -> TimingReadings:
    """Of displacement in mid-line (``shift``), its growth along the line (``ramp``), hue's along the line (``hue_ramp``), ``EDGES``."""
    operator = view.operator(relation)

    def read(curve: Curve) -> F64:
        return slant_free(view, operator, curve)

    def reading(shape: Curve, plus: float, minus: float | None = None, of: Curve | None = None) -> F64:
        """Of the shape at one fraction of the line, less that at another, in some of the lines or all."""

        def at(row: F64) -> F64:
            value = shape(theta(standard, phase, row, plus))
            value = value if minus is None else value - shape(theta(standard, phase, row, minus))
            return value if of is None else value * of(row)

        return read(at)

    def first(row: F64) -> F64:
        return np.asarray(pass_of(standard, phase, row) != pass_of(standard, phase, row - 2), np.float64)

    def last(row: F64) -> F64:
        return np.asarray(pass_of(standard, phase, row) != pass_of(standard, phase, row + 2), np.float64)

    def is_head(head: int) -> Curve:
        return lambda row: np.asarray(pass_of(standard, phase, row) % HEADS == head, np.float64)

    def steps(share: float) -> list[list[F64]]:
        """Of a step to the head before, in the first line of a pass, and to the one after in its last; for such a share of the slope."""
        out = []
        for of, beside in ((first, -2), (last, 2)):

            def to(head: int, of: Curve = of, beside: int = beside) -> Curve:
                return lambda row: of(row) * (is_head(head)(row + beside) - is_head(head)(row))

            out.append([*(share * read(to(h)) for h in range(1, HEADS)), share * read(of), none])
        return out

    centre, left, right = (line_fraction(standard, x) for x in (ACTIVE_SAMPLES / 2, 0, ACTIVE_SAMPLES))
    burst = BURST_CENTRE_SAMPLES[standard.short_name] / standard.samples_per_line
    heads = [read(is_head(h)) for h in range(1, HEADS)]
    none = np.zeros(view.bottom)
    whole = [none] * 5
    ends = wrong = [[none] * 5] * 2
    if relation == "shift" or relation in EDGES:
        whole = [*heads, reading(skew_shape, WHOLE_LINES_AT), reading(scallop_shape, WHOLE_LINES_AT)]
    if relation in EDGES:
        at = left if relation == "edge_left" else right
        uncorrected = [*heads, reading(skew_shape, at), reading(scallop_shape, at)]
        corrected = [none] * 5
    elif relation == "shift":
        uncorrected = [*heads, reading(skew_shape, centre), reading(scallop_shape, centre)]
        corrected = [*[none] * 4, reading(scallop_shape, centre, burst)]
        ends = [[*[none] * 4, reading(scallop_shape, centre, burst, of)] for of in (first, last)]
        wrong = steps(centre - burst)
    else:
        unit = -standard.subcarrier_deg_per_ns if relation == "hue_ramp" else 1.0
        skew, scallop = (unit * reading(shape, right, left) for shape in (skew_shape, scallop_shape))
        uncorrected = [*[none] * 3, skew, scallop]
        corrected = [*[none] * 4, scallop]
        ends = [[*[none] * 4, unit * reading(scallop_shape, right, left, of)] for of in (first, last)]
        wrong = steps(unit * (right - left))
    return TimingReadings(*(np.stack(reads, axis=1) for reads in (uncorrected, corrected, whole, *ends, *wrong)))


def hue_of_scallop(standard: Standard, view: View, phase: float) -> F64:
    """What a unit scallop reads in hue at mid-line, whose reference is the burst: degrees, (bottom,)."""
    centre = line_fraction(standard, ACTIVE_SAMPLES / 2)
    burst = BURST_CENTRE_SAMPLES[standard.short_name] / standard.samples_per_line

    def since_burst(row: F64) -> F64:
        return np.subtract(*(scallop_shape(theta(standard, phase, row, fraction)) for fraction in (centre, burst)))

    return -standard.subcarrier_deg_per_ns * slant_free(view, view.operator("hue"), since_burst)


def slant_free(view: View, operator: Operator, curve: Curve) -> F64:
    """What the pair relation reads of a curve over frame rows, (bottom,), in lines as they are stored."""
    rows = np.arange(view.bottom, dtype=np.float64)
    held = operator.held()

    def line(at: F64) -> F64:
        return np.asarray(sum(share * curve(at + after) for after, share in held))

    p, a, b, n = (line(rows + 2.0 * k * operator.step_y) for k in (-1, 0, 1, 2))
    return without_slant(b - a, n - p, 1.0 if operator.lines == ALONE else SPREAD_SHARE)
