"""From the blocks of a capture to the figures of the four heads: group by lock, fit, and give each figure its error."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detect.findings import HeadValues, Value
from detect.judge.timebase import scallop_shape, skew_shape, theta
from detect.lineup.displacement import Displacement
from detect.lineup.heads import (
    HeadMeans,
    HueTiming,
    TimingFit,
    combine,
    fit_hue_timing,
    fit_timing,
    head_means,
    hue_by_guide,
    within_step_sigmas,
)
from detect.lineup.phase import PhaseFit, find_phase, head_of, lattice
from detect.lineup.readings import BlockReadings
from detect.lineup.result import Equivalents, Figures, Response, ShapeOf
from detect.lineup.shapes import common_part, shape_of
from detect.standards import HEADS, Standard

F64 = NDArray[np.float64]
DB_PER_LN = 20 / np.log(10)

SAME_PHASE_LINES = 0.3
"""Blocks whose phases agree to this belong to one lock of the wheel; a lock holds to 0.05 line."""
GAIN_ERROR = 0.003
"""Part of a timing figure by which it may be off besides noise: measured on rendered captures with known errors."""
GAIN_ERROR_CORRECTED = 0.03
"""The same where a line corrector leaves only the growth along the line to read."""
HUE_GAIN_ERROR = 0.03
"""The same for timing from hue along the line, which reads the growth along it too."""
RESPONSE_FLOOR_DB = 0.03
"""Systematic error of a packet's amplitude, from rendered captures: ends of packets, slope of the response across
one."""
COLOUR_FLOOR_PCT = 0.05
COLOUR_FLOOR_DEG = 0.03
"""Systematic errors of saturation and hue of bars, from rendered captures."""


@dataclass(frozen=True, slots=True)
class Lock:
    """Blocks under one lock of the wheel, and the phase fitted to all of them."""

    blocks: tuple[BlockReadings, ...]
    phase: PhaseFit

    @property
    def frames(self) -> int:
        return sum(b.frames for b in self.blocks)


def locks_of(blocks: Sequence[BlockReadings], standard: Standard) -> list[Lock]:
    """Group blocks in order of time by the phase of their wheel; blocks that show no head go with those before them."""
    period = float(standard.lines_per_pass)
    groups: list[tuple[list[BlockReadings], list[PhaseFit]]] = []
    for block in blocks:
        fit = find_phase(block.series, block.rows, standard)
        if groups:
            known = [f.phase_lines for f in groups[-1][1] if f.locked]
            apart = (
                abs((fit.phase_lines - known[-1] + period / 2) % period - period / 2) if known and fit.locked else 0.0
            )
            if apart <= SAME_PHASE_LINES:
                groups[-1][0].append(block)
                groups[-1][1].append(fit)
                continue
        groups.append(([block], [fit]))
    return [Lock(tuple(g), _joint(f, standard)) for g, f in groups]


def _joint(fits: list[PhaseFit], standard: Standard) -> PhaseFit:
    """One phase for all blocks of a lock: their log-likelihoods add up."""
    curves = [f.curve for f in fits if f.curve.any()]
    if not curves:
        return fits[0]
    curve = np.sum(curves, axis=0)
    best = int(np.argmax(curve))
    step = float(standard.phase_step_lines)
    near = np.exp(np.maximum(curve - curve[best], -50.0))
    off = (np.arange(len(curve)) - best + len(curve) // 2) % len(curve) - len(curve) // 2
    return PhaseFit(
        phase_lines=float(lattice(standard)[best]),
        sigma_lines=step * max(0.5, float(np.sqrt((near * off**2).sum() / near.sum()))),
        gain=float(curve[best]),
        null_gain=float(np.sum([f.null_gain for f in fits])),
        locked=any(f.locked for f in fits),
        curve=curve,
    )


# --- means over blocks ------------------------------------------------------------------------------------------------


class _Pool:
    """Head means of one figure from all blocks that have it: the mean over blocks, errors from the fit and their
    scatter."""

    def __init__(self, lock: Lock, standard: Standard) -> None:
        self.lock, self.standard = lock, standard

    def means(
        self,
        take: Callable[[BlockReadings], F64 | None],
        *,
        relative: bool = True,
        inner_rows_only: bool = False,
        floor: float = 0.0,
    ) -> HeadMeans | None:
        per_block: list[HeadMeans] = []
        weights: list[float] = []
        for block in self.lock.blocks:
            figure = take(block)
            if figure is None:
                continue
            found = head_means(
                figure, block.rows, self.standard, self.lock.phase.phase_lines, inner_rows_only=inner_rows_only
            )
            if not np.all(np.isfinite(found.values)):
                continue
            values = found.values - (found.values.mean() if relative else 0.0)
            per_block.append(HeadMeans(values, found.sigmas))
            weights.append(float(block.frames))
        if not per_block:
            return None
        w = np.array(weights) / np.sum(weights)
        v = np.stack([m.values for m in per_block])
        s = np.stack([m.sigmas for m in per_block])
        mean = w @ v
        sigma = np.sqrt((w**2) @ s**2)
        if len(per_block) >= 4:
            scatter = np.sqrt((w @ (v - mean) ** 2) / (len(per_block) - 1))
            # the scatter of few blocks is itself uncertain, so the heads share one
            sigma = np.maximum(sigma, float(np.sqrt(np.mean(scatter**2))))
        return HeadMeans(mean, np.hypot(sigma, floor))


def head_values(found: HeadMeans | None) -> HeadValues | None:
    return (
        None
        if found is None
        else HeadValues(values=[float(v) for v in found.values], sigmas=[float(s) for s in found.sigmas])
    )


# --- timing -----------------------------------------------------------------------------------------------------------


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
    fits: list[TimingFit] = []
    for d, block, _ in _averaged(lock.blocks):
        found = fit_timing(d, block.rows, standard, lock.phase.phase_lines)
        if found is not None:
            fits.append(found)
    if not fits:
        return None
    decided = [f for f in fits if f.regime != "undetermined"]
    regimes = {f.regime for f in decided}
    notes: list[str] = []
    if len(regimes) > 1:
        notes.append(
            "some signals look line-corrected and others do not; the time-base corrector may have been switched"
        )
    best = min(decided or fits, key=lambda f: f.skew_sigma_ns)
    same = [f for f in fits if f.regime == best.regime and abs(f.left_share - best.left_share) < 0.1]
    error = GAIN_ERROR if best.regime != "line-corrected" else GAIN_ERROR_CORRECTED
    skew = _mean([(f.skew_ns, f.skew_sigma_ns) for f in same])
    scallop = _mean([(f.scallop_ns, f.scallop_sigma_ns) for f in same])
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
    skew_more, scallop_more = within_step_sigmas(skew[0], scallop[0], standard)
    skew = skew[0], float(np.hypot(skew[1], skew_more))
    scallop = scallop[0], float(np.hypot(scallop[1], scallop_more))
    quadrature = [f for f in same if np.all(np.isfinite(f.quadrature_ns))]
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


def _velocity(timing: Timing, standard: Standard) -> tuple[float, float]:
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


# --- response ---------------------------------------------------------------------------------------------------------


def find_response(pool: _Pool) -> Response | None:
    """Per-head response at each packet: against the white flag where there is one, else against the first packet.

    With a flag, each head's packets are divided by its own flag, and the scale is set so that the mean of the heads
    reads 0 dB at the first packet: how tall packets are against the flag differs between generators (60 or 50 IRE on
    100).
    """
    blocks = [b for b in pool.lock.blocks if b.layout is not None and b.packets_ire is not None]
    if not blocks:
        return None
    first = blocks[0]
    assert first.layout is not None
    count = len(first.layout.packets)
    mhz = np.array([p.mhz for p in first.layout.packets])
    flagged = first.layout.flag is not None

    def log_of(k: int) -> Callable[[BlockReadings], F64 | None]:
        def take(b: BlockReadings) -> F64 | None:
            if b.packets_ire is None or b.packets_ire.shape[1] != count:
                return None
            reference = b.flag_ire if flagged else b.packets_ire[:, 0]
            if reference is None:
                return None
            with np.errstate(divide="ignore", invalid="ignore"):
                ratio = np.maximum(b.packets_ire[:, k], 1e-3) / np.maximum(reference, 1e-3)
                return np.asarray(DB_PER_LN * np.log(ratio), np.float64)

        return take

    readable = [k for k in range(count) if np.isfinite(first.packets_ire[first.rows, k]).all()]  # type: ignore[index]
    found = {k: pool.means(log_of(k), relative=False, inner_rows_only=True, floor=RESPONSE_FLOOR_DB) for k in readable}
    kept = [k for k in readable if found[k] is not None]
    if len(kept) < 2:
        return None
    db = np.stack([found[k].values for k in kept], axis=1)  # type: ignore[union-attr]
    sigma = np.stack([found[k].sigmas for k in kept], axis=1)  # type: ignore[union-attr]
    db = db - db[:, 0].mean()
    common = common_part(db)
    f = mhz[kept]
    shapes = [shape_of(f, db[h] - common, sigma[h]) for h in range(HEADS)]
    shared = shape_of(f, common, sigma.mean(axis=0))
    return Response(
        mhz=[float(x) for x in f],
        db=[[float(x) for x in row] for row in db],
        sigma_db=[[float(x) for x in row] for row in sigma],
        reference="white flag" if flagged else "first packet",
        common_db=[float(x) for x in common],
        shapes=[ShapeOf(word=s.word, mhz=s.mhz, db=s.db) for s in shapes],
        common_shape=ShapeOf(word=shared.word, mhz=shared.mhz, db=shared.db),
    )


# --- everything -------------------------------------------------------------------------------------------------------


def _differential(pool: _Pool, timing: Timing | None, standard: Standard) -> tuple[HeadMeans | None, HeadMeans | None]:
    """Differential phase (degrees) and gain (%) of a modulated staircase: highest step against lowest, per head.

    What the guide's error turns between the two places of the line is taken out where it is known (525).
    """

    def ends(b: BlockReadings) -> tuple[int, int] | None:
        if b.steps is None or b.steps.chroma is None:
            return None
        strong = np.flatnonzero(np.abs(b.steps.chroma.mean(axis=0)) > 0.5 * np.abs(b.steps.chroma.mean(axis=0)).max())
        levels = b.steps.level_ire[strong]
        return int(strong[np.argmax(levels)]), int(strong[np.argmin(levels)])

    def phase(b: BlockReadings) -> F64 | None:
        pair = ends(b)
        if pair is None or b.steps is None or b.steps.chroma is None:
            return None
        high, low = pair
        turned = np.angle(b.steps.chroma[:, high] * np.conj(b.steps.chroma[:, low]), deg=True)
        if timing is not None and standard.short_name == "525":
            rows = np.arange(len(turned), dtype=np.float64)
            at = [
                theta(
                    standard,
                    pool.lock.phase.phase_lines,
                    rows,
                    (standard.active_start_sample + c) / standard.samples_per_line,
                )
                for c in (b.steps.columns[high], b.steps.columns[low])
            ]
            late = timing.skew[0] * (skew_shape(at[0]) - skew_shape(at[1]))
            late = late + timing.scallop[0] * (scallop_shape(at[0]) - scallop_shape(at[1]))
            turned = turned + standard.subcarrier_deg_per_ns * late
        return turned

    def gain(b: BlockReadings) -> F64 | None:
        pair = ends(b)
        if pair is None or b.steps is None or b.steps.chroma is None:
            return None
        high, low = (np.abs(b.steps.chroma[:, k]) for k in pair)
        return 100 * (high / np.maximum(low, 1e-6) - 1)

    return (
        pool.means(phase, relative=False, inner_rows_only=True, floor=COLOUR_FLOOR_DEG),
        pool.means(gain, relative=False, inner_rows_only=True, floor=COLOUR_FLOOR_PCT),
    )


def summarise(lock: Lock, standard: Standard) -> tuple[Figures, Equivalents, list[str]]:
    """All figures of one lock, the same on the machine, and notes for the user."""
    pool = _Pool(lock, standard)
    timing = find_timing(lock, standard)
    notes = list(timing.notes) if timing is not None else []

    def colour(b: BlockReadings) -> NDArray[np.complex128] | None:
        return b.bars.pooled() if b.bars is not None and b.bars.gain is not None else None

    def saturation(b: BlockReadings) -> F64 | None:
        c = colour(b)
        return None if c is None else 100 * np.abs(c)

    def hue(b: BlockReadings) -> F64 | None:
        c = colour(b)
        if c is None or b.bars is None or standard.short_name != "525":
            return None
        turned = np.angle(c, deg=True)
        if timing is None:
            return turned
        guide = timing.skew[0], timing.scallop[0]
        return turned - hue_by_guide(*guide, b.bars.columns, b.bars.weights, len(turned), standard, lock.phase.phase_lines)

    def white(b: BlockReadings) -> F64 | None:
        return b.bars.white_ire if b.bars is not None else None

    def noise(b: BlockReadings) -> F64 | None:
        return None if b.noise_ire2 is None or b.frames < 4 else 10 * np.log10(np.maximum(b.noise_ire2, 1e-9))

    if standard.short_name == "625" and any(b.bars is not None and b.bars.gain is not None for b in lock.blocks):
        notes.append(
            "hue is not told in 625: the V switch turns a hue error the other way from line to line and frame to frame, so that "
            "it averages out and shows as loss of saturation (1.5 % for 10 degrees)"
        )
    absolute = pool.means(saturation, relative=False, inner_rows_only=True, floor=COLOUR_FLOOR_PCT)
    relative = None
    if absolute is not None:
        mean = float(absolute.values.mean())
        relative = HeadMeans(100 * (absolute.values / mean - 1), absolute.sigmas * 100 / mean)
    whites = pool.means(white, relative=False)
    levels = pool.means(white) or pool.means(lambda b: b.level_ire)
    noises = pool.means(noise, relative=False)
    phase, gain = _differential(pool, timing, standard)
    bars = next((b.bars for b in lock.blocks if b.bars is not None), None)
    figures = Figures(
        time_base=timing.regime if timing is not None else "undetermined",  # type: ignore[arg-type]
        left_share=timing.left_share if timing is not None and timing.regime != "undetermined" else None,
        skew_ns=_value(timing.skew) if timing is not None else None,
        scallop_ns=_value(timing.scallop) if timing is not None else None,
        quadrature_ns=head_values(timing.quadrature) if timing is not None else None,
        velocity_error_ns=_value(_velocity(timing, standard)) if timing is not None else None,
        saturation_pct=head_values(relative),
        saturation_of_nominal_pct=head_values(absolute),
        hue_deg=head_values(pool.means(hue, inner_rows_only=True, floor=COLOUR_FLOOR_DEG)),
        hue_of_nominal_deg=head_values(pool.means(hue, relative=False, inner_rows_only=True, floor=COLOUR_FLOOR_DEG)),
        level_ire=head_values(levels),
        white_ire=head_values(whites),
        white_nominal_ire=bars.white_nominal_ire if bars is not None else None,
        response=find_response(pool),
        differential_phase_deg=head_values(phase),
        differential_gain_pct=head_values(gain),
        noise_db=_centred(noises),
        snr_db=_snr(noises),
    )
    return figures, equivalents(figures, standard), notes


def _value(pair: tuple[float, float]) -> Value:
    return Value(value=pair[0], sigma=pair[1])


def _centred(found: HeadMeans | None) -> HeadValues | None:
    return None if found is None else head_values(HeadMeans(found.values - found.values.mean(), found.sigmas))


def _snr(noise_db: HeadMeans | None) -> Value | None:
    """Black to white over rms noise, unweighted, of the mean power over the heads."""
    if noise_db is None:
        return None
    power = float(np.mean(10 ** (noise_db.values / 10)))
    return Value(value=40.0 - 10 * float(np.log10(power)), sigma=float(np.sqrt(np.mean(noise_db.sigmas**2) / HEADS)))


def equivalents(figures: Figures, standard: Standard) -> Equivalents:
    """Guide travel and angles that would make the figures (geometry, tip radius 26.2 mm)."""

    def scaled(value: Value | None, per: float) -> Value | None:
        if value is None or value.value is None or value.sigma is None:
            return None
        return Value(value=value.value / per, sigma=value.sigma / per)

    quadrature = None
    if figures.quadrature_ns is not None:
        per = standard.quadrature_ns_per_arcsec
        quadrature = HeadValues(
            values=[None if v is None else v / per for v in figures.quadrature_ns.values],
            sigmas=[None if s is None else s / per for s in figures.quadrature_ns.sigmas],
        )
    return Equivalents(
        guide_position_um=scaled(figures.skew_ns, standard.skew_ns_per_um),
        guide_height_um=scaled(figures.scallop_ns, standard.scallop_ns_per_um),
        quadrature_arcsec=quadrature,
    )


def bands_of(standard: Standard, phase: float, height: int) -> NDArray[np.int64]:
    """Head index of each row; kept here so that callers need not know the lattice."""
    return head_of(standard, phase, height)
