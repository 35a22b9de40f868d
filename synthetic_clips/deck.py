"""The faults of a deck and its tape, in the sign conventions of the project, and their course in time.

Time error positive = signal late = picture moved right. Skew: end of a pass minus its start. Scallop: ends of a
pass minus its middle. Hue positive = counter-clockwise in the (Cb, Cr) plane. Errors of time are stated as they
come off the tape, before any correction.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields, replace
from typing import Any, Literal

import numpy as np

from synthetic_clips.channel import NoiseColour, PhaseKind, ResponseShape
from synthetic_clips.composite import Separation
from synthetic_clips.rasters import StandardName

FourHeads = tuple[float, float, float, float]
Regime = Literal["uncorrected", "line-corrected", "velocity-corrected"]
Blanking = Literal["tape", "reinserted", "absent"]
Decoding = Literal["simple", "delay_line"]
NONE: FourHeads = (0.0, 0.0, 0.0, 0.0)
RUNNING_LINES_PER_FRAME = 2.9
"""How fast bands run while the wheel is not locked; any figure would do."""


@dataclass(frozen=True, slots=True)
class Onset:
    """``parameter`` of the faults acts only from ``start_frame`` (until ``end_frame``, exclusive), growing over
    ``ramp_frames``."""

    parameter: str
    start_frame: int
    end_frame: int | None = None
    ramp_frames: int = 0

    def factor(self, frame: int) -> float:
        if frame < self.start_frame or (self.end_frame is not None and frame >= self.end_frame):
            return 0.0
        return min(1.0, (frame - self.start_frame + 1) / (self.ramp_frames + 1))


@dataclass(frozen=True, slots=True)
class Relock:
    """From ``frame`` on the wheel stands at another phase; pass k is then scanned by head ``(k + head_offset) % 4``."""

    frame: int
    phase_lines: float
    head_offset: int = 0


@dataclass(frozen=True, slots=True)
class HeadLoss:
    """A head breaks up into noise between two frames (end exclusive); ``share`` of its lines is lost (0 to 1)."""

    head: int
    start_frame: int
    end_frame: int
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class SwitchTransient:
    """A ringing dash where heads change: at the left of the first line of a pass, or the right of the last one."""

    size_ire: float = 40.0
    length_us: float = 1.0
    place: Literal["first_line_left", "last_line_right"] = "last_line_right"
    heads: tuple[int, ...] = (0, 1, 2, 3)


@dataclass(frozen=True, slots=True)
class DeckFaults:
    """Everything that may be wrong. Four values belong to the heads A, B, C, D of pass 0, 1, 2, 3 before any relock."""

    standard: StandardName = "525"
    phase_lines: float = 5.0
    regime: Regime = "uncorrected"
    residual: float = 0.0
    """Share of the error that a corrector leaves uncorrected (0 to 1), a mixture of regimes."""
    reference: Literal["burst", "sync"] = "burst"
    """What a corrector times each line by; burst is the middle of the burst, sync is 0H. Hue is always set by the
    burst."""
    last_line_uncorrected: bool = False
    """Velocity correction is missing on the last line of each pass."""
    skew_ns: float = 0.0
    scallop_ns: float = 0.0
    quadrature_ns: FourHeads = NONE
    head_skew_ns: FourHeads = NONE
    top_skew_ns: float = 0.0
    top_decay_lines: float = 10.0
    jitter_ns: float = 0.3
    """Random displacement line by line, rms (J. R. E. R. E. 1974: not above 0.3 ns); its burst error turns the hue
    too."""

    saturation_pct: FourHeads = NONE
    hue_deg: FourHeads = NONE
    differential_phase_deg: FourHeads = NONE
    """Hue at white against hue at black."""
    differential_gain_pct: FourHeads = NONE
    """Saturation at white against saturation at black."""
    level_ire: FourHeads = NONE
    gain_pct: FourHeads = NONE
    response_db: FourHeads = NONE
    """At 3 MHz against low frequencies."""
    response_shape: ResponseShape = "tilt"
    response_phase: PhaseKind = "linear"
    saturation_follows_response: bool = True
    """Chroma is written on its subcarrier, so the channel's gain there multiplies it."""

    snr_db: float = 43.0
    """Luma, white to black over rms, flat, of a head with noise_db 0."""
    chroma_snr_db: float = 43.0
    """Full colour difference peak to peak over rms, each of Cb and Cr."""
    noise_db: FourHeads = NONE
    noise_colour: NoiseColour = "fm"
    noise_by_position_db: tuple[float, ...] = ()
    """Extra noise at places spread evenly from the start of a pass to its end (as many values as wanted)."""

    switch_transient: SwitchTransient | None = None
    losses: tuple[HeadLoss, ...] = ()
    relocks: tuple[Relock, ...] = ()
    unlocked: tuple[tuple[int, int], ...] = ()
    """Stretches of frames (end exclusive) without a steady wheel: torn lines, bands that run."""
    onsets: tuple[Onset, ...] = ()

    separation: Separation = "none"
    """How a decoder parted colour from luminance; none: the two were never in one signal."""
    decoding_625: Decoding = "simple"
    colour_turns_in: Literal["subcarrier", "components"] = "subcarrier"
    """What a phase error turns: U and V, as every error on the way to the decoder does, or Cb and Cr, as one after it might."""
    blanking: Blanking = "tape"
    edge_ns: float = 170.0
    """Rise time of the blanking edges, 10 to 90 % (140 nominal in 525, 300 in 625: from memory)."""
    cross_luminance: float = 0.0
    """Share of the colour left in the luma by the decoder (0 to 1)."""

    def __post_init__(self) -> None:
        names = {f.name for f in fields(self)}
        for onset in self.onsets:
            if onset.parameter not in names:
                raise ValueError(f"no fault is called {onset.parameter!r}; expected one of {sorted(names)}")
        for f in fields(self):
            value = getattr(self, f.name)
            if f.type == "FourHeads" and len(value) != 4:
                raise ValueError(f"{f.name} needs four values, one a head; got {value!r}")

    def at(self, frame: int) -> DeckFaults:
        """The faults in force in one frame, onsets applied."""
        if not self.onsets:
            return self
        neutral = DeckFaults(standard=self.standard)
        changes: dict[str, Any] = {}
        factors: dict[str, float] = {}
        for onset in self.onsets:
            factors[onset.parameter] = max(factors.get(onset.parameter, 0.0), onset.factor(frame))
        for name, factor in factors.items():
            changes[name] = _between(getattr(neutral, name), getattr(self, name), factor)
        return replace(self, **changes, onsets=())

    def wheel_at(self, frame: int) -> Relock:
        """Phase and head offset in force in one frame."""
        wheel = Relock(0, self.phase_lines, 0)
        for relock in sorted(self.relocks, key=lambda r: r.frame):
            if relock.frame <= frame:
                wheel = relock
        for start, end in self.unlocked:
            if start <= frame < end:
                drift = RUNNING_LINES_PER_FRAME * (frame - start + 1)
                return replace(wheel, phase_lines=wheel.phase_lines + drift)
        return wheel

    def is_unlocked(self, frame: int) -> bool:
        return any(start <= frame < end for start, end in self.unlocked)

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


def _between(off: Any, on: Any, factor: float) -> Any:
    if isinstance(on, bool) or not isinstance(on, int | float | tuple):
        return on if factor > 0 else off
    if isinstance(on, tuple):
        if not all(isinstance(v, int | float) for v in on):
            return on if factor > 0 else off
        base = off if len(off) == len(on) else (0.0,) * len(on)
        return tuple(float(a + factor * (b - a)) for a, b in zip(base, on, strict=True))
    return float(off + factor * (on - off))


def means_removed(values: FourHeads) -> list[float]:
    """Four values less their mean, as findings state them."""
    return [float(v) for v in np.asarray(values) - np.mean(values)]
