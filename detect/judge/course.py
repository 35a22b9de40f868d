"""When a fault is there: in and out points from how strongly each window shows the pooled pattern."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

SWITCH_PRICE = 12.0
"""Log-likelihood that going in or out must win: about five standard errors in one window."""
LEVEL_SPREAD = 0.2
"""A fault that is there may vary by this share from window to window without being said to come and go."""
MOST_TAKEN = 0.5
"""Of the share that a carrier may take, so much at most is taken for what differs from shot to shot (half of it either way): with more,
windows that show nothing would be said to have the fault."""
ABSENT_SPREAD = 0.04
"""Share of the level that content may read where the fault is absent, beyond a window's own scatter: less than ``LEAST_PART``."""

WHOLE_PART = 0.85
"""A window that shows this share of the level has the fault all through: less is noise of the window."""
ENOUGH_INSIDE = 3
"""Windows that tell the size of a fault as well without those at its ends (house value)."""
FEWEST_FOR_GROWTH = 5
LEAST_RISE = 0.4
GROWTH_CLEAR = 5.0
"""Windows, share of the size, and standard errors by which a fault must rise before it is said to grow."""
LEAST_PART = 0.1
PART_CLEAR = 3.0
"""Standard errors and share of the level from which a window beside the stretch is taken to hold a part of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """From when to when a fault is there; ``rise``: by how much of its mean it grows from start to end, 0 where not clear of its scatter.

    ``unseen`` (at its start, at its end): frames about that point in which no window says anything; the point is their middle.
    """

    start_frame: int
    end_frame: int
    rise: float = 0.0
    unseen: tuple[int, int] = (0, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch(Extent):
    """Windows first <= w < last with the fault."""

    first: int
    last: int
    core: tuple[int, int]
    """The windows that have it from their start to their end, for certain where there are enough."""


def stretches(
    amplitude: F64, sigma: F64, start_frame: NDArray[np.int64], end_frame: NDArray[np.int64], *, taken: float = 0.0
) -> list[Stretch]:
    """Where ``amplitude`` (windows,), 1 for the pooled size, is on. ``sigma`` is infinite where a window says nothing.

    ``taken``: share of the fault that the carrier may take away (``doubt.of_carrier``), here more and there less.
    """
    spread = float(np.hypot(LEVEL_SPREAD, min(taken, MOST_TAKEN) / 2))
    said = np.isfinite(sigma)
    if not said.any():
        return []
    level = _upper_level(amplitude[said], sigma[said])
    on = np.ones(len(amplitude), bool)
    for _ in range(3):
        on = _two_states(amplitude, sigma, level, spread)
        if not (on & said).any():
            return []
        weight = 1 / sigma[on & said] ** 2
        level = float((amplitude[on & said] * weight).sum() / weight.sum())
    bounds = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(int), [0]])))
    return [
        _stretch(amplitude, sigma, *_trimmed(amplitude, sigma, int(first), int(last), level, spread), start_frame, end_frame)
        for first, last in zip(bounds[::2], bounds[1::2], strict=True)
        if said[first:last].any()
    ]


def _trimmed(amplitude: F64, sigma: F64, first: int, last: int, level: float, spread: float) -> tuple[int, int]:
    """Leave out windows at either end that show nothing of the fault; and those that say nothing, where the fault is not known to go
    on beyond them: at the ends of the file it is, unless the window next to them shows it for a part of its time only."""
    speaking = (first + np.flatnonzero(np.isfinite(sigma[first:last]))).tolist()

    def empty(w: int) -> bool:
        below = (level - amplitude[w]) > PART_CLEAR * np.hypot(sigma[w], spread * level)
        return bool(below and amplitude[w] < PART_CLEAR * sigma[w])

    while len(speaking) > 1 and empty(speaking[0]):
        first = speaking.pop(0) + 1
    while len(speaking) > 1 and empty(speaking[-1]):
        last = speaking.pop()
    partly = [amplitude[w] < WHOLE_PART * level - PART_CLEAR * sigma[w] for w in (speaking[0], speaking[-1])]
    inside = (_speaking(sigma, first - 1, -1) is not None, _speaking(sigma, last, +1) is not None)
    return (
        speaking[0] if partly[0] or inside[0] else first,
        speaking[-1] + 1 if partly[1] or inside[1] else last,
    )


def _stretch(
    amplitude: F64, sigma: F64, first: int, last: int, start_frame: NDArray[np.int64], end_frame: NDArray[np.int64]
) -> Stretch:
    """In and out points by how much of the windows at either end has the fault, against the level inside."""
    inside = slice(first + 1, last - 1) if last - first > 2 else slice(first, last)
    good = np.isfinite(sigma[inside])
    weight = np.where(good, 1 / np.where(good, sigma[inside], 1.0) ** 2, 0.0)
    level = float((amplitude[inside] * weight).sum() / weight.sum()) if weight.sum() > 0 else 1.0

    def share(w: int) -> float:
        if not 0 <= w < len(amplitude) or not np.isfinite(sigma[w]) or level <= 0:
            return 0.0
        value = float(np.clip(amplitude[w] / level, 0.0, 1.0))
        return value if amplitude[w] > PART_CLEAR * sigma[w] and value > LEAST_PART else 0.0

    rise = _rise(amplitude[inside], sigma[inside])

    def whole(w: int) -> bool:
        return bool(rise > 0 or not np.isfinite(sigma[w]) or amplitude[w] > WHOLE_PART * level - sigma[w])

    head, tail = (1.0 if whole(w) else share(w) for w in (first, last - 1))
    start = float(end_frame[first]) - head * float(end_frame[first] - start_frame[first])
    end = float(start_frame[last - 1]) + tail * float(end_frame[last - 1] - start_frame[last - 1])
    unseen = [0, 0]
    before, after = _speaking(sigma, first - 1, -1), _speaking(sigma, last, +1)
    if head == 1.0 and before is not None:
        there, silent = share(before), int(start_frame[first] - end_frame[before])
        start = float(end_frame[before]) - there * float(end_frame[before] - start_frame[before])
        if not there:  # it may have begun anywhere between
            start, unseen[0] = start + silent / 2, silent
    if tail == 1.0 and after is not None:
        there, silent = share(after), int(start_frame[after] - end_frame[last - 1])
        end = float(start_frame[after]) + there * float(end_frame[after] - start_frame[after])
        if not there:
            end, unseen[1] = end - silent / 2, silent
    inner = last - first >= ENOUGH_INSIDE + 2  # then windows at ends inside the file, which may hold a part, are not needed for its size
    core = (first + (head < 1.0 or (inner and before is not None)), last - (tail < 1.0 or (inner and after is not None)))
    if core[1] - core[0] < 1:
        core = (first, last)
    return Stretch(
        first=first, last=last, start_frame=round(start), end_frame=max(round(end), round(start) + 1), rise=rise, core=core,
        unseen=(unseen[0], unseen[1]),
    )  # fmt: skip


def _speaking(sigma: F64, window: int, step: int) -> int | None:
    """The first window from ``window`` on, forwards or backwards, that says anything."""
    while 0 <= window < len(sigma):
        if np.isfinite(sigma[window]):
            return window
        window += step
    return None


def _upper_level(amplitude: F64, sigma: F64) -> float:
    """A first guess of the size where the fault is: the middle of the upper half of the windows that show it clearly."""
    clear = np.sort(amplitude[amplitude > 4 * sigma])
    return float(np.median(clear[len(clear) // 2 :])) if clear.size else 1.0


def _two_states(amplitude: F64, sigma: F64, level: float, spread: float) -> NDArray[np.bool_]:
    """Viterbi over "absent" (0) and "there" (level)."""
    said = np.isfinite(sigma)
    variance = np.where(said, sigma, 1.0) ** 2
    absent = variance + (ABSENT_SPREAD * level) ** 2
    off = np.where(said, amplitude**2 / absent + np.log(absent / variance), 0.0) / 2
    there = np.where(said, (amplitude - level) ** 2 / (variance + (spread * level) ** 2), 0.0) / 2
    there += np.where(said, np.log1p((spread * level) ** 2 / variance), 0.0) / 2
    cost = np.stack([np.minimum(off, 200.0), np.minimum(there, 200.0)])
    total, back = cost[:, 0].copy(), np.zeros((2, cost.shape[1]), np.int8)
    for w in range(1, cost.shape[1]):
        for state in (0, 1):
            other = total[1 - state] + SWITCH_PRICE
            back[state, w] = 1 - state if other < total[state] else state
        total = np.minimum(total, total[::-1] + SWITCH_PRICE) + cost[:, w]
    state = int(np.argmin(total))
    path = np.zeros(cost.shape[1], bool)
    for w in range(cost.shape[1] - 1, -1, -1):
        path[w] = bool(state)
        state = int(back[state, w])
    return path


def _rise(amplitude: F64, sigma: F64) -> float:
    """A straight rise over the mean, 0 where it is not clear of what the windows scatter about it: content changes the gain from shot to
    shot."""
    said = np.isfinite(sigma)
    if said.sum() < FEWEST_FOR_GROWTH:
        return 0.0
    x, y = np.flatnonzero(said).astype(float), amplitude[said]
    w = 1 / sigma[said] ** 2
    x -= (w * x).sum() / w.sum()
    mean = float((w * y).sum() / w.sum())
    y = y - mean
    power = float((w * x**2).sum())
    slope = float((w * x * y).sum()) / power
    scatter = float((w * (y - slope * x) ** 2).sum()) / (len(x) - 2)
    rise, error = float(slope * (x[-1] - x[0])), (x[-1] - x[0]) * np.sqrt(max(scatter, 1.0) / power)
    return rise / mean if rise > max(LEAST_RISE, GROWTH_CLEAR * error) and mean > 0 else 0.0
