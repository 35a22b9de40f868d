"""Which line belongs to which pass: the phase of the wheel, and the jumps where one head hands over to the next.

Four kinds of boundary recur down the picture: A to B, B to C, C to D, D to A. For a period P and a phase the jump at each kind is
the weighted mean of the relation over its boundaries, and the explained sum of squares tells how well (P, phase) fits. At the true
period the phase is sought on its lattice; the same fit at other periods, with as many phases, tells what picture content does by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from detect.judge.rows import BESIDE, CHROMA, INDEX, RELATIONS, UNSLANTED, Rows
from detect.standards import HEADS, Standard

F64 = NDArray[np.float64]

NEIGHBOUR_GAIN = 0.85
"""How much of the jump the pairs next to a boundary show through their outer lines: weights shrink the slant that is taken off
(feasibility measurement; ``row_bases.HeadReadings.reads``). Used to find the phase only, never for values."""
EDGE_ROWS = 8
"""Rows left out at the top and bottom of the picture: half lines, switching, blanking."""
NULL_PERIODS = (13.2, 13.7, 14.3, 14.9, 16.0, 17.3, 17.9, 18.6, 19.3, 20.1)
"""Field lines. Periods no wheel has; 16.0 among them, where block codecs leave marks. Those within 0.7 of the true one are skipped."""
NEAR_OFFSETS = (0.09, 0.16, 0.25, 0.4, 0.6)
"""Field lines: periods so near that a picture built like bands would fit them better than the wheel's."""


Reading = TypeVar("Reading", float, F64)


def share_of_slant(shows: float) -> float:
    """Share of the slant that a pair relation takes off where steps that its outer lines alone hold are read as ``shows`` of a half."""
    return 3 * shows / (2 + shows)


def without_slant(inner: Reading, outer: Reading, share: float) -> Reading:
    """What a pair relation reads of b - a and n - p: less a share of the slant (n - p) / 3, in units of a sharp step between a and b."""
    return (inner - share * outer / 3) / (1 - share / 3)


Lines = tuple[tuple[int, float], ...]
"""Lines of a field after a stored one, and the share each has in it."""
ALONE: Lines = ((0, 1.0),)
DELAY_LINE: Lines = ((0, 0.5), (-1, 0.5))
CHROMA_LINES: Mapping[str, Lines] = {
    "one": ALONE, "two": DELAY_LINE, "three": ((-1, 0.25), (0, 0.5), (1, 0.25)), "apart": ((-2, 0.25), (0, 0.5), (2, 0.25)),
}  # fmt: skip
"""How decoders part chroma from luminance: along the line; with one line of delay, as all in 625 that are not the simplest do; with
two lines of delay, a comb about the line; in 625, where subcarriers are half a cycle apart every other line, with four (common practice, no
single source)."""


def lines_combed(lines: Lines, standard: Standard) -> int:
    """How many lines on either side of a head change a comb mixes. A delay line of 625 adds colour after it was parted from luminance."""
    if standard.alternating_v and lines == DELAY_LINE:
        return 0
    return max(abs(after) for after, _ in lines)


BLOCK_LINES = 8
"""Lines of a block of any of these coders (IEC 61834-2; ISO/IEC 13818-2)."""
NOISE_OF_BLOCK = 0.5
"""Share of a line's noise that is one for its whole coded block, the rest is its own. Chi-square that heads win is greatest at 0.3 to 0.8,
in DV25 and MPEG-2 alike (house value)."""


@dataclass(frozen=True, slots=True)
class View:
    """Which rows are looked at: from ``top`` to ``bottom`` (exclusive), and what chroma lines are.

    ``chroma_step_y``: 2 where they are halved. ``chroma_lines``: of which lines a decoder made them, see ``CHROMA_LINES``.
    ``combs``: how many lines on either side of a head change hold signal of the other head, 0 where no comb added any (``lines_combed``).
    ``noise_block_rows``: frame rows of a coded block, from row 0 on, that noise shares. ``chroma_of_block``: share of a line's colour that
    is its block's.
    """

    top: int
    bottom: int
    chroma_step_y: int = 1
    chroma_lines: Lines = ALONE
    noise_block_rows: int = 1
    chroma_of_block: float = 0.0
    combs: int = 0

    @property
    def spreads_colour(self) -> bool:
        """Whether a chroma line was made of several lines."""
        return self.chroma_lines != ALONE or self.chroma_step_y > 1

    def operator(self, relation: str) -> Operator:
        block = self.of_block(relation)
        if relation in CHROMA:
            return Operator(True, self.chroma_step_y, self.chroma_lines, block)
        return Operator(relation not in UNSLANTED, block=block)

    def of_block(self, relation: str) -> tuple[float, int]:
        """Share of what a line shows in a relation that is its coded block's, and how many frame rows such a block holds, from row 0 on."""
        if relation in CHROMA:
            return self.chroma_of_block, BLOCK_LINES * self.chroma_step_y
        return (NOISE_OF_BLOCK, self.noise_block_rows) if relation == "noise" and self.noise_block_rows > 1 else (0.0, 1)

    def resolved_lines(self, relation: str) -> float:
        """Field lines within which the place of a boundary cannot be told in this relation; 0: to the line."""
        return self.noise_block_rows / 2 if relation == "noise" and self.noise_block_rows > 1 else 0.0


@dataclass(frozen=True, slots=True)
class Operator:
    """What a relation does with lines: free of slant or not, line step, what lines are means of, and what they share with their ``block``
    (share, frame rows, the first at row 0)."""

    slanted: bool
    step_y: int = 1
    lines: Lines = ALONE
    block: tuple[float, int] = (0.0, 1)

    def reads(self, row: int, c: int) -> tuple[float, bool]:
        """What the pair at ``row`` reads of a unit step at row c, and whether the step lies between its two inner lines."""
        span = 2 * self.step_y
        p, a, b, n = (self._line(row + k * span, c) for k in (-1, 0, 1, 2))
        value = without_slant(b - a, n - p, share_of_slant(NEIGHBOUR_GAIN)) if self.slanted else b - a
        return value, b != a

    def held(self) -> list[tuple[int, float]]:
        """Frame rows after a stored line's first that it holds, and the share each has in it."""
        return [(2 * self.step_y * j + 2 * k, share / self.step_y) for j, share in self.lines for k in range(self.step_y)]

    def _line(self, row: int, c: int) -> float:
        """A stored line's share of a unit step at row c."""
        of_block, rows = self.block
        own = sum(share for after, share in self.held() if row + after >= c)
        whole = min(max((row // rows * rows + rows - c) / rows, 0.0), 1.0)
        return (1 - of_block) * own + of_block * whole


@dataclass(frozen=True, slots=True)
class Template:
    """Where a boundary shows: for each first row c of a band, the pair rows and what a unit jump reads there."""

    row: NDArray[np.int64]
    reads: F64


PLACES = 16
"""Pair rows of both fields near a boundary that can read anything of it."""


@lru_cache(maxsize=32)
def _template(height: int, operator: Operator, *, crossing_only: bool) -> Template:
    """Put a unit step through the operator that made the relation. Arrays are (height + 1, PLACES); unused places read 0."""
    rows = np.zeros((height + 1, PLACES), dtype=np.int64)
    reads = np.zeros((height + 1, PLACES))
    span = 2 * operator.step_y
    for c in range(height + 1):
        found: list[tuple[float, int, float]] = []
        for parity in (0, 1):
            for r in range(max(parity, c - 5 * span - 2), min(height - 2 * span, c + 5 * span + 2)):
                if (r - parity) % span or r < span:
                    continue
                value, crossing = operator.reads(r, c)
                if value and (crossing or not crossing_only):
                    found.append((-abs(value), r, value))
        for k, (_, r, value) in enumerate(sorted(found)[:PLACES]):
            rows[c, k], reads[c, k] = r, value
    return Template(rows, reads)


@dataclass(frozen=True, slots=True)
class Boundaries:
    """Sufficient sums per possible boundary, (relations, height + 1) each: s1, s2 with the neighbours, core1, core2 without."""

    s1: F64
    s2: F64
    core1: F64
    core2: F64
    first: int
    last: int


def boundaries(rows: Rows, view: View) -> Boundaries:
    """Template sums of all relations for every place a boundary might be."""
    height = rows.height
    first, last = view.top + EDGE_ROWS, view.bottom - EDGE_ROWS
    weight = rows.weight.copy()
    weight[:, :first] = 0
    weight[:, last - 2 :] = 0
    weight[[INDEX[name] for name in BESIDE]] = 0
    sums = [np.zeros((len(RELATIONS), height + 1)) for _ in range(4)]
    for k, name in enumerate(RELATIONS):
        operator = view.operator(name)
        for out1, out2, crossing in ((sums[0], sums[1], False), (sums[2], sums[3], True)):
            t = _template(height, operator, crossing_only=crossing)
            w = weight[k][t.row]
            out1[k] = (w * rows.ratio[k][t.row] * t.reads).sum(axis=1)
            out2[k] = (w * t.reads**2).sum(axis=1)
    return Boundaries(sums[0], sums[1], sums[2], sums[3], first, last)


@lru_cache(maxsize=256)
def _grid(period: float, phases: tuple[float, ...], first: int, last: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First rows c of bands for each phase, (phases, passes), and their boundary type; -1 out of view."""
    count = int(np.ceil(last / 2 / period)) + 1
    k = np.arange(0, count)
    c = np.ceil(2 * (np.asarray(phases)[:, None] + k[None, :] * period) - 1e-9).astype(np.int64)
    c = np.where((c > first + 2) & (c < last - 2), c, -1)
    kind = np.broadcast_to((k - 1) % HEADS, c.shape)
    return c, kind


def grid_of(standard: Standard, phase: float, sums: Boundaries) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First rows of the bands at one phase that are in view, and the types of the boundaries they begin at: (boundaries,) each."""
    c, kind = _grid(float(standard.lines_per_pass), (phase,), sums.first, sums.last)
    return c[0][c[0] >= 0], kind[0][c[0] >= 0]


def template_of(height: int, operator: Operator) -> Template:
    """Pair rows at which a boundary shows, for each first row of a band."""
    return _template(height, operator, crossing_only=False)


@dataclass(frozen=True, slots=True)
class PhaseScan:
    """Fits at every phase of one period: ``explained`` (relations, phases) and sums per boundary type (relations, phases, 4)."""

    period: float
    phases: F64
    explained: F64
    a1: F64
    a2: F64

    def jumps(self) -> F64:
        return np.divide(self.a1, self.a2, out=np.zeros_like(self.a1), where=self.a2 > 0)


def scan_phases(sums: Boundaries, period: float, phases: F64, *, core: bool = False) -> PhaseScan:
    """Fit four free jumps at each phase. Type j is the boundary from head j to head j + 1 (D to A is 3).

    Phases whose boundaries were mostly left out (``LEAST_SEEN``) explain nothing.
    """
    c, kind = _grid(float(period), tuple(float(p) for p in phases), sums.first, sums.last)
    s1, s2 = (sums.core1, sums.core2) if core else (sums.s1, sums.s2)
    seen = c >= 0
    at = np.where(seen, c, 0)
    v1, v2 = np.where(seen, s1[:, at], 0.0), np.where(seen, s2[:, at], 0.0)
    shape = (s1.shape[0], len(phases), HEADS)
    a1, a2 = np.zeros(shape), np.zeros(shape)
    for j in range(HEADS):
        mine = kind == j
        a1[:, :, j] = np.where(mine, v1, 0.0).sum(axis=2)
        a2[:, :, j] = np.where(mine, v2, 0.0).sum(axis=2)
    explained = np.divide(a1**2, a2, out=np.zeros_like(a1), where=a2 > 0).sum(axis=2)
    total = a2.sum(axis=2)
    seen_at = total >= LEAST_SEEN * np.median(total, axis=1, keepdims=True)
    explained = np.where(seen_at, explained, 0.0)
    common = np.divide(a1.sum(axis=2) ** 2, total, out=np.zeros_like(total), where=total > 0)
    explained[_APART] = np.maximum(explained - common, 0.0)[_APART]
    return PhaseScan(period, phases, explained, a1, a2)


def phase_lattice(standard: Standard) -> F64:
    """Every phase that gives other bands, 525 of them, or 125: the middles of the cells within which bands are the same."""
    step = float(standard.phase_step_lines)
    return (np.arange(round(float(standard.lines_per_pass) / step), dtype=np.float64) + 0.5) * step


def null_periods(standard: Standard) -> tuple[float, ...]:
    true = float(standard.lines_per_pass)
    return tuple(p for p in NULL_PERIODS if abs(p - true) > 0.7)


def null_standards(standard: Standard) -> tuple[Standard, ...]:
    """Standards whose passes are as long as the null periods, or as near to it as whole lines of a frame allow."""
    return tuple(turned(standard, p) for p in null_periods(standard))


NULL_PHASES = 5
"""Phases at which all rows are tried at each null period: nearer ones see the same boundaries."""
NEAR_SHIFTS = (-1.0, 0.0, 1.0)
"""Lines from the phase found at which they are tried at each near period."""


@lru_cache(maxsize=8)
def null_places(standard: Standard) -> tuple[tuple[Standard, float], ...]:
    """Lengths of a pass and phases at which no wheel is: what a fit gives there is content."""
    return tuple((at, k / NULL_PHASES * float(at.lines_per_pass)) for at in null_standards(standard) for k in range(NULL_PHASES))


def near_places(standard: Standard, phase: float, *, resolved_lines: float = 0.0) -> list[tuple[Standard, float]]:
    """Lengths of a pass near the wheel's, about its phase: bands of the picture may fit better there.

    Left out are those whose boundaries run off by less than ``resolved_lines`` from the middle of a field to its end: they are the same.
    """
    least = _least_apart(resolved_lines, standard)
    true = float(standard.lines_per_pass)
    return [
        (turned(standard, p), phase + shift)
        for p in near_periods(standard) if abs(p - true) >= least
        for shift in NEAR_SHIFTS
    ]  # fmt: skip


def turned(standard: Standard, period: float) -> Standard:
    """A standard whose passes are ``period`` field lines long, or as near to it as whole lines of a frame allow."""
    return replace(standard, lines_per_frame=round(2 * standard.passes_per_field * period))


def near_periods(standard: Standard) -> tuple[float, ...]:
    true = float(standard.lines_per_pass)
    return tuple(true + s * d for d in NEAR_OFFSETS for s in (-1, 1))


@dataclass(frozen=True, slots=True)
class WheelFit:
    """The evidence for one stretch, per relation (relations,) or per relation and boundary type (relations, 4).

    ``strength``: explained square per jump over the variance that boundaries at null periods show, an F ratio. ``null_peak``: the
    largest of that at null periods, once the fit is taken out. ``near_peak``: the largest at the near periods, fit left in.
    ``joint_curve`` (phases,): evidence for each phase of the lattice. ``variance``: of sqrt(weight) * ratio as a boundary sees it, so that
    a jump has the variance ``variance / jump_weight``. ``by_rows``: the phase is one that all rows of a relation prove together,
    whose strength and null are ``joint`` and ``joint_null``.
    """

    phase_lines: float
    phase_sigma_lines: float
    joint: float
    joint_null: float
    joint_curve: F64
    strength: F64
    null_peak: F64
    near_peak: F64
    variance: F64
    jumps: F64
    jump_weight: F64
    by_rows: bool = False

    @property
    def null_ratio(self) -> float:
        return self.joint / self.joint_null if self.joint_null > 0 else 0.0

    @property
    def jump_sigma(self) -> F64:
        """Standard error of each jump, infinite where nothing was seen: (relations, 4)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self.jump_weight > 0, np.sqrt(self.variance[:, None] / self.jump_weight), np.inf)


def fit_wheel(rows: Rows, view: View, standard: Standard, *, phase: float | None = None) -> WheelFit:
    """Find the phase common to all relations (or take ``phase``), and weigh it against other periods."""
    period = float(standard.lines_per_pass)
    lattice = phase_lattice(standard)
    sums = boundaries(rows, view)
    true = scan_phases(sums, period, lattice)
    given = None if phase is None else [int(np.argmin(np.abs(lattice - phase)))]
    tried = given or candidate_phases(true.explained, _null_variance(sums, standard)[0])
    return max((_weighed(rows, view, standard, sums, true, at) for at in tried), key=lambda f: f.joint)


def candidate_phases(explained: F64, variance: F64) -> list[int]:
    """Phases worth a closer look, from the rows as they are: the one all relations like best, and that of the strongest relation.

    Large jumps are part of that variance and weaken their own relation, so that a weaker one could decide for all.
    """
    best = int(np.argmax(_joint(explained, variance)))
    seen = explained.max(axis=1)
    spread = np.median(explained, axis=1)
    contrast = np.divide(seen, spread, out=np.zeros_like(seen), where=spread > 0)
    other = int(np.argmax(explained[int(np.argmax(contrast))]))
    count = explained.shape[1]
    apart = abs((other - best + count // 2) % count - count // 2)
    return [best] if apart <= SAME_CANDIDATE else [best, other]


def _weighed(rows: Rows, view: View, standard: Standard, sums: Boundaries, true: PhaseScan, best: int) -> WheelFit:
    """The fit at one phase, with the variance of the rows without its jumps, which would leak into it."""
    period, lattice = true.period, true.phases
    rest = boundaries(without_jumps(rows, view, period, float(lattice[best]), true.jumps()[:, best]), view)
    variance, nulls = _null_variance(rest, standard)
    nears = {p: scan_phases(sums, p, _phases(p, len(lattice))).explained for p in near_periods(standard)}
    curve = _joint(true.explained, variance)
    core = scan_phases(sums, period, lattice[best : best + 1], core=True)
    safe = np.where(variance > 0, variance, np.inf) * HEADS
    return WheelFit(
        phase_lines=float(lattice[best]),
        phase_sigma_lines=_phase_sigma(curve, best, float(standard.phase_step_lines)),
        joint=float(curve[best]),
        joint_null=max(float(_joint(n.explained, variance).max()) for n in nulls),
        joint_curve=curve,
        strength=true.explained[:, best] / safe,
        null_peak=np.max([n.explained.max(axis=1) for n in nulls], axis=0) / safe,
        near_peak=_near_peak(nears, view, standard) / safe,
        variance=variance,
        jumps=core.jumps()[:, 0],
        jump_weight=core.a2[:, 0],
    )


def _near_peak(explained: Mapping[float, F64], view: View, standard: Standard) -> F64:
    """Of each relation, the largest explained square at the near periods (relations, phases) that it can tell from the wheel's."""
    apart = {p: abs(p - float(standard.lines_per_pass)) for p in explained}
    least = [_least_apart(view.resolved_lines(name), standard) for name in RELATIONS]
    return np.array([max(e[k].max() for p, e in explained.items() if apart[p] >= least[k]) for k in range(len(RELATIONS))])


def _least_apart(resolved_lines: float, standard: Standard) -> float:
    """How far a period must be from the wheel's for its boundaries to run off by so much from the middle of a field to its end."""
    return resolved_lines / (standard.passes_per_field / 2)


def _phases(period: float, count: int) -> F64:
    return np.arange(count, dtype=np.float64) * (period / count)


def _null_variance(sums: Boundaries, standard: Standard) -> tuple[F64, list[PhaseScan]]:
    """Mean explained square per jump over null periods and phases: what content alone does; (relations,)."""
    count = len(phase_lattice(standard))
    nulls = [scan_phases(sums, p, _phases(p, count)) for p in null_periods(standard)]
    return np.stack([n.explained for n in nulls]).mean(axis=(0, 2)) / HEADS, nulls


def _joint(explained: F64, variance: F64) -> F64:
    """Evidence for each phase over all relations, (phases,): what goes beyond twice the usual scatter, each relation capped.

    The two blanking edges of a line move together if they are the tape's own, so each counts for no more than the other.
    """
    safe = np.where(variance > 0, variance, np.inf)[:, None] * HEADS
    beyond = np.clip(explained / safe - QUIET_STRENGTH, 0.0, JOINT_CAP)
    beyond[_EDGES] = beyond[_EDGES].min(axis=0)
    return np.asarray(beyond.sum(axis=0) * (HEADS / 2))


def without_jumps(rows: Rows, view: View, period: float, phase: float | F64, jumps: F64) -> Rows:
    """The rows less the fitted jumps (relations, 4), all at one phase or each relation at its own, (relations,)."""
    ratio = rows.ratio.copy()
    phases = np.broadcast_to(phase, len(RELATIONS))
    for k, name in enumerate(RELATIONS):
        c, kind = _grid(period, (float(phases[k]),), view.top + EDGE_ROWS, view.bottom - EDGE_ROWS)
        seen = c[0] >= 0
        t = _template(rows.height, view.operator(name), crossing_only=False)
        np.subtract.at(ratio[k], t.row[c[0][seen]], t.reads[c[0][seen]] * jumps[k][kind[0][seen]][:, None])
    return Rows(ratio, rows.weight)


_EDGES = [INDEX["edge_left"], INDEX["edge_right"]]
APART = ("level", "saturation")
"""Relations in which nothing of the tape makes a step common to all boundaries: offsets of heads add up to none over a turn. Bands of a
picture do, and so does a scallop where a decoder mixes lines."""
_APART = [INDEX[name] for name in APART]
SAME_CANDIDATE = 8
"""Steps of the lattice within which two phases are one candidate: a quarter of a line in 525."""
JOINT_CAP = 1e3
"""One relation's strength counts no further than this in the search for the phase: others must not be drowned by it."""
LEAST_SEEN = 0.3
"""Share of the weight that boundaries usually have, below which a phase is not told: a scratch on the same lines of every pass has rows
left out there, and what it leaves in the few others would rule (house value)."""
QUIET_STRENGTH = 2.0
"""Strength up to which a relation says nothing about the phase: content alone reaches 1 on average."""


def _phase_sigma(curve: F64, best: int, step: float) -> float:
    """Half the width over which the log-likelihood stays within 1/2 of its peak, at least half a lattice step."""
    n = len(curve)
    off = (np.arange(n) - best + n // 2) % n - n // 2
    near = curve[best] - curve < 0.5
    return float(max(step / 2, step * np.sqrt(np.mean(off[near] ** 2.0))))
