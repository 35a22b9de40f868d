"""What the losses of a stretch of tape have in common: patterns, each with a test and the alternative it beat.

Losses are points in (head, place across, time). The null hypothesis is a Poisson process that is uniform over what the
picture shows of the tape. Every pattern but one is an excess inside a *box*: a head, a place across, a stretch of
time. A box with n of N losses where the null expects e is judged by the likelihood ratio of the spatial scan statistic
(Kulldorff 1997),

    n ln(n/e) + (N - n) ln((N - n)/(N - e)),  n > e,

and its p value by chi-square with one degree of freedom times the number of boxes tried (Bonferroni: rather too large
than too small). Rising with time is tested by the Laplace trend test (Cox and Lewis 1966): the mean time of N points
of a steady process is normal about the middle with variance T^2/(12 N).

The best pattern is taken first, its losses are set aside, and the rest is asked again: so mixtures are named. The
alternative it beat is the best pattern of another kind for the same losses. Sources for the intervals of rates:
scipy.stats (chi-square).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from detect.judge.tape_map import LETTERS, Places
from detect.standards import HEADS, PASS_ANGLE_DEG, WHEEL_RADIUS_MM, Standard

PatternKind = Literal["one_head", "scratch", "edge", "switch", "cluster", "rising"]
FINDING_KIND: dict[PatternKind, str] = {
    "one_head": "head_loss",
    "scratch": "scratch",
    "edge": "dropouts",
    "switch": "switch_transient",
    "cluster": "dropouts",
    "rising": "dropouts",
}
"""Kind of the finding a pattern becomes (findings.FindingKind)."""
ACROSS_MM = float(WHEEL_RADIUS_MM * np.deg2rad(PASS_ANGLE_DEG))
"""Length of a pass: 41.2 mm."""
SIGNIFICANT = 1e-3
"""p value of a pattern. Six kinds and a few rounds: under one uniform clip in a hundred is given a pattern."""
RISING = 4e-3
"""The same for rising: one test, not thousands of boxes."""
CLOSE = 0.8
"""Two boxes explain losses about as well when their statistics are within this ratio."""
ALL_OF_AN_END = 0.8
"""Share of the losses at an end of the passes that must lie in a scratch there, or it is damage of the edge."""
MOST_PATTERNS = 6
LEAST_LOSSES = 8
"""Losses in a pattern: fewer are told as they are, one by one."""
BINS = 256
"""Cells across a pass for scanning: 0.16 mm."""
TIME_CELLS = 24
"""Cells in time for scanning; boxes begin and end at their bounds."""
SCRATCH_BINS = (2, 3, 5)
"""Widths of a scratch: 0.3 to 0.8 mm; wider than that is no line along the tape."""
EDGE_SHARES = (0.03, 0.06, 0.1, 0.15)
"""How far edge damage reaches in: 1.2 to 6 mm of 41 (the recorded band ends about there; common practice)."""
CLUSTER_S = 1.0
"""A cluster lasts no longer: 38 cm of tape. Fingerprints, creases, splices are smaller."""
SWITCH_SAMPLES = 40
"""Switch transients stand within 3 us of the ends of the line, in the lines next to a change of heads."""
LINE_ENDS = 2 * SWITCH_SAMPLES / 720
"""Share of the picture that lies there."""
TIME_BOXES = TIME_CELLS * (TIME_CELLS + 1) / 2
"""Stretches of time tried."""
RATE_LIMIT_PER_MINUTE = 10.0
WORST_MINUTE_LIMIT = 25.0
"""Proposed limits: mean 10 a minute, 25 in the worst minute. From the background section of EP 0014327 A2, where they
are said of new 2-inch stock, counted in the RF signal: strict for old tape, and a count in the picture sees fewer."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """What a picture shows of the tape: share of all visible samples by head and place across, (4, BINS), sums to 1."""

    share: NDArray[np.floating[Any]]
    passes_per_s: float
    switches_per_s: float
    field_rate: float


@dataclass(frozen=True, slots=True)
class Pattern:
    """One thing a set of losses has in common.

    ``heads``: letters, all four where it does not depend on the head. ``losses``: indices into the places given.
    ``across_mm``: bounds, None where it does not matter. ``hit_rate``: share of the passes there that show it.
    ``statistic``: log-likelihood ratio against uniform losses. ``beaten``: best other kind, ``beaten_by`` the
    difference of log-likelihoods.
    """

    kind: PatternKind
    start_frame: int
    end_frame: int
    heads: str
    losses: NDArray[np.int64]
    across_mm: tuple[float, float] | None
    hit_rate: float | None
    statistic: float
    p_value: float
    beaten: str
    beaten_by: float
    text: str

    @property
    def finding_kind(self) -> str:
        return FINDING_KIND[self.kind]


def exposure(
    standard: Standard, *, phase_lines: float, rows: Sequence[int], columns: tuple[int, int] = (0, 720)
) -> Exposure:
    """What can be seen: ``rows`` are the frame rows of the picture, ``columns`` the samples of the 720 of a line."""
    row = np.asarray(rows)
    period = float(standard.lines_per_pass)
    passes = np.floor((row / 2 - phase_lines) / period + 1e-9)
    x = np.linspace(*columns, 33)
    x = (x[:-1] + x[1:]) / 2 + standard.active_start_sample
    position = (row[:, None] / 2 + x / standard.samples_per_line - phase_lines) / period - passes[:, None]
    cell = np.clip((position * BINS).astype(np.int64), 0, BINS - 1)
    share = np.zeros((HEADS, BINS))
    np.add.at(share, (np.broadcast_to(passes[:, None].astype(np.int64) % HEADS, cell.shape), cell), 1.0)
    smooth = stats.norm.pdf(np.arange(-4, 5), scale=1.5)
    smooth /= smooth.sum()
    share = np.apply_along_axis(lambda s: np.convolve(np.pad(s, 4, mode="edge"), smooth, "valid"), 1, share)
    field_rate = float(2 * standard.frame_rate)
    seen = len(np.unique(passes))
    return Exposure(share / share.sum(), seen / 2 * field_rate, max(seen - 2, 1) / 2 * field_rate, field_rate)


def find_patterns(places: Places, *, start_frame: int, end_frame: int, seen: Exposure) -> list[Pattern]:
    """Patterns of the losses of one wheel stretch, strongest first; empty when uniform explains them.

    ``places``: one entry per loss (``Places.first_lines``), all with a known head.
    """
    points = _points(places, start_frame, end_frame, seen)
    left = np.arange(len(places))
    expected = np.repeat(seen.share[:, :, None] / TIME_CELLS, TIME_CELLS, 2)
    out: list[Pattern] = []
    while len(left) >= LEAST_LOSSES and len(out) < MOST_PATTERNS:
        boxes = list(_candidates(points, left, expected / expected.sum()))
        rising = boxes[-1]
        if rising.p_value <= RISING:  # does anything else remain once the rise is granted?
            tilted = _tilted(points, left, expected / expected.sum())
            boxes = [*list(_candidates(points, left, tilted))[:-1], rising]
        best = _prefer(boxes)
        if best is None:
            break
        inside = left[best.inside]
        other = max((b for b in boxes if b.kind != best.kind), key=lambda b: b.statistic)
        out.append(_told(best, inside, places, points, other))
        if best.kind == "rising":
            break
        whole = _widened(best, points)
        left = left[~_inside(whole, points, left)]
        _take_out(expected, whole)
    return out


def rate_per_minute(count: int, minutes: float, *, confidence: float = 0.95) -> tuple[float, float, float]:
    """Losses a minute with its exact Poisson interval (chi-square): (rate, low, high)."""
    tail = (1 - confidence) / 2
    low = stats.chi2.ppf(tail, 2 * count) / 2 if count else 0.0
    high = stats.chi2.ppf(1 - tail, 2 * count + 2) / 2
    return count / minutes, float(low) / minutes, float(high) / minutes


def rates_differ(count_a: int, minutes_a: float, count_b: int, minutes_b: float) -> float:
    """p value that two stretches have the same rate (E-test of Krishnamoorthy and Thomson, scipy)."""
    return float(stats.poisson_means_test(count_a, minutes_a, count_b, minutes_b).pvalue)


@dataclass(frozen=True, slots=True)
class _Points:
    head: NDArray[np.int64]
    cell: NDArray[np.int64]
    time: NDArray[np.floating[Any]]
    """Share of the stretch, 0 to 1."""
    time_cell: NDArray[np.int64]
    at_line_end: NDArray[np.bool_]
    seen: Exposure
    start_frame: int
    end_frame: int
    seconds: float


@dataclass(frozen=True, slots=True)
class _Box:
    kind: PatternKind
    inside: NDArray[np.bool_]
    statistic: float
    p_value: float
    heads: str = LETTERS
    cells: tuple[int, int] | None = None
    times: tuple[float, float] = (0.0, 1.0)


def _points(places: Places, start_frame: int, end_frame: int, seen: Exposure) -> _Points:
    frames = max(end_frame - start_frame, 1)
    time = np.clip((places.frame + places.field / 2 + 0.25 - start_frame) / frames, 0, np.nextafter(1.0, 0.0))
    return _Points(
        head=places.head,
        cell=np.clip((places.pass_position * BINS).astype(np.int64), 0, BINS - 1),
        time=time,
        time_cell=(time * TIME_CELLS).astype(np.int64),
        at_line_end=(places.x0 < SWITCH_SAMPLES) | (places.x1 > 720 - SWITCH_SAMPLES),
        seen=seen,
        start_frame=start_frame,
        end_frame=end_frame,
        seconds=2 * frames / seen.field_rate,
    )


def _ratio(inside: NDArray[Any] | float, expected: NDArray[Any] | float, total: int) -> NDArray[np.floating[Any]]:
    """The scan statistic, 0 where a box holds no more than expected."""
    n, e = np.asarray(inside, float), np.clip(np.asarray(expected, float), 1e-9, total - 1e-9)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = n * np.log(n / e) + np.where(n < total, (total - n) * np.log((total - n) / (total - e)), 0.0)
    return np.where(n > e, value, 0.0)


def _p_value(statistic: float, tried: float) -> float:
    return float(min(1.0, tried * stats.chi2.sf(2 * statistic, 1) / 2))


def _take_out(expected: NDArray[np.floating[Any]], box: _Box) -> None:
    """Where a pattern was set aside, nothing more is expected."""
    heads = [LETTERS.index(h) for h in box.heads]
    cells = slice(*(box.cells or (0, BINS)))
    bounds = np.linspace(0, 1, TIME_CELLS + 1)
    covered = (
        np.clip(np.minimum(bounds[1:], box.times[1]) - np.maximum(bounds[:-1], box.times[0]), 0, None) * TIME_CELLS
    )
    share = LINE_ENDS if box.kind == "switch" else 1.0
    expected[heads, cells] *= 1 - share * covered


def _best_time(
    counts: NDArray[Any], expected: NDArray[np.floating[Any]], total: int
) -> tuple[int, tuple[int, int], float]:
    """Best row and stretch of time (first, last + 1 cell; two cells at least) of (rows, TIME_CELLS) counts."""
    zero = np.zeros((len(counts), 1))
    n = np.concatenate([zero, np.cumsum(counts, 1)], 1)
    e = np.concatenate([zero, np.cumsum(expected, 1)], 1)
    first, last = np.triu_indices(TIME_CELLS + 1, 2)
    value = _ratio(n[:, last] - n[:, first], total * (e[:, last] - e[:, first]), total)
    row, box = np.unravel_index(int(np.argmax(value)), value.shape)
    return int(row), (int(first[box]), int(last[box])), float(value[row, box])


def _candidates(p: _Points, left: NDArray[np.int64], expected: NDArray[np.floating[Any]]) -> Iterator[_Box]:
    """The best box of every kind for the losses ``left``; ``expected`` (4, BINS, TIME_CELLS) adds up to 1."""
    yield _one_head(p, left, expected)
    grid = np.zeros((BINS, TIME_CELLS))
    np.add.at(grid, (p.cell[left], p.time_cell[left]), 1)
    yield _scratch(p, left, grid, expected.sum(0))
    yield _edge(p, left, grid, expected.sum(0))
    yield _switch(p, left, expected.sum(0))
    within_time = np.concatenate([[0.0], np.cumsum(expected.sum((0, 1)))])
    even = np.interp(p.time[left], np.linspace(0, 1, TIME_CELLS + 1), within_time)
    yield _cluster(p, left, even)
    late = float((even.mean() - 0.5) * np.sqrt(12 * len(left)))
    yield _Box("rising", np.ones(len(left), bool), late**2 / 2 if late > 0 else 0.0, float(stats.norm.sf(late)))


def _in_time(p: _Points, left: NDArray[np.int64], cells: tuple[int, int]) -> NDArray[np.bool_]:
    return np.asarray((p.time_cell[left] >= cells[0]) & (p.time_cell[left] < cells[1]))


def _shares(cells: tuple[int, int]) -> tuple[float, float]:
    return cells[0] / TIME_CELLS, cells[1] / TIME_CELLS


def _one_head(p: _Points, left: NDArray[np.int64], expected: NDArray[np.floating[Any]]) -> _Box:
    counts = np.zeros((HEADS, TIME_CELLS))
    np.add.at(counts, (p.head[left], p.time_cell[left]), 1)
    head, cells, value = _best_time(counts, expected.sum(1), len(left))
    inside = (p.head[left] == head) & _in_time(p, left, cells)
    return _Box("one_head", inside, value, _p_value(value, HEADS * TIME_BOXES), LETTERS[head], None, _shares(cells))


def _scratch(p: _Points, left: NDArray[np.int64], grid: NDArray[Any], expected: NDArray[np.floating[Any]]) -> _Box:
    zero = np.zeros((1, TIME_CELLS))
    n, e = np.concatenate([zero, np.cumsum(grid, 0)]), np.concatenate([zero, np.cumsum(expected, 0)])
    best = _nothing("scratch", len(left))
    for width in SCRATCH_BINS:
        at = np.arange(BINS - width + 1)
        row, cells, value = _best_time(n[at + width] - n[at], e[at + width] - e[at], len(left))
        if value > best.statistic:
            inside = (p.cell[left] >= row) & (p.cell[left] < row + width) & _in_time(p, left, cells)
            p_value = _p_value(value, len(SCRATCH_BINS) * BINS * TIME_BOXES)
            best = _Box("scratch", inside, value, p_value, LETTERS, (row, row + width), _shares(cells))
    return best


def _edge(p: _Points, left: NDArray[np.int64], grid: NDArray[Any], expected: NDArray[np.floating[Any]]) -> _Box:
    best = _nothing("edge", len(left))
    for share in EDGE_SHARES:
        ends = _ends(share)
        n = np.stack([grid[a:b].sum(0) for a, b in ends])
        e = np.stack([expected[a:b].sum(0) for a, b in ends])
        end, cells, value = _best_time(n, e, len(left))
        if value > best.statistic:
            inside = (p.cell[left] >= ends[end][0]) & (p.cell[left] < ends[end][1]) & _in_time(p, left, cells)
            p_value = _p_value(value, 2 * len(EDGE_SHARES) * TIME_BOXES)
            best = _Box("edge", inside, value, p_value, LETTERS, ends[end], _shares(cells))
    return best


def _switch(p: _Points, left: NDArray[np.int64], expected: NDArray[np.floating[Any]]) -> _Box:
    best = _nothing("switch", len(left))
    at_end = p.at_line_end[left]
    for share in EDGE_SHARES:
        for a, b in _ends(share):
            mine = at_end & (p.cell[left] >= a) & (p.cell[left] < b)
            counts = np.bincount(p.time_cell[left][mine], minlength=TIME_CELLS)[None]
            _, cells, value = _best_time(counts, LINE_ENDS * expected[a:b].sum(0)[None], len(left))
            inside = mine & _in_time(p, left, cells)
            if value > best.statistic:
                p_value = _p_value(value, 2 * len(EDGE_SHARES) * TIME_BOXES)
                best = _Box("switch", inside, value, p_value, LETTERS, (a, b), _shares(cells))
    return best


def _cluster(p: _Points, left: NDArray[np.int64], even: NDArray[np.floating[Any]]) -> _Box:
    """The stretch of up to ``CLUSTER_S`` that holds most more losses than it should.

    ``even``: the losses' times, stretched so that the null expects them evenly over 0 to 1.
    """
    total = len(left)
    order = np.argsort(p.time[left], kind="stable")
    time, even = p.time[left][order], even[order]
    longest = min(CLUSTER_S / p.seconds, 0.25)
    field = 1 / (p.seconds * p.seen.field_rate)
    beyond = np.searchsorted(time, time + longest, "right")
    best, where = 0.0, (0, 0)
    for i in range(total):
        j = np.arange(i + LEAST_LOSSES, beyond[i] + 1)
        if len(j):
            value = _ratio(j - i, total * (even[j - 1] - even[i] + field), total)
            k = int(np.argmax(value))
            if value[k] > best:
                best, where = float(value[k]), (i, int(j[k]))
    if best == 0.0:
        return _nothing("cluster", total)
    t0, t1 = float(time[where[0]]), float(time[where[1] - 1])
    inside = (p.time[left] >= t0) & (p.time[left] <= t1)
    return _Box("cluster", inside, best, _p_value(best, total**2 / 2), LETTERS, None, (t0, t1 + field))


def _ends(share: float) -> list[tuple[int, int]]:
    depth = round(share * BINS)
    return [(0, depth), (BINS - depth, BINS)]


def _nothing(kind: PatternKind, total: int) -> _Box:
    return _Box(kind, np.zeros(total, bool), 0.0, 1.0)


def _prefer(boxes: Sequence[_Box]) -> _Box | None:
    """The most telling box: the special kind where two explain the same losses about as well.

    A switch transient lies in an edge box too; a box at the end of the pass is a scratch only if it is all there is at
    that end; a rise is named when no box stands out from it.
    """
    good = {b.kind: b for b in boxes if b.p_value <= (RISING if b.kind == "rising" else SIGNIFICANT)}
    if not good:
        return None
    if len(good) > 1:
        good.pop("rising", None)
    top = max(b.statistic for b in good.values())
    good = {kind: b for kind, b in good.items() if b.statistic > CLOSE * top}
    if "switch" in good:
        return good["switch"]
    if "scratch" in good and "edge" in good:
        shared = np.sum(good["scratch"].inside & good["edge"].inside)
        of_edge = good["edge"].inside.sum()
        good.pop("edge" if shared >= ALL_OF_AN_END * of_edge or shared == 0 else "scratch")
    return max(good.values(), key=lambda b: (b.kind == "scratch", b.statistic))


def _widened(box: _Box, p: _Points) -> _Box:
    """The box with its fringe: losses next to a pattern belong to it, or it would be named twice."""
    cells, times = box.cells, box.times
    if cells is not None and box.kind == "scratch":
        cells = (max(cells[0] - 3, 0), min(cells[1] + 3, BINS))
    elif cells is not None and box.kind in ("edge", "switch"):
        depth = round(2 * max(EDGE_SHARES) * BINS)
        cells = (0, depth) if cells[0] == 0 else (BINS - depth, BINS)
    if box.kind == "cluster":
        fringe = CLUSTER_S / 2 / p.seconds
        times = (max(times[0] - fringe, 0.0), min(times[1] + fringe, 1.0))
    else:
        times = (max(times[0] - 1 / TIME_CELLS, 0.0), min(times[1] + 1 / TIME_CELLS, 1.0))
    return replace(box, cells=cells, times=times)


def _inside(box: _Box, p: _Points, left: NDArray[np.int64]) -> NDArray[np.bool_]:
    cells = box.cells or (0, BINS)
    inside = (p.cell[left] >= cells[0]) & (p.cell[left] < cells[1])
    inside &= (p.time[left] >= box.times[0]) & (p.time[left] <= box.times[1])
    inside &= np.isin(p.head[left], [LETTERS.index(h) for h in box.heads])
    return np.asarray(inside & p.at_line_end[left] if box.kind == "switch" else inside)


def _tilted(p: _Points, left: NDArray[np.int64], expected: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    """What is expected if the rate grows as exp(b t): b from the mean time of the losses (maximum likelihood)."""
    middle = (np.arange(TIME_CELLS) + 0.5) / TIME_CELLS
    marginal = expected.sum((0, 1))

    def gap(b: float) -> float:
        weight = marginal * np.exp(b * middle)
        return float((weight * middle).sum() / weight.sum() - p.time[left].mean())

    b = optimize.brentq(gap, -50.0, 50.0) if gap(-50.0) < 0 < gap(50.0) else 0.0
    tilted = expected * np.exp(b * middle)
    return np.asarray(tilted / tilted.sum())


def _told(box: _Box, inside: NDArray[np.int64], places: Places, p: _Points, other: _Box | None) -> Pattern:
    frames = p.end_frame - p.start_frame
    start = p.start_frame + int(np.floor(box.times[0] * frames))
    end = p.start_frame + int(np.ceil(box.times[1] * frames))
    across = None
    if box.cells is not None:
        across = tuple(ACROSS_MM * (np.array(box.cells) / BINS - 0.5))
    passes = p.seen.passes_per_s * p.seconds * (box.times[1] - box.times[0])
    hits = min(1.0, len(inside) / passes) if box.kind in ("scratch", "edge", "switch") else None
    pattern = Pattern(
        kind=box.kind,
        start_frame=start,
        end_frame=max(end, start + 1),
        heads=box.heads,
        losses=inside,
        across_mm=None if across is None else (round(float(across[0]), 2), round(float(across[1]), 2)),
        hit_rate=hits,
        statistic=box.statistic,
        p_value=box.p_value,
        beaten=other.kind if other is not None and other.statistic > 0 else "uniform",
        beaten_by=box.statistic - (other.statistic if other is not None else 0.0),
        text="",
    )
    return replace(pattern, text=_sentence(pattern, len(places)))


def _sentence(pattern: Pattern, total: int) -> str:
    share = f"{len(pattern.losses)} of {total} losses"
    odds = f"p {pattern.p_value:.1g} against uniform losses"
    if pattern.kind == "one_head":
        return f"{share} come from head {pattern.heads} ({odds})"
    if pattern.kind == "scratch" and pattern.across_mm is not None and pattern.hit_rate is not None:
        middle = sum(pattern.across_mm) / 2
        return f"{share} lie {middle:+.1f} mm from the middle of the tape, in {pattern.hit_rate:.0%} of the passes ({odds})"
    if pattern.kind == "edge" and pattern.across_mm is not None:
        side = "start" if pattern.across_mm[0] < 0 else "end"
        depth = pattern.across_mm[1] - pattern.across_mm[0]
        return f"{share} lie in the {depth:.1f} mm at the {side} of the passes ({odds})"
    if pattern.kind == "switch" and pattern.hit_rate is not None:
        return (
            f"{share} stand at the ends of lines where heads change, in {pattern.hit_rate:.0%} of the changes ({odds})"
        )
    if pattern.kind == "cluster":
        return f"{share} lie within {pattern.end_frame - pattern.start_frame} frames ({odds})"
    return f"losses become more frequent with time ({odds})"
