"""Fits over the four heads: a mean per head of any figure of the rows, and the guide's figures from displacement and hue.

t(theta, head) = e_head + skew sin(theta)/sqrt 2 - scallop cos(theta)/(1 - 1/sqrt 2). A line that no corrector touched
shows t itself; a line-corrected one shows t less its value at the line's burst; a corrector that leaves a share shows
something between. Colour always shows t less its value at the burst, as hue: late is clockwise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from detect.judge.time_geometry import BURST_CENTRE_SAMPLES, scallop_shape, skew_shape, theta
from detect.lineup.displacement import Displacement
from detect.lineup.phase import head_of, losses, slow_terms
from detect.standards import HEADS, Standard

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]
Regime = Literal["uncorrected", "line-corrected", "undetermined"]

RULER_ERROR = 0.003
"""Part of a displacement by which one place of the line may be off besides noise: measured on rendered captures."""
_DECISIVE = 10.0
"""Gain in log-likelihood that settles a choice between two models of the time base (odds of 20 000 to 1)."""
_SHARES = np.linspace(0.05, 0.7, 14)
"""Shares of the error at the burst that a corrector may have left, tried in turn: one that leaves more is none."""
_AGREE_SIGMAS = 4.0
"""Hue and displacement are taken together when they agree within this."""


@dataclass(frozen=True, slots=True)
class HeadMeans:
    """Mean of a figure for each head, (4,), and standard errors; the covariance is diagonal but for slow terms."""

    values: F64
    sigmas: F64


def head_means(
    figure: F64, rows: Mask, standard: Standard, phase: float, *, shapes: bool = True, inner_rows_only: bool = False
) -> HeadMeans:
    """Weighted means per head of ``figure`` (rows,), slow changes down the picture and shapes within the pass taken out.

    ``inner_rows_only`` leaves out the first and last line of each band: the line next to a head switch may miss its
    correction. Standard errors allow for neighbouring lines that scatter alike (residuals correlated from line to
    line).
    """
    use = rows & np.isfinite(figure)
    height = len(rows)
    head = head_of(standard, phase, height)
    if inner_rows_only:
        use = use & inside_bands(head)
    if use.sum() < 4 * HEADS:
        return HeadMeans(np.full(HEADS, np.nan), np.full(HEADS, np.nan))
    parts = [(head[:, None] == np.arange(HEADS)[None, :]).astype(np.float64), slow_terms(height)]
    if shapes:
        angle = theta(standard, phase, np.arange(height, dtype=np.float64), 0.5)
        shape = np.stack([skew_shape(angle), scallop_shape(angle)], axis=1)
        parts.append(shape - shape[use].mean(axis=0))
    parts[1] = parts[1] - parts[1][use].mean(axis=0)
    x, y = np.hstack(parts)[use], figure[use]
    # losses are sought against the median of each head in each field first, which they do not move
    sound = ~losses(_against_medians(y, 2 * head[use] + np.flatnonzero(use) % 2))
    x, y = x[sound], y[sound]
    for _ in range(3):
        cov = np.linalg.pinv(x.T @ x)
        beta = cov @ (x.T @ y)
        rest = y - x @ beta
        bad = losses(rest)
        if not bad.any():
            break
        x, y = x[~bad], y[~bad]
    present = x[:, :HEADS].any(axis=0)
    dof = max(1, len(y) - x.shape[1])
    variance = float(rest @ rest) / dof * _correlation_factor(rest)
    values, sigmas = beta[:HEADS], np.sqrt(np.diag(cov)[:HEADS] * variance)
    return HeadMeans(np.where(present, values, np.nan), np.where(present, sigmas, np.nan))


def _against_medians(y: F64, group: NDArray[np.int64]) -> F64:
    """``y`` less the median of its group."""
    present, index = np.unique(group, return_inverse=True)
    return np.asarray(y - np.array([np.median(y[group == g]) for g in present])[index])


def inside_bands(head: NDArray[np.int64]) -> Mask:
    """Rows whose neighbours two rows up and down belong to the same band."""
    inner = np.ones(len(head), bool)
    inner[2:] &= head[2:] == head[:-2]
    inner[:-2] &= head[:-2] == head[2:]
    return inner


def _correlation_factor(rest: F64) -> float:
    """By how much lines that scatter alike enlarge the variance of a mean: (1 + rho)/(1 - rho), rho of lines in one
    field."""
    if len(rest) < 16:
        return 1.0
    rho = float(np.corrcoef(rest[:-2], rest[2:])[0, 1]) if rest.std() > 0 else 0.0
    rho = min(max(rho, 0.0), 0.9)
    return (1 + rho) / (1 - rho)


@dataclass(frozen=True, slots=True)
class TimingFit:
    """The guide and the heads. Quadrature (4,) has mean zero, NaN where a corrector hides it. ``left_share``: see
    module."""

    regime: Regime
    left_share: float
    skew_ns: float
    skew_sigma_ns: float
    scallop_ns: float
    scallop_sigma_ns: float
    quadrature_ns: F64
    quadrature_sigma_ns: F64


@dataclass(frozen=True, slots=True)
class _Model:
    """Design for displacements: columns are 3 heads, skew, scallop, slow terms (3), sections, heads by sections."""

    x: F64
    y: F64
    w: F64
    row: NDArray[np.int64]


def _shapes(standard: Standard, phase: float, rows: F64, column: float) -> F64:
    """Skew and scallop shapes at a column of the active line, (rows, 2).

    Phases of one step of the lattice give the same bands, the lattice naming the last of them: their middle is taken.
    """
    middle = phase - float(standard.phase_step_lines) / 2
    angle = theta(standard, middle, rows, (standard.active_start_sample + column) / standard.samples_per_line)
    return np.stack([skew_shape(angle), scallop_shape(angle)], axis=1)


def _burst_shapes(standard: Standard, phase: float, rows: F64) -> F64:
    burst = BURST_CENTRE_SAMPLES[standard.short_name] - standard.active_start_sample
    return _shapes(standard, phase, rows, burst)


def within_step_sigmas(skew_ns: float, scallop_ns: float, standard: Standard, width_lines: float) -> tuple[float, float]:
    """What skew and scallop may be off by (one sigma) because any phase within ``width_lines`` gives the same bands.

    A phase off by d turns one shape into d times the other's: sin and cos change places. Even distribution within the width.
    """
    width = max(width_lines, float(standard.phase_step_lines))
    off = width / np.sqrt(12) * (np.pi / 2) / float(standard.lines_per_pass)
    per = np.sqrt(2) / (1 - 1 / np.sqrt(2))
    return float(off * per * abs(scallop_ns)), float(off / per * abs(skew_ns))


_HEAD_CODE = np.vstack([np.eye(3), -np.ones((1, 3))])
"""Four head offsets of mean zero from three parameters."""


def _timing_model(d: Displacement, rows: Mask, standard: Standard, phase: float, left_share: float, *, sound: Mask | None = None) -> _Model:
    height = len(rows)
    head = head_of(standard, phase, height)
    at = np.flatnonzero(rows & inside_bands(head) & (True if sound is None else sound))
    r = at.astype(np.float64)
    burst = _burst_shapes(standard, phase, r)
    slow = slow_terms(height)[at]
    sections = np.flatnonzero(d.weight[at].sum(axis=0) > 0)
    energy, last, code = d.weight[at][:, sections].mean(axis=0), len(sections) - 1, _HEAD_CODE[head[at]]
    blocks, ys, ws = [], [], []
    for k, s in enumerate(sections):
        shape = _shapes(standard, phase, r, float(d.columns[s])) - (1 - left_share) * burst
        own = np.zeros((len(at), len(sections)))
        own[:, k] = 1.0
        # a head's response moves its edges by some tenths of ns, differently from place to place: weighted mean zero
        apart = own[:, :-1] if k < last else np.tile(-energy[:last] / energy[last], (len(at), 1))
        places = (apart[:, :, None] * code[:, None, :]).reshape(len(at), -1)
        blocks.append(np.hstack([left_share * code, shape, slow, own, places]))
        ys.append(d.ns[at, s])
        ws.append(d.weight[at, s])
    return _Model(np.vstack(blocks), np.concatenate(ys), np.concatenate(ws), np.tile(at, len(sections)))


def _without_losses(model: _Model) -> tuple[_Model, float]:
    """The model without lines hit by a loss, each left out as a whole, and the spread of what is left unexplained."""
    sw = np.sqrt(model.w / model.w.mean())
    x, y = model.x * sw[:, None], model.y * sw
    rest = y - x @ (np.linalg.pinv(x.T @ x) @ (x.T @ y))
    bad = losses(rest)
    if not bad.any():
        return model, float((rest**2).mean())
    keep = ~np.isin(model.row, model.row[bad])
    kept = _Model(model.x[keep], model.y[keep], model.w[keep], model.row[keep])
    return kept, float((rest[keep] ** 2).mean())


def _solve(model: _Model) -> tuple[F64, F64, float]:
    """Weighted least squares with errors common to a row allowed for: values, covariance, log-likelihood."""
    sw = np.sqrt(model.w / model.w.mean())
    x, y = model.x * sw[:, None], model.y * sw
    bread = np.linalg.pinv(x.T @ x)
    beta = bread @ (x.T @ y)
    rest = y - x @ beta
    order = np.argsort(model.row, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(model.row[order]) > 0])
    scores = np.add.reduceat((x * rest[:, None])[order], starts, axis=0)
    # rows two apart scatter alike as well (one band); neighbours of the same field are added to the sandwich
    meat = scores.T @ scores
    cross = scores[:-2].T @ scores[2:]
    meat = meat + 0.5 * (cross + cross.T) if np.all(np.diag(meat + 0.5 * (cross + cross.T)) > 0) else meat
    cov = bread @ meat @ bread
    # what the ruler itself is off by must not decide between models
    floor = RULER_ERROR**2 * float((y**2).mean())
    log_likelihood = -0.5 * len(starts) * float(np.log(max((rest**2).mean() + floor, 1e-12)))
    return beta, cov, log_likelihood


_Tries = dict[float, tuple[F64, F64, float]]


def _tries(d: Displacement, rows: Mask, standard: Standard, phase: float) -> _Tries:
    """The fit for every share a corrector may have left: 1 no corrector, 0 a whole one."""
    # losses are found once, by the model that leaves less: likelihoods of different lines cannot be compared
    ends = [_without_losses(_timing_model(d, rows, standard, phase, share)) for share in (1.0, 0.0)]
    sound = np.isin(np.arange(len(rows)), min(ends, key=lambda e: e[1])[0].row)
    shares = (1.0, 0.0, *(float(s) for s in _SHARES))
    return {s: _solve(_timing_model(d, rows, standard, phase, s, sound=sound)) for s in shares}


def _settled(likelihoods: dict[float, float]) -> tuple[Regime, float]:
    """Regime and share left from the log-likelihood of each share."""
    plain, corrected = likelihoods[1.0], likelihoods[0.0]
    between = max((s for s in likelihoods if s not in (0.0, 1.0)), key=lambda s: likelihoods[s])
    if likelihoods[between] - max(plain, corrected) > _DECISIVE:
        return "line-corrected", between
    if plain - corrected > _DECISIVE:
        return "uncorrected", 1.0
    if corrected - plain > _DECISIVE:
        return "line-corrected", 0.0
    # a corrector may hide all but the growth along the line, so no more is claimed than that tells
    return "undetermined", 0.0


def fit_timings(signals: Sequence[tuple[Displacement, Mask]], standard: Standard, phase: float) -> tuple[list[TimingFit], bool]:
    """Skew, scallop and quadrature from the displacements of each signal, and whether a line corrector was at work, which all
    signals decide together. Second: whether one of them contradicts the others, as when the corrector was switched."""
    tried = [_tries(d, rows, standard, phase) for d, rows in signals if np.any(d.weight > 0)]
    if not tried:
        return [], False
    regime, share = _settled({s: sum(t[s][2] for t in tried) for s in tried[0]})
    torn = len(tried) > 1 and any(max(f[2] for f in t.values()) - t[share][2] > _DECISIVE for t in tried)
    return [_fit_of(t[share], regime, share) for t in tried], torn


def _fit_of(solved: tuple[F64, F64, float], regime: Regime, share: float) -> TimingFit:
    beta, cov, _ = solved
    quadrature = _HEAD_CODE @ beta[:3]
    q_sigma = np.sqrt(np.diag(_HEAD_CODE @ cov[:3, :3] @ _HEAD_CODE.T))
    if share == 0.0:
        quadrature, q_sigma = np.full(HEADS, np.nan), np.full(HEADS, np.nan)
    return TimingFit(
        regime=regime,
        left_share=share,
        skew_ns=float(beta[3]),
        skew_sigma_ns=float(np.sqrt(cov[3, 3])),
        scallop_ns=float(beta[4]),
        scallop_sigma_ns=float(np.sqrt(cov[4, 4])),
        quadrature_ns=quadrature,
        quadrature_sigma_ns=q_sigma,
    )


@dataclass(frozen=True, slots=True)
class HueTiming:
    """Skew and scallop from hue along the line: ns and standard errors."""

    skew_ns: float
    skew_sigma_ns: float
    scallop_ns: float
    scallop_sigma_ns: float


def fit_hue_timing(hue_deg: F64, columns: F64, rows: Mask, standard: Standard, phase: float) -> HueTiming:
    """Skew and scallop from the hue of each bar on each row, (rows, bars) degrees; ``columns`` (bars,) are luma columns.

    Each bar has its own constant for each head (its hue error and differential phase), so only what changes within a
    pass counts.
    """
    height = len(rows)
    head = head_of(standard, phase, height)
    at = np.flatnonzero(rows & inside_bands(head))
    r = at.astype(np.float64)
    burst = _burst_shapes(standard, phase, r)
    slow = slow_terms(height)[at]
    bars = len(columns)
    blocks, ys = [], []
    for b in range(bars):
        shape = -standard.subcarrier_deg_per_ns * (_shapes(standard, phase, r, float(columns[b])) - burst)
        own = np.zeros((len(at), bars * (HEADS + 3)))
        base = b * (HEADS + 3)
        own[np.arange(len(at)), base + head[at]] = 1.0
        own[:, base + HEADS : base + HEADS + 3] = slow
        blocks.append(np.hstack([shape, own]))
        ys.append(hue_deg[at, b])
    model = _Model(np.vstack(blocks), np.concatenate(ys), np.ones(bars * len(at)), np.tile(at, bars))
    beta, cov, _ = _solve(_without_losses(model)[0])
    return HueTiming(float(beta[0]), float(np.sqrt(cov[0, 0])), float(beta[1]), float(np.sqrt(cov[1, 1])))


def hue_by_guide(skew_ns: float, scallop_ns: float, columns: F64, weights: F64, height: int, standard: Standard, phase: float) -> F64:
    """Hue, degrees (rows,), that the guide's error gives bars at ``columns`` beside that of their burst; late is clockwise."""
    rows = np.arange(height, dtype=np.float64)
    burst = _burst_shapes(standard, phase, rows)
    guide = np.array([skew_ns, scallop_ns])
    late = np.stack([(_shapes(standard, phase, rows, float(c)) - burst) @ guide for c in columns], axis=1)
    return np.asarray(-standard.subcarrier_deg_per_ns * (late @ weights) / weights.sum())


def combine(a: tuple[float, float], b: tuple[float, float]) -> tuple[float, float] | None:
    """Inverse-variance mean of two (value, sigma); None when they contradict each other."""
    if abs(a[0] - b[0]) > _AGREE_SIGMAS * np.hypot(a[1], b[1]):
        return None
    wa, wb = 1 / a[1] ** 2, 1 / b[1] ** 2
    return (a[0] * wa + b[0] * wb) / (wa + wb), float(1 / np.sqrt(wa + wb))
