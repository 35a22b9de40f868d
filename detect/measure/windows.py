"""Sums over windows: frames in, chunks of readings out. Nothing here knows what a head is.

Windows are fixed stretches of the file counted from frame 0, so that sums come out the same however the file is cut up.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np

from detect.measure.cuts import CutFinder
from detect.measure.fields import Frame, SampleFormat
from detect.measure.relations import QUANTITIES, Deshift, LineRelations, WindowSums
from detect.measure.signals import FrameLook, classify, describe
from detect.measure.tears import TearFinder
from detect.readings import CHUNK_WINDOWS, Chunk, Sums
from detect.standards import STANDARDS

WINDOW_S = 1.2
"""Length of a window: a compromise between the size of the readings (2 MB a minute) and the grain of in and out points."""
COSTLY_EVERY = 4
NOISE_IN_ALL = frozenset({"dvvideo", "mpeg2video", "mjpeg"})
"""Codecs (FFmpeg names) whose frames are all asked for their noise: coding takes so much of it that one frame in four does not do (six DV25
tapes of 10 s: rms error of a head 0.29 dB; from all frames, and with the share of the blocks, 0.16)."""
"""Response and noise relations are taken from every fourth measured frame: neighbours in time repeat the picture."""
TEARS_TURN = 3
"""Torn lines are looked for in every fourth frame too, where no other costly figure is taken."""
FRAME_FIGURES = (
    "mean_ire",
    "std_ire",
    "chroma_pct",
    "coherence",
    "edge_jitter_samples",
    "difference_ire",
    "signal",
    "cut",
    "tears",
)
"""Columns of the per-frame table kept in each chunk under "frame_figures"."""
SIGNAL_CODES = ("picture", "black", "bars", "test_signal")


def window_frames(frame_rate: Fraction) -> int:
    """Frames in one window (36 or 30)."""
    return round(WINDOW_S * frame_rate)


@dataclass
class _Open:
    """The window being filled."""

    start: int
    sums: WindowSums
    undone: bool = False
    frames: int = 0
    rows: list[tuple[int, list[float]]] = field(default_factory=list)


class WindowMeasurer:
    """Feed frames in order with ``push``, then ``finish``. Complete chunks go to ``sink`` as soon as they are full."""

    def __init__(
        self,
        samples: SampleFormat,
        *,
        height: int,
        width: int,
        frame_rate: Fraction,
        sink: Callable[[Chunk], None],
        every: int = 1,
        deshift: Deshift | None = None,
        codec: str = "",
    ) -> None:
        """``codec``: FFmpeg name of the carrier."""
        self.samples = samples
        self.height = height
        self.length = window_frames(frame_rate)
        self.every = every
        self.cuts: list[int] = []
        self._relations = LineRelations(samples, width=width, deshift=deshift, alternating=_alternating(frame_rate))
        self._deshift = deshift
        self._cut_finder = CutFinder()
        self._tears = TearFinder()
        self._sink = sink
        self._done: list[tuple[_Open, int]] = []
        self._open: _Open | None = None
        self._last = -1
        self._look: FrameLook | None = None
        self._all_noise = codec in NOISE_IN_ALL

    def push(self, frame: Frame) -> bool:
        """Measure one frame; True when it begins a new shot. Damaged frames are left out of the sums."""
        start = frame.number - frame.number % self.length
        if self._open is None or self._open.start != start:
            self._close()
            middle, undo = start + self.length / 2, self._deshift
            self._relations.undoing = undo is not None and undo.start_frame <= middle < undo.end_frame
            self._open = _Open(start, WindowSums(self.height), self._relations.undoing)
        cut = self._cut_finder.push(frame)
        self._last = frame.number
        if cut:
            self.cuts.append(frame.number)
        if frame.damaged:
            return cut
        window = self._open
        turn = (frame.number // self.every) % COSTLY_EVERY
        figures = [
            self._relations.measure(
                f, window.sums, response=turn == 0, before_noise=self._all_noise or turn == 1, noise=self._all_noise or turn == 2,
            )
            for f in frame.fields
        ]
        look = describe(frame, self.samples)
        kind = classify(look, self._look)
        self._look = look
        torn = self._torn(frame, turn)
        window.frames += 1
        jitter = [f.edge_jitter_samples for f in figures]
        window.rows.append(
            (
                frame.number,
                [
                    look.mean_ire,
                    look.std_ire,
                    look.chroma_rms_pct,
                    sum(f.coherence for f in figures) / 2,
                    math.nan if any(math.isnan(j) for j in jitter) else sum(jitter) / 2,
                    sum(f.difference_ire for f in figures) / 2,
                    float(SIGNAL_CODES.index(kind.kind)),
                    float(cut),
                    float(torn),
                ],
            )
        )
        return cut

    def _torn(self, frame: Frame, turn: int) -> int:
        if turn == TEARS_TURN - 1:
            self._tears.keep(self._relations.luma(frame.fields[0]), frame=frame.number)
        if turn == TEARS_TURN or self.every >= COSTLY_EVERY:
            return self._tears.kinds(self._relations.luma(frame.fields[0]), frame=frame.number)
        return 0

    def finish(self) -> None:
        """Close the last window and hand over the last chunk."""
        self._close()
        self._flush()

    def _close(self) -> None:
        if self._open is not None:
            self._done.append((self._open, min(self._open.start + self.length, self._last + 1)))
            self._open = None
            if len(self._done) == CHUNK_WINDOWS:
                self._flush()

    def _flush(self) -> None:
        if not self._done:
            return
        parts = [w.sums.ratios() for w, _ in self._done]
        sums = {name: Sums(np.stack([p[0][name] for p in parts]), np.stack([p[1][name] for p in parts])) for name in QUANTITIES}
        rows = [row for w, _ in self._done for row in w.rows]
        scalars = {
            "curve": np.stack([w.sums.curve for w, _ in self._done]).astype(np.float32),
            "centre": np.stack([w.sums.centre.ravel() for w, _ in self._done]).astype(np.float32),
            "line_products": np.stack([w.sums.line_products.ravel() for w, _ in self._done]).astype(np.float32),
            "frame_numbers": np.array([n for n, _ in rows], dtype=np.float32),
            "frame_figures": np.array([f for _, f in rows], dtype=np.float32).reshape(len(rows), len(FRAME_FIGURES)),
        }
        if self._deshift is not None:
            scalars["deshift"] = np.stack([self._deshift.start_ns, self._deshift.growth_ns]).astype(np.float32)
            scalars["undone"] = np.array([w.undone for w, _ in self._done], np.float32)
        self._sink(
            Chunk(
                np.array([w.start for w, _ in self._done], dtype=np.int64),
                np.array([end for _, end in self._done], dtype=np.int64),
                np.array([w.frames for w, _ in self._done], dtype=np.int64),
                sums,
                scalars,
            )
        )
        self._done = []


def _alternating(frame_rate: Fraction) -> bool:
    return any(s.alternating_v for s in STANDARDS.values() if s.frame_rate == frame_rate)
