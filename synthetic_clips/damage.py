"""Losses of signal: where they lie on the tape, what they look like in the picture, and an exact list of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from synthetic_clips.deck import DeckFaults
from synthetic_clips.rasters import ACTIVE, NS_PER_SAMPLE, Raster
from synthetic_clips.timebase import Wheel, wheel_rows

Array = NDArray[np.float32]
Kind = Literal["white", "black", "noise", "compensated"]
Source = Literal["", "line_above", "two_above", "previous_field"]
RADIUS_MM = 26.2
"""Tip radius (common practice, from memory)."""
SHORTEST_US = 0.5
LONGEST_US = 60.0
"""Losses shorter than about 0.5 us do not occur (an article on the origin of dropouts)."""
MODE_US = 1.5
LENGTH_SPREAD = 0.8
"""Log-normal lengths: most at 1 to 2 us, then fewer and fewer."""


@dataclass(frozen=True, slots=True)
class Losses:
    """One pattern of losses. Frames count from the first rendered, end exclusive (None: to the end).

    uniform: anywhere; head: on one head only; edge: near an end of the passes; cluster: ``count`` of them about one
    place of the tape around ``start_frame``; scratch: at one place across the tape in every pass,
    ``share_of_passes`` of them.
    """

    pattern: Literal["uniform", "head", "edge", "cluster", "scratch"] = "uniform"
    per_minute: float = 60.0
    end_per_minute: float | None = None
    """The rate changes steadily to this by the end of the stretch."""
    start_frame: int = 0
    end_frame: int | None = None
    head: int = 0
    side: Literal["start", "end"] = "end"
    position: float = 0.5
    """Place in the pass, 0 to 1 (cluster, scratch)."""
    spread: float = 0.06
    """Deviation of the place in the pass (edge, cluster); a scratch wanders a tenth of it."""
    count: int = 20
    share_of_passes: float = 0.9
    length_us: float | None = None
    """A fixed length; otherwise lengths are drawn."""


@dataclass(frozen=True, slots=True)
class Damage:
    """All losses of a clip and how they look: shares of the kinds, and of the places a compensator copies from."""

    losses: tuple[Losses, ...] = (Losses(),)
    white: float = 1.0
    black: float = 1.0
    noise: float = 1.0
    compensated: float = 0.0
    line_above: float = 1.0
    two_above: float = 0.0
    previous_field: float = 0.0


@dataclass(frozen=True, slots=True)
class Dropout:
    """One loss on one line. ``field`` in time order, ``line`` within it; x0 <= x < x1 in luma samples."""

    frame: int
    field: int
    line: int
    x0: int
    x1: int
    kind: Kind
    source: Source
    head: int
    pass_position: float
    tape_mm_across: float
    tape_m_along: float

    @property
    def duration_us(self) -> float:
        return (self.x1 - self.x0) * NS_PER_SAMPLE * 1e-3


@dataclass(frozen=True, slots=True)
class _Spot:
    """A place before its look is decided: field lines from the top of the raster at the start of the loss."""

    frame: int
    field: int
    position_lines: float
    length_us: float


def draw_lengths_us(rng: np.random.Generator, count: int) -> NDArray[np.float64]:
    """Lengths of losses, 0.5 to 60 us, most often 1 to 2 us."""
    mean = np.log(MODE_US) + LENGTH_SPREAD**2
    lengths = rng.lognormal(mean, LENGTH_SPREAD, count)
    while (bad := (lengths < SHORTEST_US) | (lengths > LONGEST_US)).any():
        lengths[bad] = rng.lognormal(mean, LENGTH_SPREAD, int(bad.sum()))
    return np.asarray(lengths)


def plan_dropouts(
    damage: Damage, faults: DeckFaults, shape: Raster, frames: int, rng: np.random.Generator
) -> list[Dropout]:
    """Every loss of the clip, in order of time."""
    out: list[Dropout] = []
    for losses in damage.losses:
        for spot in _spots(losses, faults, shape, frames, rng):
            out.extend(_on_lines(spot, damage, faults, shape, rng))
    return sorted(out, key=lambda d: (d.frame, d.field, d.line, d.x0))


def _lengths(losses: Losses, rng: np.random.Generator, count: int) -> NDArray[np.float64]:
    return np.full(count, losses.length_us) if losses.length_us is not None else draw_lengths_us(rng, count)


def _spots(losses: Losses, faults: DeckFaults, shape: Raster, frames: int, rng: np.random.Generator) -> list[_Spot]:
    end = min(frames, losses.end_frame if losses.end_frame is not None else frames)
    stretch = end - losses.start_frame
    if stretch <= 0:
        return []
    if losses.pattern == "scratch":
        return _scratch(losses, faults, shape, end, rng)
    if losses.pattern == "cluster":
        return _cluster(losses, faults, shape, frames, rng)
    last_rate = losses.per_minute if losses.end_per_minute is None else losses.end_per_minute
    minutes = stretch / float(shape.lines.frame_rate) / 60
    count = int(rng.poisson(minutes * (losses.per_minute + last_rate) / 2))
    share = _rising(rng, count, losses.per_minute, last_rate)
    picked = np.minimum(losses.start_frame + (share * stretch).astype(int), end - 1)
    fields = rng.integers(0, 2, count)
    lengths = _lengths(losses, rng, count)
    out = []
    for frame, index, length in zip(picked, fields, lengths, strict=True):
        position = rng.uniform(0, shape.height / 2)
        if losses.pattern != "uniform":
            position = _place_in_pass(losses, faults, shape, int(frame), rng)
        out.append(_Spot(int(frame), int(index), float(position), float(length)))
    return out


def _rising(rng: np.random.Generator, count: int, first: float, last: float) -> NDArray[np.float64]:
    """Times 0 to 1 with a density going steadily from ``first`` to ``last``."""
    u = rng.random(count)
    if abs(first - last) < 1e-9:
        return u
    a, b = (last - first) / 2, first
    return np.asarray((-b + np.sqrt(b * b + 4 * a * u * (a + b))) / (2 * a))


def _place_in_pass(losses: Losses, faults: DeckFaults, shape: Raster, frame: int, rng: np.random.Generator) -> float:
    wheel = faults.wheel_at(frame)
    period = shape.lines.lines_per_pass
    passes = np.arange(-1, int(shape.height / 2 / period) + 1)
    if losses.pattern == "head":
        passes = passes[(passes + wheel.head_offset) % 4 == losses.head]
        place = rng.uniform(0, 1)
    else:
        place = abs(rng.normal(0, losses.spread))
        place = min(place, 0.99) if losses.side == "start" else max(0.0, 0.995 - place)
    return float(wheel.phase_lines + (rng.choice(passes) + place) * period)


def _scratch(losses: Losses, faults: DeckFaults, shape: Raster, end: int, rng: np.random.Generator) -> list[_Spot]:
    out = []
    wander = 0.0
    period = shape.lines.lines_per_pass
    for frame in range(losses.start_frame, end):
        wheel = faults.wheel_at(frame)
        wander = 0.98 * wander + rng.normal(0, 0.02 * losses.spread)
        for index in (0, 1):
            for k in range(-1, int(shape.height / 2 / period) + 1):
                if rng.random() < losses.share_of_passes:
                    place = losses.position + wander + rng.normal(0, 0.001)
                    length = float(_lengths(losses, rng, 1)[0])
                    out.append(_Spot(frame, index, wheel.phase_lines + (k + place) * period, min(length, 6.0)))
    return out


def _cluster(losses: Losses, faults: DeckFaults, shape: Raster, frames: int, rng: np.random.Generator) -> list[_Spot]:
    """A crease or a fingerprint: some 40 neighbouring passes (15 mm of tape), one place across."""
    period = shape.lines.lines_per_pass
    per_field = shape.lines.passes_per_field
    centre = rng.uniform(0, per_field)
    out = []
    for length in _lengths(losses, rng, losses.count):
        stripe = centre + rng.normal(0, 12)
        fields, k = divmod(int(np.floor(stripe)), per_field)
        frame, index = losses.start_frame + fields // 2, fields % 2
        if 0 <= frame < frames:
            place = float(np.clip(rng.normal(losses.position, losses.spread), 0, 0.99))
            out.append(
                _Spot(frame, index, faults.wheel_at(frame).phase_lines + (k - 1 + place) * period, float(length))
            )
    return out


def _on_lines(
    spot: _Spot, damage: Damage, faults: DeckFaults, shape: Raster, rng: np.random.Generator
) -> list[Dropout]:
    """A loss goes on until it ends or its pass does; what falls into blanking is not seen and not listed."""
    row0 = shape.first_row_of_field[spot.field]
    wheel = wheel_rows(shape, faults.wheel_at(spot.frame))
    lines_in_field = (shape.height - row0 + 1) // 2
    line = int(np.floor(spot.position_lines - row0 / 2))
    start = (spot.position_lines - row0 / 2 - line) * shape.lines.samples_per_line - shape.lines.active_start
    left = max(7, round(spot.length_us * 1000 / NS_PER_SAMPLE))
    kind, source = _look(damage, rng)
    out: list[Dropout] = []
    owner = int(np.floor((spot.position_lines - faults.wheel_at(spot.frame).phase_lines) / shape.lines.lines_per_pass))
    while left > 0 and line < lines_in_field:
        row = row0 + 2 * line
        x0, x1 = round(start), round(start) + left
        if row >= 0 and int(wheel.passes[row]) == owner:
            seen = _seen(shape, row, faults)
            a, b = max(x0, seen[0]), min(x1, seen[1])
            if b - a >= 7:
                out.append(_dropout(spot, line, row, a, b, kind, source, wheel, shape))
        left = x1 - (shape.lines.samples_per_line - shape.lines.active_start)
        start = -shape.lines.active_start
        line += 1
    return out


def _seen(shape: Raster, row: int, faults: DeckFaults) -> tuple[int, int]:
    """Columns where a picture can be hurt."""
    picture_row = row + shape.picture_offset
    lines = shape.lines
    if not 0 <= picture_row < lines.picture_rows:
        return (0, 0)
    if faults.blanking == "absent":
        return (0, ACTIVE)
    half = lines.samples_per_line / 2 - lines.active_start
    left = half if picture_row == 0 else lines.blanking_left
    right = half if picture_row == lines.picture_rows - 1 else lines.blanking_right
    return (int(np.ceil(left)) + 2, int(right) - 2)


def _dropout(
    spot: _Spot, line: int, row: int, x0: int, x1: int, kind: Kind, source: Source, wheel: Wheel, shape: Raster
) -> Dropout:
    lines = shape.lines
    place = float(wheel.start[row] + (x0 + lines.active_start) / lines.samples_per_line / lines.lines_per_pass)
    seconds = (spot.frame + spot.field / 2) / float(lines.frame_rate) + (row / 2) / (
        float(lines.frame_rate) * lines.lines_per_frame
    )
    return Dropout(
        frame=spot.frame,
        field=spot.field,
        line=line,
        x0=x0,
        x1=x1,
        kind=kind,
        source=source,
        head=int(wheel.heads[row]),
        pass_position=place,
        tape_mm_across=RADIUS_MM * (place - 0.5) * np.pi / 2,
        tape_m_along=seconds * lines.tape_mm_per_s / 1000,
    )


def _look(damage: Damage, rng: np.random.Generator) -> tuple[Kind, Source]:
    kinds: tuple[Kind, ...] = ("white", "black", "noise", "compensated")
    weights = np.array([damage.white, damage.black, damage.noise, damage.compensated])
    kind = kinds[int(rng.choice(4, p=weights / weights.sum()))]
    if kind != "compensated":
        return kind, ""
    sources: tuple[Source, ...] = ("line_above", "two_above", "previous_field")
    weights = np.array([damage.line_above, damage.two_above, damage.previous_field])
    return kind, sources[int(rng.choice(3, p=weights / weights.sum()))]


def apply_dropouts(
    planes: tuple[Array, Array, Array],
    dropouts: list[Dropout],
    previous: tuple[Array, Array, Array] | None,
    shape: Raster,
    rng: np.random.Generator,
) -> None:
    """Write losses into the planes of one frame (codes of 8 bits, rows of the frame), in place."""
    for d in dropouts:
        row = shape.first_row_of_field[d.field] + 2 * d.line
        spans = (
            (planes[0], d.x0, d.x1),
            (planes[1], d.x0 // 2, (d.x1 + 1) // 2),
            (planes[2], d.x0 // 2, (d.x1 + 1) // 2),
        )
        if d.kind == "compensated":
            _repeat(planes, spans, row, d, previous)
            continue
        n = d.x1 - d.x0
        level = {"white": rng.uniform(215, 245), "black": rng.uniform(6, 20), "noise": 110.0}[d.kind]
        roughness = 50.0 if d.kind == "noise" else 5.0
        planes[0][row, d.x0 : d.x1] = level + roughness * rng.standard_normal(n)
        for plane, a, b in spans[1:]:
            plane[row, a:b] = 128 + 12 * rng.standard_normal(b - a)


def _repeat(
    planes: tuple[Array, Array, Array],
    spans: tuple[tuple[Array, int, int], ...],
    row: int,
    d: Dropout,
    previous: tuple[Array, Array, Array] | None,
) -> None:
    for index, (plane, a, b) in enumerate(spans):
        if d.source == "previous_field":
            other = planes[index] if d.field == 1 else (previous[index] if previous is not None else plane)
            plane[row, a:b] = other[row - 1 if row > 0 else row + 1, a:b]
        else:
            back = row - (2 if d.source == "line_above" else 4)
            plane[row, a:b] = plane[back if back >= 0 else row + 2, a:b]
