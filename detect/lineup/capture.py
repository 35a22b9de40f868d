"""From frames to blocks: about a second of one signal, averaged picture and noise per sample.

A line-up signal stands still, so the mean of a second's frames keeps everything but the noise, and the differences of
frames next to each other keep the noise alone. One block is open at a time: memory does not grow with the capture.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from detect.measure.fields import Frame, SampleFormat
from detect.measure.kernels import compiled
from detect.measure.signals import FrameLook, SignalKind, classify, describe
from detect.standards import V_OVER_U, black_code, codes_per_ire

F32 = NDArray[np.float32]

BLOCK_S = 1.0
"""Length of a block: the wheel does not drift in it, and ten of them in a capture give a scatter."""
LEAST_BLOCK_FRAMES = 8
"""A shorter stretch of a signal is not measured."""
MOST_BLOCKS = 120
"""Blocks of one signal that are measured: two minutes; more of the same adds nothing that the deck does not change
meanwhile."""
STRAY_COLUMNS = 8
"""Every so many columns are kept of frames that show no signal; enough to see which bands are lost."""
MOST_STRAYS = 400


@dataclass(frozen=True, slots=True)
class Block:
    """About a second of one signal.

    ``y`` (rows, columns) IRE; ``chroma`` (rows, chroma columns) Cb + j V_OVER_U Cr, the plane of the
    subcarrier in units of Cb, % of full swing, None without colour.
    ``noise`` (rows, columns) is the variance of one sample from frame to frame, IRE squared. ``name`` is the
    signal's, e.g. "multiburst".
    """

    name: str
    kind: str
    start_frame: int
    end_frame: int
    frames: int
    y: F32
    chroma: NDArray[np.complex64] | None
    noise: F32
    bar_rows: tuple[float, float] | None
    """First and last row of the bars as shares of the picture's height."""
    bar_count: int = 8
    """8 bars, or 7 without a black one."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frames (end exclusive) that show one signal."""

    name: str
    kind: str
    start_frame: int
    end_frame: int


@dataclass(frozen=True, slots=True)
class Stray:
    """A frame without a recognised signal: every eighth column, IRE (rows, columns / 8)."""

    frame: int
    y: F32


@dataclass
class Capture:
    """Feed with frames through :meth:`blocks`; afterwards ``stretches`` and ``strays`` tell what was seen when.

    With ``lost`` (a test of a decimated frame for lines that are lost) every frame is tried, and those that lose lines are kept
    as strays instead of being averaged.
    """

    samples: SampleFormat
    frame_rate: Fraction
    lost: Callable[[Stray], bool] | None = None
    stretches: list[Stretch] = field(default_factory=list)
    strays: list[Stray] = field(default_factory=list)
    frames_seen: int = 0
    frames_damaged: int = 0
    left_out: int = 0
    """Blocks beyond MOST_BLOCKS of a signal."""
    _counts: dict[str, int] = field(default_factory=dict)

    def blocks(self, frames: Iterable[Frame]) -> Iterator[Block]:
        """Blocks as they fill up, in order of time. Damaged frames are left out."""
        open_block: _Sum | None = None
        previous: FrameLook | None = None
        before: str | None = None
        waiting: tuple[Frame, FrameLook] | None = None
        for frame in frames:
            self.frames_seen += 1
            if frame.damaged:
                self.frames_damaged += 1
                continue
            look = describe(frame, self.samples)
            signal = classify(look, previous)
            previous = look
            losing = self.lost is not None and self.lost(self._stray(frame))
            if signal.kind == "picture" or losing:
                self._keep_stray(frame)
            if losing:
                before, waiting = "", None
                continue
            # a frame next to a change may show one signal in each field: neither the last before nor the first after is used
            fresh = before is not None and before != signal.detail
            before = signal.detail
            if fresh:
                waiting = None
            if open_block is not None and open_block.signal.detail != signal.detail:
                yield from self._closed(open_block)
                open_block = None
            if signal.kind == "picture":
                continue
            self._note(signal, frame.number)
            if open_block is None:
                open_block = _Sum(signal, frame.number, self.samples)
            if waiting is not None:
                open_block.add(*waiting)
            waiting = None if fresh else (frame, look)
            if open_block.frames >= round(BLOCK_S * self.frame_rate):
                yield from self._closed(open_block)
                open_block = None
        if open_block is not None:
            if waiting is not None:
                open_block.add(*waiting)
            yield from self._closed(open_block)

    def _closed(self, block: _Sum) -> Iterator[Block]:
        name = block.signal.detail
        if block.frames < LEAST_BLOCK_FRAMES:
            return
        self._counts[name] = self._counts.get(name, 0) + 1
        if self._counts[name] > MOST_BLOCKS:
            self.left_out += 1
            return
        yield block.block()

    def _note(self, signal: SignalKind, number: int) -> None:
        last = self.stretches[-1] if self.stretches else None
        # a frame or two that went astray (a dropout, a splice) does not end a stretch
        if last is not None and last.name == signal.detail and number - last.end_frame <= round(self.frame_rate / 4):
            self.stretches[-1] = Stretch(last.name, last.kind, last.start_frame, number + 1)
        else:
            self.stretches.append(Stretch(signal.detail, signal.kind, number, number + 1))

    def _stray(self, frame: Frame) -> Stray:
        rows = whole_plane(frame, "y")[:, ::STRAY_COLUMNS].astype(np.float32)
        return Stray(frame.number, _ire(rows, self.samples))

    def _keep_stray(self, frame: Frame) -> None:
        if len(self.strays) < MOST_STRAYS:
            self.strays.append(self._stray(frame))

    def lasting(self) -> list[Stretch]:
        """Stretches long enough to be more than a passing likeness: a third of a second."""
        return [s for s in self.stretches if s.end_frame - s.start_frame >= round(self.frame_rate / 3)]


def _ire(codes: F32, samples: SampleFormat) -> F32:
    black = np.float32(black_code(samples.bit_depth, full_range=samples.full_range))
    return np.asarray((codes - black) / np.float32(codes_per_ire(samples.bit_depth, full_range=samples.full_range)))


def whole_plane(frame: Frame, name: str) -> NDArray[Any]:
    """A frame's plane with its rows in place (a copy). Chroma halved down the picture gets as many rows as luma."""
    first, second = (getattr(f, name) for f in frame.fields)
    luma_rows = frame.fields[0].y.shape[0]
    out = np.empty((2 * luma_rows, first.shape[1]), first.dtype)
    for f, plane in zip(frame.fields, (first, second), strict=True):
        step = -(-luma_rows // plane.shape[0])
        out[f.row0 :: 2] = plane if step == 1 else np.repeat(plane, step, axis=0)[:luma_rows]
    return out


@compiled
def _accumulate(plane: Any, previous: Any, total: Any, squares: Any, first: bool) -> None:
    """total += plane; squares += (plane - previous)^2; previous = plane; all (rows, columns)."""
    for i in range(plane.shape[0]):
        for x in range(plane.shape[1]):
            v = np.float32(plane[i, x])
            total[i, x] += v
            if not first:
                d = v - previous[i, x]
                squares[i, x] += d * d
            previous[i, x] = v


class _Sum:
    """The block being filled."""

    def __init__(self, signal: SignalKind, start: int, samples: SampleFormat) -> None:
        self.signal, self.start, self.samples = signal, start, samples
        self.frames, self.last = 0, start
        self._total: F32 | None = None
        self._bar_rows: list[tuple[int, int]] = []
        self._bar_counts: list[int] = []

    def add(self, frame: Frame, look: FrameLook) -> None:
        if self._total is None:
            rows, columns = 2 * frame.fields[0].y.shape[0], frame.fields[0].y.shape[1]
            self._total = np.zeros((rows, columns), np.float32)
            self._squares = np.zeros_like(self._total)
            self._previous = np.zeros_like(self._total)
            self._chroma = [np.zeros_like(whole_plane(frame, c), np.float32) for c in self._chroma_names(frame)]
        for f in frame.fields:
            pick = slice(f.row0, None, 2)
            _accumulate(f.y, self._previous[pick], self._total[pick], self._squares[pick], self.frames == 0)
        for total, name in zip(self._chroma, self._chroma_names(frame), strict=True):
            total += whole_plane(frame, name)
        if look.bars is not None:
            self._bar_rows.append(look.bars.rows)
            self._bar_counts.append(look.bars.count)
        self.frames += 1
        self.last = frame.number

    def _chroma_names(self, frame: Frame) -> tuple[str, ...]:
        return ("cb", "cr") if self.samples.has_chroma and frame.fields[0].cb is not None else ()

    def block(self) -> Block:
        assert self._total is not None
        scale = np.float32(codes_per_ire(self.samples.bit_depth, full_range=self.samples.full_range))
        chroma = None
        if self._chroma:
            zero = np.float32(2 ** (self.samples.bit_depth - 1))
            full = self.samples.full_range
            swing = 2**self.samples.bit_depth - 1 if full else 224.0 * 2 ** (self.samples.bit_depth - 8)
            cb, cr = ((c / np.float32(self.frames) - zero) * np.float32(100 / swing) for c in self._chroma)
            chroma = (cb + 1j * np.float32(V_OVER_U) * cr).astype(np.complex64)
        rows = None
        if self._bar_rows:
            first, last = np.median(np.array(self._bar_rows), axis=0)
            rows = (float(first) / 12, float(last) / 12)
        return Block(
            name=self.signal.detail,
            kind=self.signal.kind,
            start_frame=self.start,
            end_frame=self.last + 1,
            frames=self.frames,
            y=_ire(self._total / np.float32(self.frames), self.samples),
            chroma=chroma,
            noise=self._squares / np.float32(2 * max(1, self.frames - 1)) / scale**2,
            bar_rows=rows,
            bar_count=int(np.median(self._bar_counts)) if self._bar_counts else 8,
        )
