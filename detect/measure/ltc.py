"""Longitudinal timecode on a sound channel (SMPTE ST 12-1: 80 bits a frame, biphase mark).

Every bit begins with a change of polarity; a 1 has another in its middle. The last 16 bits of a code word are the
sync word 0011 1111 1111 1101, which no time can contain. Figures are stored units first, least significant bit first.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from detect.errors import BadTimecode
from detect.measure.audio import AudioBlock, AudioTrack, audio_tracks, read_audio
from detect.measure.fields import Transfer
from detect.timecode import Counting, counting_of, frame_of, label_of, labels_per_s

BITS = 80
"""Bits in a code word (ST 12-1)."""
SYNC = np.array([0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 1], dtype=np.int8)
"""Sync word, in the order sent (ST 12-1)."""
DIGITS = {
    "frames": ((0, 4), (8, 2)),
    "seconds": ((16, 4), (24, 3)),
    "minutes": ((32, 4), (40, 3)),
    "hours": ((48, 4), (56, 2)),
}
"""First bit and number of bits of units and tens (ST 12-1)."""
DROP_BIT = 10
"""Drop-frame flag (ST 12-1)."""
HYSTERESIS = 0.15
"""Of the root mean square: smaller wiggles about zero are noise. A square wave has its peak at 1, a sine at 1.4."""
SHORT_BELOW = 0.75
"""Of a bit period: half-way between the two lengths that occur, 0.5 and 1."""
SPEED_RANGE = (0.6, 1.6)
"""Bit rates looked for, of the nominal one: a tape may run off speed."""
OVERLAP_S = 0.15
"""Kept from one block to the next: more than three code words."""
LEAST_RUN = 5
"""Code words in unbroken succession that make a run: sync words in ordinary sound never count up."""
SAME_RUN_FRAMES = 0.75
"""A code word further than this from its due time starts another run."""
MOST_RUNS = 1000
"""A tape whose timecode breaks more often tells nothing more."""
MOST_NOTES = 20
PROBE_S = 20.0
"""Looked at in each of three places to find the channel."""


@dataclass(frozen=True, slots=True)
class CodeWord:
    """One decoded code word: ``time_s`` of its first edge, 0 at the first picture; its label and drop-frame flag."""

    time_s: float
    label: str
    drop: bool


@dataclass(frozen=True, slots=True)
class LtcRun:
    """Code words that count up without a break, as picture numbers of the file: ``start_timecode`` belongs to
    ``start_frame``."""

    start_frame: int
    end_frame: int
    start_timecode: str
    words: int


@dataclass(frozen=True, slots=True)
class Ltc:
    """Timecode found on sound channel ``channel`` (from 1, over all streams)."""

    channel: int
    drop_frame: bool
    runs: tuple[LtcRun, ...]


class LtcReader:
    """Reads timecode off one channel, block by block; keeps the end of a block and the runs found."""

    def __init__(self, transfer: Transfer, track: AudioTrack, channel: int) -> None:
        """``channel`` counts from 0 within the stream."""
        self._transfer, self._track, self._channel = transfer, track, channel
        self._runs = _Runs(transfer.frame_rate)
        self._kept = np.empty(0, np.float32)
        self._kept_end: Fraction | None = None
        self._latest = -np.inf

    def push(self, block: AudioBlock) -> None:
        """Take the next block of the stream; a gap before it is no harm."""
        rate = self._track.sample_rate_hz
        joined = self._kept_end == block.start_s
        head = self._kept if joined else self._kept[:0]
        wave = np.concatenate([head, block.samples[:, self._channel]])
        begin = float(block.start_s) - len(head) / rate
        for word in decode(wave, sample_rate_hz=rate, frame_rate=self._transfer.frame_rate, start_s=begin):
            if not joined or word.time_s > self._latest + 0.5 / float(self._transfer.frame_rate):
                self._runs.add(word)
                self._latest = word.time_s
                joined = True
        self._kept, self._kept_end = wave[-round(OVERLAP_S * rate) :], block.end_s

    def found(self) -> Ltc | None:
        """What was read so far; None where nothing counts up."""
        runs = self._runs.found()
        if not runs:
            return None
        drop = 2 * sum(run.words for run in runs if ";" in run.start_timecode) > sum(run.words for run in runs)
        return Ltc(self._track.first_channel + self._channel, drop, runs)


def read_ltc(transfer: Transfer) -> Ltc | None:
    """Find a channel that carries timecode and read all of it; None where there is none.

    Raises:
        CannotRead: the file can no longer be opened.
    """
    length_s = (transfer.frames_expected or 0) / float(transfer.frame_rate)
    places = sorted({0.0, max(0.0, length_s / 2), max(0.0, length_s - PROBE_S)})
    for track in audio_tracks(transfer):
        for channel in range(track.channels):
            if any(_heard(transfer, track, channel, at, at + PROBE_S) for at in places):
                return _heard(transfer, track, channel, 0.0, None)
    return None


def _heard(transfer: Transfer, track: AudioTrack, channel: int, start_s: float, stop_s: float | None) -> Ltc | None:
    reader = LtcReader(transfer, track, channel)
    for block in read_audio(transfer, track, start_s=start_s, stop_s=stop_s):
        reader.push(block)
    return reader.found()


def first_label(ltc: Ltc, *, frame_rate: Fraction) -> str:
    """The label of the file's first picture, counted back from the first run."""
    run = ltc.runs[0]
    counting = counting_of(run.start_timecode, frame_rate=frame_rate)
    return label_of(frame_of(run.start_timecode, counting=counting) - run.start_frame, counting=counting)


def with_ltc(transfer: Transfer, ltc: Ltc | None) -> Transfer:
    """The transfer with its start timecode from the sound, where the file states none."""
    if ltc is None or transfer.start_timecode is not None:
        return transfer
    label = first_label(ltc, frame_rate=transfer.frame_rate)
    source = f"LTC on sound channel {ltc.channel}"
    return replace(transfer, start_timecode=label, timecode_source=source, drop_frame=";" in label)


def notes_of(transfer: Transfer, ltc: Ltc | None) -> list[str]:
    """Sentences for the reader: where both times differ, and where the timecode on the sound jumps."""
    if ltc is None or not ltc.runs:
        return []
    rate = transfer.frame_rate
    heard = first_label(ltc, frame_rate=rate)
    said = f"timecode on sound channel {ltc.channel} says {heard} at the first picture"
    own = transfer.start_timecode
    notes: list[str] = []
    if own is None:
        notes.append(f"{said}; the file states none, so it is used")
    elif heard != own:
        one, two = (counting_of(label, frame_rate=rate) for label in (heard, own))
        apart = f"{frame_of(heard, counting=one) - frame_of(own, counting=two):+d} frames"
        notes.append(f"{said}, the file {own} ({apart if one == two else 'the other way of counting'})")
    jumps = [note for pair in pairwise(ltc.runs) for note in _jump(*pair, ltc.channel, rate)]
    notes += jumps[:MOST_NOTES]
    if len(jumps) > MOST_NOTES:
        notes.append(f"and {len(jumps) - MOST_NOTES} more jumps of the timecode on sound channel {ltc.channel}")
    return notes


def _jump(before: LtcRun, after: LtcRun, channel: int, rate: Fraction) -> list[str]:
    one, two = (counting_of(run.start_timecode, frame_rate=rate) for run in (before, after))
    due = frame_of(before.start_timecode, counting=one) + after.start_frame - before.start_frame
    jump = frame_of(after.start_timecode, counting=two) - due
    if one == two and not jump:
        return []  # some words could not be read
    by = f"jumps by {jump:+d} frames" if one == two else "changes its way of counting"
    return [f"timecode on sound channel {channel} {by} to {after.start_timecode} at frame {after.start_frame}"]


def decode(samples: NDArray[np.float32], *, sample_rate_hz: int, frame_rate: Fraction, start_s: float = 0.0) -> list[CodeWord]:
    """Code words in a stretch of sound, (samples,); words whose figures do not exist are left out."""
    edges = _edges(np.asarray(samples, dtype=np.float64))
    bit = _bit_period(edges, sample_rate_hz / (BITS * float(frame_rate)))
    if bit is None:
        return []
    bits, begins = _bits(edges, bit)
    if len(bits) < BITS:
        return []
    signs = 2 * bits - 1
    hits = np.flatnonzero(np.correlate(signs, 2 * SYNC - 1, "valid") == len(SYNC))
    words: list[CodeWord] = []
    for hit in hits[hits >= BITS - len(SYNC)]:
        first = hit - (BITS - len(SYNC))
        length = begins[hit] - begins[first]
        if abs(length / (bit * (BITS - len(SYNC))) - 1) > 0.1:
            continue  # a dropout inside the word: bits are missing
        label = _label(bits[first : hit + len(SYNC)], labels_per_s(frame_rate))
        if label is not None:
            words.append(CodeWord(start_s + float(begins[first]) / sample_rate_hz, label, ";" in label))
    return words


def _edges(wave: NDArray[np.float64]) -> NDArray[np.float64]:
    """Places, in samples, where the wave changes polarity by more than noise."""
    wave = wave - wave.mean() if len(wave) else wave
    level = HYSTERESIS * np.sqrt(np.mean(wave**2)) if len(wave) else 0.0
    if level <= 0:
        return np.empty(0)
    sure = np.flatnonzero(np.abs(wave) > level)
    turned = sure[1:][np.sign(wave[sure[1:]]) != np.sign(wave[sure[:-1]])]
    crossings = np.flatnonzero(np.signbit(wave[1:]) != np.signbit(wave[:-1]))
    last = crossings[np.searchsorted(crossings, turned) - 1]
    here, there = wave[last], wave[last + 1]
    return np.asarray(last + here / (here - there))


def _bit_period(edges: NDArray[np.float64], nominal: float) -> float | None:
    """Samples to a bit: the long intervals, found between half and twice the nominal period."""
    gaps = np.diff(edges)
    low, high = nominal * SPEED_RANGE[0], nominal * SPEED_RANGE[1]
    long_gaps = gaps[(gaps > low) & (gaps < high)]
    if len(long_gaps) < len(SYNC):
        return None
    period = float(np.median(long_gaps))
    near = long_gaps[np.abs(long_gaps / period - 1) < 0.2]
    return float(np.median(near)) if len(near) > len(long_gaps) / 2 else None


def _bits(edges: NDArray[np.float64], bit: float) -> tuple[NDArray[np.int8], NDArray[np.float64]]:
    """Bits and the place where each begins; two short intervals make a 1, a lone short one is skipped."""
    gaps = np.diff(edges)
    short = gaps < SHORT_BELOW * bit
    starts = np.flatnonzero(np.diff(np.concatenate([[False], short])) == 1)
    index = np.arange(len(gaps))
    run = np.searchsorted(starts, index, side="right") - 1
    place = np.where(short, index - starts[np.maximum(run, 0)] if len(starts) else 0, 0)
    following = np.concatenate([short[1:], [False]])
    one = short & (place % 2 == 0) & following
    keep = one | ~short
    return one[keep].astype(np.int8), edges[:-1][keep]


def _label(bits: NDArray[np.int8], rate: int) -> str | None:
    def figure(name: str) -> int:
        (units, many), (tens, few) = DIGITS[name]
        ones = sum(int(bits[units + i]) << i for i in range(many))
        return ones + 10 * sum(int(bits[tens + i]) << i for i in range(few)) if ones < 10 else 99

    drop = bool(bits[DROP_BIT]) and rate == 30
    mark = ";" if drop else ":"
    label = f"{figure('hours'):02d}:{figure('minutes'):02d}:{figure('seconds'):02d}{mark}{figure('frames'):02d}"
    try:
        frame_of(label, counting=Counting(rate, drop))
    except BadTimecode:
        return None
    return label


class _Runs:
    """Code words grouped where label and time keep step."""

    def __init__(self, frame_rate: Fraction) -> None:
        self._rate = frame_rate
        self._done: list[LtcRun] = []
        self._group: _Group | None = None

    def add(self, word: CodeWord) -> None:
        counting = Counting(labels_per_s(self._rate), word.drop)
        count = frame_of(word.label, counting=counting)
        lead = count - word.time_s * float(self._rate)
        if self._group is None or not self._group.takes(lead, counting):
            self._close()
            self._group = _Group(counting, count)
        self._group.leads.append(lead)
        self._group.last = count
        self._group.words += 1

    def found(self) -> tuple[LtcRun, ...]:
        self._close()
        self._group = None
        return tuple(self._done)

    def _close(self) -> None:
        if self._group is not None and len(self._done) < MOST_RUNS:
            self._done += self._group.run()


@dataclass
class _Group:
    """A run being read: labels as counts, and how far label is ahead of picture number in the latest words."""

    counting: Counting
    first: int
    last: int = 0
    words: int = 0
    leads: deque[float] = field(default_factory=lambda: deque(maxlen=50))

    def takes(self, lead: float, counting: Counting) -> bool:
        recent = float(np.median(list(self.leads)[-LEAST_RUN:]))
        return counting == self.counting and abs(lead - recent) < SAME_RUN_FRAMES

    def run(self) -> list[LtcRun]:
        if self.words < LEAST_RUN:
            return []
        lead = round(float(np.median(list(self.leads))))
        start = max(0, self.first - lead)
        label = label_of(start + lead, counting=self.counting)
        return [LtcRun(start, self.last - lead + 1, label, self.words)]
