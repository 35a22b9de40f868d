"""What a figure may be off by as a share of itself: content changes its gain, and a lossy carrier takes part of it away."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

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


def _shares(timing: float, saturation: float, level: float, noise: float, response: float, hue: float | None = None) -> Doubt:
    return {
        "timing": timing, "saturation": saturation, "hue": saturation if hue is None else hue, "level": level, "noise": noise,
        "response": response,
    }  # fmt: skip


_PREDICTED = _shares(0.3, 1.0, 0.6, 1.5, 0.5)
_PREDICTED_FROM_LITTLE = _shares(0.7, 1.3, 0.9, 2.0, 0.75)
_WAVELET = _shares(0.03, 0.05, 0.03, 0.05, 0.05)
_LITTLE = ((0.6, _PREDICTED), (0.0, _PREDICTED_FROM_LITTLE))
BY_CODEC: Mapping[str, tuple[tuple[float, Doubt], ...]] = {
    "mpeg2video": (
        (3.2, _shares(0.12, 0.2, 0.22, 0.45, 0.15)),
        (0.6, _shares(0.22, 0.5, 0.35, 0.6, 0.25, 0.75)),
        (0.0, _shares(0.85, 1.3, 1.5, 1.0, 1.1)),
    ),
    "dvvideo": ((4.5, _shares(0.05, 0.45, 0.08, 0.35, 0.1, 0.6)), (0.0, _shares(0.1, 0.6, 0.15, 0.4, 0.35, 0.9))),
    "prores": (
        (5.0, _shares(0.08, 0.2, 0.12, 0.2, 0.15)),
        (3.6, _shares(0.18, 0.25, 0.15, 0.35, 0.2)),
        (2.0, _shares(0.38, 0.55, 0.2, 1.3, 0.3)),
        (0.0, _shares(2.5, 1.5, 1.3, 5.0, 3.0)),
    ),
    "dnxhd": ((0.0, _shares(0.06, 0.6, 0.1, 0.15, 0.15)),),
    "mjpeg": (
        (2.5, _shares(0.1, 0.6, 0.25, 0.5, 0.2)),
        (1.4, _shares(0.18, 0.6, 0.5, 2.0, 0.35)),
        (0.0, _shares(0.45, 1.0, 1.2, 2.2, 0.55)),
    ),
    "h264": ((3.5, _shares(0.1, 0.25, 0.1, 0.4, 0.1)), (1.0, _shares(0.25, 0.7, 0.4, 1.0, 0.4)), *_LITTLE),
    "hevc": ((3.5, _shares(0.1, 0.25, 0.1, 0.4, 0.1)), (1.0, _shares(0.25, 0.7, 0.4, 1.0, 0.4)), *_LITTLE),
    "jpeg2000": ((0.0, _WAVELET),), "mpeg4": ((0.0, _PREDICTED),), "vc1": ((0.0, _PREDICTED),),
}  # fmt: skip
"""Of each codec (FFmpeg names): bits for a sample of luma in the file, most first, from which a share holds. The shares are about
(1 - gain) / gain of the same faults (docs/carriers_table.md; rates and codecs that it does not hold are house values), more where small
faults lose more. Blocks are coded each by itself: a
small jump inside one is smoothed away by coarse coefficients, at the edge of one it survives. Few bits may also come of an easy picture,
which loses less; so of two rates the share is nearer to that of the better."""

LOST = "timing_lost"
"""Key of a ``Doubt``: share of displacement that is given back, see ``TIMING_LOST``."""
TIMING_LOST: Mapping[str, tuple[tuple[float, float], ...]] = {
    "dvvideo": ((4.5, 0.02), (0.0, 0.16)), "mpeg2video": ((3.2, 0.12), (0.6, 0.12), (0.0, 0.0)),
}  # fmt: skip
"""What these take of displacement on average, as a share of what is left, by rate as above (house values, from faults of 20 to 60 ns). It
is given back, and errors after that are in docs/accuracy.md; the shares of ``BY_CODEC`` are what more or less may be gone."""
MOST_LOST_NS = 6.0
"""Nor is more given back: what coarse coefficients smooth away is small, and large displacements pass whole (house value)."""

MIXED = {"skew_ns": "scallop_ns", "scallop_ns": "skew_ns"}
MOST_OF_OTHER = 0.75
"""... but what goes beyond so much of the other is no likeness of it, whatever the carrier takes (house value)."""
OF_OTHER = 0.7
"""(House value, from MPEG-2 copies of another simulator: 8 ns of scallop where 32 ns of skew is all there is.)"""
MOSTLY_HIDDEN = 0.8
"""A carrier that hides this share of a figure, or more, leaves next to nothing of it: a small one is then no evidence of a small fault."""
SHOWS = 3.0
"""Standard errors from which such a figure is given all the same: what is left of a large fault."""


def of_carrier(codec: str, bits_per_sample: float) -> Doubt:
    """What a file may take away; nothing for codecs that are lossless or not known. ``bits_per_sample``: of the file, for each of its
    samples of luma."""
    shares = next((shares for least, shares in BY_CODEC.get(codec, ()) if bits_per_sample >= least), NONE)
    lost = next((share for least, share in TIMING_LOST.get(codec, ()) if bits_per_sample >= least), 0.0)
    return {**shares, LOST: lost} if lost else shares


def widened(readings: WindowReadings, doubt: Doubt) -> WindowReadings:
    """Error bars of all comparisons between heads, with the share of the figure (``_taken_from``) added in quadrature; and what is lost
    of displacement on average given back.

    A figure of which the share hides most, and that is not clear of nought, is withheld. Of skew and scallop, each has half of that
    share of the other besides: where a carrier takes more of a pass's ends than of its middle, the one is read as the other.
    """
    readings = _given_back(readings, doubt.get(LOST, 0.0))
    update: dict[str, Value | HeadValues | None] = {}
    for name, family in FAMILY.items():
        share, figure = doubt.get(family, 0.0), getattr(readings, name)
        if not share or figure is None:
            continue
        if share >= MOSTLY_HIDDEN and not _shows(figure):
            update[name] = None
            continue
        if isinstance(figure, HeadValues):
            sizes = _taken_from(figure.values)
            triples = zip(figure.values, figure.sigmas, sizes, strict=True)
            sigmas = [None if v is None or s is None else float(np.hypot(s, share * size)) for v, s, size in triples]
            update[name] = HeadValues(values=figure.values, sigmas=sigmas)
        elif figure.value is not None and figure.sigma is not None:
            of_other = OF_OTHER * share * _other(readings, name)
            update[name] = Value(value=figure.value, sigma=float(np.sqrt(figure.sigma**2 + (share * figure.value) ** 2 + of_other**2)))
    return readings.model_copy(update=update)


def _other(readings: WindowReadings, name: str) -> float:
    """Size of the figure that a carrier may make pass for this one, 0 where there is none."""
    other = getattr(readings, MIXED[name]) if name in MIXED else None
    return abs(other.value) if other is not None and other.value is not None else 0.0


def likeness(readings: WindowReadings, name: str, share: float, *, times: float) -> tuple[float, float]:
    """Of ``widened``'s part of the error for the other figure: its size, and what a figure must go beyond to be no likeness of the other,
    so many ``times`` that size."""
    other = _other(readings, name)
    return OF_OTHER * share * other, min(times * OF_OTHER * share, MOST_OF_OTHER) * other


def _given_back(readings: WindowReadings, share: float) -> WindowReadings:
    """Displacement with what is lost of it added, ``MOST_LOST_NS`` at most; errors grow alike."""
    update: dict[str, Value | HeadValues] = {}
    for name in (name for name, family in FAMILY.items() if family == "timing" and share):
        figure = getattr(readings, name)
        if isinstance(figure, HeadValues):
            grown = [(v, s) if v is None or s is None else _grown(v, s, share) for v, s in zip(figure.values, figure.sigmas, strict=True)]
            update[name] = HeadValues(values=[v for v, _ in grown], sigmas=[s for _, s in grown])
        elif figure is not None and figure.value is not None and figure.sigma is not None:
            value, sigma = _grown(figure.value, figure.sigma, share)
            update[name] = Value(value=value, sigma=sigma)
    return readings.model_copy(update=update)


def _grown(value: float, sigma: float, share: float) -> tuple[float, float]:
    by = 1 + min(share, MOST_LOST_NS / max(abs(value), 1e-9))
    return by * value, by * sigma


def _taken_from(values: Sequence[float | None]) -> list[float]:
    """Of each head what the carrier's share is of: its own offset, or the rms of all four where that is more.

    Offsets are against the mean of the four, and blocks mix the lines of neighbouring heads: what is taken from one head's
    offset is missing, with the other sign, in those of the others, though theirs may read next to nothing.
    """
    given = [v for v in values if v is not None]
    together = float(np.sqrt(np.mean(np.square(given)))) if given else 0.0
    return [0.0 if v is None else max(abs(v), together) for v in values]


def _shows(figure: Value | HeadValues) -> bool:
    pairs = zip(figure.values, figure.sigmas, strict=True) if isinstance(figure, HeadValues) else [(figure.value, figure.sigma)]
    return any(v is not None and s is not None and abs(v) > SHOWS * s for v, s in pairs)


def without(sigma: float, value: float, share: float) -> float:
    """A standard error less the share of the figure in it: what tells whether there is anything at all."""
    return float(np.sqrt(max(sigma**2 - (share * value) ** 2, 0.0)))
