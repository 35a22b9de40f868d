"""Geometry of the time-base error: the angle at every place of every line, and what skew and scallop are there.

t(theta, head) = e_head + skew sin(theta)/sqrt 2 - scallop cos(theta)/(1 - 1/sqrt 2), theta from -45 to +45 degrees through a pass
and through every line. In uncorrected material a line shows t itself; after a line corrector it shows t less its value at the
line's burst.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detect.judge.rows import INDEX, Rows
from detect.judge.wheel import EDGE_ROWS, View
from detect.standards import ACTIVE_SAMPLES, HEADS, PASS_ANGLE_DEG, Standard

F64 = NDArray[np.float64]

BURST_CENTRE_SAMPLES = {"525": 88, "625": 92}
"""Middle of the colour burst, luma samples after 0H: 5.3 us + 1.26 us (525), 5.6 us + 1.13 us (625) (BT.1700; from memory)."""

WHOLE_LINES_AT = 0.25
"""Where in a line the displacement is that all of it has, by a player that keeps a clock through each line: as much later as its start and
earlier than its middle, since nothing in the picture tells. What a scallop makes of skew by as much is in its error (``figures``)."""


def theta(standard: Standard, phase: float, row: F64, fraction: float) -> F64:
    """Angle in radians at a fraction of the line after 0H; the head is the one that scanned the line's start."""
    period = float(standard.lines_per_pass)
    place = row / 2.0 - phase
    k = np.floor(place / period + 1e-9)
    return np.asarray(np.radians(((place + fraction) / period - k) * PASS_ANGLE_DEG - PASS_ANGLE_DEG / 2))


def skew_shape(angle: F64) -> F64:
    return np.asarray(np.sin(angle) / np.sqrt(2))


def scallop_shape(angle: F64) -> F64:
    return np.asarray(-np.cos(angle) / (1 - np.sqrt(0.5)))


def line_fraction(standard: Standard, active_sample: float) -> float:
    return (standard.active_start_sample + active_sample) / standard.samples_per_line


@dataclass(frozen=True, slots=True)
class TimingDesign:
    """What unit skew and unit scallop read in the jumps of each boundary type: (4, 2) each, with the burst taken away, and where whole
    lines are displaced by what the error is ``WHOLE_LINES_AT``."""

    shift: F64
    shift_corrected: F64
    growth: F64
    shift_whole: F64


def timing_design(rows: Rows, view: View, standard: Standard, phase: float) -> TimingDesign:
    period = float(standard.lines_per_pass)
    centre = line_fraction(standard, ACTIVE_SAMPLES / 2)
    ends = [line_fraction(standard, x) for x in (0, ACTIVE_SAMPLES)]
    burst = BURST_CENTRE_SAMPLES[standard.short_name] / standard.samples_per_line
    out = np.zeros((4, HEADS, 2))
    for j in range(HEADS):
        cs = [
            int(np.ceil(2 * (phase + k * period) - 1e-9))
            for k in range(int(view.bottom / 2 / period) + 2)
            if (k - 1) % HEADS == j
        ]
        pairs = np.array(
            [r for c in cs for r in (c - 2, c - 1) if view.top + EDGE_ROWS <= r < view.bottom - EDGE_ROWS - 2], dtype=np.int64
        )
        if pairs.size == 0:
            continue
        weight = rows.weight[INDEX["shift"]][pairs]
        weight = weight if weight.sum() > 0 else np.ones(len(pairs))
        lines = pairs[None, :] + 2 * np.arange(-1, 3)[:, None]
        for s, shape in enumerate((skew_shape, scallop_shape)):
            at = {f: shape(theta(standard, phase, lines.astype(float), f)) for f in (WHOLE_LINES_AT, centre, burst, *ends)}
            for m, t in enumerate((at[centre], at[centre] - at[burst], at[ends[1]] - at[ends[0]], at[WHOLE_LINES_AT])):
                jump = 1.5 * ((t[2] - t[1]) - (t[3] - t[0]) / 3)
                out[m, j, s] = np.average(jump, weights=weight)
    return TimingDesign(out[0], out[1], out[2], out[3])


def skew_of_scallop(standard: Standard, phase_lines: float) -> float:
    """Skew that a unit scallop poses as where the phase is off by so many lines: cos(theta + d) is cos(theta) - d sin(theta)."""
    turn = np.radians(PASS_ANGLE_DEG) * phase_lines / float(standard.lines_per_pass)
    return float(turn * np.sqrt(2) / (1 - np.sqrt(0.5)))


def growth_in_pass(standard: Standard) -> F64:
    """Growth of a unit scallop from the start of the line to its right end, at the lines of one pass."""
    rows = 2.0 * np.arange(int(standard.lines_per_pass), dtype=np.float64)
    right = line_fraction(standard, ACTIVE_SAMPLES)
    return np.asarray(np.subtract(scallop_shape(theta(standard, 0.0, rows, right)), scallop_shape(theta(standard, 0.0, rows, 0.0))))


def displacement_rows(
    standard: Standard, *, phase: float, height: int, skew_ns: float, scallop_ns: float, quadrature_ns: F64, whole_lines: bool = False
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What an uncorrected picture is displaced by: ns at column 0 of every frame row, and its growth to the right end; (rows,).

    ``whole_lines``: nothing grows along the lines.
    """
    rows = np.arange(height, dtype=np.float64)
    head = np.floor((rows / 2 - phase) / float(standard.lines_per_pass) + 1e-9).astype(int) % HEADS
    ends = []
    for fraction in [WHOLE_LINES_AT] * 2 if whole_lines else [line_fraction(standard, x) for x in (0, ACTIVE_SAMPLES)]:
        angle = theta(standard, phase, rows, fraction)
        arc = scallop_shape(angle) - scallop_shape(np.zeros(1)) + 1 / np.sqrt(2)  # about zero in the middle of its swing
        ends.append(skew_ns * skew_shape(angle) + scallop_ns * arc + np.asarray(quadrature_ns)[head])
    return ends[0].astype(np.float32), (ends[1] - ends[0]).astype(np.float32)
