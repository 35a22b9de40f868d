"""Absolute noise, and the pass seen from start to end: figures that need no comparison between heads."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.findings import AbsoluteNoise, PassView
from detect.judge.rows import INDEX, Rows
from detect.judge.timebase import TimeBaseFit, line_fraction, scallop_shape, skew_shape, theta
from detect.judge.wheel import EDGE_ROWS, View, WheelFit
from detect.readings import Readings
from detect.standards import ACTIVE_SAMPLES, HEADS, PASS_ANGLE_DEG, Standard, pass_of_rows

F64 = NDArray[np.float64]

POSITIONS = 16
_LOG_BIAS = 0.12
"""Mean of the logarithm of a cell's energy lies this much below the logarithm of its mean: 1/d for d of about 8 degrees of freedom."""


def absolute_noise(
    readings: Readings, chosen: NDArray[np.bool_], view: View, standard: Standard, phase: float | None
) -> AbsoluteNoise | None:
    """Luminance signal to noise, dB: 100 IRE over the rms of the quietest cells; and by place in the pass where it is known."""
    num = den = None
    first = 0
    for chunk in readings.chunks():
        mask = chosen[first : first + len(chunk.frames)]
        first += len(chunk.frames)
        sums = chunk.sums["noise_log"]
        w = sums.weight[mask].sum(axis=0, dtype=np.float64)[:, 0]
        r = (sums.weight[mask] * sums.ratio[mask]).sum(axis=0, dtype=np.float64)[:, 0]
        num, den = (r, w) if num is None or den is None else (num + r, den + w)
    if num is None or den is None:
        return None
    rows = np.arange(len(num))
    good = (den > 0) & (rows >= view.top + EDGE_ROWS) & (rows < view.bottom - EDGE_ROWS)
    if not good.any():
        return None
    log = np.divide(num, den, out=np.zeros_like(num), where=den > 0)
    snr = 10 * np.log10(1e4) - 10 / np.log(10) * (log + _LOG_BIAS)
    by_place: list[float | None] = [None] * POSITIONS
    if phase is not None:
        period = float(standard.lines_per_pass)
        place = ((rows / 2 - phase) / period - pass_of_rows(standard, phase, rows)) * POSITIONS
        for k in range(POSITIONS):
            here = good & (place.astype(int) == k)
            if here.any():
                by_place[k] = float(np.median(snr[here]))
    return AbsoluteNoise(value=float(np.average(snr[good], weights=den[good])), by_pass_position=by_place)


def pass_view(rows: Rows, view: View, standard: Standard, fit: WheelFit, timing: TimeBaseFit) -> PassView | None:
    """Displacement against angle, per head: each pass's rows added up from its first pair, set level with the fit.

    None where the regime is not "uncorrected": line-corrected pictures show no t(theta).
    """
    if timing.regime != "uncorrected":
        return None
    k = INDEX["shift"]
    angle = (np.arange(POSITIONS) + 0.5) / POSITIONS * PASS_ANGLE_DEG - PASS_ANGLE_DEG / 2
    radians = np.radians(angle)
    curve = timing.skew_ns * skew_shape(radians) + timing.scallop_ns * (scallop_shape(radians) - scallop_shape(radians).mean())
    fitted = [(curve + timing.quadrature_ns[h]).tolist() for h in range(HEADS)]
    index = np.arange(rows.height)
    inner = (index >= view.top + EDGE_ROWS) & (index < view.bottom - EDGE_ROWS) & (rows.weight[k] > 0)
    at = np.degrees(theta(standard, fit.phase_lines, index.astype(float), line_fraction(standard, ACTIVE_SAMPLES / 2)))
    passes = pass_of_rows(standard, fit.phase_lines, index)
    inside = inner & (passes == pass_of_rows(standard, fit.phase_lines, index + 6)) & (
        passes == pass_of_rows(standard, fit.phase_lines, index - 2)
    )
    measured: list[list[float | None]] = []
    sigma: list[list[float | None]] = []
    for h in range(HEADS):
        values: list[float | None] = []
        errors: list[float | None] = []
        for j in range(POSITIONS):
            here = inside & (passes % HEADS == h) & (np.abs(at - angle[j]) <= PASS_ANGLE_DEG / POSITIONS / 2)
            weight = rows.weight[k][here]
            if weight.sum() > 0:
                values.append(float(np.average(rows.ratio[k][here], weights=weight) + fitted[h][j]))
                errors.append(float(np.sqrt(fit.variance[k] / weight.sum())))
            else:
                values.append(None)
                errors.append(None)
        measured.append(values)
        sigma.append(errors)
    return PassView(angle_deg=angle.tolist(), measured_ns=measured, sigma_ns=sigma, fitted_ns=fitted)
