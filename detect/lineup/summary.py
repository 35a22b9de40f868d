"""From the blocks of a lock to the figures of the four heads, each with its error, and notes for the user."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.findings import HeadValues, Value
from detect.judge.time_geometry import scallop_shape, skew_shape, theta
from detect.lineup.heads import HeadMeans, hue_by_guide
from detect.lineup.pool import Lock, Pool, head_values
from detect.lineup.readings import BlockReadings
from detect.lineup.response import clipped_at, find_response
from detect.lineup.result import Equivalents, Figures
from detect.lineup.timing import Timing, find_timing, velocity_error
from detect.standards import HEADS, Standard

F64 = NDArray[np.float64]

COLOUR_FLOOR_PCT = 0.05
COLOUR_FLOOR_DEG = 0.03
"""Systematic errors of saturation and hue of bars, from rendered captures."""
SETUP_SPAN = 0.925
"""Black to white with setup against without (SMPTE 170M: 92.5 of 100 IRE)."""
_SPAN_NOTE = 0.015
"""A span of the bars' luma this far from nominal is told: 0.13 dB, beyond what a level control is set to."""
HIDDEN = (
    "no time error shows: the guide is set as finely as can be seen, or a corrector with velocity compensation hides it; only "
    "a capture without the time-base corrector tells which"
)


def _bars_note(lock: Lock) -> list[str]:
    """What the bars' luma says about setup and levels, where it departs from BT.601 on all heads alike."""
    spans = [float(np.median(b.bars.luma_gain[b.rows])) for b in lock.blocks if b.bars is not None]
    if not spans or abs(float(np.mean(spans)) - 1) < _SPAN_NOTE:
        return []
    span = float(np.mean(spans))
    said = f"the luma of the bars spans {100 * span:.1f} % of nominal"
    if abs(span - SETUP_SPAN) < _SPAN_NOTE / 2:
        return [f"{said}: setup of 7.5 IRE was left in; white and saturation read as they do with it"]
    return [f"{said}: the playback or decoder level is off, in all heads alike; white and saturation read accordingly"]


def _differential(pool: Pool, timing: Timing | None, standard: Standard) -> tuple[HeadMeans | None, HeadMeans | None]:
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
    pool = Pool(lock, standard)
    timing = find_timing(lock, standard)
    notes = list(timing.notes) if timing is not None else []
    guide = timing if timing is not None and timing.regime != "undetermined" else None
    if timing is not None and guide is None:
        notes.append(HIDDEN)
    if timing is None:
        notes.append("nothing here has edges to time: skew, scallop and quadrature need bars, multiburst or a grille")

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
        errors = timing.skew[0], timing.scallop[0]
        return turned - hue_by_guide(*errors, b.bars.columns, b.bars.weights, len(turned), standard, lock.phase.phase_lines)

    def white(b: BlockReadings) -> F64 | None:
        return b.bars.white_ire if b.bars is not None else None

    def noise(b: BlockReadings) -> F64 | None:
        return None if b.noise_ire2 is None or b.frames < 4 else 10 * np.log10(np.maximum(b.noise_ire2, 1e-9))

    if standard.short_name == "625" and any(b.bars is not None and b.bars.gain is not None for b in lock.blocks):
        notes.append(
            "hue is not told in 625: the V switch turns a hue error the other way from line to line and frame to frame, so that "
            "it averages out and shows as loss of saturation (1.5 % for 10 degrees)"
        )
    notes += _bars_note(lock)
    notes += [
        f"the {f:.2f} MHz packet meets the end of the file's codes on some lines and would read low: left out; lower the "
        "playback level for this capture"
        for f in clipped_at(lock)
    ]
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
        left_share=guide.left_share if guide is not None else None,
        skew_ns=_value(guide.skew) if guide is not None else None,
        scallop_ns=_value(guide.scallop) if guide is not None else None,
        quadrature_ns=head_values(guide.quadrature) if guide is not None else None,
        velocity_error_ns=_value(velocity_error(guide, standard)) if guide is not None else None,
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
