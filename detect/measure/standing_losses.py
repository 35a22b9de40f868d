"""Losses that come back in every pass and so stand in the picture, where nothing around in time can tell them.

A transmission is locked to the field: passes fall on the same lines of every field. A scratch along the tape makes a dash in every pass at
the same place of it, sixteen or twenty in a field, which are in the fields before and after too. So they are asked of one field alone: thin
dashes, outside the range of the line above and the line below, one *pass* apart in the signal, counted through the lines with their
blanking; or, as far as lines go, one pass apart and at the same place of the line.

A scratch that meets the heads in some passes only, or is white in one and black in the next, makes too few of a kind in one field: the
passes it made a dash in within a third of a second are counted together, each once (``recent_passes``).

Null hypothesis: dashes of the picture, which fall so by chance as often as dashes near that place of any line do (binomial, by its Chernoff
bound). Whether dashes that pass stand in a picture that changes is asked when judging.
"""

from __future__ import annotations

from math import log

import numpy as np
from numpy.typing import NDArray

from detect.measure.kernels import compiled
from detect.standards import Standard

I16 = NDArray[np.int16]
F32 = NDArray[np.float32]

BRIGHT, DARK = 6, 7
"""Kind codes of these candidates."""
LEAST_IRE = 10.0
"""How far outside the range of the lines beside it a dash is."""
EVERY = 3
"""Samples from one that is asked to the next: half of the shortest loss."""
SHORTEST, LONGEST = 6, 400
"""Samples: 0.45 us, and 30 us, a quarter of a millimetre and 1.2 mm of tape."""
BRIDGED = 12
"""Samples between two dashes of one kind that are one: a line beside them is as bright there."""
MOST_DASHES = 300
"""Dashes of one field that are compared, the first; a picture with more is too restless to tell any."""
REACH = 16
"""Samples by which dashes of one scratch may lie off each other: 1.2 us, 0.05 mm across the tape (house value)."""
FEWEST = 6
"""Dashes a pass apart in one field."""
MEMORY_FRAMES = 8
"""Frames whose dashes are counted together: a scratch of four passes in ten then shows in nearly all, and has hardly wandered."""
MOST_A_PASS = 3
"""More dashes than so many in every pass are a pattern of the picture: bricks, slats, a table."""
AT_ENDS = 50
"""Samples at either end of the line that are left to ``line_ends``: switching stands there in every pass."""
LOG_CHANCE = -16.0
"""Of so many by chance: one in ten million fields."""
MOST_KEPT, KEPT_EVERY = 40_000, 30
"""So many dashes, some 1,400 frames of a scratch, are given; from there on those of one frame in so many, which shows how long it lasts."""
COLUMNS = 5
"""Of a dash: line, x0, x1, sign, mean distance from the nearer of the lines beside it, in codes."""


@compiled
def _outside(own: I16, a: I16, b: I16, x: int, sign: int) -> int:
    """How far a sample is outside the range of the lines beside it: above both for a sign of 1, below both for -1."""
    return int(own[x] - max(a[x], b[x])) if sign > 0 else int(min(a[x], b[x]) - own[x])


@compiled
def find_dashes(y: I16, tall: I16, low: I16, here: int, first: int, last: int, left: int, right: int, least: int, out: F32) -> int:
    """Dashes in one field of the stack (fields, lines, width); returns how many. ``tall``, ``low``: widened along the line."""
    found = 0
    for i in range(first + 1, last - 1):
        own = y[here, i]
        high_a, high_b, deep_a, deep_b = tall[here, i - 1], tall[here, i + 1], low[here, i - 1], low[here, i + 1]
        x = left
        while x < right:
            high, deep = max(high_a[x], high_b[x]), min(deep_a[x], deep_b[x])
            if own[x] - high <= least and deep - own[x] <= least:
                x += EVERY
                continue
            sign = 1 if own[x] - high > least else -1
            x0, x1 = x, x + 1
            a, b = (high_a, high_b) if sign > 0 else (deep_a, deep_b)
            while x0 > left and _outside(own, a, b, x0 - 1, sign) > least:
                x0 -= 1
            while x1 < right and _outside(own, a, b, x1, sign) > least:
                x1 += 1
            x = x1 + 1
            if x1 - x0 < SHORTEST or x1 - x0 > LONGEST or x0 <= left + AT_ENDS or x1 >= right - AT_ENDS:
                continue
            total = 0
            for k in range(x0, x1):
                total += _outside(own, a, b, k, sign)
            if found and out[found - 1, 0] == i and out[found - 1, 3] == sign and x0 - out[found - 1, 2] <= BRIDGED:
                out[found - 1, 2] = x1
                continue
            if found == len(out):
                return found
            out[found, 0], out[found, 1], out[found, 2], out[found, 3], out[found, 4] = i, x0, x1, sign, total / (x1 - x0)
            found += 1
    return found


@compiled
def _rare(seen: int, asked: int, chance: float) -> bool:
    """Whether so many of those asked are rarer than LOG_CHANCE, by the Chernoff bound of the binomial tail."""
    if seen < FEWEST or asked < seen or chance <= 0.0:
        return seen >= FEWEST
    share = seen / asked
    if share <= chance:
        return False
    distance = share * log(share / chance)
    if share < 1.0:
        distance += (1.0 - share) * log((1.0 - share) / (1.0 - chance))
    return -asked * distance < LOG_CHANCE


@compiled
def a_pass_apart(
    dashes: F32, first: int, last: int, left: int, right: int, pass_lines: float, line_samples: float, keep: NDArray[np.uint8]
) -> int:
    """Mark in ``keep`` (dashes,) those that recur from pass to pass; returns how many.

    ``pass_lines``: field lines of a pass; ``line_samples``: of a whole line with its blanking.
    """
    count = len(dashes)
    keep[:] = 0
    passes = int((last - first) / pass_lines) + 1
    of_signal, of_lines = np.zeros(2 * passes + 1, np.uint8), np.zeros(2 * passes + 1, np.uint8)
    period = pass_lines * line_samples
    for a in range(count):
        la, xa = dashes[a, 0], (dashes[a, 1] + dashes[a, 2]) / 2
        of_signal[:], of_lines[:] = 0, 0
        alike = near = 0
        for b in range(count):
            if dashes[b, 3] != dashes[a, 3]:
                continue
            alike += 1
            xb = (dashes[b, 1] + dashes[b, 2]) / 2
            apart = dashes[b, 0] - la
            since = apart * line_samples + xb - xa
            k = int(np.round(since / period))
            if abs(k) <= passes and abs(since - k * period) <= REACH:
                of_signal[k + passes] = 1
            if abs(xb - xa) <= REACH:
                near += 1
                # a dash at a place in the pass is on the line that holds it: each on its whole line, counted from the lowest in its pass
                k = int(np.ceil(apart / pass_lines - 1e-6))
                if abs(k) <= passes and apart - k * pass_lines > -1.0:
                    of_lines[k + passes] = 1
        asked_signal = asked_lines = 0
        for k in range(-passes, passes + 1):
            at = la * line_samples + xa + k * period
            line = np.floor(at / line_samples)
            x = at - line * line_samples
            asked_signal += first < line < last - 1 and left < x < right
            asked_lines += first < la + np.floor(k * pass_lines) and la + np.floor(k * pass_lines) < last - 1
        # what is expected of a place by those that lie elsewhere
        lines = last - first - 2
        by_chance = alike - of_signal.sum() + 1
        chance_signal = by_chance * (2 * REACH + 1) / (lines * (right - left))
        chance_lines = (near - of_lines.sum() + 1) / max(lines - asked_lines, 1)
        by_signal = _rare(int(of_signal.sum()), asked_signal, min(chance_signal, 0.9))
        by_lines = _rare(int(of_lines.sum()), asked_lines, min(chance_lines, 0.9))
        if not by_signal and not by_lines:
            continue
        for b in range(count):
            if dashes[b, 3] != dashes[a, 3]:
                continue
            xb = (dashes[b, 1] + dashes[b, 2]) / 2
            apart = dashes[b, 0] - la
            since = apart * line_samples + xb - xa
            if by_signal and abs(since - np.round(since / period) * period) <= REACH:
                keep[b] = 1
            if by_lines and abs(xb - xa) <= REACH and apart - np.ceil(apart / pass_lines - 1e-6) * pass_lines > -1.0:
                keep[b] = 1
    return int(keep.sum())


@compiled
def recent_passes(
    dashes: F32, first: int, last: int, left: int, right: int, pass_lines: float, line_samples: float, seen_at: NDArray[np.int64],
    frame: int, keep: NDArray[np.uint8],
) -> int:  # fmt: skip
    """Mark in ``keep`` (dashes,) those at a place of the pass where one of either sign was in many passes of late; returns how many.

    ``seen_at`` (passes, cells): frame in which each cell of a pass, some REACH long, last had a dash in a field of this parity; the dashes
    are entered. A picture that stands still shows the same few again and again, one that moves fills the cells and so raises the chance.
    """
    passes, cells = seen_at.shape
    of_all = seen_at.reshape(-1)
    length = pass_lines * line_samples / cells
    for d in range(len(dashes)):
        at = int((dashes[d, 0] * line_samples + (dashes[d, 1] + dashes[d, 2]) / 2) / length)
        if 0 <= at < len(of_all):
            of_all[at] = frame
    since = frame - MEMORY_FRAMES
    taken = (of_all > since).sum()
    room = (last - first - 2) * (right - left - 2 * AT_ENDS) / length
    kept = 0
    for d in range(len(dashes)):
        if keep[d]:
            continue
        own = int((dashes[d, 0] * line_samples + (dashes[d, 1] + dashes[d, 2]) / 2) / length) % cells
        seen = asked = held = 0
        for k in range(passes):
            at = k * cells + own
            where = (at + 0.5) * length
            line = np.floor(where / line_samples)
            x = where - line * line_samples
            if not (first < line < last - 1 and left + AT_ENDS < x < right - AT_ENDS):
                continue
            asked += 1
            here = 0
            for near in range(max(at - 1, 0), min(at + 2, len(of_all))):
                here += of_all[near] > since
            held += here
            seen += here > 0
        if _rare(seen, asked, min(3 * (taken - held + 1) / room, 0.9)):
            keep[d] = 1
            kept += 1
    return kept


class StandingFinder:
    """Dashes of one field after another. ``dropped``: those that were not given since there were too many."""

    def __init__(self, standard: Standard, bounds: tuple[int, int, int, int], *, ire: float) -> None:
        """``bounds``: first line of the picture in a field and the one after its last, first sample and the one after its last."""
        self.dropped = 0
        self._bounds, self._least, self._given = bounds, int(LEAST_IRE * ire), 0
        self._pass_lines, self._line_samples = float(standard.lines_per_pass), float(standard.samples_per_line)
        self._dashes, self._keep = np.zeros((MOST_DASHES, COLUMNS), np.float32), np.zeros(MOST_DASHES, np.uint8)
        passes, cells = int(np.ceil(bounds[1] / self._pass_lines)) + 1, round(self._pass_lines * self._line_samples / REACH)
        self._seen_at = np.full((2, passes, cells), -MEMORY_FRAMES, np.int64)

    def find(self, y: I16, tall: I16, low: I16, here: int, frame: int, index: int) -> F32:
        """Those of field ``here`` of the stack, field 0 or 1 (``index``) of frame number ``frame``: (dashes, COLUMNS)."""
        count = find_dashes(y, tall, low, here, *self._bounds, self._least, self._dashes)
        dashes, keep = self._dashes[:count], self._keep[:count]
        found = a_pass_apart(dashes, *self._bounds, self._pass_lines, self._line_samples, keep)
        found += recent_passes(dashes, *self._bounds, self._pass_lines, self._line_samples, self._seen_at[index], frame, keep)
        if found > MOST_A_PASS * self._seen_at.shape[1]:
            return dashes[:0]
        if found and self._given > MOST_KEPT and frame % KEPT_EVERY:
            self.dropped += found
            return dashes[:0]
        self._given += found
        return dashes[keep > 0]
