"""Skew, scallop and quadrature of a lock: displacement of every signal, and hue along the line where it may be used."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detect.judge.time_geometry import scallop_shape, skew_shape, theta
from detect.lineup.displacement import Displacement
from detect.lineup.heads import HeadMeans, HueTiming, combine, fit_hue_timing, fit_timings, within_step_sigmas
from detect.lineup.pool import Lock
from detect.lineup.readings import BlockReadings
from detect.standards import Standard

F64 = NDArray[np.float64]

GAIN_ERROR = 0.003
"""Part of a timing figure by which it may be off besides noise: measured on rendered captures with known errors."""
GAIN_ERROR_CORRECTED = 0.03
"""The same where a line corrector leaves only the growth along the line to read."""
HUE_GAIN_ERROR = 0.03
"""The same for timing from hue along the line, which reads the growth along it too."""


@dataclass(frozen=True, slots=True)
class Timing:
    """Skew and scallop (value, sigma), quadrature or None, from all signals of a lock."""

    regime: str
    left_share: float
    skew: tuple[float, float]
    scallop: tuple[float, float]
    quadrature: HeadMeans | None
    notes: tuple[str, ...]


def _averaged(blocks: Sequence[BlockReadings]) -> list[tuple[Displacement, BlockReadings, int]]:
    """Displacements averaged over consecutive blocks of one signal with the same rows and rulers."""
    kinds: dict[tuple[str, bytes, bytes], list[BlockReadings]] = {}
    for b in blocks:
        if b.displacement is not None:
            rulers = (b.displacement.weight.sum(axis=0) > 0).tobytes()
            kinds.setdefault((b.name, b.rows.tobytes(), rulers), []).append(b)
    out = []
    for group in kinds.values():
        ds = [b.displacement for b in group if b.displacement is not None]
        w = np.array([b.frames for b in group], float)
        mean = Displacement(
            ns=np.average([d.ns for d in ds], axis=0, weights=w),
            weight=np.sum([d.weight * f for d, f in zip(ds, w, strict=True)], axis=0),
            columns=np.average([d.columns for d in ds], axis=0, weights=w),
            pattern=ds[0].pattern,
        )
        out.append((mean, group[0], int(w.sum())))
    return out


def _hue_timings(lock: Lock, standard: Standard) -> list[HueTiming]:
    """Skew and scallop from hue along the line: 525 only, where decoding does not average the V switch away."""
    groups: dict[bytes, list[BlockReadings]] = {}
    for b in lock.blocks:
        if b.bars is not None and b.bars.gain is not None:
            groups.setdefault(b.rows.tobytes(), []).append(b)
    out = []
    for group in groups.values():
        gain = np.sum([b.bars.gain * b.frames for b in group if b.bars is not None and b.bars.gain is not None], axis=0)
        bars = group[0].bars
        assert bars is not None
        middle = np.exp(-1j * np.angle(np.mean(gain[group[0].rows], axis=0)))
        hue = np.angle(gain * middle[None, :], deg=True)
        out.append(fit_hue_timing(hue, bars.columns, group[0].rows, standard, lock.phase.phase_lines))
    return out


def find_timing(lock: Lock, standard: Standard) -> Timing | None:
    """Fit the guide and the heads to the displacements of every signal, and to hue along the line where it may be
    used."""
    signals = [(d, block.rows) for d, block, _ in _averaged(lock.blocks)]
    fits, torn = fit_timings(signals, standard, lock.phase.phase_lines)
    if not fits:
        return None
    notes: list[str] = []
    if torn:
        notes.append("some signals look line-corrected and others do not; the time-base corrector may have been switched")
    best = fits[0]
    error = GAIN_ERROR if best.regime != "line-corrected" else GAIN_ERROR_CORRECTED
    skew = _mean([(f.skew_ns, f.skew_sigma_ns) for f in fits])
    scallop = _mean([(f.scallop_ns, f.scallop_sigma_ns) for f in fits])
    skew, scallop = _widened(skew, error), _widened(scallop, error)
    for hue in _hue_timings(lock, standard) if standard.short_name == "525" else []:
        both = combine(skew, _widened((hue.skew_ns, hue.skew_sigma_ns), HUE_GAIN_ERROR))
        arc = combine(scallop, _widened((hue.scallop_ns, hue.scallop_sigma_ns), HUE_GAIN_ERROR))
        if both is None or arc is None:
            notes.append(
                "hue along the line does not follow the displacement: the decoder or corrector has velocity "
                "compensation; skew and scallop are from displacement alone"
            )
        else:
            skew, scallop = both, arc
    skew_more, scallop_more = within_step_sigmas(skew[0], scallop[0], standard, lock.phase.width_lines)
    skew = skew[0], float(np.hypot(skew[1], skew_more))
    scallop = scallop[0], float(np.hypot(scallop[1], scallop_more))
    quadrature = [f for f in fits if np.all(np.isfinite(f.quadrature_ns))]
    heads = None
    if quadrature:
        weight = np.array([1 / np.mean(f.quadrature_sigma_ns**2) for f in quadrature])
        value = np.average([f.quadrature_ns for f in quadrature], axis=0, weights=weight)
        sigma = np.sqrt(1 / np.sum([1 / f.quadrature_sigma_ns**2 for f in quadrature], axis=0))
        heads = HeadMeans(value, np.hypot(sigma, error * np.abs(value)))
    return Timing(
        regime=best.regime,
        left_share=best.left_share,
        skew=skew,
        scallop=scallop,
        quadrature=heads,
        notes=tuple(dict.fromkeys(notes)),
    )


def _mean(values: list[tuple[float, float]]) -> tuple[float, float]:
    """Inverse-variance mean; its sigma grows where the values disagree more than they should."""
    v, s = np.array([x[0] for x in values]), np.array([max(x[1], 1e-6) for x in values])
    w = 1 / s**2
    mean = float((v * w).sum() / w.sum())
    spread = float((w * (v - mean) ** 2).sum() / max(1, len(v) - 1)) if len(v) > 1 else 1.0
    return mean, float(np.sqrt(max(spread, 1.0) / w.sum()))


def _widened(value: tuple[float, float], part: float) -> tuple[float, float]:
    """Value and sigma, with what it may be off by in proportion."""
    return value[0], float(np.hypot(value[1], part * value[0]))


def velocity_error(timing: Timing, standard: Standard) -> tuple[float, float]:
    """Growth along the line as it changes within a pass, peak to peak, at the right end of the line."""
    period = float(standard.lines_per_pass)
    lines = np.linspace(0, period - 1, 33)
    start = standard.active_start_sample / standard.samples_per_line

    def growth(shape: Callable[[F64], F64]) -> F64:
        return shape(theta(standard, 0.0, lines, 1.0 - 1e-6)) - shape(theta(standard, 0.0, lines, start))

    one, two = growth(skew_shape), growth(scallop_shape)
    total = timing.skew[0] * one + timing.scallop[0] * two
    sigma = float(np.hypot(timing.skew[1] * np.ptp(one), timing.scallop[1] * np.ptp(two)))
    return float(np.ptp(total)), sigma
