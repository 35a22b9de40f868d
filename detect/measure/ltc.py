"""Longitudinal timecode on a sound channel (SMPTE ST 12-1: 80 bits a frame, biphase mark).

Every bit begins with a change of polarity; a 1 has another in its middle. The last 16 bits of a code word are the
sync word 0011 1111 1111 1101, which no time can contain. Figures are stored units first, least significant bit first.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from detect.errors import BadTimecode
from detect.measure.audio import AudioTrack, audio_tracks, read_audio
from detect.measure.fields import Transfer
from detect.timecode import Counting, frame_of, label_of, labels_per_s

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


def read_ltc(transfer: Transfer) -> Ltc | None:
    """Find a channel that carries timecode and read all of it; None where there is none.

    Raises:
        CannotRead: the file can no longer be opened.
    """
    length_s = (transfer.frames_expected or 0) / float(transfer.frame_rate)
    for track in audio_tracks(transfer):
        places = sorted({0.0, max(0.0, length_s / 2), max(0.0, length_s - PROBE_S)})
        for channel in range(track.channels):
            if any(_runs(_words(transfer, track, channel, at, at + PROBE_S), transfer) for at in places):
                runs = _runs(_words(transfer, track, channel, 0.0, None), transfer)
                drop = 2 * sum(run.words for run in runs if ";" in run.start_timecode) > sum(run.words for run in runs)
                return Ltc(track.first_channel + channel, drop, runs)
    return None


def notes_of(transfer: Transfer, ltc: Ltc | None) -> list[str]:
    """Sentences for the reader: where both times differ, and where the timecode on the sound jumps."""
    if ltc is None or not ltc.runs:
        return []
    first = ltc.runs[0]
    counting = Counting(labels_per_s(transfer.frame_rate), ltc.drop_frame)
    heard = frame_of(first.start_timecode, counting=counting) - first.start_frame
    notes: list[str] = []
    if transfer.start_timecode is None:
        notes.append(
            f"timecode on sound channel {ltc.channel} says {label_of(heard, counting=counting)} at the first picture; "
            "the file states none"
        )
    else:
        own = Counting(counting.frames_per_s, transfer.drop_frame)
        apart = heard - frame_of(transfer.start_timecode, counting=own)
        if apart or ltc.drop_frame != transfer.drop_frame:
            notes.append(
                f"timecode on sound channel {ltc.channel} says {label_of(heard, counting=counting)} at the first "
                f"picture, the file {transfer.start_timecode} ({apart:+d} frames)"
            )
    for before, after in pairwise(ltc.runs):
        due = frame_of(before.start_timecode, counting=counting) + after.start_frame - before.start_frame
        jump = frame_of(after.start_timecode, counting=counting) - due
        if jump:
            notes.append(
                f"timecode on sound channel {ltc.channel} jumps by {jump:+d} frames to {after.start_timecode} "
                f"at frame {after.start_frame}"
            )
    return notes


def _words(
    transfer: Transfer, track: AudioTrack, channel: int, start_s: float, stop_s: float | None
) -> Iterator[CodeWord]:
    kept = np.empty(0, np.float32)
    kept_end: Fraction | None = None
    latest = -np.inf
    for block in read_audio(transfer, track, start_s=start_s, stop_s=stop_s):
        joined = kept_end == block.start_s
        head = kept if joined else kept[:0]
        wave = np.concatenate([head, block.samples[:, channel]])
        begin = float(block.start_s) - len(head) / track.sample_rate_hz
        for word in decode(wave, sample_rate_hz=track.sample_rate_hz, frame_rate=transfer.frame_rate, start_s=begin):
            if not joined or word.time_s > latest + 0.5 / float(transfer.frame_rate):
                yield word
                latest = word.time_s
                joined = True
        kept, kept_end = wave[-round(OVERLAP_S * track.sample_rate_hz) :], block.end_s


def decode(
    samples: NDArray[np.float32], *, sample_rate_hz: int, frame_rate: Fraction, start_s: float = 0.0
) -> list[CodeWord]:
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


def _runs(words: Iterable[CodeWord], transfer: Transfer) -> tuple[LtcRun, ...]:
    """Code words grouped where label and time keep step."""
    rate = float(transfer.frame_rate)
    runs: list[LtcRun] = []
    group: _Group | None = None
    for word in words:
        counting = Counting(labels_per_s(transfer.frame_rate), word.drop)
        count = frame_of(word.label, counting=counting)
        lead = count - word.time_s * rate
        if group is None or not group.takes(lead, counting):
            runs += group.run() if group is not None else []
            group = _Group(counting, count)
        group.leads.append(lead)
        group.last = count
        group.words += 1
    return tuple(runs + (group.run() if group is not None else []))


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
