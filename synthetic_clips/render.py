"""A programme played on a faulty deck: frames as a capture would hold them, and the truth about them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from synthetic_clips import channel
from synthetic_clips._tape import (
    CHROMA_TAPS,
    LUMA_TAPS,
    average_with_line_above,
    play_field,
    shift_kernels,
    to_ten_bits,
)
from synthetic_clips.composite import through_composite
from synthetic_clips.damage import Damage, Dropout, apply_dropouts, plan_dropouts
from synthetic_clips.deck import DeckFaults, Relock, means_removed
from synthetic_clips.mishaps import add_transients, break_up, data_lines, torn_rows
from synthetic_clips.rasters import ACTIVE, CHROMA_RANGE, CODES_PER_IRE, LUMA_RANGE, NS_PER_SAMPLE, V_OVER_U, Raster, raster
from synthetic_clips.timebase import Wheel, time_error, velocity_error_ns, wheel_rows

Array = NDArray[np.float32]
Frame = tuple[NDArray[np.uint16], NDArray[np.uint16], NDArray[np.uint16]]
MARGIN = 40
"""Luma columns a scene gives on either side: errors up to 2 us stay inside."""


class Pictures(Protocol):
    """What can be recorded: a scene or a programme."""

    def field(self, time_s: float, rows: Array, *, margin: int = 0) -> tuple[Array, Array, Array]: ...


@dataclass(frozen=True)
class Truth:
    """What was done to the clip. Frames count from 0 at its first frame; fields are in time order."""

    standard: str
    height: int
    width: int
    frames: int
    top_field_first: bool
    lines_per_pass: float
    faults: dict[str, Any]
    wheel: list[dict[str, Any]]
    """start_frame, end_frame, phase_lines, head_offset: head of pass k is (k + head_offset) % 4."""
    relative: dict[str, list[float]]
    """Per head less the mean of the heads; ``saturation_pct`` includes what the response does at the subcarrier."""
    velocity_error_ns: float
    """Peak to peak within a pass, at the right end of the line: how much later colour gets there than at its burst."""
    cuts: list[int]
    """First frames of the shots after the first."""
    dropouts: list[dict[str, Any]] = field(default_factory=list)
    programme: str = ""

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


class Tape:
    """An iterable of (y, cb, cr) frames, uint16 10-bit 4:2:2, with its ``truth``. It can be played once."""

    def __init__(self, frames: Iterator[Frame], truth: Truth) -> None:
        self._frames = frames
        self.truth = truth

    def __iter__(self) -> Iterator[Frame]:
        return self._frames

    def __next__(self) -> Frame:
        return next(self._frames)


def render(
    programme: Pictures,
    faults: DeckFaults | None = None,
    *,
    frames: int,
    height: int | None = None,
    rng: np.random.Generator,
    damage: Damage | None = None,
    start_frame: int = 0,
    field_order: Literal["usual", "top", "bottom"] = "usual",
) -> Tape:
    """Play ``frames`` frames of a programme, from its frame ``start_frame``, on a deck with ``faults``.

    Frames are tuples of y (height, 720), cb and cr (height, 360). All frame numbers in ``faults``, ``damage`` and
    the truth count from the first frame rendered. Raises ValueError when height and standard do not belong together.
    """
    faults = faults or DeckFaults()
    height = height or (486 if faults.standard == "525" else 576)
    shape = raster(height, field_order=field_order)
    if shape.lines.name != faults.standard:
        raise ValueError(f"{height} rows belong to {shape.lines.name} lines, the faults to {faults.standard}")
    dropouts = plan_dropouts(damage, faults, shape, frames, rng) if damage is not None else []
    truth = Truth(
        standard=faults.standard,
        height=height,
        width=ACTIVE,
        frames=frames,
        top_field_first=shape.top_row_first,
        lines_per_pass=shape.lines.lines_per_pass,
        faults=faults.to_json(),
        wheel=_wheel_sections(faults, frames),
        relative=_relative(faults, shape),
        velocity_error_ns=velocity_error_ns(faults, shape.lines),
        cuts=_cuts(programme, shape, start_frame, frames),
        dropouts=[{**asdict(d), "duration_us": d.duration_us} for d in dropouts],
        programme=getattr(programme, "name", type(programme).__name__),
    )
    return Tape(_play(programme, faults, shape, frames, start_frame, dropouts, rng), truth)


def _wheel_sections(faults: DeckFaults, frames: int) -> list[dict[str, Any]]:
    sections = [Relock(0, faults.phase_lines, 0), *sorted(faults.relocks, key=lambda r: r.frame)]
    ends = [s.frame for s in sections[1:]] + [frames]
    return [
        {"start_frame": s.frame, "end_frame": e, "phase_lines": s.phase_lines, "head_offset": s.head_offset}
        for s, e in zip(sections, ends, strict=True)
        if e > s.frame
    ]


_AGAINST_THE_MEAN = (
    "quadrature_ns", "head_skew_ns", "hue_deg", "differential_phase_deg", "differential_gain_pct", "level_ire", "gain_pct",
    "response_db", "noise_db",
)  # fmt: skip


def _relative(faults: DeckFaults, shape: Raster) -> dict[str, list[float]]:
    saturation = tuple(
        (1 + s / 100) * g * 100 for s, g in zip(faults.saturation_pct, _colour_gains(faults, shape), strict=True)
    )
    out = {name: means_removed(getattr(faults, name)) for name in _AGAINST_THE_MEAN}
    mean = float(np.mean(saturation))
    out["saturation_pct"] = [100 * (s / mean - 1) for s in saturation]
    return out


def _colour_gains(faults: DeckFaults, shape: Raster) -> list[float]:
    if not faults.saturation_follows_response:
        return [1.0] * 4
    return [
        channel.response_gain(faults.response_shape, db, faults.response_phase, shape.lines.subcarrier_hz)
        for db in faults.response_db
    ]


def _cuts(programme: Pictures, shape: Raster, start_frame: int, frames: int) -> list[int]:
    times: tuple[float, ...] = getattr(programme, "cut_times_s", tuple)()
    numbers: list[int] = [int(np.ceil(t * float(shape.lines.frame_rate) - 1e-6)) - start_frame for t in times]
    return [n for n in numbers if 0 < n < frames]


def _play(
    programme: Pictures,
    faults: DeckFaults,
    shape: Raster,
    frames: int,
    start_frame: int,
    dropouts: list[Dropout],
    rng: np.random.Generator,
) -> Iterator[Frame]:
    deck = _Deck(shape, faults, rng)
    by_frame: dict[int, list[Dropout]] = {}
    for d in dropouts:
        by_frame.setdefault(d.frame, []).append(d)
    rate = float(shape.lines.frame_rate)
    previous: tuple[Array, Array, Array] | None = None
    for number in range(frames):
        planes = deck.frame(programme, number, (number + start_frame) / rate)
        if number in by_frame:
            apply_dropouts(planes, by_frame[number], previous, shape, rng)
        yield deck.stored(planes)
        previous = planes


_PER_ROW = (
    "gain",
    "offset",
    "saturation",
    "displacement",
    "hue",
    "differential",
    "differential_gain",
    "wrap",
    "noise_start",
    "luma_noise",
    "chroma_noise",
    "cross_start",
)
"""Settings of the inner loop that have one entry a row, in its order."""


class _Deck:
    """What stays the same from frame to frame."""

    def __init__(self, shape: Raster, faults: DeckFaults, rng: np.random.Generator) -> None:
        self.shape, self.faults, self.rng = shape, faults, rng
        self.luma_kernels = shift_kernels(LUMA_TAPS, beta=4.5)
        self.chroma_kernels = shift_kernels(CHROMA_TAPS, beta=4.0)
        self.banks = channel.noise_banks(0, faults.noise_colour)
        rows = np.arange(shape.height) + shape.picture_offset
        self.picture_row = rows
        self.masks = _blanking_masks(shape, faults)
        last = shape.lines.picture_rows - 1
        self.mask_of_row = np.where(
            (rows < 0) | (rows > last), 3, np.where(rows == 0, 1, np.where(rows == last, 2, 0))
        ).astype(np.int64)
        if faults.blanking == "absent":
            self.mask_of_row[(rows >= 0) & (rows <= last)] = 0

    def frame(self, programme: Pictures, number: int, time_s: float) -> tuple[Array, Array, Array]:
        shape, faults = self.shape, self.faults.at(number)
        wheel = wheel_rows(shape, self.faults.wheel_at(number))
        half_field = 0.5 / float(shape.lines.frame_rate)
        out = tuple(np.empty((shape.height, w), np.float32) for w in (ACTIVE, ACTIVE // 2, ACTIVE // 2))
        per_row = self._rows(faults, wheel, number)
        for index, row0 in enumerate(shape.first_row_of_field):
            pick = slice(row0, None, 2)
            rows = np.clip(self.picture_row[pick], 0, shape.lines.picture_rows - 1).astype(np.float32)
            scene = programme.field(time_s + index * half_field, rows, margin=MARGIN)
            arguments: list[Any] = [*scene, *self.masks[0], self.mask_of_row[pick], wheel.heads[pick]]
            arguments += [per_row["taps"], per_row["filtered"]]
            arguments += [per_row[name][pick] for name in _PER_ROW]
            arguments += [self.luma_kernels, self.chroma_kernels, *self.banks]
            arguments += [faults.cross_luminance, per_row["cross_step"], np.float32(V_OVER_U[faults.colour_turns_in])]
            play_field(*arguments, *(p[pick] for p in out))
            if faults.separation != "none":
                through_composite(
                    *(p[pick] for p in out), standard=faults.standard, separation=faults.separation,
                    carrier_rad=per_row["carrier"][pick], step_rad=per_row["cross_step"], v_switch=per_row["v_switch"][pick],
                )  # fmt: skip
            if faults.standard == "625" and faults.decoding_625 == "delay_line":
                average_with_line_above(out[1][pick])
                average_with_line_above(out[2][pick])
        if faults.switch_transient is not None:
            add_transients(out[0], wheel, faults.switch_transient, self.rng)
        break_up(out, wheel, self.faults.losses, number, self.rng)
        if faults.blanking == "reinserted":
            self._reinsert(out)
        data_lines(out[0], self.shape, number)
        return out[0], out[1], out[2]

    def _rows(self, faults: DeckFaults, wheel: Wheel, number: int) -> dict[str, Any]:
        """Everything the inner loop needs per row."""
        shape, rng, heads = self.shape, self.rng, wheel.heads
        n = shape.height
        error = time_error(faults, wheel, shape.lines, field_lines=self.picture_row / 2.0)
        jitter = rng.standard_normal((n, 2)) * faults.jitter_ns
        displacement = (error.displacement_ns + jitter[:, :1]) / NS_PER_SAMPLE
        wrap = np.zeros(n, np.float32)
        if self.faults.is_unlocked(number):
            torn = torn_rows(n, rng)
            displacement = displacement + torn[:, None]
            jitter[:, 1] += rng.uniform(0, 280, n)  # no burst to go by: any hue
            wrap[np.abs(torn) > MARGIN / 4] = shape.lines.samples_per_line
        v_switch = self._v_switch(number)
        late_deg = (error.hue_time_ns + jitter[:, 1:]) * shape.lines.degrees_per_ns
        hue = np.radians((np.asarray(faults.hue_deg)[heads][:, None] - late_deg) * v_switch[:, None])
        taps = np.stack(
            [channel.response_taps(faults.response_shape, db, faults.response_phase) for db in faults.response_db]
        )
        colour_gain = np.asarray(_colour_gains(faults, shape))
        noise = _noise_gain(faults, wheel)
        bank = channel.BANK_SAMPLES // 2 - ACTIVE
        step = 2 * np.pi * shape.lines.subcarrier_hz * NS_PER_SAMPLE * 1e-9
        start = self._absolute_line(number) * (shape.lines.subcarrier_hz * shape.lines.samples_per_line / 13.5e6) % 1.0 * 2 * np.pi
        # the burst is as late as the picture, less what colour is late against it
        burst_late = displacement[:, 0] - (error.hue_time_ns[:, 0] + jitter[:, 1]) / NS_PER_SAMPLE
        return {
            "taps": taps,
            "filtered": np.asarray(faults.response_db) != 0,
            "gain": (1 + np.asarray(faults.gain_pct)[heads] / 100).astype(np.float32),
            "offset": (np.asarray(faults.level_ire)[heads] * CODES_PER_IRE).astype(np.float32),
            "saturation": ((1 + np.asarray(faults.saturation_pct) / 100) * colour_gain)[heads].astype(np.float32),
            "displacement": displacement.astype(np.float32),
            "hue": hue.astype(np.float32),
            "differential": (np.radians(np.asarray(faults.differential_phase_deg)[heads]) * v_switch).astype(
                np.float32
            ),
            "differential_gain": (np.asarray(faults.differential_gain_pct)[heads] / 100).astype(np.float32),
            "wrap": wrap,
            "noise_start": rng.integers(0, bank, (n, 3)),
            "luma_noise": (noise * LUMA_RANGE * 10 ** (-faults.snr_db / 20)).astype(np.float32),
            "chroma_noise": (noise * CHROMA_RANGE * 10 ** (-faults.chroma_snr_db / 20)).astype(np.float32),
            "cross_step": float(step),
            "cross_start": start.astype(np.float32),
            "carrier": start - step * burst_late,
            "v_switch": v_switch,
        }

    def _absolute_line(self, number: int) -> NDArray[np.int64]:
        """Lines since the first one of the clip, counted through both fields of every frame."""
        second = self.picture_row % 2 == (1 if self.shape.lines.name == "625" else 0)
        first_lines = (23, 336) if self.shape.lines.name == "625" else (21, 283)
        line = np.where(second, first_lines[1], first_lines[0]) + self.picture_row // 2
        return np.asarray(line + number * self.shape.lines.lines_per_frame, np.int64)

    def _v_switch(self, number: int) -> NDArray[np.float64]:
        """+1 or -1 by line in 625 (the V switch turns every phase error the other way), +1 in 525."""
        if self.shape.lines.name == "525":
            return np.ones(self.shape.height)
        return np.where(self._absolute_line(number) % 2 == 0, 1.0, -1.0)

    def _reinsert(self, planes: tuple[Array, ...]) -> None:
        straight = self.masks[1]
        for plane, mask, neutral in (
            (planes[0], straight[0], 16.0),
            (planes[1], straight[1], 128.0),
            (planes[2], straight[1], 128.0),
        ):
            plane -= np.float32(neutral)
            plane *= mask[self.mask_of_row]
            plane += np.float32(neutral)

    def stored(self, planes: tuple[Array, Array, Array]) -> Frame:
        out = tuple(np.empty(p.shape, np.uint16) for p in planes)
        for plane, codes in zip(planes, out, strict=True):
            to_ten_bits(plane, codes)
        return out[0], out[1], out[2]


def _noise_gain(faults: DeckFaults, wheel: Wheel) -> NDArray[np.float64]:
    decibels = np.asarray(faults.noise_db)[wheel.heads]
    profile = faults.noise_by_position_db
    if profile:
        decibels = decibels + np.interp(wheel.start, np.linspace(0, 1, len(profile)), profile)
    return np.asarray(10 ** (decibels / 20))


def _edge(columns: NDArray[np.float64], left: float, right: float, rise: float) -> Array:
    """A window with sine-squared edges; ``rise`` is 10 to 90 % in columns."""
    length = rise / 0.5903  # 10 to 90 % of a sine-squared edge is 0.59 of its whole length

    def ramp(u: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.sin(np.pi / 2 * np.clip(u / length + 0.5, 0, 1)) ** 2

    return np.asarray(ramp(columns - left) * ramp(right - columns), np.float32)


def _blanking_masks(shape: Raster, faults: DeckFaults) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """Masks (4, columns) for whole lines, the half line on top, the half line below, blanked lines: of the source,
    of the output."""
    lines = shape.lines
    rise = faults.edge_ns / NS_PER_SAMPLE
    half = lines.samples_per_line / 2 - lines.active_start
    left, right = lines.blanking_left, lines.blanking_right
    spans = [(left, right), (half, right), (left, half)]

    def table(margin: int) -> tuple[Array, Array]:
        fine = np.arange(-margin, ACTIVE + margin, dtype=np.float64)
        return tuple(
            np.stack([*(_edge(c, a, b, r) for a, b in spans), np.zeros(len(c), np.float32)])
            for c, r in ((fine, rise), (fine[::2], rise * 2))
        )  # type: ignore[return-value]

    wide = table(MARGIN)
    if faults.blanking != "tape":
        for mask in wide:
            mask[:] = 1
            mask[3] = 0
    return wide, table(0)
