"""Sound of a transfer as float arrays with exact time: for measuring tone and for timecode on a sound channel."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import av
import av.logging
import numpy as np
from numpy.typing import NDArray

from detect.measure.decoding import open_container
from detect.measure.fields import Transfer

BLOCK_S = 2.0
"""Length of the blocks handed out; memory does not grow with the tape."""
CLOCK_SLACK_S = Fraction(1, 200)
"""Sample counts are trusted until stamps differ by more: containers round stamps to a millisecond, decoders to a
packet."""
FULL_SCALE = {"u8": 128.0, "s16": 2.0**15, "s32": 2.0**31, "s64": 2.0**63, "flt": 1.0, "dbl": 1.0}


@dataclass(frozen=True, slots=True)
class AudioTrack:
    """One sound stream: ``number`` counts sound streams from 0; ``first_channel`` counts channels over all streams
    from 1."""

    number: int
    stream_index: int
    channels: int
    first_channel: int
    sample_rate_hz: int
    codec: str


@dataclass(frozen=True, slots=True)
class AudioBlock:
    """Consecutive samples: ``samples`` is (samples, channels), full scale +-1; ``start_s`` is exact, 0 at the first
    picture."""

    track: AudioTrack
    start_s: Fraction
    samples: NDArray[np.float32]

    @property
    def end_s(self) -> Fraction:
        return self.start_s + Fraction(len(self.samples), self.track.sample_rate_hz)


def audio_tracks(transfer: Transfer) -> tuple[AudioTrack, ...]:
    """The sound streams of a file, in file order; empty where there is none.

    Raises:
        CannotRead: the file can no longer be opened.
    """
    container = open_container(transfer.path)
    try:
        tracks: list[AudioTrack] = []
        channel = 1
        for number, stream in enumerate(container.streams.audio):
            count = int(stream.codec_context.channels)
            if count and stream.codec_context.sample_rate:
                rate = int(stream.codec_context.sample_rate)
                tracks.append(AudioTrack(number, stream.index, count, channel, rate, stream.codec_context.name))
                channel += count
        return tuple(tracks)
    finally:
        container.close()


def read_audio(
    transfer: Transfer,
    track: AudioTrack,
    *,
    start_s: float = 0.0,
    stop_s: float | None = None,
    block_s: float = BLOCK_S,
) -> Iterator[AudioBlock]:
    """Blocks of about ``block_s`` that overlap ``start_s`` <= time < ``stop_s``; a gap in the sound starts a new block.

    Packets that do not decode are left out: the next block then starts later.

    Raises:
        CannotRead: the file can no longer be opened.
    """
    container = open_container(transfer.path)
    try:
        stream = container.streams[track.stream_index]
        if start_s > 0:
            _seek(container, stream, transfer, start_s)
        for block in _joined(_decoded(container, stream), transfer, track, block_s):
            if stop_s is not None and block.start_s >= stop_s:
                return
            if block.end_s > start_s:
                yield block
    finally:
        container.close()


def _origin_s(transfer: Transfer) -> Fraction:
    return transfer.timing.origin_pts * transfer.timing.time_base


def _seek(container: Any, stream: Any, transfer: Transfer, start_s: float) -> None:
    offset = int((start_s + _origin_s(transfer)) / stream.time_base)
    try:
        container.seek(max(0, offset), stream=stream, backward=True)
    except av.error.FFmpegError:
        container.seek(0)


def _decoded(container: Any, stream: Any) -> Iterator[Any]:
    packets = container.demux(stream)
    while True:
        with av.logging.Capture(True):
            try:
                packet = next(packets)
            except (StopIteration, EOFError, av.error.FFmpegError):
                return
            try:
                frames = packet.decode()
            except (av.error.FFmpegError, EOFError):
                continue
        yield from frames


def _joined(frames: Iterator[Any], transfer: Transfer, track: AudioTrack, block_s: float) -> Iterator[AudioBlock]:
    joiner = _Joiner(track, _origin_s(transfer), block_s)
    for frame in frames:
        yield from joiner.push(frame)
    yield from joiner.rest()


@dataclass
class _Joiner:
    """Decoded frames of one stream joined into blocks of ``block_s``. Holds less than two blocks.

    ``forward``: what was heard before is not taken again (a slice of the file may be read a second time).
    """

    track: AudioTrack
    origin_s: Fraction
    block_s: float
    forward: bool = False
    _parts: list[NDArray[np.float32]] = field(default_factory=list)
    _held: int = 0
    _start: Fraction | None = None

    def push(self, frame: Any) -> Iterator[AudioBlock]:
        rate = self.track.sample_rate_hz
        stamp = None if frame.pts is None else frame.pts * frame.time_base - self.origin_s
        due = None if self._start is None else self._start + Fraction(self._held, rate)
        if self.forward and stamp is not None and due is not None and stamp < due - CLOCK_SLACK_S:
            return
        samples = _samples(frame, self.track.channels)
        if due is None or (stamp is not None and abs(stamp - due) > CLOCK_SLACK_S):
            yield from self.rest()
            self._start = stamp if stamp is not None else Fraction(0)
        self._parts.append(samples)
        self._held += len(samples)
        size = max(1, round(self.block_s * rate))
        while self._held >= size and self._start is not None:
            whole = np.concatenate(self._parts)
            yield AudioBlock(self.track, self._start, whole[:size])
            self._parts, self._held = [whole[size:]], self._held - size
            self._start += Fraction(size, rate)

    def rest(self) -> Iterator[AudioBlock]:
        """What is held; time goes on from its end."""
        if self._held and self._start is not None:
            yield AudioBlock(self.track, self._start, np.concatenate(self._parts))
            self._start += Fraction(self._held, self.track.sample_rate_hz)
        self._parts, self._held = [], 0


class SoundTap:
    """Takes the sound out of the packets that pass by while the picture is read: the file is read once.

    ``take`` every packet of a sound stream; whole blocks go to ``sink``; ``finish`` hands over the rest.
    """

    def __init__(self, transfer: Transfer, tracks: tuple[AudioTrack, ...], sink: Callable[[AudioBlock], None]) -> None:
        origin = _origin_s(transfer)
        self._joiners = {t.stream_index: _Joiner(t, origin, BLOCK_S, forward=True) for t in tracks}
        self._sink = sink

    def take(self, packet: Any) -> None:
        """Decode one packet; one that does not decode is left out."""
        joiner = self._joiners.get(packet.stream_index)
        if joiner is None:
            return
        with av.logging.Capture(True):
            try:
                frames = packet.decode()
            except (av.error.FFmpegError, EOFError):
                return
        for frame in frames:
            for block in joiner.push(frame):
                self._sink(block)

    def finish(self) -> None:
        for joiner in self._joiners.values():
            for block in joiner.rest():
                self._sink(block)


def _samples(frame: Any, channels: int) -> NDArray[np.float32]:
    codes = frame.to_ndarray()
    kind = frame.format.name.rstrip("p")
    table = codes.T if frame.format.is_planar else codes.reshape(-1, channels)
    if kind == "u8":
        table = table.astype(np.float32) - 128.0
    return np.ascontiguousarray(table, dtype=np.float32) / np.float32(FULL_SCALE.get(kind, 1.0))
