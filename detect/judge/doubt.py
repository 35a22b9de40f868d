"""What a figure may be off by as a share of itself: content changes its gain, and a lossy carrier takes part of it away."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from detect.findings import HeadValues, Value, WindowReadings

F64 = NDArray[np.float64]
Doubt = Mapping[str, float]
"""Family of figures (the keys of ``FAMILY``'s values) to share."""

FAMILY = {
    "skew_ns": "timing", "scallop_ns": "timing", "velocity_error_ns": "timing", "quadrature_ns": "timing", "head_skew_ns": "timing",
    "saturation_pct": "saturation", "differential_gain_pct": "saturation", "differential_phase_deg": "hue",
    "hue_deg": "hue", "level_ire": "level", "noise_db": "noise", "response_db": "response",
}  # fmt: skip
NONE: Doubt = {}

_MPEG2 = {"timing": 0.2, "saturation": 0.2, "hue": 0.2, "level": 0.15, "noise": 0.45, "response": 0.15}
_DV = {"timing": 0.12, "saturation": 0.6, "hue": 0.9, "level": 0.15, "noise": 0.4, "response": 0.35}
_PRORES = {"timing": 0.08, "saturation": 0.2, "hue": 0.2, "level": 0.12, "noise": 0.2, "response": 0.15}
_INTER = {"timing": 0.3, "saturation": 1.0, "hue": 1.0, "level": 0.6, "noise": 1.5, "response": 0.5}
_WAVELET = {"timing": 0.03, "saturation": 0.05, "hue": 0.05, "level": 0.03, "noise": 0.05, "response": 0.05}
BY_CODEC: Mapping[str, Doubt] = {
    "mpeg2video": _MPEG2, "dvvideo": _DV, "prores": _PRORES, "jpeg2000": _WAVELET,
    "h264": _INTER, "hevc": _INTER, "mpeg4": _INTER, "vc1": _INTER,
}  # fmt: skip
"""About (1 - gain) / gain of the same faults in this carrier (docs/carriers_table.md), more where small faults lose more. Blocks are
coded each by itself: a small jump inside one is smoothed away by coarse coefficients, at the edge of one it survives."""


NOISE_BLOCK_ROWS: Mapping[str, int] = {"dvvideo": 8, "mpeg2video": 8}
"""Frame rows of the blocks that these code by themselves with few coefficients: the noise of a whole block is then one (IEC 61834-2;
ISO/IEC 13818-2, where blocks of one field hold 16)."""

MIXED = {"skew_ns": "scallop_ns", "scallop_ns": "skew_ns"}
OF_OTHER = 0.7
"""(House value, from MPEG-2 copies of another simulator: 8 ns of scallop where 32 ns of skew is all there is.)"""
MOSTLY_HIDDEN = 0.8
"""A carrier that hides this share of a figure, or more, leaves next to nothing of it: a small one is then no evidence of a small fault."""
SHOWS = 3.0
"""Standard errors from which such a figure is given all the same: what is left of a large fault."""


def of_codec(codec: str) -> Doubt:
    return BY_CODEC.get(codec, NONE)


def widened(readings: WindowReadings, doubt: Doubt) -> WindowReadings:
    """Error bars of all comparisons between heads, with the share of the figure added in quadrature.

    A figure of which the share hides most, and that is not clear of nought, is withheld. Of skew and scallop, each has half of that
    share of the other besides: where a carrier takes more of a pass's ends than of its middle, the one is read as the other.
    """
    update: dict[str, Value | HeadValues | None] = {}
    for name, family in FAMILY.items():
        share, figure = doubt.get(family, 0.0), getattr(readings, name)
        if not share or figure is None:
            continue
        if share >= MOSTLY_HIDDEN and not _shows(figure):
            update[name] = None
            continue
        if isinstance(figure, HeadValues):
            pairs = zip(figure.values, figure.sigmas, strict=True)
            sigmas = [None if v is None or s is None else float(np.hypot(s, share * abs(v))) for v, s in pairs]
            update[name] = HeadValues(values=figure.values, sigmas=sigmas)
        elif figure.value is not None and figure.sigma is not None:
            other = getattr(readings, MIXED[name]) if name in MIXED else None
            of_other = OF_OTHER * share * abs(other.value) if other is not None and other.value is not None else 0.0
            update[name] = Value(value=figure.value, sigma=float(np.sqrt(figure.sigma**2 + (share * figure.value) ** 2 + of_other**2)))
    return readings.model_copy(update=update)


def _shows(figure: Value | HeadValues) -> bool:
    pairs = zip(figure.values, figure.sigmas, strict=True) if isinstance(figure, HeadValues) else [(figure.value, figure.sigma)]
    return any(v is not None and s is not None and abs(v) > SHOWS * s for v, s in pairs)


def without(sigma: float, value: float, share: float) -> float:
    """A standard error less the share of the figure in it: what tells whether there is anything at all."""
    return float(np.sqrt(max(sigma**2 - (share * value) ** 2, 0.0)))
