"""Where each row falls on the wheel, and how the error of time there enters the stored picture."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from synthetic_clips.deck import NONE, DeckFaults, Relock
from synthetic_clips.rasters import ACTIVE, Lines, Raster

Floats = NDArray[np.float64]
NODE_STEP = 48
"""Errors of time are worked out at columns this far apart and joined by straight lines (curvature: below 0.001 ns)."""
NODE_COLUMNS = np.arange(0, ACTIVE + 1, NODE_STEP, dtype=np.float64)
HALF_PASS_RAD = np.pi / 4
_MEAN_COS = np.sin(HALF_PASS_RAD) / HALF_PASS_RAD


@dataclass(frozen=True, slots=True)
class Wheel:
    """Per frame row: pass index, head, share of the pass already scanned at 0H of the line, and the ends of bands."""

    passes: NDArray[np.int64]
    heads: NDArray[np.int64]
    start: Floats
    first_line: NDArray[np.bool_]
    last_line: NDArray[np.bool_]


def wheel_rows(raster: Raster, wheel: Relock) -> Wheel:
    """Pass k covers ``phase + k P <= row/2 < phase + (k+1) P``: switching waits for the blanking, so rows are whole."""
    period = raster.lines.lines_per_pass
    position = (np.arange(raster.height) / 2 - wheel.phase_lines) / period
    passes = np.floor(position + 1e-9).astype(np.int64)
    before = np.floor(position - 1 / period + 1e-9).astype(np.int64)
    after = np.floor(position + 1 / period + 1e-9).astype(np.int64)
    return Wheel(passes, (passes + wheel.head_offset) % 4, position - passes, before != passes, after != passes)


def pass_error_ns(faults: DeckFaults, heads: NDArray[np.int64], scanned: Floats) -> Floats:
    """t(theta): the error as it comes off the tape. ``scanned`` is the share of the pass, 0 to 1 (a little beyond
    at the end).

    Skew enters as sin(theta), scallop as -cos(theta) (mean over the pass taken out), quadrature as a constant of
    the head. Shapes of ``heads`` and ``scanned`` broadcast.
    """
    theta = (scanned - 0.5) * 2 * HALF_PASS_RAD
    skew = faults.skew_ns + np.asarray(faults.head_skew_ns)[heads]
    quadrature = np.asarray(faults.quadrature_ns)[heads]
    ramp = skew / (2 * np.sin(HALF_PASS_RAD)) * np.sin(theta)
    arc = faults.scallop_ns / (1 - np.cos(HALF_PASS_RAD)) * (_MEAN_COS - np.cos(theta))
    return np.asarray(ramp + arc + quadrature)


@dataclass(frozen=True, slots=True)
class TimeError:
    """Both (rows, nodes): displacement of the picture, and the time by which colour is late against its burst, ns."""

    displacement_ns: Floats
    hue_time_ns: Floats


def time_error(faults: DeckFaults, wheel: Wheel, lines: Lines, *, field_lines: Floats) -> TimeError:
    """What the corrector of ``faults.regime`` leaves. ``field_lines`` (rows,) counts from the top of the picture,
    for top skew."""
    period, total = lines.lines_per_pass, lines.samples_per_line
    heads, start = wheel.heads[:, None], wheel.start[:, None]

    def off_tape(samples_after_0h: Floats | float) -> Floats:
        return pass_error_ns(faults, heads, start + np.asarray(samples_after_0h) / total / period)

    columns = NODE_COLUMNS + lines.active_start
    error = off_tape(columns)
    burst = off_tape(lines.burst_centre)
    reference = lines.burst_centre if faults.reference == "burst" else 0.0
    corrected, turned = error, error - burst
    if faults.regime != "uncorrected":
        at_start = burst if faults.reference == "burst" else off_tape(0.0)
        corrected = error - at_start
        if faults.regime == "velocity-corrected":
            # the head itself goes on to the next line start: a corrector that looked at the next head would step there
            slope = (off_tape(reference + total) - at_start) / total
            if faults.last_line_uncorrected:
                slope = np.where(wheel.last_line[:, None], 0.0, slope)
            corrected = corrected - slope * (columns - reference)
            turned = turned - slope * (columns - lines.burst_centre)
        corrected = corrected + faults.residual * (error - corrected)
        turned = turned + faults.residual * (error - burst - turned)
    hook = faults.top_skew_ns * np.exp(-np.maximum(field_lines, 0) / max(faults.top_decay_lines, 1e-3))
    return TimeError(corrected + hook[:, None], turned)


def velocity_error_ns(faults: DeckFaults, lines: Lines) -> float:
    """Peak to peak within a pass (mean of the heads) of the error that grew from the burst to the end of the line,
    ns."""
    start = np.linspace(0, 1, 101)
    steady = np.array([0])
    wheel = Wheel(steady, np.zeros(1, np.int64), start, np.zeros(101, np.bool_), np.zeros(101, np.bool_))
    mean = replace(faults, head_skew_ns=(float(np.mean(faults.head_skew_ns)),) * 4, quadrature_ns=NONE)
    late = time_error(mean, wheel, lines, field_lines=np.zeros(101)).hue_time_ns[:, -1]
    return float(np.ptp(late))
