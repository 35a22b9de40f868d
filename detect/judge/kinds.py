"""Kinds of finding: by which relation each is proven, and which figure it states."""

from __future__ import annotations

from dataclasses import dataclass

from detect.findings import FindingKind


@dataclass(frozen=True, slots=True)
class Kind:
    """How a kind of finding is read: the relation and part of its evidence, the figure, its unit and limits."""

    kind: FindingKind
    relation: str
    part: str
    figure: str
    unit: str
    per_head: bool


KINDS = (
    Kind("skew", "shift", "common", "skew_ns", "ns", False),
    Kind("quadrature", "shift", "heads", "quadrature_ns", "ns", True),
    Kind("scallop", "hue_ramp", "common", "scallop_ns", "ns", False),
    Kind("scallop", "ramp", "common", "scallop_ns", "ns", False),
    Kind("velocity_error", "hue_ramp", "common", "velocity_error_ns", "ns", False),
    Kind("saturation_banding", "saturation", "heads", "saturation_pct", "%", True),
    Kind("hue_banding", "hue", "heads", "hue_deg", "degrees", True),
    Kind("level_banding", "level", "heads", "level_ire", "IRE", True),
    Kind("noise_banding", "noise", "heads", "noise_db", "dB", True),
    Kind("response_banding", "response_3", "heads", "response_db", "dB", True),
)
BY_BRIGHTNESS = (
    Kind("saturation_banding", "saturation_luma", "heads", "differential_gain_pct", "%", True),
    Kind("hue_banding", "hue_luma", "heads", "differential_phase_deg", "degrees", True),
)
"""Asked of kinds of which the mean over the picture shows nothing."""
UNEQUAL_SKEW = Kind("skew", "shift", "heads", "head_skew_ns", "ns", True)
TIMING_KINDS = ("skew", "quadrature", "scallop")
TIMING = tuple({k.kind: k for k in KINDS if k.kind in TIMING_KINDS}.values())
OF_HEADS = tuple(k for k in KINDS if k.per_head and k.kind not in TIMING_KINDS)
