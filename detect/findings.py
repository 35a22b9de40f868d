"""What judging concludes: the published objects, schema 1.

These models are the one home of the file format; ``headpass schema`` prints their JSON Schema. What could not be measured
is ``None``, never NaN. Frames count from 0; every ``end_*`` is exclusive.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

SCHEMA = 1

FindingKind = Literal[
    "skew", "scallop", "quadrature", "velocity_error", "saturation_banding", "hue_banding", "level_banding",
    "noise_banding", "response_banding", "noise", "head_loss", "dropouts", "scratch", "switch_transient", "top_skew", "relock",
]  # fmt: skip
SectionKind = Literal["programme", "bars", "test_signal", "black", "unlocked", "monochrome_programme"]
Outcome = Literal["accept", "look", "adjust_and_replay", "recorded_in", "inspect_before_playing", "not_judged"]
TimeBase = Literal["uncorrected", "line-corrected", "undetermined"]
Origin = Literal["playback", "recording", "tape", "either"]
LossKind = Literal["white", "black", "noise", "compensated"]


def _no_nan(value: Any) -> Any:
    """NaN and infinities become None: a file of findings never holds them."""
    try:
        return None if value is None or not math.isfinite(value) else round(float(value), 6)
    except TypeError:
        return value


Number = Annotated[float | None, BeforeValidator(_no_nan)]
"""A measured number or None."""


class Model(BaseModel):
    """Base: frozen, no unknown fields, validated."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class TransferInfo(Model):
    path: str
    size_bytes: int
    container: str
    codec: str
    pixel_format: str
    width: int
    height: int
    field_order: Literal["top", "bottom"]
    field_order_source: str | None = None
    frame_rate: str
    frames: int
    frames_measured: int
    frames_undecodable: int
    duration_s: float
    start_timecode: str | None
    timecode_source: str | None
    ltc_start_timecode: str | None = None
    """Label of the first picture by the timecode on a sound channel, which may differ from ``start_timecode``."""
    ltc_channel: int | None = None
    drop_frame: bool
    standard: Literal["525/59.94", "625/50"]


class Section(Model):
    kind: SectionKind
    start_frame: int
    end_frame: int


class WheelState(Model):
    """One stretch with one phase. ``locked`` is False where no steady wheel was found."""

    start_frame: int
    end_frame: int
    phase_lines: Number
    phase_sigma_lines: Number
    locked: bool
    significance: Number
    null_ratio: Number
    head_numbers: list[int] | None = None


class Value(Model):
    value: Number
    sigma: Number


class HeadValues(Model):
    values: list[Number]
    sigmas: list[Number]


class ResponseCurve(Model):
    mhz: list[float]
    db: list[list[Number]]
    sigma_db: list[list[Number]]


class AbsoluteNoise(Model):
    value: Number
    by_pass_position: list[Number]


class TopSkew(Model):
    value: Number
    sigma: Number
    decay_lines: Number


class DropoutCounts(Model):
    count: int
    visible: int
    compensated: int
    total_us: float
    per_minute: Number
    by_head: list[int]
    by_pass_position: list[int]


class WindowReadings(Model):
    """Everything measured over one stretch; None where it could not be measured."""

    skew_ns: Value | None = None
    scallop_ns: Value | None = None
    quadrature_ns: HeadValues | None = None
    head_skew_ns: HeadValues | None = None
    time_base: TimeBase = "undetermined"
    velocity_error_ns: Value | None = None
    saturation_pct: HeadValues | None = None
    hue_deg: HeadValues | None = None
    differential_gain_pct: HeadValues | None = None
    differential_phase_deg: HeadValues | None = None
    level_ire: HeadValues | None = None
    noise_db: HeadValues | None = None
    response_db: HeadValues | None = None
    response_curve: ResponseCurve | None = None
    snr_db: AbsoluteNoise | None = None
    top_skew_ns: TopSkew | None = None
    dropouts: DropoutCounts | None = None


class Window(Model):
    start_frame: int
    end_frame: int
    start_timecode: str | None
    shots: int
    readings: WindowReadings


class Evidence(Model):
    """Where it shows best: one frame, and the frame rows (first, last inclusive) of the bands concerned."""

    frame: int
    lines: list[tuple[int, int]]


class Cause(Model):
    cause: str
    origin: Origin
    likelihood: Literal["likely", "possible", "less likely"]
    because: str
    check: str
    caution: str | None = None


class Finding(Model):
    id: str
    kind: FindingKind
    start_frame: int
    end_frame: int
    start_timecode: str | None
    end_timecode: str | None
    affected_pct: Number
    heads: list[str]
    value: Number
    unit: str
    sigma: Number
    significance: Number
    status: Literal["confirmed", "unconfirmed"]
    severity: Literal["note", "flag"]
    text: str
    equivalent: str | None = None
    """The same amount on the machine: um of guide travel, seconds of arc, dB."""
    linked: list[str] = []
    evidence: Evidence | None = None
    causes: list[Cause] = []


class Loss(Model):
    """One loss of signal in the picture (a dropout). ``field`` 0 is the first of its frame in time; x0 <= x < x1."""

    frame: int
    field: int
    line: int
    x0: int
    x1: int
    duration_us: float
    kind: LossKind
    head: str | None
    pass_position: Number
    tape_mm_across: Number
    tape_m_along: Number


class Defect(Model):
    """Losses of neighbouring stripes at one place, grouped into one damaged spot of the tape."""

    start_frame: int
    end_frame: int
    losses: int
    along_m: float
    across_mm: float
    size_along_mm: float
    size_across_mm: float


class Tone(Model):
    channel: int
    tone_hz: Number
    tone_dbfs: Number
    start_timecode: str | None
    end_timecode: str | None
    start_frame: int | None = None
    end_frame: int | None = None


class Verdict(Model):
    outcome: Outcome
    transfer_again: bool
    judged_s: float
    judged_pct: float
    reasons: list[str]
    text: str


class PassView(Model):
    """Timing error against place in the pass, one list per head, pooled over the programme.

    ``angle_deg`` runs from -45 to +45; ``measured_ns`` and ``sigma_ns`` are [4][n]; ``fitted_ns`` is the model's own curve.
    """

    angle_deg: list[float]
    measured_ns: list[list[Number]]
    sigma_ns: list[list[Number]]
    fitted_ns: list[list[Number]]


class Findings(Model):
    """The whole of one ``.findings.json``."""

    schema_: int = Field(default=SCHEMA, alias="schema")
    headpass: str
    created: str
    transfer: TransferInfo
    sections: list[Section]
    wheel: list[WheelState]
    summary: WindowReadings
    windows: list[Window]
    findings: list[Finding]
    dropouts: list[Loss] | None
    dropouts_file: str | None = None
    defects: list[Defect] = []
    audio: list[Tone] = []
    verdict: Verdict
    warnings: list[str] = []
    limits: dict[str, Any] = {}
    """The limits that were applied, as given."""
    pass_view: PassView | None = None

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)
