"""Which time-base regime a stretch is in, and its skew, scallop and quadrature, from every boundary of the picture by itself.

A boundary falls anywhere within a line period. In uncorrected material the jump that scallop makes at mid-line depends on where: from
nothing, where a line begins just at +-45 degrees, to nearly half the scallop, a line later. Behind a line corrector, which takes the
value at each line's burst away, it is the same everywhere. The two fields differ by half a line at every boundary, so their
difference, in which content cancels, tells the regimes apart even where skew and quadrature are nil.

The *corrected* model knows a scallop alone. Against it stand two uncorrected ones: *free* with four heads, skew and scallop, and *set
right* with a scallop alone. The latter compares by chi-square directly; each unknown more must win its price.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from detect.judge.rows import INDEX, Rows
from detect.judge.time_geometry import BURST_CENTRE_SAMPLES, line_fraction, scallop_shape, skew_shape, theta
from detect.judge.timebase import (
    SIGMA_SCALE,
    SIGNIFICANT,
    HueUse,
    ModelFit,
    Part,
    TimeBaseFit,
    fit_parts,
    hue_use,
    scallop_alone,
    time_base_of,
    weighted_fit,
)
from detect.judge.wheel import EDGE_ROWS, View, WheelFit
from detect.standards import ACTIVE_SAMPLES, HEADS, Standard

F64 = NDArray[np.float64]

PRICE = 4.6
"""Chi-square that an unknown more must win: the logarithm of some hundred data, as BIC sets it."""
LIKELIER = 9.0
"""Difference of chi-square between models with as many unknowns, from which the better is believed: odds of 90 to 1."""
MARGIN = 4.6
"""... and between models with different numbers of them, beyond their price: odds of 10 to 1."""
CORRECTED_GAIN = 14.0
"""Chi-square that four more unknowns may win while a picture is still called line-corrected; between the two nothing is said."""
CLEAR_NS = 2.0
"""Added to the error of a scallop before it is believed (content of one film: 5 ns)."""
EDGES = ("edge_left", "edge_right")
EDGES_MOVE = 40.0
"""Chi-square that five unknowns must win in the blanking edges before these are taken for the tape's own. Edges put in afterwards
seldom win as much, and then not as the picture does (docs/evidence.md, tapes of both kinds)."""
EDGES_AGREE = 20.0
"""Chi-square by which their five unknowns may differ from those of the picture: one chance in a thousand."""
LEAST_SCATTER = 0.2
"""Differences of the two fields scatter less than the errors of their rows: content is common. They are believed down to this share."""
@dataclass(frozen=True, slots=True)
class BoundaryData:
    """One kind of reading at every boundary: ``data`` (n,), ``weight`` (n,) one over the standard error, 0 for not seen, and what the
    unknowns (e_B, e_C, e_D, skew, scallop) read in it, uncorrected and corrected, (n, 5) each. ``source``: 0 shift, 1 growth, 2 hue."""

    source: int
    data: F64
    weight: F64
    uncorrected: F64
    corrected: F64


Curve = Callable[[F64], F64]


def _operated(rows: NDArray[np.int64], step: int) -> list[tuple[F64, float]]:
    """The lines that a relation free of slant looks at, (rows, step) each, with the factor each enters by."""
    lines = rows[:, None] + 2.0 * np.arange(step)
    return [(np.asarray(lines + 2.0 * k * step), f / step) for k, f in ((-1, 0.5), (0, -1.5), (1, 1.5), (2, -0.5))]


def _read(lines: list[tuple[F64, float]], curve: Curve) -> F64:
    return np.asarray(sum((curve(at) * factor).sum(axis=1) for at, factor in lines))


def _rows_of(
    rows: Rows, view: View, standard: Standard, phase: float, variance: F64, relation: str
) -> tuple[NDArray[np.int64], BoundaryData]:
    """Every row that a boundary passes through, with its pass number."""
    period = float(standard.lines_per_pass)

    def pass_of(row: F64) -> F64:
        return np.floor((row / 2 - phase) / period + 1e-9)

    k = INDEX[relation]
    step = view.chroma_step_y if relation == "hue_ramp" else 1
    all_rows = np.arange(view.top + EDGE_ROWS, view.bottom - EDGE_ROWS - 2 * step)
    above, below = pass_of(all_rows.astype(float)), pass_of((all_rows + 2 * (2 * step - 1)).astype(float))
    at = all_rows[(above != below) & (rows.weight[k][all_rows] > 0)]
    if variance[k] <= 0:
        at = at[:0]
    lines = _operated(at, step)
    centre, left, right = (line_fraction(standard, x) for x in (ACTIVE_SAMPLES / 2, 0, ACTIVE_SAMPLES))
    burst = BURST_CENTRE_SAMPLES[standard.short_name] / standard.samples_per_line

    def reading(shape: Curve, plus: float, minus: float | None) -> F64:
        """Of the shape at one fraction of the line, less that at another, as a column."""
        value = _read(lines, lambda row: shape(theta(standard, phase, row, plus)))
        return (value if minus is None else value - _read(lines, lambda row: shape(theta(standard, phase, row, minus))))[:, None]

    heads = np.stack([_read(lines, partial(_is_head, pass_of, h)) for h in range(1, HEADS)], axis=1)
    zero = np.zeros((len(at), 3))
    shapes = (skew_shape, scallop_shape)
    if relation in EDGES:
        at_edge = left if relation == "edge_left" else right
        uncorrected = np.hstack([heads, *(reading(s, at_edge, None) for s in shapes)])
        corrected = np.zeros_like(uncorrected)
    elif relation == "shift":
        uncorrected = np.hstack([heads, *(reading(s, centre, None) for s in shapes)])
        corrected = np.hstack([zero, zero[:, :1], reading(scallop_shape, centre, burst)])
    else:
        unit = -standard.subcarrier_deg_per_ns if relation == "hue_ramp" else 1.0
        growth = [unit * reading(s, right, left) for s in shapes]
        uncorrected = np.hstack([zero, *growth])
        corrected = np.hstack([zero, zero[:, :1], growth[1]])
    weight = np.sqrt(rows.weight[k][at] / variance[k]) / SIGMA_SCALE if len(at) else np.zeros(0)
    number = pass_of((at + 2 * (2 * step - 1)).astype(float)).astype(np.int64)
    source = ("shift", "ramp", "hue_ramp", *EDGES).index(relation) % 3
    return number, BoundaryData(source, rows.ratio[k][at], weight, uncorrected, corrected)


def _is_head(pass_of: Curve, head: int, row: F64) -> F64:
    return np.asarray(pass_of(row) % HEADS == head, np.float64)


def _means(number: NDArray[np.int64], of: BoundaryData) -> BoundaryData:
    """Rows of each boundary together."""
    kinds = np.unique(number)
    share = (number[None, :] == kinds[:, None]) * of.weight**2
    total = share.sum(axis=1)
    share = share / np.where(total > 0, total, 1.0)[:, None]
    return BoundaryData(of.source, share @ of.data, np.sqrt(total), share @ of.uncorrected, share @ of.corrected)


def _differences(number: NDArray[np.int64], of: BoundaryData) -> BoundaryData:
    """Of each boundary with two rows, one of each field, the second less the first."""
    pairs = [np.flatnonzero(number == k) for k in np.unique(number)]
    two = np.array([p for p in pairs if len(p) == 2], dtype=np.int64).reshape(-1, 2)
    a, b = two[:, 0], two[:, 1]
    weight = 1 / np.sqrt(1 / of.weight[a] ** 2 + 1 / of.weight[b] ** 2)
    return BoundaryData(
        of.source, of.data[b] - of.data[a], weight, of.uncorrected[b] - of.uncorrected[a], of.corrected[b] - of.corrected[a]
    )


ALL, SCALLOP = (1, 1, 1, 1, 1), (0, 0, 0, 0, 1)
"""Which of the unknowns (e_B, e_C, e_D, skew, scallop) a model has."""


def _fit(
    parts: list[BoundaryData], hue: HueUse, scallop: float, *, corrected: bool, has: tuple[int, ...] = ALL
) -> ModelFit:
    """One of the models over all kinds of reading."""
    return fit_parts(
        [Part(p.source, p.data, p.weight, (p.corrected if corrected else p.uncorrected) * has) for p in parts], hue, scallop
    )


def fit_regimes(rows: Rows, view: View, standard: Standard, fit: WheelFit, *, evident: bool = False) -> TimeBaseFit:
    """Compare the models and give what the likeliest lets through; NaN for what it hides.

    ``evident``: skew or quadrature is proven by other means, so the material is uncorrected.
    """
    prepared = _prepared(rows, view, standard, fit)
    parts, hue, scallop, free = prepared
    right = _fit(parts, hue, scallop, corrected=False, has=SCALLOP)
    corrected = _fit(parts, hue, scallop, corrected=True)
    decided = _decided(standard, free, right, corrected, evident=evident)
    if decided.regime == "line-corrected":
        return decided
    edges = _edges(rows, view, standard, fit)
    won, apart = _edges_against_picture(edges, free)
    if won < EDGES_MOVE or apart > EDGES_AGREE:
        return replace(decided, edges_won=won)
    free = _fit([*parts, *edges], hue, scallop, corrected=False)
    both = time_base_of("uncorrected", free.value[:5], free.cov[:5, :5], standard, gain=decided.gain)
    return replace(both, edges=True, edges_won=won)


def free_fit(rows: Rows, view: View, standard: Standard, fit: WheelFit, *, edges: bool = False) -> ModelFit:
    """The uncorrected model alone; with the blanking edges, where they are known to be the tape's own."""
    parts, hue, scallop, free = _prepared(rows, view, standard, fit)
    if not edges:
        return free
    return _fit([*parts, *_edges(rows, view, standard, fit)], hue, scallop, corrected=False)


def _edges(rows: Rows, view: View, standard: Standard, fit: WheelFit) -> list[BoundaryData]:
    """Places of the blanking edges at every boundary, errors as they scatter about a fit of their own."""
    out = []
    for name in EDGES:
        part = _means(*_rows_of(rows, view, standard, fit.phase_lines, fit.variance, name))
        spare = np.count_nonzero(part.weight) - len(ALL)
        if spare < 1:
            continue
        left = weighted_fit(part.uncorrected, part.data, part.weight)[2]
        scale = np.sqrt(max(float(np.sum(left**2)) / spare, 1.0))
        out.append(BoundaryData(part.source, part.data, part.weight / scale, part.uncorrected, part.corrected))
    return out


def _edges_against_picture(edges: list[BoundaryData], free: ModelFit) -> tuple[float, float]:
    """Chi-square that the wheel wins in the edges, and that by which they differ from the picture.

    Blanking put in afterwards stands still; content beside it may move, but not as the picture does.
    """
    if not edges:
        return 0.0, 0.0
    basis = np.vstack([e.uncorrected for e in edges])
    data, weight = (np.concatenate([getattr(e, k) for e in edges]) for k in ("data", "weight"))
    value, cov, left = weighted_fit(basis, data, weight)
    won = float(np.sum((data * weight) ** 2) - np.sum(left**2))
    off = value - free.value[:5]
    apart = float(off @ np.linalg.pinv(cov + free.cov[:5, :5], hermitian=True) @ off)
    return won, apart


def _prepared(
    rows: Rows, view: View, standard: Standard, fit: WheelFit
) -> tuple[list[BoundaryData], HueUse, float, ModelFit]:
    """All kinds of reading with errors as they scatter, how hue is used, about how large the scallop is, the uncorrected fit."""
    read = {
        name: _rows_of(rows, view, standard, fit.phase_lines, fit.variance, name) for name in ("shift", "ramp", "hue_ramp")
    }
    means = {name: _means(*r) for name, r in read.items()}
    ramp, hue_ramp = (
        scallop_alone(means[k].uncorrected[:, 4], means[k].data, means[k].weight) for k in ("ramp", "hue_ramp")
    )
    hue = hue_use(standard, ramp, hue_ramp)
    parts = [means["shift"], _differences(*read["shift"]), means["ramp"], *([means["hue_ramp"]] if hue.used else [])]
    scallop = ramp[0] if np.isfinite(ramp[1]) else 0.0
    # once with the errors of the null periods, to see how each kind scatters about the better model; then with that scatter
    first = _fit(parts, hue, scallop, corrected=False)
    other = _fit(parts, hue, scallop, corrected=True)
    parts = [_rescaled(p, k, first, other) for k, p in enumerate(parts)]
    return parts, hue, scallop, _fit(parts, hue, scallop, corrected=False)


def _rescaled(part: BoundaryData, k: int, *fits: ModelFit) -> BoundaryData:
    """Errors as the data scatter about the model that leaves least of this kind (Birge ratio); differences of fields may also have
    smaller errors than their rows promise."""
    if not part.weight.any():
        return part
    n = int(np.count_nonzero(part.weight))
    scatter = min(float(np.sum(f.left[k] ** 2)) / max(n - f.leverage[k], 1.0) for f in fits)
    least = LEAST_SCATTER**2 if k == 1 else 1.0
    return BoundaryData(part.source, part.data, part.weight / np.sqrt(max(scatter, least)), part.uncorrected, part.corrected)


def _decided(standard: Standard, free: ModelFit, right: ModelFit, corrected: ModelFit, *, evident: bool) -> TimeBaseFit:
    gain = corrected.chi_square - free.chi_square
    if evident or gain > 4 * PRICE + MARGIN or corrected.chi_square - right.chi_square > LIKELIER:
        return time_base_of("uncorrected", free.value[:5], free.cov[:5, :5], standard, gain=gain)
    clear = [abs(m.value[4]) > SIGNIFICANT * np.hypot(np.sqrt(m.cov[4, 4]), CLEAR_NS) for m in (corrected, right)]
    if clear[0] and gain < CORRECTED_GAIN and corrected.chi_square - right.chi_square < -LIKELIER:
        return time_base_of("line-corrected", corrected.value[:5], corrected.cov[:5, :5], standard, gain=gain)
    value, cov = corrected.value[:5].copy(), corrected.cov[:5, :5].copy()
    # either model may be the true one: the error bar takes both in
    value[4] = (corrected.value[4] + right.value[4]) / 2
    cov[4, 4] = max(corrected.cov[4, 4], right.cov[4, 4]) + ((corrected.value[4] - right.value[4]) / 2) ** 2
    return time_base_of("undetermined", value, cov, standard, scallop_known=all(clear), gain=gain)
