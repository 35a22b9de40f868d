"""What a copy can carry: whether its rows are still the tape's lines, and what its codec takes away.

The evidence is the tape's own noise, which no process after the tape can know: on a tape it differs from line to
line, from field to field and from frame to frame. Each test has its null in that:

* a picture or field that repeats: two playings never agree to less than their noise;
* deinterlaced: rows of one parity computed from the other have less noise of their own; on tape the parities are alike;
* rows resampled: noise then rises and falls down the picture with the beat of old and new rows (5 to 6 for 480 to 576);
* filtered across fields: noise at the highest vertical frequency of the frame is missing; on tape it is white there
  (fine slanted patterns mislead this one, so it only warns).

A lossy codec takes noise away before any of this can be seen, so what is found there only limits, and what is not found
proves nothing. Both fields of one instant are no reason to refuse: film was shown on these machines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.measure.field_order import MARGIN_LINES, MotionEvidence, first_line
from detect.measure.fields import Frame, Transfer
from detect.standards import HEADS

LOSSLESS = frozenset(["ffv1", "v210", "v210x", "rawvideo", "huffyuv", "ffvhuff", "utvideo", "magicyuv", "v308", "v410"])
"""Codecs that give back each code, noise included."""
TILE_LINES, TILE_COLUMNS = 14, 24
FLAT_SHARE = 0.25
"""The quietest part of the tiles, judged by both parities alike, stands for noise without picture."""
UNIFORM = 1.3
"""Quiet tiles that differ by less than this in power hold noise, which differs by a tenth; picture differs more."""
LEAST_NOISE_CODES_8BIT = 0.35
"""Root mean square; rounding alone makes 0.29 codes: below this there is no noise to go by."""
CHANCE = 1e-3
"""Of calling a genuine tape a copy, for each test."""
LEAST_LOOKS = 4
"""Pictures that must show noise before anything is said."""
PARITY_LEAN = 0.1
"""Difference between the parities in how far neighbouring rows foretell a row (regression factor); on tape both are
alike to 0.02, adaptive deinterlacing makes 0.15 to 0.5."""
NYQUIST_DB = -9.0
"""Noise near the frame's highest vertical frequency against the middle band: a (1 2 1)/4 filter makes -20 dB, tape 0,
the strongest vertical enhancement within fields (6 dB) not more than -6."""
BEAT_DB = 0.2
"""Least swing of noise down the picture, each way: linear interpolation makes 1.5 dB, a windowed sinc 0.5."""
MOST_CYCLES = 0.4
"""Overtones of the wheel that are asked, cycles a line."""
FREEZE_RATE = 0.002
"""Pictures in a genuine capture that may be repeats, of a synchroniser or of a capture that skipped; generous."""
MARGIN_COLUMNS = 24
HIGH_PASS = (1.0, -4.0, 6.0, -4.0, 1.0)
"""Fourth difference along the line: passes 4 MHz 22 dB better than 1 MHz, so noise remains and little of the
picture."""
HIGH_PASS_GAIN = float(sum(c * c for c in HIGH_PASS))


@dataclass(frozen=True, slots=True)
class Scaling:
    """A change of row count that is sometimes made: the beat is the part of a cycle by which old and new rows shift a
    row."""

    name: str
    heights: tuple[int, ...]
    beat: Fraction


SCALINGS = (
    Scaling("480 rows scaled to 576", (576, 608), Fraction(1, 6)),
    Scaling("486 rows scaled to 576", (576, 608), Fraction(5, 32)),
    Scaling("576 rows scaled to 480", (480, 486, 512), Fraction(1, 5)),
    Scaling("576 rows scaled to 486", (486, 512), Fraction(5, 27)),
)
"""Derived: rows of the copy lie 5/6, 27/32, 6/5, 32/27 rows of the original apart, so phases recur at these beats."""


@dataclass(slots=True)
class PictureLook:
    """Figures gathered from runs of frames over a file; grows with the number of runs looked at only."""

    parity_lean: list[float] = field(default_factory=list)
    """How much better rows of the odd parity are foretold by their neighbours than those of the even, mean of each run."""
    turning_lean: list[float] = field(default_factory=list)
    """The same with its sign turned in every other frame: which field is computed may change from picture to picture."""
    nyquist_db: list[float] = field(default_factory=list)
    noise_codes: list[float] = field(default_factory=list)
    line_noise: list[NDArray[np.float64]] = field(default_factory=list)
    """Power in dB of what changes from frame to frame in each line, (2 parities, lines), one for each place."""
    repeats: list[tuple[bool, bool]] = field(default_factory=list)
    """Top and bottom field repeated once, for each two consecutive frames."""

    def add(self, run: Sequence[Frame]) -> None:
        whole = [frame for frame in run if not frame.damaged]
        self.repeats += _single_repeats([_same(one, two) for one, two in pairwise(whole)])
        planes = [_high_passed_fields(frame) for frame in whole]
        leans = np.array([self._noise(top, bottom) for top, bottom in planes[::2]])
        if len(leans):
            turns = np.array([1 - 2 * (frame.number % 2) for frame in whole[::2]])
            self.parity_lean.append(float(leans.mean()))
            self.turning_lean.append(float((turns * leans).mean()))
        changes = [
            np.stack([_line_noise_db(after[i] - before[i]) for i in (0, 1)])
            for (one, before), (two, after) in pairwise(zip(whole, planes, strict=True))
            if two.number == one.number + 1 and not any(_same(one, two))
        ]
        if changes:
            self.line_noise.append(np.mean(changes, axis=0))

    def _noise(self, top: NDArray[np.float32], bottom: NDArray[np.float32]) -> float:
        own = _tiles(top**2) + _tiles(bottom**2)
        flat = own <= np.quantile(own, FLAT_SHARE)
        self.noise_codes.append(float(np.sqrt(own[flat].mean() / (2 * HIGH_PASS_GAIN))))
        if np.quantile(own, FLAT_SHARE) < UNIFORM * np.quantile(own, FLAT_SHARE / 5):
            self.nyquist_db.append(_nyquist_db(top, bottom, flat))
        return _foretold(bottom[:-1], top[:-1], top[1:]) - _foretold(top[1:], bottom[:-1], bottom[1:])


@dataclass(frozen=True, slots=True)
class Fitness:
    """The judgement: ``refused`` with its reason or None, and sentences on what is doubtful."""

    refused: str | None
    notes: tuple[str, ...]
    limits: tuple[str, ...]


def judge(look: PictureLook, motion: MotionEvidence, transfer: Transfer) -> Fitness:
    """Whether this copy's rows are the tape's lines. Refuses only what the noise proves and the carrier can show."""
    exact = transfer.codec in LOSSLESS
    proved: list[str] = []
    likely: list[str] = []
    notes: list[str] = []
    repeated = _repeat_sentence(look)
    if repeated:
        (proved if exact or transfer.intra_only else likely).append(repeated)
    by_noise = _noise_sentences(look, transfer) if _noise_seen(look, transfer) else []
    (proved if exact else likely).extend(by_noise)
    if proved:
        return Fitness("; ".join(proved), tuple(notes), carrier_limits(transfer))
    if likely:
        notes.append(f"{'; '.join(likely)} (as far as a lossy copy can tell): bands may not fit the rows")
    elif _one_instant(motion):
        # a film of fine slanted patterns looks filtered too: reason to doubt, not to refuse
        seen = _filtered(look) and _noise_seen(look, transfer)
        notes.append(
            "both fields of each picture show one instant and seem filtered together: film, or deinterlaced by blending "
            "or scaling (then bands may not fit the rows)"
            if seen
            else "both fields of each picture show one instant: film, or progressive content in an interlaced file"
        )
    return Fitness(None, tuple(notes), carrier_limits(transfer))


def _noise_sentences(look: PictureLook, transfer: Transfer) -> list[str]:
    out: list[str] = []
    if _deinterlaced(look):
        out.append("rows of one field are computed from the other: deinterlaced")
    scaled = _scaled(look, transfer)
    if scaled:
        out.append(scaled)
    return out


def _one_instant(motion: MotionEvidence) -> bool:
    return motion.moving_pairs >= 2 * LEAST_LOOKS and motion.one_instant_pairs >= 0.9 * motion.moving_pairs


def carrier_limits(transfer: Transfer) -> tuple[str, ...]:
    """What codec and sample layout take away, one sentence each."""
    limits: list[str] = []
    samples = transfer.samples
    if transfer.codec not in LOSSLESS:
        limits.append(f"{transfer.codec} is lossy: errors read smaller than they are and noise is changed")
    if transfer.codec not in LOSSLESS and (transfer.codec == "h264" or not transfer.intra_only):
        limits.append("pictures are predicted from others: compensated dropouts and noise cannot be told")
    if not samples.has_chroma:
        limits.append("no colour in the file: saturation and hue cannot be measured")
    elif samples.chroma_step_x == 4:
        limits.append("4:1:1: colour has a quarter of the samples along the line")
    elif samples.chroma_step_y == 2:
        limits.append("4:2:0: colour has half of the lines, each made from two lines of its field")
    if samples.bit_depth == 8 and transfer.codec in LOSSLESS:
        limits.append("8 bit: rounding adds 0.13 IRE to noise")
    return tuple(limits)


# --- single tests ---------------------------------------------------------------------------------------------------


def _noise_seen(look: PictureLook, transfer: Transfer) -> bool:
    scale = 2.0 ** (transfer.samples.bit_depth - 8)
    noisy = [noise for noise in look.noise_codes if noise > LEAST_NOISE_CODES_8BIT * scale]
    return len(noisy) >= LEAST_LOOKS and len(noisy) > len(look.noise_codes) / 2


def _deinterlaced(look: PictureLook) -> bool:
    """Whether the parities differ by more than chance.

    Null: places are independent of each other and lean either way alike, so the mean over its error follows Student's t.
    Pictures of one place show the same scene and count as one.
    """
    if len(look.parity_lean) < LEAST_LOOKS:
        return False
    for leans in (np.array(look.parity_lean), np.array(look.turning_lean)):
        if abs(np.median(leans)) > PARITY_LEAN and stats.ttest_1samp(leans, 0.0).pvalue < CHANCE / 2:
            return True
    return False


def _filtered(look: PictureLook) -> bool:
    return len(look.nyquist_db) >= LEAST_LOOKS and float(np.median(look.nyquist_db)) < NYQUIST_DB


def _scaled(look: PictureLook, transfer: Transfer) -> str | None:
    """The scaling whose beat stands out of the noise profile down the picture, or None.

    Both halves of the places looked at must show it, in step: a picture's own pattern comes and goes with its shot.
    """
    if len(look.line_noise) < LEAST_LOOKS:
        return None
    halves = [np.median(np.stack(part), axis=0) for part in (look.line_noise[0::2], look.line_noise[1::2])]
    turn_lines = HEADS * float(transfer.standard.lines_per_pass)
    for scaling in SCALINGS:
        for shape, turn in ((np.asarray, turn_lines), (_woven, 2 * turn_lines)):
            if transfer.height in scaling.heights and _beats([shape(half) for half in halves], scaling.beat, turn=turn):
                return f"noise rises and falls with a beat of {scaling.beat} of a row: {scaling.name}, standards-converted"
    return None


def _repeat_sentence(look: PictureLook) -> str | None:
    """Repeated fields, where more than a capture's own slips explain."""
    total = len(look.repeats)
    for text, count in (
        ("pictures repeat", sum(top and bottom for top, bottom in look.repeats)),
        ("fields repeat", sum(top or bottom for top, bottom in look.repeats)),
    ):
        if count >= 2 and stats.binomtest(count, total, FREEZE_RATE, alternative="greater").pvalue < CHANCE:
            return f"{text} to the last code ({count} of {total} looked at): frame-doubled or converted from another rate"
    return None


def _beats(halves: list[NDArray[np.float64]], beat: Fraction, *, turn: float) -> bool:
    """Whether noise swings at ``beat`` cycles a line, beyond what it does at other frequencies, alike in both halves.

    ``halves``: profiles as (series, lines). Null: power at one frequency is exponential about that of its neighbours,
    so their ratio follows F. ``turn``: lines in a turn of the wheel. Noise that rises along every pass, or differs from
    head to head, has overtones at all multiples of one over that, some next to a beat: then others are as strong.
    """
    waves = []
    for profile in halves:
        wave, swing_db, chance = _swing(profile, float(beat))
        if swing_db < BEAT_DB or chance * len(SCALINGS) > np.sqrt(CHANCE):
            return False
        lines = profile.shape[1]
        overtones = np.arange(1, int(MOST_CYCLES * turn)) / turn
        apart = overtones[np.abs(overtones - float(beat)) > 2 / lines]
        if max(_swing(profile, float(f))[1] for f in apart) >= swing_db:
            return False
        waves.append(wave)
    in_step = np.real(np.vdot(waves[0], waves[1])) / (np.linalg.norm(waves[0]) * np.linalg.norm(waves[1]))
    return bool(in_step > 0.5)


def _swing(profile: NDArray[np.float64], beat: float) -> tuple[NDArray[np.complex128], float, float]:
    """Wave of each series at ``beat``, its mean swing each way in dB, and the chance of as much by noise."""
    series, lines = profile.shape
    smooth = np.stack([row - _running_median(row, 25) for row in profile])
    window = np.hanning(lines)
    frequencies = np.arange(0.07, 0.5, 1.0 / lines)
    turns = np.exp(-2j * np.pi * np.outer(np.append(frequencies, beat), np.arange(lines))) * window
    waves = turns @ smooth.T
    power = (np.abs(waves) ** 2).mean(axis=1)
    away = np.abs(frequencies[:, None] - [beat, min(2 * beat, 1 - 2 * beat)]).min(axis=1) > 3 / lines
    elsewhere = float(power[:-1][away].mean())
    ratio = power[-1] / elsewhere if elsewhere > 0 else 0.0  # a picture without any noise swings nowhere
    chance = stats.f.sf(ratio, 2 * series, series * away.sum())
    return waves[-1], float(2 * np.sqrt(power[-1]) / window.sum()), float(chance)


def _woven(profile: NDArray[np.float64]) -> NDArray[np.float64]:
    """The two parities' lines as rows of one frame, for pictures scaled as whole frames."""
    return profile.T.reshape(1, -1)


def _running_median(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    padded = np.pad(values, width // 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))


# --- figures from one picture ---------------------------------------------------------------------------------------

TINY = 1e-3
"""Squared codes; keeps logarithms of nothing finite."""


def _high_passed(luma: NDArray[Any], first: int) -> NDArray[np.float32]:
    """Lines from ``first`` on without margins, high-passed along the line: (lines, columns)."""
    inner = luma[first : len(luma) - MARGIN_LINES, MARGIN_COLUMNS:-MARGIN_COLUMNS].astype(np.float32)
    pairs = inner[:, :-2] - 2 * inner[:, 1:-1] + inner[:, 2:]
    return np.asarray(pairs[:, :-2] - 2 * pairs[:, 1:-1] + pairs[:, 2:])


def _high_passed_fields(frame: Frame) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Even-row and odd-row field, high-passed along the line, equal in height."""
    top, bottom = (_high_passed(f.y, first_line(frame)) for f in sorted(frame.fields, key=lambda f: f.row0))
    lines = min(len(top), len(bottom))
    return top[:lines], bottom[:lines]


def _line_noise_db(lines: NDArray[np.float32]) -> NDArray[np.float64]:
    """Noise power of each line in dB, from the quiet quarter of its short pieces."""
    along = lines.shape[1] // TILE_COLUMNS
    pieces = (lines[:, : along * TILE_COLUMNS] ** 2).reshape(len(lines), along, TILE_COLUMNS).mean(axis=2)
    return np.asarray(10 * np.log10(np.quantile(pieces, FLAT_SHARE, axis=1) + TINY), dtype=np.float64)


def _nyquist_db(top: NDArray[np.float32], bottom: NDArray[np.float32], flat: NDArray[np.bool_]) -> float:
    """Noise power near the frame's vertical Nyquist frequency over that of the middle band, in flat tiles, dB."""
    rows = np.empty((2 * len(top), top.shape[1]), np.float32)
    rows[0::2], rows[1::2] = top, bottom
    height = 2 * TILE_LINES
    down, along = flat.shape
    table = rows[: down * height, : along * TILE_COLUMNS].reshape(down, height, along, TILE_COLUMNS)
    columns = np.moveaxis(table, 1, -1)[flat].reshape(-1, height)
    power = np.mean(np.abs(np.fft.rfft(columns * np.hanning(height).astype(np.float32), axis=1)) ** 2, axis=0)
    cycles = np.fft.rfftfreq(height)
    upper, middle = power[cycles > 0.44].mean(), power[(cycles > 0.28) & (cycles < 0.38)].mean()
    return float(10 * np.log10((upper + TINY) / (middle + TINY)))


def _foretold(rows: NDArray[np.float32], above: NDArray[np.float32], below: NDArray[np.float32]) -> float:
    """Factor of the regression of rows on the mean of their neighbours of the other field, in the quiet tiles."""
    around = (above + below) * 0.5
    own = _tiles(rows**2)
    flat = own <= np.quantile(own, FLAT_SHARE)
    shared, power = _tiles(rows * around)[flat].sum(), _tiles(around**2)[flat].sum()
    return float(shared / power) if power > 0 else 0.0


def _same(before: Frame, after: Frame) -> tuple[bool, bool]:
    """Whether top and bottom field are the ones before, code by code."""
    one, two = (sorted(frame.fields, key=lambda f: f.row0) for frame in (before, after))
    return bool(np.array_equal(one[0].y, two[0].y)), bool(np.array_equal(one[1].y, two[1].y))


def _single_repeats(same: list[tuple[bool, bool]]) -> list[tuple[bool, bool]]:
    """Repeats with something new before and after: a stretch that stands still is a still or black, no conversion."""
    out: list[tuple[bool, bool]] = []
    for place in range(len(same)):
        around = same[max(0, place - 1) : place] + same[place + 1 : place + 2]
        top, bottom = (same[place][i] and bool(around) and not any(a[i] for a in around) for i in (0, 1))
        out.append((top, bottom))
    return out


def _tiles(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Means over tiles of (lines, columns); what does not fill a tile is left out."""
    down, along = values.shape[0] // TILE_LINES, values.shape[1] // TILE_COLUMNS
    cut = values[: down * TILE_LINES, : along * TILE_COLUMNS]
    return np.asarray(cut.reshape(down, TILE_LINES, along, TILE_COLUMNS).mean(axis=(1, 3)))
