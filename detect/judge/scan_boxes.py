"""The search behind ``patterns``: the best box of every kind in (head, place across, time), and its p value.

A box with n of N losses where the null expects e is judged by the likelihood ratio of the spatial scan statistic
(Kulldorff 1997), n ln(n/e) + (N - n) ln((N - n)/(N - e)) for n > e; its p value is that of chi-square with one degree
of freedom, one-sided, times the number of boxes tried (Bonferroni: rather too large than too small). Rising with time
is tested by the Laplace trend test (Cox and Lewis 1966): the mean time of N points of a steady process over T is
normal about the middle, variance T^2/(12 N).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from detect.judge.tape_map import LETTERS, Places
from detect.standards import HEADS, Standard

PatternKind = Literal["one_head", "scratch", "edge", "switch", "cluster", "rising"]
LEAST_LOSSES = 8
"""Losses in a pattern: fewer are told as they are, one by one."""
BINS = 256
"""Cells across a pass for scanning: 0.16 mm."""
TIME_CELLS = 24
"""Cells in time for scanning; boxes begin and end at their bounds."""
SCRATCH_BINS = (2, 3, 5, 17)
"""Widths of a scratch: 0.3 to 0.8 mm; and 2.7 mm, one line of the picture, where losses stand below each other and their place in the
pass is known to the line only. Wider than that is no line along the tape."""
BELOW_SAMPLES = 80.0
"""Half of the losses lie so near to each other along the line if they stand below each other (house value; damage of a strip lies anywhere
along the line)."""
INNER_BINS = 9
"""Scratches wider than this, 1.4 mm, are sought only where damage of the edges (``EDGE_SHARES``) does not reach."""
EDGE_SHARES = (0.03, 0.06, 0.1, 0.15)
"""How far edge damage reaches in: 1.2 to 6 mm of 41 (the recorded band ends about there; common practice)."""
STRIP_MARGIN = 5.0
"""Log likelihood by which a strip must explain losses better than a line in it: some hundred strips are tried."""
CLUSTER_S = 1.0
"""A cluster lasts no longer: 38 cm of tape. Fingerprints, creases, splices are smaller."""
SWITCH_SAMPLES = 54
"""Switch transients begin or end within 4 us of the ends of the line, in the lines next to a change of heads: blanking in the file takes
up to one of them, and a long one shows in pieces."""
LINE_ENDS = 2 * SWITCH_SAMPLES / 720
"""Share of the picture that lies there."""
TIME_BOXES = TIME_CELLS * (TIME_CELLS + 1) / 2
"""Stretches of time tried."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """What a picture shows of the tape: share of all visible samples by head and place across, (4, BINS), sums to 1."""

    share: NDArray[np.floating[Any]]
    passes_per_s: float
    field_rate: float


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
    return Exposure(share / share.sum(), seen * field_rate, field_rate)


@dataclass(frozen=True, slots=True)
class Points:
    head: NDArray[np.int64]
    cell: NDArray[np.int64]
    time: NDArray[np.floating[Any]]
    """Share of the stretch, 0 to 1."""
    time_cell: NDArray[np.int64]
    at_line_end: NDArray[np.bool_]
    middle: NDArray[np.floating[Any]]
    """Sample of the line."""
    seen: Exposure
    start_frame: int
    end_frame: int
    seconds: float


@dataclass(frozen=True, slots=True)
class Box:
    kind: PatternKind
    inside: NDArray[np.bool_]
    statistic: float
    p_value: float
    heads: str = LETTERS
    cells: tuple[int, int] | None = None
    times: tuple[float, float] = (0.0, 1.0)


def points_of(places: Places, start_frame: int, end_frame: int, seen: Exposure) -> Points:
    frames = max(end_frame - start_frame, 1)
    time = np.clip((places.frame + places.field / 2 + 0.25 - start_frame) / frames, 0, np.nextafter(1.0, 0.0))
    return Points(
        head=places.head,
        cell=np.clip((places.pass_position * BINS).astype(np.int64), 0, BINS - 1),
        time=time,
        time_cell=(time * TIME_CELLS).astype(np.int64),
        at_line_end=(places.x0 < SWITCH_SAMPLES) | (places.x1 > 720 - SWITCH_SAMPLES),
        middle=(places.x0 + places.x1) / 2,
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


def take_out(expected: NDArray[np.floating[Any]], box: Box) -> None:
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


def candidates(p: Points, left: NDArray[np.int64], expected: NDArray[np.floating[Any]]) -> Iterator[Box]:
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
    yield Box("rising", np.ones(len(left), bool), late**2 / 2 if late > 0 else 0.0, float(stats.norm.sf(late)))


def _in_time(p: Points, left: NDArray[np.int64], cells: tuple[int, int]) -> NDArray[np.bool_]:
    return np.asarray((p.time_cell[left] >= cells[0]) & (p.time_cell[left] < cells[1]))


def _shares(cells: tuple[int, int]) -> tuple[float, float]:
    return cells[0] / TIME_CELLS, cells[1] / TIME_CELLS


def _one_head(p: Points, left: NDArray[np.int64], expected: NDArray[np.floating[Any]]) -> Box:
    counts = np.zeros((HEADS, TIME_CELLS))
    np.add.at(counts, (p.head[left], p.time_cell[left]), 1)
    head, cells, value = _best_time(counts, expected.sum(1), len(left))
    inside = (p.head[left] == head) & _in_time(p, left, cells)
    return Box("one_head", inside, value, _p_value(value, HEADS * TIME_BOXES), LETTERS[head], None, _shares(cells))


def _scratch(p: Points, left: NDArray[np.int64], grid: NDArray[Any], expected: NDArray[np.floating[Any]]) -> Box:
    zero = np.zeros((1, TIME_CELLS))
    n, e = np.concatenate([zero, np.cumsum(grid, 0)]), np.concatenate([zero, np.cumsum(expected, 0)])
    best = _nothing("scratch", len(left))
    for width in SCRATCH_BINS:
        margin = round(max(EDGE_SHARES) * BINS) if width > INNER_BINS else 0
        at = np.arange(margin, BINS - width + 1 - margin)
        row, cells, value = _best_time(n[at + width] - n[at], e[at + width] - e[at], len(left))
        row += margin
        if value > best.statistic:
            inside = (p.cell[left] >= row) & (p.cell[left] < row + width) & _in_time(p, left, cells)
            if width > INNER_BINS and np.subtract(*np.percentile(p.middle[left][inside], (75, 25))) > BELOW_SAMPLES:
                continue
            p_value = _p_value(value, len(SCRATCH_BINS) * BINS * TIME_BOXES)
            best = Box("scratch", inside, value, p_value, LETTERS, (row, row + width), _shares(cells))
    return best


def _edge(p: Points, left: NDArray[np.int64], grid: NDArray[Any], expected: NDArray[np.floating[Any]]) -> Box:
    best = _nothing("edge", len(left))
    for share in EDGE_SHARES:
        ends = _ends(share)
        n = np.stack([grid[a:b].sum(0) for a, b in ends])
        e = np.stack([expected[a:b].sum(0) for a, b in ends])
        end, cells, value = _best_time(n, e, len(left))
        if value > best.statistic:
            inside = (p.cell[left] >= ends[end][0]) & (p.cell[left] < ends[end][1]) & _in_time(p, left, cells)
            p_value = _p_value(value, 2 * len(EDGE_SHARES) * TIME_BOXES)
            best = Box("edge", inside, value, p_value, LETTERS, ends[end], _shares(cells))
    return best


def _switch(p: Points, left: NDArray[np.int64], expected: NDArray[np.floating[Any]]) -> Box:
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
                best = Box("switch", inside, value, p_value, LETTERS, (a, b), _shares(cells))
    return best


def _cluster(p: Points, left: NDArray[np.int64], even: NDArray[np.floating[Any]]) -> Box:
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
    return Box("cluster", inside, best, _p_value(best, total**2 / 2), LETTERS, None, (t0, t1 + field))


def _ends(share: float) -> list[tuple[int, int]]:
    depth = round(share * BINS)
    return [(0, depth), (BINS - depth, BINS)]


def _nothing(kind: PatternKind, total: int) -> Box:
    return Box(kind, np.zeros(total, bool), 0.0, 1.0)


def widened(box: Box, p: Points) -> Box:
    """The box with its fringe: losses next to a pattern belong to it, or it would be named twice."""
    cells, times = box.cells, box.times
    if cells is not None and box.kind == "scratch":
        cells = (max(cells[0] - 3, 0), min(cells[1] + 3, BINS))
    elif cells is not None and box.kind == "edge" and cells[0] > 0 and cells[1] < BINS:  # the phase is assumed
        fringe_cells = max(cells[1] - cells[0], round(max(EDGE_SHARES) * BINS))
        cells = (max(cells[0] - fringe_cells, 0), min(cells[1] + fringe_cells, BINS))
    elif cells is not None and box.kind in ("edge", "switch"):
        depth = round(2 * max(EDGE_SHARES) * BINS)
        cells = (0, depth) if cells[0] == 0 else (BINS - depth, BINS)
    if box.kind == "cluster":
        fringe = CLUSTER_S / 2 / p.seconds
        times = (max(times[0] - fringe, 0.0), min(times[1] + fringe, 1.0))
    else:
        times = (max(times[0] - 1 / TIME_CELLS, 0.0), min(times[1] + 1 / TIME_CELLS, 1.0))
    return replace(box, cells=cells, times=times)


def as_strip(box: Box, p: Points, left: NDArray[np.int64], even: NDArray[np.floating[Any]]) -> Box:
    """A scratch, or the strip of ``EDGE_SHARES`` about it where that explains the losses better: an edge, where the phase is assumed.

    ``even``: what is expected in each (head, cell, time cell), adding up to one.
    """
    if box.kind != "scratch" or box.cells is None:
        return box
    first, last = box.cells
    within = (p.time[left] >= box.times[0]) & (p.time[left] <= box.times[1])
    counts = np.bincount(p.cell[left][within], minlength=BINS)
    whole, shares = len(left), even.sum((0, 2)) * (box.times[1] - box.times[0])

    def likelier(a: int, b: int) -> float:
        return float(_ratio(float(counts[a:b].sum()), whole * float(shares[a:b].sum()), whole))

    best = (likelier(first, last) + STRIP_MARGIN, first, last)
    for share in EDGE_SHARES:
        wide = round(share * BINS)
        best = max([best, *((likelier(a, a + wide), a, a + wide) for a in range(max(last - wide, 0), min(first, BINS - wide) + 1))])
    if (best[1], best[2]) == (first, last):
        return box
    strip = replace(box, kind="edge", cells=(best[1], best[2]), statistic=best[0])
    return replace(strip, inside=inside_of(strip, p, left))


def inside_of(box: Box, p: Points, left: NDArray[np.int64]) -> NDArray[np.bool_]:
    cells = box.cells or (0, BINS)
    inside = (p.cell[left] >= cells[0]) & (p.cell[left] < cells[1])
    inside &= (p.time[left] >= box.times[0]) & (p.time[left] <= box.times[1])
    inside &= np.isin(p.head[left], [LETTERS.index(h) for h in box.heads])
    return np.asarray(inside & p.at_line_end[left] if box.kind == "switch" else inside)


def tilted(p: Points, left: NDArray[np.int64], expected: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    """What is expected if the rate grows as exp(b t): b from the mean time of the losses (maximum likelihood)."""
    middle = (np.arange(TIME_CELLS) + 0.5) / TIME_CELLS
    marginal = expected.sum((0, 1))

    def gap(b: float) -> float:
        weight = marginal * np.exp(b * middle)
        return float((weight * middle).sum() / weight.sum() - p.time[left].mean())

    b = optimize.brentq(gap, -50.0, 50.0) if gap(-50.0) < 0 < gap(50.0) else 0.0
    grown = expected * np.exp(b * middle)
    return np.asarray(grown / grown.sum())
