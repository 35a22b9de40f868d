"""Top skew: lines at the top of every field displaced, dying away; it follows the field, not the wheel.

Read from the blanking edges where the file holds the tape's own. The picture's interior alone cannot tell a hook from content that
leans, so without edges, or with straight ones, nothing is said rather than zero. Dark content at the side of the picture looks
like an edge too; it is told apart by what blanking does and content does not: it is there in most fields of a stretch of tape and
stands at one place from stretch to stretch, and so does the hook.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.judge.wheel import View
from detect.readings import Chunk, Readings

F64 = NDArray[np.float64]

PARTS = 12
"""The tape is looked at in so many parts at most."""
FEWEST_PARTS = 3
"""Fewer parts that show an edge cannot show that it stands still."""
LEAST_SHARE = 0.3
"""Share of a part's fields in which a row must show the edge; black content hides it in the others."""
LEAST_ROWS, LEAST_TO_DENY = 0.8, 0.5
"""Share of the rows in which an edge must be seen to tell of a hook, and to deny one that the other edge shows."""
STANDS_NS = 60.0
"""Blanking stays within this from part to part (under a sample; common practice, no single source); edges of content do not."""
SKIPPED_ROWS = 4
"""Half lines and switching at the very top."""
HOOK_LINES = 40
"""Field lines from the top within which a hook has died away (5 to 20 are usual: common practice, no single source)."""
DECAYS_LINES = np.arange(3.0, 26.0, 0.5)
USUAL_DECAY_LINES = 8.0
LEAST_NS, ALIKE, MOST_RUNS = 50.0, 0.2, 12
"""A hook in some parts of the tape alone is sought in so many runs of them at most: those whose parts show one of this size and more, half
of them alike to this share (house values; what is found there is asked as strictly as any)."""
CLEAR = 6.0
"""Standard errors; below, nothing is said."""
BY_CHANCE = 2e-3
"""... and chance, by Student's t, that parts which say nothing one by one would agree so well."""
AGREE = 2.0
"""Sums of standard errors within which both edges must show the same hook."""
FIRST_LINES, LEAST_FIRST = 12, 0.6
"""Field lines that hold most of a hook, and the share of them that an edge must show to speak of it."""
FAR_OFF, ROUNDS = 3.0, 12
"""Scatters at which a line has half a say, and rounds of the weights."""
FLOOR_NS = 2.0
"""Error of an edge's place that averaging does not remove: content next to it."""
FARTHEST_NS = 3000.0
"""Places farther from the edge than this are other content."""


@dataclass(frozen=True, slots=True)
class Hook:
    """Displacement at the top of the field, its standard error, and the field lines in which it falls to 1/e.

    ``clear``: it stands out of the scatter of the lines and of the parts of the tape.
    """

    value_ns: float
    sigma_ns: float
    decay_lines: float
    clear: bool = True


def edge_positions(readings: Readings, chosen: NDArray[np.bool_]) -> tuple[F64, F64]:
    """Mean place of both blanking edges, ns from their ends of the line, and the share of fields that show them: (parts, rows, 2) each.

    ``chosen`` (windows,): the windows to use; at most ``PARTS`` parts of about equal numbers of them. What was undone before measuring is
    added back: edges put in afterwards moved with it.
    """
    part_of = np.cumsum(chosen) - 1
    count = min(PARTS, int(chosen.sum()))
    part_of = part_of * count // max(int(chosen.sum()), 1)
    num: F64 | None = None
    den: F64 | None = None
    fields = np.zeros(count)
    first = 0
    for chunk in readings.chunks():
        sums = chunk.sums["edges"]
        for k in np.flatnonzero(chosen[first : first + len(chunk.frames)]):
            part = int(part_of[first + k])
            if num is None or den is None:
                num, den = np.zeros((count, *sums.weight.shape[1:])), np.zeros((count, *sums.weight.shape[1:]))
            num[part] += sums.weight[k] * (sums.ratio[k] + _undone(chunk, int(k)))
            den[part] += sums.weight[k]
            fields[part] += float(chunk.frames[k])
        first += len(chunk.frames)
    if num is None or den is None:
        return np.zeros((0, 0, 2)), np.zeros((0, 0, 2))
    place = np.divide(num, den, out=np.zeros_like(num), where=den > 0)
    return place, den / np.maximum(fields, 1.0)[:, None, None]


def _undone(chunk: Chunk, window: int) -> F64:
    """What was undone before measuring, of both edges: (rows, 2) ns, or nought."""
    undone = chunk.undone([window])
    return np.zeros(1) if undone is None else np.stack([undone[0], undone[0] + undone[1]], axis=1)


def find_hook(place: F64, share: F64, view: View, *, wheel_ns: F64 | None = None) -> Hook | None:
    """The hook in the edges (see ``edge_positions``), or None where it cannot be seen.

    A hook moves whole lines: where both edges are seen they must agree. ``wheel_ns`` (rows,) is what the wheel itself displaces. Where the
    whole tape shows none, parts in a row may: the longest that do, with the chance shared among them.
    """
    if not len(place):
        return None
    whole = _in_parts(place, share, view, wheel_ns, BY_CHANCE)
    if whole is not None:
        return whole
    runs = _runs_that_agree(place, share, view, wheel_ns)
    # runs share most of their parts: as many are independent as there are parts
    found = (_in_parts(place[a:b], share[a:b], view, wheel_ns, BY_CHANCE / len(place)) for a, b in runs)
    return next((hook for hook in found if hook is not None), None)


def _runs_that_agree(place: F64, share: F64, view: View, wheel_ns: F64 | None) -> list[tuple[int, int]]:
    """Parts in a row, the longest runs first, of which each shows at one edge about as much of a hook of a usual decay."""
    out = set()
    for edge in range(2):
        size = np.array([_in_part(p[:, edge], s[:, edge], view, USUAL_DECAY_LINES, wheel_ns)[0] for p, s in zip(place, share, strict=True)])
        for a in range(len(size)):
            for b in range(a + FEWEST_PARTS, len(size) + 1):
                middle = float(np.median(size[a:b]))
                if abs(middle) > LEAST_NS and np.median(np.abs(size[a:b] - middle)) < ALIKE * abs(middle):
                    out.add((a, b))
    return sorted(out, key=lambda run: (run[0] - run[1], run))[:MOST_RUNS]


def _in_parts(place: F64, share: F64, view: View, wheel_ns: F64 | None, chance: float) -> Hook | None:
    seen = [h for h in (_one_edge(place[:, :, k], share[:, :, k], view, wheel_ns, chance) for k in range(2)) if h is not None]
    clear = [h for h in seen if h.clear]
    if not clear:
        return None
    apart = max(h.value_ns for h in seen) - min(h.value_ns for h in seen)
    if apart > AGREE * sum(h.sigma_ns for h in seen):
        return None
    return min(clear, key=lambda h: h.sigma_ns)


def _one_edge(place: F64, share: F64, view: View, wheel_ns: F64 | None, chance: float) -> Hook | None:
    rows = np.arange(place.shape[1])
    inside = (rows >= view.top + SKIPPED_ROWS) & (rows < view.bottom - SKIPPED_ROWS)
    line = (rows - view.top) / 2.0
    shown = (share >= LEAST_SHARE) & inside
    # counted part by part, the top rows apart: content may hide the edge of some
    rows_shown = shown.sum(1) / inside.sum()
    tells = np.count_nonzero(rows_shown >= LEAST_ROWS) >= FEWEST_PARTS
    enough = rows_shown >= (LEAST_ROWS if tells else LEAST_TO_DENY)
    if enough.sum() < FEWEST_PARTS:
        return None
    place, shown = place[enough], shown[enough]
    below = shown & (line > HOOK_LINES)
    if wheel_ns is not None:
        place = place - _share_of(wheel_ns, place, below) * wheel_ns
    bases = np.array([np.median(p[b]) for p, b in zip(place, below, strict=True)])
    if np.median(np.abs(bases - np.median(bases))) > STANDS_NS:
        return None
    still = np.abs(bases - np.median(bases)) <= 3 * STANDS_NS
    first = inside & (line <= FIRST_LINES)
    # a large hook moves this edge out of the picture: parts without one would deny it
    still &= (shown & first).sum(axis=1) >= LEAST_FIRST * first.sum()
    if still.sum() < FEWEST_PARTS:
        return None
    off = np.clip(place - bases[:, None], -FARTHEST_NS, FARTHEST_NS)[still]
    shown = shown[still]
    known = shown.any(axis=0)
    at = np.zeros(off.shape[1])
    at[known] = np.nanmedian(np.where(shown, off, np.nan)[:, known], axis=0)
    scatter = float(np.hypot(1.4826 * np.median(np.abs(at[known & (line > HOOK_LINES)])), FLOOR_NS))
    top = known & (line <= HOOK_LINES)
    _, size, power, decay = min(_fitted(at[top], line[top], d, scatter) for d in DECAYS_LINES)
    # neighbouring rows err alike: a band of 16 counts as two independent rows
    error = scatter * np.sqrt(8.0 / power)
    alone = np.array([_fitted(o[s & top], line[s & top], decay, scatter)[1] for o, s in zip(off, shown, strict=True) if (s & top).any()])
    spread = 1.4826 * float(np.median(np.abs(alone - np.median(alone)))) * np.sqrt(np.pi / 2 / len(alone))
    agreed = len(alone) > 1 and abs(size) >= spread * stats.t.isf(chance / 2, len(alone) - 1)
    clear = bool(tells and abs(size) >= CLEAR * error and agreed)
    return Hook(size, float(np.sqrt(error**2 + spread**2 + (0.05 * size) ** 2)), decay, clear)


def hook_course(readings: Readings, chosen: NDArray[np.bool_], view: View, hook: Hook, *, wheel_ns: F64 | None = None) -> tuple[F64, F64]:
    """How much of the hook each chosen window shows, 1 for all, and its standard error: (windows,) each, infinite where no edge tells."""
    amplitude: list[float] = []
    sigma: list[float] = []
    first = 0
    for chunk in readings.chunks():
        for k in np.flatnonzero(chosen[first : first + len(chunk.frames)]):
            sums = chunk.sums["edges"]
            place = np.asarray(sums.ratio[k] + _undone(chunk, int(k)), np.float64)
            share = np.asarray(sums.weight[k], np.float64) / max(float(chunk.frames[k]), 1.0)
            told = [_in_part(place[:, edge], share[:, edge], view, hook.decay_lines, wheel_ns) for edge in range(2)]
            value, error = min(told, key=lambda t: t[1])
            amplitude.append(value / hook.value_ns)
            sigma.append(error / abs(hook.value_ns))
        first += len(chunk.frames)
    return np.array(amplitude), np.array(sigma)


def _in_part(place: F64, share: F64, view: View, decay_lines: float, wheel_ns: F64 | None) -> tuple[float, float]:
    """Size of a hook of known decay in one edge of one window or part, ns, and its standard error, infinite where it does not tell."""
    rows = np.arange(len(place))
    inside = (rows >= view.top + SKIPPED_ROWS) & (rows < view.bottom - SKIPPED_ROWS)
    line = (rows - view.top) / 2.0
    shown = (share >= LEAST_SHARE) & inside
    below, first = shown & (line > HOOK_LINES), inside & (line <= FIRST_LINES)
    if below.sum() < LEAST_TO_DENY * (inside & (line > HOOK_LINES)).sum() or (shown & first).sum() < LEAST_FIRST * first.sum():
        return 0.0, np.inf
    if wheel_ns is not None:
        place = place - _share_of(wheel_ns, place[None], below[None]) * wheel_ns
    off = np.clip(place - np.median(place[below]), -FARTHEST_NS, FARTHEST_NS)
    scatter = float(np.hypot(1.4826 * np.median(np.abs(off[below])), FLOOR_NS))
    top = shown & (line <= HOOK_LINES)
    _, size, power, _ = _fitted(off[top], line[top], decay_lines, scatter)
    return size, scatter * float(np.sqrt(8.0 / power))


def _share_of(wheel_ns: F64, place: F64, below: NDArray[np.bool_]) -> float:
    """How much of the wheel's displacement the edge shows: all where it is the tape's own, nothing where it was put in afterwards."""
    rows = below.any(axis=0)
    at = np.nanmedian(np.where(below, place, np.nan)[:, rows], axis=0)
    x = wheel_ns[rows] - np.median(wheel_ns[rows])
    power = float((x**2).sum())
    return float(np.clip((x * np.clip(at - np.median(at), -FARTHEST_NS, FARTHEST_NS)).sum() / power, 0.0, 1.0)) if power > 0 else 0.0


def _fitted(y: F64, x: F64, decay: float, scatter: float) -> tuple[float, float, float, float]:
    """Cost, size, power of the shape and decay of ``size * exp(-x / decay)``; lines far off (bright content at the edge) lose their say."""
    shape = np.exp(-x / decay)
    size = float((shape * y).sum() / (shape**2).sum())
    weight = np.ones_like(y)
    for _ in range(ROUNDS):
        weight = 1 / (1 + ((y - size * shape) / (FAR_OFF * scatter)) ** 2)
        size = float((weight * shape * y).sum() / (weight * shape**2).sum())
    cost = float(np.log1p(((y - size * shape) / (FAR_OFF * scatter)) ** 2).sum())
    return cost, size, float((weight * shape**2).sum()), float(decay)
