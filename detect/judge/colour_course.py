"""How a head's hue or saturation goes with brightness and along the line, which tells one cause from another.

Burst and picture pass the same head, so that a constant phase error cancels in the decoder. What is left grows with brightness
(differential phase: ``hue_luma``), or along the line (velocity error of that head: ``hue_ramp``), or is alike everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detect.findings import FindingKind, HeadValues
from detect.judge.head_fit import HeadTerms, fit_heads
from detect.judge.row_bases import TimingModel, timing_readings
from detect.judge.stretch import Pooled
from detect.judge.wheel import View
from detect.standards import HEADS, Standard

F64 = NDArray[np.float64]

COLOUR_KINDS = frozenset({"saturation_banding", "hue_banding"})
CLEAR = 3.0
"""Standard errors from which one course is believed and another ruled out (a chance of 1 in 370)."""
BRIGHT = 0.8
"""Mean brightness, in parts of white, of the colour of a bright picture: an offset that were all due to brightness would come to that
much of the slope at the most (house value; four simulated tapes of varied pictures: 0.3 to 0.6)."""
OF_RAMP = 0.5
"""Share of what grows along the line from the burst on that mid-line shows (geometry)."""


@dataclass(frozen=True, slots=True)
class Course:
    """Slope of one head's offset against the mean of the four, from black to white; NaN where it was not measured."""

    slope: float
    sigma: float
    words: frozenset[str]
    """``with_brightness``, ``along_line`` (each only where it may make half of the offset), ``alike`` (neither, where both would be
    seen) or ``not_told``."""


def course_of(kind: FindingKind, head: int, values: F64, sigma: float, pooled: Pooled, view: View, standard: Standard) -> Course:
    """Of a finding of ``hue_banding`` or ``saturation_banding``: what the head (0 to 3) does besides.

    ``values`` (4,): by how much the heads are off; ``sigma``: the head's. A head is held against the middle ones of the four: one that
    is far off would move their mean, and make all others look off the other way.
    """
    of_hue = kind == "hue_banding"
    value = float(values[head] - np.median(values))
    slopes, sigmas = _of_heads(pooled.readings.differential_phase_deg if of_hue else pooled.readings.differential_gain_pct)
    slope, slope_sigma = float(slopes[head] - np.median(slopes)), float(sigmas[head])
    words = set()
    if abs(slope) > CLEAR * slope_sigma and slope * value > 0 and BRIGHT * abs(slope) > abs(value) / 2:
        words.add("with_brightness")
    if of_hue:
        ramp, ramp_sigma = _hue_ramp(head, pooled, view, standard)
        if abs(ramp) > CLEAR * ramp_sigma and ramp * value > 0 and OF_RAMP * abs(ramp) > abs(value) / 2:
            words.add("along_line")
        if not words and _ruled_out(value / BRIGHT, slope, sigma / BRIGHT, slope_sigma) and _ruled_out(value, ramp, sigma, ramp_sigma):
            words.add("alike")
    return Course(float(slopes[head]), slope_sigma, frozenset(words or {"not_told"}))


def _ruled_out(due: float, seen: float, *sigmas: float) -> bool:
    """Whether a slope falls clearly short of the least that would make all of the offset; never where it was not measured."""
    return bool((due - seen) * np.sign(due) > CLEAR * np.sqrt(np.sum(np.square(sigmas))))


def _of_heads(figure: HeadValues | None) -> tuple[F64, F64]:
    """Values and standard errors, (4,) each; NaN where nothing was measured."""
    none = [None] * HEADS
    values, sigmas = (none, none) if figure is None else (figure.values, figure.sigmas)
    return np.array(values, float), np.array(sigmas, float)


def _hue_ramp(head: int, pooled: Pooled, view: View, standard: Standard) -> tuple[float, float]:
    """Growth of one head's hue from left to right against the middle ones', what skew and scallop make of it taken off; degrees."""
    timing, phase = pooled.timing, pooled.fit.phase_lines
    model: TimingModel = "whole_lines" if timing.whole_lines else "uncorrected" if timing.regime == "uncorrected" else "corrected"
    common = np.nan_to_num(np.array([timing.skew_ns, timing.scallop_ns]))
    known = timing_readings(standard, view, "hue_ramp", phase).of(model)[:, 3:] @ common
    heads = fit_heads(pooled.rows, view, standard, "hue_ramp", phase, HeadTerms(common=True, known=known))
    return (np.nan, np.nan) if heads is None else (float(heads.value[head] - np.median(heads.value)), float(heads.sigma[head]))
