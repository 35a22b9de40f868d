"""Skew, scallop and quadrature from the four jumps of displacement, of its growth along the line, and of hue along the line.

What ``detect/judge/regimes.py`` decides for a stretch from the single boundaries holds for its windows, whose jumps are fitted here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from detect.judge.head_skew import HeadSkew
from detect.judge.rows import INDEX, Rows
from detect.judge.time_geometry import growth_in_pass, timing_design
from detect.judge.wheel import View, WheelFit
from detect.standards import HEADS, Standard

F64 = NDArray[np.float64]
Regime = Literal["uncorrected", "line-corrected", "undetermined"]

SIGMA_SCALE = 1.3
"""Standard errors of jumps times this: content errs alike at several boundaries (measured against truth, docs/accuracy.md)."""
GAIN_ERROR = 0.03
"""Share of a scallop that one way of reading it (shift, growth, hue) may err by from one content to another (same source)."""
LEAST_CLEAR_NS = 1.0
"""... and ns besides."""
REFERENCE_ERROR = 0.13
"""The same for displacement in mid-line behind a line corrector, which takes off what the error is where it measures the line: at the
burst in the model. Mid-line of 525 lies 482 samples after 0H, 394 after the burst, 360 after the left of the picture: +22 and -9 %."""
SILENT_HUE_NS = 5.0
"""Standard error given to a scallop that hue along the line does not show; a sixth of what is first flagged."""
MOST_SCALE = 3.0
"""Errors are widened by no more than this where the model leaves more than they allow."""
SIGNIFICANT = 4.0
"""Standard errors beyond which a reading is believed; four heads and two models leave a chance below 1 in 1000."""


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
    gain: float = float("nan")
    """Chi-square by which the uncorrected model with all unknowns beats the corrected one."""
    edges: bool = False
    """The blanking edges were the tape's own, and took part in the fit."""
    whole_lines: bool = False
    """Uncorrected, but nothing grows along the lines: each is displaced as a whole."""
    one_line: bool = False
    """What is displaced is one line of every pass alone, by its head, as velocity correctors leave them."""
    head_skew: HeadSkew | None = None
    """Skew of each head by itself, where it can be told."""
    edges_won: float = float("nan")
    """Chi-square that the five unknowns win in the blanking edges, where these were asked."""


LEAST_MIXED_DEG = 3.0
"""Differences among the steps of displacement, in degrees of subcarrier, from which a comb's mixing of them is asked: it takes a quarter
of them to a line in eight, which is then no tenth of a degree for a head."""


SCALLOP_STEPS = 0.25
"""Step of a scallop from pass to pass in mid-line, as a share of it: 0.03 to 0.47 by where in the line the boundary falls."""


def mixed_steps(timing: TimeBaseFit, standard: Standard) -> tuple[float, ...] | None:
    """Degrees of subcarrier by which passes are displaced against each other, by type of boundary; None where that is next to nothing.

    The burst takes them away from colour decoded line by line. A comb that adds the composite signal of neighbouring lines adds
    subcarriers that far apart, in the lines beside a boundary alone.
    """
    steps = _steps_deg(timing, standard)
    return tuple(steps.tolist()) if timing.regime == "uncorrected" and np.ptp(steps) > LEAST_MIXED_DEG else None


def steps_mix(timing: TimeBaseFit, standard: Standard) -> bool:
    """Whether passes are displaced against each other by enough for a comb to mix what does not belong together."""
    of_scallop = standard.subcarrier_deg_per_ns * SCALLOP_STEPS * abs(float(np.nan_to_num(timing.scallop_ns)))
    largest = float(np.abs(_steps_deg(timing, standard)).max()) + of_scallop
    return bool(timing.regime == "uncorrected" and largest > LEAST_MIXED_DEG)


def opposed(timing: TimeBaseFit, standard: Standard) -> float:
    """How far the subcarriers of neighbouring passes are opposed at most, 0 to 1."""
    return float(np.max(np.sin(np.radians(_steps_deg(timing, standard)) / 2) ** 2))


def _steps_deg(timing: TimeBaseFit, standard: Standard) -> F64:
    """Degrees of subcarrier from pass to pass, by type of boundary, (4,)."""
    places = np.nan_to_num(timing.quadrature_ns)
    return np.asarray(standard.subcarrier_deg_per_ns * (np.roll(places, -1) - places - float(np.nan_to_num(timing.skew_ns))))


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


def weighted_fit(design: F64, data: F64, weight: F64) -> tuple[F64, F64, F64]:
    """Least squares: values, covariance, residuals in standard errors. ``weight``: one over the standard error, 0 for not seen."""
    scaled = design * weight[:, None]
    cov = np.linalg.pinv(scaled.T @ scaled, hermitian=True)
    value = cov @ (scaled.T @ (data * weight))
    return value, np.asarray(cov, np.float64), np.asarray((data - design @ value) * weight)


def time_base_of(
    regime: Regime,
    value: F64,
    cov: F64,
    standard: Standard,
    *,
    scallop_known: bool = True,
    gain: float = float("nan"),
) -> TimeBaseFit:
    """From (e_B, e_C, e_D against A, skew, scallop) and their covariance to what the regime lets through; NaN for what it hides."""
    mean_out = np.eye(HEADS) - 1.0 / HEADS
    offset_cov = np.zeros((HEADS, HEADS))
    offset_cov[1:, 1:] = cov[:3, :3]
    scallop, sigma = float(value[4]), float(np.sqrt(cov[4, 4]))
    growth = float(np.ptp(growth_in_pass(standard)))
    nan, nan4 = float("nan"), np.full(HEADS, np.nan)
    seen = regime == "uncorrected"
    return TimeBaseFit(
        regime=regime,
        skew_ns=float(value[3]) if seen else nan,
        skew_sigma_ns=float(np.sqrt(cov[3, 3])) if seen else nan,
        scallop_ns=scallop if scallop_known else nan,
        scallop_sigma_ns=sigma if scallop_known else nan,
        quadrature_ns=mean_out @ np.concatenate([[0.0], value[:3]]) if seen else nan4,
        quadrature_sigma_ns=np.sqrt(np.diag(mean_out @ offset_cov @ mean_out)) if seen else nan4,
        velocity_ns=abs(scallop) * growth,
        velocity_sigma_ns=sigma * growth,
        gain=gain,
    )


def of_whole_lines(fitted: TimeBaseFit) -> TimeBaseFit:
    """The same figures where nothing grows along the lines."""
    return replace(fitted, whole_lines=True, velocity_ns=float("nan"), velocity_sigma_ns=float("nan"))


def scallop_ties(scallop: float, sources: tuple[bool, ...], silent_hue: bool, *, any_reference: bool) -> F64:
    """One over the standard error of how far each way of reading a scallop may be off by itself (shift, growth, hue), (3,)."""
    off = np.full(3, np.hypot(GAIN_ERROR * scallop, LEAST_CLEAR_NS))
    if any_reference:
        off[0] = np.hypot(off[0], REFERENCE_ERROR * scallop)
    if silent_hue:
        off[2] = np.hypot(off[2], SILENT_HUE_NS)
    return np.where(sources, 1 / off, 1.0)


@dataclass(frozen=True, slots=True)
class HueUse:
    """Whether hue along the line is believed, and whether it is silent: then a decoder may have silenced it."""

    used: bool
    silent: bool


def hue_use(standard: Standard, ramp: tuple[float, float], hue: tuple[float, float]) -> HueUse:
    """Hue along the line is believed in 525 where it agrees with the displacement's own growth; (value, sigma) of scallop from each."""
    if standard.alternating_v or not np.isfinite(hue[1]):
        return HueUse(False, False)
    gap = np.sqrt(ramp[1] ** 2 + hue[1] ** 2 + (GAIN_ERROR * ramp[0]) ** 2 + LEAST_CLEAR_NS**2)
    agrees = not np.isfinite(ramp[1]) or abs(ramp[0] - hue[0]) < SIGNIFICANT * gap
    return HueUse(bool(agrees), bool(agrees and abs(hue[0]) <= SIGNIFICANT * hue[1]))


def scallop_alone(unit: F64, data: F64, weight: F64) -> tuple[float, float]:
    """Scallop from one kind of reading, and its standard error; infinite where nothing was seen."""
    power = float(np.sum((unit * weight) ** 2))
    if power <= 0:
        return 0.0, float("inf")
    value = float(np.sum(unit * data * weight**2) / power)
    spare = int(np.count_nonzero(weight)) - 1
    left = float(np.sum(((data - unit * value) * weight) ** 2)) / max(spare, 1)
    return value, float(np.sqrt(max(left, 1.0) / power))


UNKNOWNS = 8
"""e_B, e_C, e_D against A, skew, scallop, and by how much shift, growth and hue each err about the scallop."""


@dataclass(frozen=True, slots=True)
class Part:
    """Readings of one kind: ``data`` (n,), ``weight`` (n,) one over the standard error, 0 for not seen, and ``basis`` (n, 5), what unit
    e_B, e_C, e_D, skew and scallop read there. ``source``: 0 shift, 1 growth, 2 hue."""

    source: int
    data: F64
    weight: F64
    basis: F64


@dataclass(frozen=True, slots=True)
class ModelFit:
    """Values and covariance of ``UNKNOWNS``; residuals in standard errors and leverage, by part."""

    value: F64
    cov: F64
    chi_square: float
    left: list[F64]
    leverage: list[float]


def fit_parts(parts: list[Part], hue: HueUse, scallop: float, *, any_reference: bool) -> ModelFit:
    """All kinds of reading together. ``scallop``: about how large it is, for how far each way of reading it may err;
    ``any_reference``: a line corrector may measure a line elsewhere than at its burst."""
    designs = []
    for p in parts:
        own = np.zeros((len(p.data), 3))
        own[:, p.source] = p.basis[:, 4]
        designs.append(np.hstack([p.basis, own]))
    sources = tuple(any(p.source == k and p.weight.any() for p in parts) for k in range(3))
    ties = scallop_ties(scallop, sources, hue.silent, any_reference=any_reference)
    whole = np.vstack([*designs, np.eye(UNKNOWNS)[UNKNOWNS - 3 :]])
    data = np.concatenate([*(p.data for p in parts), np.zeros(3)])
    weight = np.concatenate([*(p.weight for p in parts), ties])
    value, cov, left = weighted_fit(whole, data, weight)
    leverage = np.einsum("ij,jk,ik->i", whole, cov, whole) * weight**2
    ends = np.cumsum([len(p.data) for p in parts])
    return ModelFit(
        value, cov, float(np.sum(left**2)), np.split(left, ends)[:-1], [float(x.sum()) for x in np.split(leverage, ends)[:-1]]
    )


def fit_windows(rows: Rows, view: View, standard: Standard, fit: WheelFit, stretch: TimeBaseFit) -> TimeBaseFit:
    """The jumps of a few windows in the regime of their stretch."""
    design = timing_design(rows, view, standard, fit.phase_lines)
    jumps = [fit.jumps[INDEX[k]] for k in ("shift", "ramp", "hue_ramp")]
    sigmas = [SIGMA_SCALE * fit.jump_sigma[INDEX[k]] for k in ("shift", "ramp", "hue_ramp")]
    weights = [np.where(np.isfinite(s) & (s > 0), 1 / np.where(s > 0, s, 1.0), 0.0) for s in sigmas]
    hue_unit = -standard.subcarrier_deg_per_ns * design.growth
    hue = hue_use(
        standard, scallop_alone(design.growth[:, 1], jumps[1], weights[1]), scallop_alone(hue_unit[:, 1], jumps[2], weights[2])
    )
    weights[2] = weights[2] * hue.used
    zero = np.zeros((HEADS, 3))
    if stretch.whole_lines:
        bases = [np.hstack([_STEP[:, 1:], design.shift_whole]), np.zeros((HEADS, 5)), np.zeros((HEADS, 5))]
    elif stretch.regime == "uncorrected":
        bases = [np.hstack([_STEP[:, 1:], design.shift]), np.hstack([zero, design.growth]), np.hstack([zero, hue_unit])]
    else:
        bases = [np.hstack([zero, unit * [0, 1]]) for unit in (design.shift_corrected, design.growth, hue_unit)]
    parts = [Part(k, *p) for k, p in enumerate(zip(jumps, weights, bases, strict=True))]
    scallop = stretch.scallop_ns if np.isfinite(stretch.scallop_ns) else 0.0
    model = fit_parts(parts, hue, scallop, any_reference=stretch.regime == "line-corrected")
    spare = sum(int(np.count_nonzero(p.weight)) for p in parts) - sum(model.leverage)
    left = float(sum(np.sum(x**2) for x in model.left))
    scale = min(max(1.0, left / spare), MOST_SCALE**2) if spare >= 1 else 1.0
    fitted = time_base_of(
        stretch.regime, model.value[:5], model.cov[:5, :5] * scale, standard, scallop_known=np.isfinite(stretch.scallop_ns)
    )
    return of_whole_lines(fitted) if stretch.whole_lines else fitted
