"""Heads that read nothing for a while: their bands of the picture hold noise.

Bands of noise are where a wheel's passes are, or the picture makes them. Null hypothesis: a band lies anywhere and is as long as it
likes; both ends are then at head changes, to 1.6 lines either way, in one of 26 (3.2 of 16.4 lines, squared). Three bands of one head in a
field are one in 18 000, and every frame asks anew.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from detect.findings import WheelState
from detect.measure.noise_bands import GONE
from detect.standards import HEADS, Standard

F64 = NDArray[np.float64]

AT_A_CHANGE_LINES = 1.6
"""How far the ends of a band may lie from head changes: a line of either field, and one that is half lost."""
AGREE = 0.8
"""Share of the bands, each counted for as long as it lasts, that must fit one phase where no other fault shows it."""
FEWEST_PASSES = 3
"""Different passes of the picture that must be seen lost then."""
COVERED = 0.8
"""Of a pass that counts as lost."""
PASSES_GONE = 0.5
"""Share of a head's passes of a frame from which it reads nothing: a head that works loses none."""
AROUND_FRAMES, FEWEST_LOST = 7, 6
"""Or so many different passes of it within a quarter of a second either way, half and three at the least, and so many in all: where a
carrier predicts pictures, noise is now and then what the frame before had, and is not seen as noise."""
FEWEST_TO_OVERRULE, SURE_RATIO = 20, 8.0
"""Bands that outweigh a phase of less null ratio, if they show another: content reaches as much (docs/evidence.md)."""
SHORTEST_FRAMES, GAP_FRAMES = 3, 15
"""Shorter ones are single losses of many lines; between two that are one there may be half a second."""
PHASE_SIGMA_LINES = 0.3
"""Of a phase that ends of bands show, four or more in both fields, or dashes at head changes: lines that are lost or not (house value)."""


@dataclass(frozen=True, slots=True)
class GoneHead:
    """A head that reads nothing in ``passes`` of its passes from ``start_frame`` to before ``end_frame``."""

    head: int
    start_frame: int
    end_frame: int
    passes: int
    of_passes: int
    stretch: int


EDGE_LINES = 5.0
"""A band that ends so near to the top or bottom of the picture is cut off there, and need not end at a head change."""
TRIED = 66
"""Phases that are tried: to a quarter of a line."""


@dataclass(frozen=True, slots=True)
class Bands:
    """Field lines from and to, frames from and to, one entry a band and field; ``height``: field lines of the picture."""

    top: F64
    bottom: F64
    start: NDArray[np.int64]
    end: NDArray[np.int64]
    height: float

    def where(self, which: NDArray[np.bool_]) -> Bands:
        return Bands(self.top[which], self.bottom[which], self.start[which], self.end[which], self.height)

    def at_changes(self, phase: float, period: float) -> NDArray[np.bool_]:
        """Whether both ends of each band lie where heads change: a line that is lost begins within a line after it, in either field."""
        first, last = (np.abs((at - 0.5 - phase + period / 2) % period - period / 2) for at in (self.top, self.bottom))
        first[self.top < EDGE_LINES] = last[self.bottom > self.height - EDGE_LINES] = 0.0
        return np.asarray((first <= AT_A_CHANGE_LINES) & (last <= AT_A_CHANGE_LINES))


def bands_of(candidates: Mapping[str, NDArray[Any]], rows0: tuple[int, int], height: int) -> Bands:
    """Bands among the candidates of losses; ``rows0``: frame row of line 0 of either field; ``height``: frame rows."""
    mine = np.asarray(candidates.get("kind", np.zeros(0))) == GONE
    field, line, lines, start, end = (
        np.asarray(candidates[k])[mine].astype(np.int64) if mine.any() else np.zeros(0, np.int64)
        for k in ("field", "line", "stack", "frame", "run")
    )
    top = np.asarray(rows0)[field] / 2 + line
    return Bands(top, top + lines, start, end, height / 2)


def with_phases_of_bands(wheel: Sequence[WheelState], bands: Bands, standard: Standard) -> list[WheelState]:
    """The same stretches, those without a phase with that of the bands, where they show one."""
    return with_phases(
        wheel, lambda state: _phase_of(bands.where((bands.start < state.end_frame) & (bands.end > state.start_frame)), standard)
    )


def overruled(phase_lines: float, null_ratio: float, bands: Bands, frames: tuple[int, int], standard: Standard) -> float | None:
    """The phase of the bands between two ``frames`` (end exclusive), where many show one and the phase known, unsure, is another."""
    here = bands.where((bands.start < frames[1]) & (bands.end > frames[0]))
    if null_ratio >= SURE_RATIO or len(here.top) < FEWEST_TO_OVERRULE:
        return None
    phase = _phase_of(here, standard)
    fits = here.at_changes(phase_lines, float(standard.lines_per_pass))
    return phase if phase is not None and fits.mean() < PASSES_GONE else None


def with_phases(wheel: Sequence[WheelState], phase_of: Callable[[WheelState], float | None]) -> list[WheelState]:
    """The same stretches, those without a phase with the one that something beside the picture shows, to ``PHASE_SIGMA_LINES``."""
    out = []
    for state in wheel:
        phase = None if state.locked else phase_of(state)
        known = {"phase_lines": phase, "phase_sigma_lines": PHASE_SIGMA_LINES, "locked": True}
        out.append(state if phase is None else state.model_copy(update=known))
    return out


def _phase_of(bands: Bands, standard: Standard) -> float | None:
    if not len(bands.top):
        return None
    period = float(standard.lines_per_pass)
    lasts = (bands.end - bands.start).astype(float)
    tried = np.arange(TRIED) * period / TRIED
    best = float(tried[np.argmax([lasts[bands.at_changes(p, period)].sum() for p in tried])])
    fits = bands.at_changes(best, period)
    whole = fits & (bands.top >= EDGE_LINES)
    turn = np.exp(2j * np.pi * (bands.top[whole] - 0.5) / period)
    phase = float(np.angle((lasts[whole] * turn).sum()) / (2 * np.pi) * period % period)
    passes = {k for a, b in zip(bands.top[fits], bands.bottom[fits], strict=True) for k in _covered(a, b, phase, period)}
    agree = lasts[fits].sum() >= AGREE * lasts.sum()
    return phase if agree and len(passes) >= FEWEST_PASSES else None


def _covered(top: float, bottom: float, phase: float, period: float) -> list[int]:
    """Passes that a band covers."""
    some = range(int(np.floor((top - phase) / period)), int(np.ceil((bottom - phase) / period)))
    return [k for k in some if min(bottom, phase + (k + 1) * period) - max(top, phase + k * period) >= COVERED * period]


def find_gone(bands: Bands, wheel: Sequence[WheelState], standard: Standard, *, programme: NDArray[np.bool_]) -> list[GoneHead]:
    """Heads that read nothing, stretch by stretch of the wheel. ``programme``: frames that are judged."""
    period = float(standard.lines_per_pass)
    found = []
    for index, state in enumerate(wheel):
        if not state.locked or state.phase_lines is None:
            continue
        here = bands.where((bands.start < state.end_frame) & (bands.end > state.start_frame))
        here = here.where(here.at_changes(state.phase_lines, period))
        frames = state.end_frame - state.start_frame
        lost = np.zeros((HEADS, frames + 1), np.int64)
        for top, bottom, start, end in zip(here.top, here.bottom, here.start, here.end, strict=True):
            for k in _covered(top, bottom, state.phase_lines, period):
                lost[k % HEADS, max(start - state.start_frame, 0)] += 1
                lost[k % HEADS, min(end - state.start_frame, frames)] -= 1
        judged = programme[state.start_frame : state.end_frame]
        count = np.cumsum(lost, axis=1)[:, :-1] * judged
        in_view = _covered(0.0, bands.height, state.phase_lines, period)
        for head in range(HEADS):
            mine = [k for k in in_view if k % HEADS == head]
            each = 2 * len(mine)
            now_and_then = _now_and_then(here, state, mine, period) & judged
            for a, b in _spans((count[head] >= PASSES_GONE * each) | now_and_then):
                found.append(
                    GoneHead(head, state.start_frame + a, state.start_frame + b, int(count[head, a:b].sum()), each * (b - a), index)
                )
    return found


def _now_and_then(bands: Bands, state: WheelState, passes: Sequence[int], period: float) -> NDArray[np.bool_]:
    """Frames of a stretch, (frames,), around which bands show these ``passes`` lost, from the first such band to the last."""
    phase, frames = state.phase_lines or 0.0, state.end_frame - state.start_frame
    lost = np.zeros((len(passes), frames), np.int64)
    for top, bottom, start, end in zip(bands.top, bands.bottom, bands.start, bands.end, strict=True):
        for row in (row for row, k in enumerate(passes) if k in _covered(top, bottom, phase, period)):
            lost[row, max(start - state.start_frame, 0) : end - state.start_frame] += 1
    window = np.ones(2 * AROUND_FRAMES + 1, np.int64)
    near = np.array([np.convolve(row, window)[AROUND_FRAMES : AROUND_FRAMES + frames] for row in lost]).reshape(len(passes), frames)
    different = (near > 0).sum(axis=0) >= max(FEWEST_PASSES, PASSES_GONE * len(passes))
    enough = np.asarray(different & (near.sum(axis=0) >= FEWEST_LOST), bool)
    seen = np.flatnonzero(lost.any(axis=0))
    for a, b in _runs(enough):  # no further than the bands themselves
        inside = seen[(seen >= a) & (seen < b)]
        enough[a : inside[0] if len(inside) else b] = False
        enough[inside[-1] + 1 if len(inside) else a : b] = False
    return enough


def _runs(true: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Where it begins to hold and no longer does."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], true, [False]]).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _spans(gone: NDArray[np.bool_]) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for a, b in _runs(gone):
        if joined and a - joined[-1][1] <= GAP_FRAMES:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    return [(a, b) for a, b in joined if b - a >= SHORTEST_FRAMES]
