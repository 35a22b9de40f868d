"""From a wheel fit to the published readings of one stretch, with error bars that own up to what the fit does not know."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from detect.findings import HeadValues, ResponseCurve, Value, WindowReadings
from detect.judge.combed import comb_steps
from detect.judge.doubt import NONE, Doubt, widened
from detect.judge.head_fit import PLAIN, HeadFit, HeadTerms, fit_heads
from detect.judge.noise_floor import Quiet
from detect.judge.regimes import fit_regimes
from detect.judge.row_bases import head_readings, hue_of_scallop
from detect.judge.rows import INDEX, Rows
from detect.judge.time_geometry import WHOLE_LINES_AT, skew_of_scallop, timing_design
from detect.judge.timebase import TimeBaseFit, fit_windows, head_offsets, opposed, steps_mix
from detect.judge.wheel import ALONE, DELAY_LINE, View, WheelFit
from detect.measure.relations import RESPONSE_MHZ
from detect.standards import HEADS, Standard, pass_of_rows

F64 = NDArray[np.float64]

SYSTEMATIC = {
    "saturation": 0.0065, "hue": 0.02, "saturation_luma": 0.08, "hue_luma": 0.1, "level": 0.0145, "noise": 0.045, "response": 0.085,
}  # fmt: skip
"""Share of a figure that content may bias it by (measured against truth over varied content, docs/accuracy.md)."""
LARGE_SATURATION = 0.05
"""... and of a saturation besides, for each 100 % of it: between lines so unlike the logarithm of the ratio saturates."""
OF_SPREAD_LINES = 0.04
"""... and besides, of saturation and hue where a decoder made chroma lines of several: a step then reads a quarter of itself or little
more, by the share of slant that is taken off (house value, from the tapes of tests/test_delay_line.py)."""
OF_FIRST_LINE = 0.07
"""Share of what the first lines of passes have by themselves that goes into a head's saturation: boundaries fall anywhere in a line, and
a scallop's growth then differs by a tenth from one to the next (same source)."""
NOISE_OF_RESPONSE = 0.08
"""Share of a head's response that its noise figure may owe to it: detail that passes for noise grows with response (same source)."""
NOISE_OF_RESPONSE_IN_BLOCKS = 0.2
"""... where blocks of rows are coded: the coder's own noise goes with the detail it has to code (same source)."""
RESPONSE_OF_NOISE = 0.05
"""Share of a head's noise figure that its response may owe to it: a line of much more noise than the next is taken for sharper (same
source, differences of 5 dB and more in grainy pictures)."""
OF_MIXED = 1.5
"""Share of what a comb takes over a head change that may be left in the hue of the heads on either side: an adaptive comb does it in some
places of the picture and not in others, over one line or two (house value, from tapes of another simulator)."""
OF_BESIDE = {"saturation": 0.2, "hue": 0.05, "noise": 0.02, "response": 0.2}
"""Share of what the lines beside a head change have by themselves behind a comb that may be left in the heads, since the slant of the
picture goes by them, which noise does without (house value, tapes of bench_material.decoded)."""
MOST_OPPOSED = 0.25
"""Share of a line's colour lost beside a head change behind a comb from which the hue of heads is not given (60 degrees of subcarrier from
pass to pass): the lines beside it turn by as much as they lose (house value)."""
BESIDE_PRICE = 3.0
"""Chi-square that each such line must win where passes are not known to be displaced (house value)."""
NOISE_OF_PLACE_DB = 0.001
"""Error of a head's noise for each ns by which heads are displaced at most: what texture quiet cells hold falls on others then (house
value, from tapes of 300 ns and one of another simulator)."""
DETAIL_GAIN = 1.3
"""What ``noise_floor`` sees of detail is taken off so many times: some of it never lets up, and is not seen (same source)."""
HEADS_SCALE = {"saturation": 0.65, "hue": 0.9, "saturation_luma": 1.15, "hue_luma": 1.15, "level": 0.75, "noise": 0.7, "response": 0.75}
"""Standard errors of the fit times this: content is no stationary noise (same source)."""
FLOOR = {"saturation": 0.02, "hue": 0.018, "saturation_luma": 0.1, "hue_luma": 0.05, "level": 0.004, "noise": 0.028, "response": 0.045}
"""Standard error below which nothing is claimed: %, degrees, IRE, dB, dB (same source)."""

ONE_SHOT = {
    "saturation": 2.0, "hue": 1.3, "saturation_luma": 2.0, "hue_luma": 1.3, "level": 3.0, "noise": 1.4, "response": 1.1,
    "quadrature": 1.3, "skew": 1.7, "scallop": 1.8, "velocity": 1.3,
}  # fmt: skip
"""Standard errors times this where all is one shot: its content is the same picture again and again, however many there are of it, and
nothing averages out that happens to lie at the heads' own places (same source, single handheld shots)."""
QUADRATURE_SCALE = 1.0
"""The same for quadrature."""
QUADRATURE_FLOOR_NS, QUADRATURE_SHARE = 0.12, 0.025
"""Standard error of quadrature below which nothing is claimed, and the share of it that content may bias it by (same source)."""
QUADRATURE_OF_SCALLOP = 0.01
"""Share of a scallop that goes into the places of the heads (same source)."""
QUADRATURE_OF_SATURATION_NS = 0.018
"""Error of a head's place for each % its saturation is off: the edges of its chroma pose as displacement (same source)."""
UNCORRECTED_SCALLOP_SCALE = 0.75
"""The same for a scallop, and the velocity error it makes, where displacement, its growth and the fields' difference all show it (same
source)."""

MOST_LOG_GAIN = 1.2
"""Gains of 3.3 and more are not believed when hue is corrected for them."""
CLEAR_COLOUR = 4.5
"""Standard errors from which saturation, hue and response of a head are clear of nought: content has bands of colour and of texture of its
own, and beside large errors of timing it imitated them at four (house value)."""
SCALLOP_FLOOR_NS = {"525": 0.6, "625": 1.5}
"""Standard error below which no scallop is claimed; in 625 there is no hue along the line to read it from (same source)."""
SKEW_FLOOR_NS, SKEW_ERROR, SCALLOP_OF_SKEW = 0.6, 0.015, 0.01
"""The same for skew, and the shares of a skew that it may be biased by and that may go into a scallop: content straightens what is
displaced by samples, and where in a line the error is taken is not told (house values, from 300 ns of another simulator)."""
ORIGIN_LINES = 0.07
"""Where in its first line a pass begins, in parts of a line: at 0H, or 0.14 later where the picture does (BT.601); what a scallop makes of
skew by that is in its error."""
VELOCITY_FLOOR_NS, VELOCITY_OF_SKEW = 0.3, 0.015
"""The same for velocity error, and the share of the skew that goes into it within a line, which is not told apart."""
BOW_ERROR = 0.025
"""Share of a scallop that content may bias it by (same source)."""
GROWTH_ERROR = 0.03
"""The same for velocity error, with what it makes whether the start of a line is 0H or its burst."""
HUE_DEG_OF_SATURATION = 3.0
"""Error of a head's hue where its saturation is off by 100 %, falling with the square of that: hue and gain are read from the same
products (same source)."""
OF_PLANE = 0.15
"""Error of a head's hue in 625 lines as a share of it: whether Cb and Cr turned or U and V, which read 0.71 to 1.41 of each other as the
picture is blue or red, is not told there."""
SATURATION_OF_TURN, HUE_OF_TURN = 2.0, 0.006
"""Error of a head's saturation (%) whose place turns the subcarrier by a right angle against the mean of the heads, falling with 1 - cos
of that; and of its hue for each degree. What decoders without a comb leave of it (house value, another simulator's tapes of 30 and
40 ns)."""
OF_BRIGHTNESS = {"saturation_luma": 0.02, "hue_luma": 0.04}
"""Error of differential gain (%) and phase (degrees) for each % by which the saturation of the head is off (same source)."""
MOST_LOST = 0.1
"""Share of the chroma products lost to a hue that turns along the line from which neither is given (47 degrees)."""
HUE_DEG_PER_NS, UNCORRECTED_HUE_DEG_PER_NS = 0.012, 0.01
"""Error of a head's hue for each ns of velocity error, whose own turn of hue, a hundred times as large and more, is taken off; and the same
in uncorrected material, where lines were moved back besides before hue was read (same source)."""


@dataclass(frozen=True, slots=True)
class Offsets:
    """Four head offsets, mean zero, and their standard errors."""

    value: F64
    sigma: F64

    def published(self) -> HeadValues | None:
        if not np.isfinite(self.value).all():
            return None
        return HeadValues(values=self.value.tolist(), sigmas=self.sigma.tolist())


def offsets_of(value: F64, sigma: F64, family: str, *, shots: int) -> Offsets:
    """Head offsets as published, from those of a relation: logarithms undone, errors that content adds put in."""
    if family == "saturation":  # the relation is a logarithm
        ratio = np.exp(value / 100)
        value = 100 * (ratio / ratio.mean() - 1)
    share = SYSTEMATIC[family] + (LARGE_SATURATION * np.abs(value) / 100 if family == "saturation" else 0.0)
    sigma = np.sqrt((HEADS_SCALE[family] * sigma) ** 2 + (share * np.abs(value)) ** 2 + FLOOR[family] ** 2)
    return Offsets(value, sigma * _repeated(family, shots))


def _by_jumps(
    fit: WheelFit, relation: str, *, common: bool = False, known: F64 | None = None, gain: F64 | float = 1.0
) -> tuple[F64, F64]:
    """Offsets of the heads and their standard errors from the jumps of one relation; ``gain`` (4,) multiplies them, and ``known`` (4,)
    is taken off."""
    jumps = gain * fit.jumps[INDEX[relation]] - (0.0 if known is None else known)
    return head_offsets(jumps, gain * fit.jump_sigma[INDEX[relation]], common=common)


def _repeated(family: str, shots: int) -> float:
    return ONE_SHOT[family] if shots < 2 else 1.0


def _hue_gain(fit: WheelFit) -> F64:
    """What jumps of hue are to be multiplied by, (4,): a turn phi together with a gain k reads sin(phi) / cosh(ln k)."""
    return np.asarray(np.cosh(np.clip(np.nan_to_num(fit.jumps[INDEX["saturation"]]) / 100, -MOST_LOG_GAIN, MOST_LOG_GAIN)), np.float64)


def hue_from_timing(rows: Rows, view: View, standard: Standard, fit: WheelFit, timing: TimeBaseFit) -> F64:
    """Jumps of hue that the scallop makes between burst and mid-line, (4,): not the heads' own. In 625 they alternate: none."""
    if standard.alternating_v or timing.whole_lines:
        return np.zeros(HEADS)
    design = timing_design(rows, view, standard, fit.phase_lines)
    scallop = timing.scallop_ns if np.isfinite(timing.scallop_ns) else _hue_scallop(design.growth, fit, standard)
    return np.asarray(-standard.subcarrier_deg_per_ns * design.shift_corrected[:, 1] * scallop)


def hue_from_mixing(rows: Rows, view: View, standard: Standard, fit: WheelFit, timing: TimeBaseFit) -> F64:
    """Jumps of hue that a comb makes by taking steps of displacement over to the lines beside a boundary, (4,).

    Both lines come nearer by the share that is taken over, the lines about them stay: 1.5 ((b - a) - (n - p) / 3) reads three of it.
    """
    terms = hue_terms(rows, view, standard, fit, timing)
    heads = None if terms.mixed is None else fit_heads(rows, view, standard, "hue", fit.phase_lines, terms)
    return np.zeros(HEADS) if heads is None or terms.mixed is None else -3 * heads.mixed * np.asarray(terms.mixed)


def shift_from_scallop(rows: Rows, view: View, standard: Standard, fit: WheelFit, timing: TimeBaseFit) -> F64:
    """Jumps of displacement that the scallop makes at mid-line of uncorrected material, (4,): not skew's."""
    scallop = timing.scallop_ns if np.isfinite(timing.scallop_ns) else 0.0
    design = timing_design(rows, view, standard, fit.phase_lines)
    return np.asarray((design.shift_whole if timing.whole_lines else design.shift)[:, 1] * scallop)


def _hue_scallop(growth: F64, fit: WheelFit, standard: Standard) -> float:
    """Scallop as hue along the line alone reads it."""
    weight = fit.jump_weight[INDEX["hue_ramp"]]
    unit = -standard.subcarrier_deg_per_ns * growth[:, 1]
    power = float((weight * unit**2).sum())
    return float((weight * unit * fit.jumps[INDEX["hue_ramp"]]).sum() / power) if power > 0 else 0.0


def stretch_readings(
    rows: Rows,
    view: View,
    standard: Standard,
    fit: WheelFit,
    *,
    shots: int,
    doubt: Doubt = NONE,
    within: TimeBaseFit | None = None,
    evident: bool = False,
    quiet: Quiet | None = None,
) -> tuple[WindowReadings, TimeBaseFit]:
    """Everything the fit says about one stretch of so many shots; ``doubt``: shares that the carrier may have taken away.

    ``within``: the stretch that these jumps are a part of; its regime holds. ``evident``: it is known to be uncorrected. ``quiet``: what
    it shows of noise and of detail that passes for it.
    """
    timing = fit_regimes(rows, view, standard, fit, evident=evident) if within is None else fit_windows(rows, view, standard, fit, within)

    def offsets(relation: str, family: str) -> Offsets:
        heads = None
        if within is None:
            terms = terms_of(relation, rows, view, standard, fit, timing)
            heads = fit_heads(rows, view, standard, relation, fit.phase_lines, terms)
        read = offsets_of(*((heads.value, heads.sigma) if heads is not None else _by_jumps(fit, relation)), family, shots=shots)
        if heads is not None:
            read = replace(read, sigma=np.hypot(read.sigma, OF_BESIDE.get(family, 0.0) * heads.beside))
        if relation != "saturation":
            return read
        read = _of_spread_lines(read, view)
        return read if heads is None else replace(read, sigma=np.hypot(read.sigma, OF_FIRST_LINE * heads.first_line))

    saturation, noise = offsets("saturation", "saturation"), offsets("noise", "noise")
    noise = replace(noise, sigma=np.hypot(noise.sigma, NOISE_OF_PLACE_DB * float(np.abs(np.nan_to_num(timing.quadrature_ns)).max())))
    response = [offsets(f"response_{mhz:g}", "response") for mhz in RESPONSE_MHZ]
    response = [replace(r, sigma=np.hypot(r.sigma, RESPONSE_OF_NOISE * np.nan_to_num(noise.value))) for r in response]
    at_3 = response[RESPONSE_MHZ.index(3.0)]
    hue = _hue(_hue_read(rows, view, standard, fit, timing, by_rows=within is None), view, timing, saturation, shots)
    turn = standard.subcarrier_deg_per_ns * np.nan_to_num(timing.quadrature_ns)
    of_turn = SATURATION_OF_TURN * (1 - np.cos(np.radians(turn)))
    of_turn = np.maximum(of_turn, of_turn.max() / (HEADS - 1))  # one head that is off puts the mean of them off
    saturation = replace(saturation, sigma=np.hypot(saturation.sigma, of_turn))
    hue = replace(hue, sigma=np.hypot(hue.sigma, HUE_OF_TURN * turn))
    mixes = view.combs > 0 and steps_mix(timing, standard)
    spoiled = mixes and within is not None  # jumps see the lines beside the head changes, and cannot tell them from the heads'
    plain = not (spoiled or (mixes and (opposed(timing, standard) > MOST_OPPOSED or view.noise_block_rows > 1)))
    # in 625 a phase error of the tape alternates with the V switch, and a decoder averages it away: nought would be no figure
    hue_told = (not standard.alternating_v or _turned(hue)) and plain
    if standard.alternating_v:
        hue = replace(hue, sigma=np.hypot(hue.sigma, OF_PLANE * hue.value))

    def by_luma(relation: str) -> HeadValues | None:
        return _by_luma(rows, view, standard, fit, relation, saturation, timing, shots)

    readings = WindowReadings(
        time_base=timing.regime,
        **_timing_figures(timing, standard, shots, saturation),
        head_skew_ns=_head_skew(timing, shots),
        saturation_pct=None if spoiled else saturation.published(),
        hue_deg=hue.published() if hue_told else None,
        differential_gain_pct=by_luma("saturation_luma") if within is None else None,
        differential_phase_deg=by_luma("hue_luma") if within is None and not standard.alternating_v and plain else None,
        level_ire=offsets("level", "level").published(),
        noise_db=None
        if spoiled
        else _without_detail(noise, at_3, _detail(noise, rows, standard, fit, quiet), blocks=view.noise_block_rows > 1).published(),
        response_db=None if spoiled else at_3.published(),
        response_curve=None if spoiled else _curve(response),
    )
    return widened(readings, doubt), timing


def _curve(response: list[Offsets]) -> ResponseCurve:
    return ResponseCurve(
        mhz=list(RESPONSE_MHZ),
        db=[[float(r.value[h]) for r in response] for h in range(HEADS)],
        sigma_db=[[float(r.sigma[h]) for r in response] for h in range(HEADS)],
    )


def _turned(hue: Offsets) -> bool:
    """Whether any head turns the hue of all its lines alike, beyond doubt."""
    return bool((np.abs(hue.value) > CLEAR_COLOUR * hue.sigma).any())


def _detail(noise: Offsets, rows: Rows, standard: Standard, fit: WheelFit, quiet: Quiet | None) -> float:
    """Share of detail in what is read as noise."""
    if quiet is None:
        return 0.0
    heads = pass_of_rows(standard, fit.phase_lines, np.arange(rows.height)) % HEADS
    return quiet.detail_share(np.nan_to_num(noise.value)[heads])


def _without_detail(noise: Offsets, response: Offsets, share: float, *, blocks: bool) -> Offsets:
    """Noise of the heads less what detail puts into it, which goes with their response."""
    owed = NOISE_OF_RESPONSE_IN_BLOCKS if blocks else NOISE_OF_RESPONSE
    of_head = np.nan_to_num(response.value)
    value = noise.value - DETAIL_GAIN * share * of_head
    return Offsets(value, np.hypot(noise.sigma, np.hypot(owed, share) * of_head))


def _head_skew(timing: TimeBaseFit, shots: int) -> HeadValues | None:
    own = timing.head_skew
    return None if own is None else Offsets(own.value_ns, own.sigma_ns * _repeated("skew", shots)).published()


def _hue_read(
    rows: Rows, view: View, standard: Standard, fit: WheelFit, timing: TimeBaseFit, *, by_rows: bool
) -> tuple[F64, F64]:
    """Offsets of the heads in hue and their standard errors, what scallop does taken off."""
    if by_rows:
        terms = terms_of("hue", rows, view, standard, fit, timing)
        heads = fit_heads(rows, view, standard, "hue", fit.phase_lines, terms)
        if heads is not None:
            return heads.value, np.hypot(_with_mixed(heads), OF_BESIDE["hue"] * heads.beside)
    known = hue_from_timing(rows, view, standard, fit, timing)
    return _by_jumps(fit, "hue", common=True, known=known, gain=_hue_gain(fit))


def _with_mixed(heads: HeadFit) -> F64:
    """Standard errors, with what a comb may have left in the heads on either side of a step."""
    steps = np.zeros(HEADS) if heads.terms.mixed is None else np.asarray(heads.terms.mixed)
    steps = np.abs(steps - steps.mean())
    return np.asarray(np.hypot(heads.sigma, OF_MIXED * heads.mixed * np.maximum(steps, np.roll(steps, 1))))


def _by_luma(
    rows: Rows, view: View, standard: Standard, fit: WheelFit, relation: str, saturation: Offsets, timing: TimeBaseFit, shots: int
) -> HeadValues | None:
    """How much more the heads are off at white than at black, of the whole stretch alone.

    Gain is read as a share of what the head's saturation is, and given as one of the mean's. Where velocity error turns the hue of a line
    by phi against the next, products of the two shrink by 1 - cos phi, and brightness that runs along the line makes the square of that.
    """
    gain = head_readings(standard, view, relation, fit.phase_lines).of_boundaries(_hue_gain(fit))
    mixed = comb_steps(rows, view, standard, fit.phase_lines, timing) if relation == "hue_luma" else None
    heads = fit_heads(rows, view, standard, relation, fit.phase_lines, HeadTerms(mixed=mixed, gain=gain))
    if heads is None:
        return None
    off = np.nan_to_num(saturation.value)
    of_head = 1 + off / 100 if relation == "saturation_luma" else 1.0
    read = offsets_of(of_head * heads.value, of_head * _with_mixed(heads), relation, shots=shots)
    turn = np.radians(standard.subcarrier_deg_per_ns * float(np.nan_to_num(timing.velocity_ns)) / 2)
    unit = 100.0 if relation == "saturation_luma" else np.degrees(1.0)
    lost = (1 - np.cos(np.clip(turn, -np.pi, np.pi))) ** 2
    if lost > MOST_LOST:
        return None
    of_turn = unit * lost
    return replace(read, sigma=np.sqrt(read.sigma**2 + (OF_BRIGHTNESS[relation] * off) ** 2 + of_turn**2)).published()


def terms_of(relation: str, rows: Rows, view: View, standard: Standard, fit: WheelFit, timing: TimeBaseFit) -> HeadTerms:
    """What else is in the rows of a relation that tells of the heads.

    Where passes are displaced against each other, or have another colour, a comb adds lines beside a head change that do not belong
    together: they have lost colour, are turned, and hold subcarrier in their luminance. An adaptive one turns in some places only: what it
    takes over is asked of hue as a share of the steps.
    """
    terms = PLAIN
    if relation == "hue":
        terms = hue_terms(rows, view, standard, fit, timing)
    elif relation == "saturation":
        terms = saturation_terms(view, standard)
    if not view.combs or relation == "level" or (relation == "hue" and view.chroma_lines == ALONE):
        return terms
    beside = replace(terms, mixed=None, beside=view.combs)
    return beside if steps_mix(timing, standard) or _wins(relation, rows, view, standard, fit, terms, beside) else terms


def _wins(relation: str, rows: Rows, view: View, standard: Standard, fit: WheelFit, terms: HeadTerms, beside: HeadTerms) -> bool:
    """Whether lines beside a head change have something by themselves, where no displacement tells: heads of other colour mix too."""
    heads = fit_heads(rows, view, standard, relation, fit.phase_lines, terms)
    if heads is None:
        return False
    gain = replace(heads, terms=beside).explained(standard, fit.phase_lines) - heads.explained(standard, fit.phase_lines)
    return gain > BESIDE_PRICE * 2 * HEADS * beside.beside


def saturation_terms(view: View, standard: Standard) -> HeadTerms:
    """What else is in the rows of saturation.

    Where a delay line adds lines whose phase errors have opposite signs (625), it takes saturation away; the first line of a pass, a mean
    of the end of one pass and the beginning of the next, loses more or less than all others.
    """
    return HeadTerms(first_line=standard.alternating_v and view.chroma_lines == DELAY_LINE)


def hue_terms(rows: Rows, view: View, standard: Standard, fit: WheelFit, timing: TimeBaseFit) -> HeadTerms:
    """What scallop and gain make of the rows of hue."""
    gain = head_readings(standard, view, "hue", fit.phase_lines).of_boundaries(_hue_gain(fit))
    if standard.alternating_v:  # what scallop turns alternates, and is averaged away
        return HeadTerms(common=True, gain=gain)
    design = timing_design(rows, view, standard, fit.phase_lines)
    scallop = timing.scallop_ns if np.isfinite(timing.scallop_ns) else _hue_scallop(design.growth, fit, standard)
    known = None if timing.whole_lines else scallop * hue_of_scallop(standard, view, fit.phase_lines)
    return HeadTerms(common=True, mixed=comb_steps(rows, view, standard, fit.phase_lines, timing), known=known, gain=gain)


def _of_spread_lines(read: Offsets, view: View) -> Offsets:
    return read if view.chroma_lines == ALONE else replace(read, sigma=np.hypot(read.sigma, OF_SPREAD_LINES * read.value))


def _hue(read: tuple[F64, F64], view: View, timing: TimeBaseFit, saturation: Offsets, shots: int) -> Offsets:
    hue = _of_spread_lines(offsets_of(*read, "hue", shots=shots), view)
    turn = UNCORRECTED_HUE_DEG_PER_NS if timing.regime == "uncorrected" else HUE_DEG_PER_NS
    growth = turn * float(np.nan_to_num(timing.velocity_ns))
    of_gain = HUE_DEG_OF_SATURATION * (np.nan_to_num(saturation.value) / 100) ** 2
    return replace(hue, sigma=np.sqrt(hue.sigma**2 + growth**2 + of_gain**2))


def _timing_figures(timing: TimeBaseFit, standard: Standard, shots: int, saturation: Offsets) -> dict[str, Any]:
    """Skew, scallop, quadrature and velocity error as published."""
    skew, scallop = float(np.nan_to_num(timing.skew_ns)), float(np.nan_to_num(timing.scallop_ns))
    # the phase is known to a cell of its lattice, and evenly likely anywhere in it
    origin = WHOLE_LINES_AT if timing.whole_lines else ORIGIN_LINES
    of_phase = scallop * skew_of_scallop(standard, float(np.hypot(float(standard.phase_step_lines) / np.sqrt(12), origin)))
    of_scallop = UNCORRECTED_SCALLOP_SCALE if timing.regime == "uncorrected" else 1.0
    sigma = {
        "skew": _root(timing.skew_sigma_ns, SKEW_FLOOR_NS, of_phase, SKEW_ERROR * skew),
        "scallop": of_scallop
        * _root(timing.scallop_sigma_ns, BOW_ERROR * timing.scallop_ns, SCALLOP_FLOOR_NS[standard.short_name], SCALLOP_OF_SKEW * skew),
        "velocity": of_scallop
        * _root(timing.velocity_sigma_ns, GROWTH_ERROR * timing.velocity_ns, VELOCITY_FLOOR_NS, VELOCITY_OF_SKEW * skew),
    }
    sigma = {family: value * _repeated(family, shots) for family, value in sigma.items()}
    quadrature = _repeated("quadrature", shots) * np.sqrt(
        (QUADRATURE_SCALE * timing.quadrature_sigma_ns) ** 2
        + QUADRATURE_FLOOR_NS**2
        + (QUADRATURE_SHARE * timing.quadrature_ns) ** 2
        + (QUADRATURE_OF_SATURATION_NS * np.nan_to_num(saturation.value)) ** 2
        + (QUADRATURE_OF_SCALLOP * scallop) ** 2
    )
    return {
        "skew_ns": _value(timing.skew_ns, sigma["skew"]),
        "scallop_ns": _value(timing.scallop_ns, sigma["scallop"]),
        "quadrature_ns": Offsets(timing.quadrature_ns, quadrature).published(),
        "velocity_error_ns": _value(timing.velocity_ns, sigma["velocity"]),
    }


def _value(value: float, sigma: float) -> Value | None:
    return Value(value=value, sigma=sigma) if np.isfinite(value) and np.isfinite(sigma) else None


def _root(*parts: float) -> float:
    """Independent standard errors together."""
    return float(np.sqrt(np.sum(np.square(parts))))
