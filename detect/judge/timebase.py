"""Skew, scallop and quadrature from the jumps of displacement, of its growth along the line, and of hue along the line.

The model is t(theta, head) = e_head + skew sin(theta)/sqrt 2 - scallop cos(theta)/(1 - 1/sqrt 2), theta from -45 to +45 degrees
through a pass and through every line. In uncorrected material a line shows t itself; after a line corrector it shows t less its
value at the line's burst. The same operator that made the rows is applied to the model, at the rows' own places.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from detect.judge.rows import INDEX, Rows
from detect.judge.wheel import EDGE_ROWS, View, WheelFit
from detect.standards import ACTIVE_SAMPLES, HEADS, PASS_ANGLE_DEG, Standard

F64 = NDArray[np.float64]
Regime = Literal["uncorrected", "line-corrected", "undetermined"]

BURST_CENTRE_SAMPLES = {"525": 88, "625": 92}
"""Middle of the colour burst, luma samples after 0H: 5.3 us + 1.26 us (525), 5.6 us + 1.13 us (625) (BT.1700; from memory)."""
SIGMA_SCALE = 1.3
"""Standard errors of jumps times this: content errs alike at several boundaries (measured against truth, docs/accuracy.md)."""
GAIN_ERROR = 0.02
"""Share of a jump that its gain may err by from one content to another (measured: 0.99 to 1.05)."""
LEAST_CLEAR_NS = 2.0
"""Added to the error of a scallop before it is believed to be what a line corrector leaves (content of one film: 5 ns)."""
SILENT_HUE_NS = 5.0
"""Standard error given to a scallop that hue along the line does not show; a sixth of what is first flagged."""
UNCORRECTED_GAIN = 23.0
"""Chi-square that four more unknowns must win, in units of what is left per spare datum, before a picture is called uncorrected: an F of
5.7, a chance of about 2 %."""
MOST_SCALE = 3.0
"""Errors are widened by no more than this where the model leaves more than they allow."""
SIGNIFICANT = 4.0
"""Standard errors beyond which a regime or a hue reading is believed; four heads and two models leave a chance below 1 in 1000."""


@dataclass(frozen=True, slots=True)
class TimeBaseFit:
    """Figures in ns with standard errors; NaN where the picture cannot tell. ``quadrature_ns`` has mean zero."""

    regime: Regime
    skew_ns: float
    skew_sigma_ns: float
    scallop_ns: float
    scallop_sigma_ns: float
    quadrature_ns: F64
    quadrature_sigma_ns: F64
    velocity_ns: float
    velocity_sigma_ns: float


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
    """What unit skew and unit scallop read in the jumps of each boundary type: (4, 2) each, and with the burst taken away."""

    shift: F64
    shift_corrected: F64
    growth: F64


def timing_design(rows: Rows, view: View, standard: Standard, phase: float) -> TimingDesign:
    period = float(standard.lines_per_pass)
    centre = line_fraction(standard, ACTIVE_SAMPLES / 2)
    ends = [line_fraction(standard, x) for x in (0, ACTIVE_SAMPLES)]
    burst = BURST_CENTRE_SAMPLES[standard.short_name] / standard.samples_per_line
    out = np.zeros((3, HEADS, 2))
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
            at = {f: shape(theta(standard, phase, lines.astype(float), f)) for f in (centre, burst, *ends)}
            for m, t in enumerate((at[centre], at[centre] - at[burst], at[ends[1]] - at[ends[0]])):
                jump = 1.5 * ((t[2] - t[1]) - (t[3] - t[0]) / 3)
                out[m, j, s] = np.average(jump, weights=weight)
    return TimingDesign(out[0], out[1], out[2])


_STEP = np.roll(np.eye(HEADS), 1, axis=1) - np.eye(HEADS)
"""Jumps (4) from head offsets (4): type j is head j + 1 less head j."""


def head_offsets(jumps: F64, sigma: F64, *, common: bool = True) -> tuple[F64, F64]:
    """Offsets of the four heads, mean zero, and their standard errors, from the jumps at the four boundary types.

    ``common`` lets one jump be common to all boundaries (a saw-tooth within each pass) and takes no part of it. Types that were not
    seen have infinite sigma. NaN where the heads cannot be told.
    """
    seen = np.isfinite(sigma) & (sigma > 0)
    design = np.vstack([_STEP, np.ones((1, HEADS))])
    if common:
        design = np.hstack([design, np.vstack([np.ones((HEADS, 1)), [[0.0]]])])
    weight = np.append(np.where(seen, 1 / np.where(seen, sigma, 1.0), 0.0), 1e6 / np.median(sigma[seen]) if seen.any() else 1.0)
    normal = (design * weight[:, None]).T @ (design * weight[:, None])
    if np.linalg.matrix_rank(normal / np.abs(normal).max(), tol=1e-13) < design.shape[1]:
        return np.full(HEADS, np.nan), np.full(HEADS, np.nan)
    cov = np.linalg.inv(normal)
    value = cov @ ((design * weight[:, None]).T @ (np.append(np.where(seen, jumps, 0.0), 0.0) * weight))
    return value[:HEADS], np.sqrt(np.diag(cov)[:HEADS])


def _least_squares(design: F64, data: F64, sigma: F64) -> tuple[F64, F64, float]:
    """Weighted least squares: values, covariance, chi-square. Rows of infinite sigma are left out."""
    good = np.isfinite(sigma) & (sigma > 0)
    d, y, w = design[good], data[good], 1 / sigma[good]
    cov = np.linalg.pinv((d * w[:, None]).T @ (d * w[:, None]))
    value = cov @ ((d * w[:, None]).T @ (y * w))
    return value, np.asarray(cov, np.float64), float(np.sum(((y - d @ value) * w) ** 2))


def fit_time_base(rows: Rows, view: View, standard: Standard, fit: WheelFit) -> TimeBaseFit:
    """Fit both regimes and say which explains the jumps; NaN for what the regime hides."""
    design = timing_design(rows, view, standard, fit.phase_lines)
    shift, ramp, hue_ramp = (fit.jumps[INDEX[k]] for k in ("shift", "ramp", "hue_ramp"))
    s_shift, s_ramp, s_hue = (fit.jump_sigma[INDEX[k]] for k in ("shift", "ramp", "hue_ramp"))
    hue_per_ns = -standard.subcarrier_deg_per_ns
    growth = design.growth[:, 1:]
    # hue along the line is believed where it speaks and agrees with the displacement's own growth; 625 decoders average it away
    c_ramp, v_ramp, _ = _least_squares(growth, ramp, s_ramp)
    c_hue, v_hue, _ = _least_squares(growth * hue_per_ns, hue_ramp, s_hue)
    use_hue = (
        standard.short_name == "525"
        and np.isfinite(s_hue).any()
        and abs(c_hue[0]) > SIGNIFICANT * np.sqrt(v_hue[0, 0])
        and abs(c_hue[0] - c_ramp[0]) < SIGNIFICANT * np.sqrt(v_ramp[0, 0] + v_hue[0, 0])
    )
    s_hue_used = s_hue if use_hue else np.full(HEADS, np.inf)
    if not use_hue and standard.short_name == "525" and abs(c_hue[0] - c_ramp[0]) < SIGNIFICANT * np.sqrt(v_ramp[0, 0] + v_hue[0, 0]):
        # silent hue speaks for a small scallop, but a decoder may have silenced it: it is given a wide error bar
        s_hue_used = np.hypot(s_hue, SILENT_HUE_NS * np.abs(growth[:, 0] * hue_per_ns))
    data, sigma = np.concatenate([shift, ramp, hue_ramp]), np.concatenate([s_shift, s_ramp, s_hue_used])
    # unknowns: e_B, e_C, e_D against A (three), skew, scallop
    heads = _STEP[:, 1:]
    zero = np.zeros((HEADS, 3))
    free = np.vstack([
        np.hstack([heads, design.shift]),
        np.hstack([zero, design.growth]),
        np.hstack([zero, design.growth * hue_per_ns]),
    ])
    corrected = np.vstack([design.shift_corrected[:, 1:], growth, growth * hue_per_ns])
    sigma = np.hypot(SIGMA_SCALE * sigma, GAIN_ERROR * np.abs(data))
    value, cov, _ = _scaled(free, data, sigma)
    c_value, c_cov, _ = _scaled(corrected, data, sigma)
    # the regimes are compared with hue along the line always: a line-corrected scallop could not hide from it in 525 lines
    s_hue_seen = s_hue if standard.short_name == "525" else np.full(HEADS, np.inf)
    all_sigma = np.hypot(SIGMA_SCALE * np.concatenate([s_shift, s_ramp, s_hue_seen]), GAIN_ERROR * np.abs(data))
    chi_free = _least_squares(free, data, all_sigma)[2]
    chi_corrected = _least_squares(corrected, data, all_sigma)[2]
    offsets = np.concatenate([[0.0], value[:3]])
    mean_out = np.eye(HEADS) - 1.0 / HEADS
    offset_cov = np.zeros((HEADS, HEADS))
    offset_cov[1:, 1:] = cov[:3, :3]
    offset_cov = mean_out @ offset_cov @ mean_out
    velocity = float(np.ptp(_growth_in_pass(standard)))
    nan4 = np.full(HEADS, np.nan)
    spare = int(np.isfinite(all_sigma).sum()) - free.shape[1]
    if chi_corrected - chi_free > UNCORRECTED_GAIN * max(1.0, chi_free / max(spare, 1)):
        return TimeBaseFit(
            "uncorrected", float(value[3]), float(np.sqrt(cov[3, 3])), float(value[4]), float(np.sqrt(cov[4, 4])),
            mean_out @ offsets, np.sqrt(np.diag(offset_cov)), abs(float(value[4])) * velocity, float(np.sqrt(cov[4, 4])) * velocity,
        )  # fmt: skip
    c_sigma = float(np.sqrt(c_cov[0, 0]))
    if abs(c_value[0]) > SIGNIFICANT * np.hypot(c_sigma, LEAST_CLEAR_NS):
        return TimeBaseFit(
            "line-corrected", np.nan, np.nan, float(c_value[0]), c_sigma, nan4, nan4,
            abs(float(c_value[0])) * velocity, c_sigma * velocity,
        )  # fmt: skip
    return TimeBaseFit("undetermined", np.nan, np.nan, np.nan, np.nan, nan4, nan4, abs(float(c_value[0])) * velocity, c_sigma * velocity)


def _scaled(design: F64, data: F64, sigma: F64) -> tuple[F64, F64, float]:
    """Least squares whose covariance is widened where the data scatter by more than their errors (Birge ratio)."""
    value, cov, chi = _least_squares(design, data, sigma)
    spare = int((np.isfinite(sigma) & (sigma > 0)).sum()) - design.shape[1]
    scale = min(max(1.0, chi / spare), MOST_SCALE**2) if spare > 0 else 1.0
    return value, cov * scale, chi


def _growth_in_pass(standard: Standard) -> F64:
    """Growth of a unit scallop from the start of the line to its right end, at the lines of one pass."""
    rows = 2.0 * np.arange(int(standard.lines_per_pass), dtype=np.float64)
    right = line_fraction(standard, ACTIVE_SAMPLES)
    return np.asarray(np.subtract(scallop_shape(theta(standard, 0.0, rows, right)), scallop_shape(theta(standard, 0.0, rows, 0.0))))


def displacement_rows(
    standard: Standard, *, phase: float, height: int, skew_ns: float, scallop_ns: float, quadrature_ns: F64
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What an uncorrected picture is displaced by: ns at column 0 of every frame row, and its growth to the right end; (rows,)."""
    rows = np.arange(height, dtype=np.float64)
    head = np.floor((rows / 2 - phase) / float(standard.lines_per_pass) + 1e-9).astype(int) % HEADS
    ends = []
    for sample in (0, ACTIVE_SAMPLES):
        angle = theta(standard, phase, rows, line_fraction(standard, sample))
        arc = scallop_shape(angle) - scallop_shape(np.zeros(1)) + 1 / np.sqrt(2)  # about zero in the middle of its swing
        ends.append(skew_ns * skew_shape(angle) + scallop_ns * arc + np.asarray(quadrature_ns)[head])
    return ends[0].astype(np.float32), (ends[1] - ends[0]).astype(np.float32)
