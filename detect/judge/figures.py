"""From a wheel fit to the published readings of one stretch, with error bars that own up to what the fit does not know."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from detect.findings import HeadValues, ResponseCurve, Value, WindowReadings
from detect.judge.doubt import NONE, Doubt, widened
from detect.judge.regimes import fit_regimes
from detect.judge.rows import INDEX, Rows
from detect.judge.time_geometry import timing_design
from detect.judge.timebase import TimeBaseFit, fit_windows, head_offsets
from detect.judge.wheel import View, WheelFit
from detect.measure.relations import RESPONSE_MHZ
from detect.standards import HEADS, Standard

F64 = NDArray[np.float64]

SYSTEMATIC = {"saturation": 0.008, "hue": 0.03, "level": 0.017, "noise": 0.07, "response": 0.12}
"""Share of a figure that content may bias it by (measured against truth over varied content, docs/accuracy.md)."""
LARGE_SATURATION = 0.05
"""... and of a saturation besides, for each 100 % of it: between lines so unlike the logarithm of the ratio saturates."""
NOISE_OF_RESPONSE = 0.2
"""Share of a head's response that its noise figure may owe to it: detail that passes for noise grows with response (same source)."""
HEADS_SCALE = {"saturation": 1.0, "hue": 1.1, "level": 1.15, "noise": 1.0, "response": 1.05}
"""Standard errors of jumps times this: content errs alike at several boundaries (same source)."""
FLOOR = {"saturation": 0.035, "hue": 0.045, "level": 0.009, "noise": 0.045, "response": 0.06}
"""Standard error below which nothing is claimed: %, degrees, IRE, dB, dB (same source)."""

MOST_LOG_GAIN = 1.2
"""Gains of 3.3 and more are not believed when hue is corrected for them."""
SCALLOP_FLOOR_NS = {"525": 0.6, "625": 1.5}
"""Standard error below which no scallop is claimed; in 625 there is no hue along the line to read it from (same source)."""
SKEW_FLOOR_NS = 0.8
"""The same for skew."""
VELOCITY_FLOOR_NS, VELOCITY_OF_SKEW = 0.3, 0.015
"""The same for velocity error, and the share of the skew that goes into it within a line, which is not told apart."""
BOW_ERROR = 0.025
"""Share of a scallop or velocity error that content may bias it by (same source)."""
HUE_DEG_PER_NS = 0.006
"""Error of a head's hue for each ns of velocity error, whose own turn of hue, two hundred times as large, is taken off (same source)."""


@dataclass(frozen=True, slots=True)
class Offsets:
    """Four head offsets, mean zero, and their standard errors."""

    value: F64
    sigma: F64

    def published(self) -> HeadValues | None:
        if not np.isfinite(self.value).all():
            return None
        return HeadValues(values=self.value.tolist(), sigmas=self.sigma.tolist())


def offsets_of(
    fit: WheelFit, relation: str, family: str, *, common: bool = False, known: F64 | None = None, gain: F64 | float = 1.0
) -> Offsets:
    """Head offsets of one relation; ``gain`` (4,) multiplies the jumps, and ``known`` (4,) is taken off them."""
    jumps = gain * fit.jumps[INDEX[relation]] - (0.0 if known is None else known)
    value, sigma = head_offsets(jumps, gain * fit.jump_sigma[INDEX[relation]], common=common)
    if family == "saturation":  # the relation is a logarithm
        ratio = np.exp(value / 100)
        value = 100 * (ratio / ratio.mean() - 1)
    share = SYSTEMATIC[family] + (LARGE_SATURATION * np.abs(value) / 100 if family == "saturation" else 0.0)
    sigma = np.sqrt((HEADS_SCALE[family] * sigma) ** 2 + (share * np.abs(value)) ** 2 + FLOOR[family] ** 2)
    return Offsets(value, sigma)


def _hue_gain(fit: WheelFit) -> F64:
    """What jumps of hue are to be multiplied by, (4,): a turn phi together with a gain k reads sin(phi) / cosh(ln k)."""
    return np.asarray(np.cosh(np.clip(np.nan_to_num(fit.jumps[INDEX["saturation"]]) / 100, -MOST_LOG_GAIN, MOST_LOG_GAIN)), np.float64)


def hue_from_timing(rows: Rows, view: View, standard: Standard, fit: WheelFit, timing: TimeBaseFit) -> F64:
    """Jumps of hue that the scallop makes between burst and mid-line, (4,): not the heads' own."""
    if standard.short_name != "525":
        return np.zeros(HEADS)
    design = timing_design(rows, view, standard, fit.phase_lines)
    scallop = timing.scallop_ns if np.isfinite(timing.scallop_ns) else _hue_scallop(design.growth, fit, standard)
    return np.asarray(-standard.subcarrier_deg_per_ns * design.shift_corrected[:, 1] * scallop)


def shift_from_scallop(rows: Rows, view: View, standard: Standard, fit: WheelFit, timing: TimeBaseFit) -> F64:
    """Jumps of displacement that the scallop makes at mid-line of uncorrected material, (4,): not skew's."""
    scallop = timing.scallop_ns if np.isfinite(timing.scallop_ns) else 0.0
    return np.asarray(timing_design(rows, view, standard, fit.phase_lines).shift[:, 1] * scallop)


def _hue_scallop(growth: F64, fit: WheelFit, standard: Standard) -> float:
    """Scallop as hue along the line alone reads it."""
    weight = fit.jump_weight[INDEX["hue_ramp"]]
    unit = -standard.subcarrier_deg_per_ns * growth[:, 1]
    power = float((weight * unit**2).sum())
    return float((weight * unit * fit.jumps[INDEX["hue_ramp"]]).sum() / power) if power > 0 else 0.0


def stretch_readings(
    rows: Rows, view: View, standard: Standard, fit: WheelFit, *, doubt: Doubt = NONE, within: TimeBaseFit | None = None
) -> tuple[WindowReadings, TimeBaseFit]:
    """Everything the fit says about one stretch; ``doubt``: shares that the carrier may have taken away.

    ``within``: the stretch that these jumps are a part of; its regime holds.
    """
    timing = fit_regimes(rows, view, standard, fit) if within is None else fit_windows(rows, view, standard, fit, within)
    heads = Offsets(timing.quadrature_ns, timing.quadrature_sigma_ns)
    hue = offsets_of(fit, "hue", "hue", common=True, known=hue_from_timing(rows, view, standard, fit, timing), gain=_hue_gain(fit))
    if np.isfinite(timing.velocity_ns):
        hue = replace(hue, sigma=np.hypot(hue.sigma, HUE_DEG_PER_NS * timing.velocity_ns))
    skew = timing.skew_ns if np.isfinite(timing.skew_ns) else 0.0
    scallop_sigma = _root(timing.scallop_sigma_ns, BOW_ERROR * timing.scallop_ns, SCALLOP_FLOOR_NS[standard.short_name])
    velocity_sigma = _root(timing.velocity_sigma_ns, BOW_ERROR * timing.velocity_ns, VELOCITY_FLOOR_NS, VELOCITY_OF_SKEW * skew)
    response = [offsets_of(fit, f"response_{mhz:g}", "response") for mhz in RESPONSE_MHZ]
    at_3 = response[RESPONSE_MHZ.index(3.0)]
    noise = offsets_of(fit, "noise", "noise")
    readings = WindowReadings(
        skew_ns=_value(timing.skew_ns, _root(timing.skew_sigma_ns, SKEW_FLOOR_NS)),
        scallop_ns=_value(timing.scallop_ns, scallop_sigma),
        quadrature_ns=heads.published(),
        time_base=timing.regime,
        velocity_error_ns=_value(timing.velocity_ns, velocity_sigma),
        saturation_pct=offsets_of(fit, "saturation", "saturation").published(),
        # in 625 lines a phase error alternates with the V switch: a decoder averages it away, and no figure per head is left
        hue_deg=hue.published() if standard.short_name == "525" else None,
        level_ire=offsets_of(fit, "level", "level").published(),
        noise_db=replace(noise, sigma=np.hypot(noise.sigma, NOISE_OF_RESPONSE * np.nan_to_num(at_3.value))).published(),
        response_db=at_3.published(),
        response_curve=ResponseCurve(
            mhz=list(RESPONSE_MHZ),
            db=[[float(r.value[h]) for r in response] for h in range(HEADS)],
            sigma_db=[[float(r.sigma[h]) for r in response] for h in range(HEADS)],
        ),
    )
    return widened(readings, doubt), timing


def _value(value: float, sigma: float) -> Value | None:
    return Value(value=value, sigma=sigma) if np.isfinite(value) and np.isfinite(sigma) else None


def _root(*parts: float) -> float:
    """Independent standard errors together."""
    return float(np.sqrt(np.sum(np.square(parts))))
