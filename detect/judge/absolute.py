"""Absolute noise, and the pass seen from start to end: figures that need no comparison between heads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detect.findings import AbsoluteNoise, PassView
from detect.judge.rows import INDEX, Rows
from detect.judge.time_geometry import line_fraction, scallop_shape, skew_shape, theta
from detect.judge.timebase import TimeBaseFit
from detect.judge.wheel import EDGE_ROWS, View, WheelFit
from detect.readings import Readings
from detect.standards import ACTIVE_SAMPLES, HEADS, PASS_ANGLE_DEG, Standard, pass_of_rows

F64 = NDArray[np.float64]

POSITIONS = 16
_LOG_BIAS = 0.12
"""Mean of the logarithm of a cell's energy lies this much below the logarithm of its mean: 1/d for d of about 8 degrees of freedom."""


STEADY_DB = 1.0
"""Noise of a tape is the same in every shot, picture content is not: shots must agree within this for noise to be believed."""
LEAST_SHOTS = 3
SHOTS_DIFFER = 0.15
"""Share of a difference in noise that content hides where shots do not agree on the noise (measured: 0 to 0.2)."""
GOOD_TAPE_DB = 43.0
"""Luminance signal to noise of a good tape (common practice, no single source)."""


@dataclass(frozen=True, slots=True)
class NoiseFigure:
    """The published figure, whether the quieter half of the shots agree on it, how many shots there are, and how many agree.

    Two of three shots agree by chance now and then; a finding asks for ``LEAST_SHOTS`` that do.
    """

    published: AbsoluteNoise
    steady: bool
    shots: int
    agreeing: int

    @property
    def sure(self) -> bool:
        return self.steady and self.agreeing >= LEAST_SHOTS

    @property
    def hidden(self) -> float:
        """Share of a difference between heads that content may hide.

        Content that reads as noise with c times the noise's power hides c / (1 + c) of it. Shots that agree leave none; several that
        do not have their quietest; a single one may be all content above what a good tape has.
        """
        if self.steady:
            return 0.0
        if self.shots > 1:
            return SHOTS_DIFFER
        return max(SHOTS_DIFFER, 10 ** ((GOOD_TAPE_DB - (self.published.value or 0.0)) / 10) - 1)


def absolute_noise(
    readings: Readings, chosen: NDArray[np.bool_], view: View, standard: Standard, phase: float | None
) -> NoiseFigure | None:
    """Luminance signal to noise, dB: 100 IRE over the rms of the quietest cells; and by place in the pass where it is known.

    The figure is that of the quieter half of the shots: what is common to all cannot be more than that.
    """
    shots: dict[int, tuple[F64, F64]] = {}
    first = 0
    for chunk in readings.chunks():
        sums = chunk.sums["noise_log"]
        for w in np.flatnonzero(chosen[first : first + len(chunk.frames)]):
            shot = int(np.searchsorted(readings.cuts, chunk.start_frame[w], side="right"))
            weight = sums.weight[w, :, 0].astype(np.float64)
            part = (weight * sums.ratio[w, :, 0], weight)
            old = shots.get(shot)
            shots[shot] = part if old is None else (old[0] + part[0], old[1] + part[1])
        first += len(chunk.frames)
    snr = {k: _row_snr(*v, view=view) for k, v in shots.items()}
    level = {k: float(np.nanmedian(v)) for k, v in snr.items() if np.isfinite(v).any()}
    if not level:
        return None
    order = sorted(level, key=lambda k: -level[k])
    quiet = order[: max(1, -(-len(order) // 2))]
    values = np.array([level[k] for k in quiet])
    num, den = (np.sum([shots[k][i] for k in quiet], axis=0) for i in (0, 1))
    rows_snr = _row_snr(num, den, view=view)
    by_place: list[float | None] = [None] * POSITIONS
    if phase is not None:
        rows = np.arange(len(num))
        period = float(standard.lines_per_pass)
        place = ((rows / 2 - phase) / period - pass_of_rows(standard, phase, rows)) * POSITIONS
        for k in range(POSITIONS):
            here = rows_snr[(place.astype(int) == k) & np.isfinite(rows_snr)]
            if here.size:
                by_place[k] = float(np.median(here))
    published = AbsoluteNoise(value=float(np.median(values)), by_pass_position=by_place)
    steady = len(level) >= LEAST_SHOTS and len(values) >= 2 and float(np.ptp(values)) <= STEADY_DB
    agreeing = sum(v > values.max() - STEADY_DB for v in level.values())
    return NoiseFigure(published, steady=steady, shots=len(level), agreeing=agreeing)


def _row_snr(num: F64, den: F64, *, view: View) -> F64:
    """Signal to noise of each row, dB; NaN where nothing was seen."""
    rows = np.arange(len(num))
    good = (den > 0) & (rows >= view.top + EDGE_ROWS) & (rows < view.bottom - EDGE_ROWS)
    log = np.divide(num, den, out=np.zeros_like(num), where=den > 0)
    return np.where(good, 40.0 - 10 / np.log(10) * (log + _LOG_BIAS), np.nan)


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
