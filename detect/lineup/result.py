"""What a line-up capture tells: the published object of ``headpass lineup``, schema 1. Unknown is None, never NaN.

Conventions are those of the findings: late is positive, skew is the end of a pass less its start, scallop the ends
less the middle, hue positive counter-clockwise in (Cb, Cr), 1 IRE is 1 % of black to white, lists of four are heads A
to D of this play.
"""

from __future__ import annotations

from typing import Literal

from pydantic import ConfigDict, Field

from detect.findings import HeadValues, Model, Number, TimeBase, Value

LINEUP_SCHEMA = 1
LETTERS = "ABCD"


class Signal(Model):
    """One stretch of one signal; ``end_frame`` is exclusive. ``measured``: whether figures came from it."""

    name: str
    start_frame: int
    end_frame: int
    start_s: float
    end_s: float
    measured: bool = True


class Wheel(Model):
    """Phase of the bands. ``locked`` False: no head stands out, so the letters mean nothing."""

    phase_lines: Number
    phase_sigma_lines: Number
    locked: bool
    significance: Number
    """Log-likelihood of the heads over rows all alike."""
    null_ratio: Number
    head_numbers: list[int] | None = None
    """Numbers of the heads A to D, when known."""
    numbering: str | None = None
    """How the numbers were found, or why not."""


class ShapeOf(Model):
    """Shape of one head's response in the trade's words, less what all heads share."""

    word: Literal["flat", "peaked", "dipped", "rolled off"]
    mhz: Number
    db: Number


class Response(Model):
    """Per packet: ``db`` [4][n] against ``reference``; ``common_db`` [n] is the part that all heads share (decoder,
    generator)."""

    mhz: list[float]
    db: list[list[Number]]
    sigma_db: list[list[Number]]
    reference: Literal["white flag", "first packet"]
    common_db: list[Number]
    shapes: list[ShapeOf]
    common_shape: ShapeOf


class Figures(Model):
    """Everything measured. ``*_of_nominal`` are against the signal's published value, the rest against the mean of
    the heads."""

    time_base: TimeBase = "undetermined"
    left_share: Number = None
    """Share of the timing error that a corrector left: 1 none at work, 0 all taken out at the line's start."""
    skew_ns: Value | None = None
    scallop_ns: Value | None = None
    quadrature_ns: HeadValues | None = None
    velocity_error_ns: Value | None = None
    saturation_pct: HeadValues | None = None
    saturation_of_nominal_pct: HeadValues | None = None
    hue_deg: HeadValues | None = None
    hue_of_nominal_deg: HeadValues | None = None
    level_ire: HeadValues | None = None
    white_ire: HeadValues | None = None
    white_nominal_ire: Number = None
    response: Response | None = None
    differential_phase_deg: HeadValues | None = None
    differential_gain_pct: HeadValues | None = None
    noise_db: HeadValues | None = None
    snr_db: Value | None = None


class Equivalents(Model):
    """The same on the machine: guide travel in micrometres, quadrature in seconds of arc. Geometry only, for R = 26.2
    mm."""

    guide_position_um: Value | None = None
    guide_height_um: Value | None = None
    quadrature_arcsec: HeadValues | None = None


class ChannelTone(Model):
    """Line-up tone of one channel. ``level_dbfs``: a full-scale sine reads 0 (AES17)."""

    channel: int
    start_s: float
    end_s: float
    hz: Number
    level_dbfs: Number
    sigma_db: Number
    above_reference_db: Number
    distortion_pct: Number
    """Everything but the tone, rms over the tone's (total harmonic distortion and noise)."""


class ChannelPair(Model):
    """Two channels with tone at the same time. ``phase_deg``: the second against the first."""

    channels: tuple[int, int]
    balance_db: Number
    phase_deg: Number
    phase_sigma_deg: Number


class Audio(Model):
    reference_dbfs: float
    reference_source: str
    tones: list[ChannelTone]
    pairs: list[ChannelPair]


class Step(Model):
    """One thing to do, in order of use. ``heads`` are letters, or numbers when known."""

    what: str
    heads: list[str] = []
    amount: str
    how: str
    caution: str


class LineupResult(Model):
    """The whole of one ``.lineup.json``."""

    schema_: int = Field(default=LINEUP_SCHEMA, alias="schema")
    headpass: str
    created: str
    path: str
    standard: Literal["525/59.94", "625/50"]
    width: int
    height: int
    frames: int
    signals: list[Signal]
    wheel: Wheel
    figures: Figures
    equivalents: Equivalents
    audio: Audio | None = None
    steps: list[Step] = []
    first_to_touch: str | None = None
    warnings: list[str] = []

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)
