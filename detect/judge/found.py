"""From a pooled stretch to findings: what stands out, when, on which head, how much, and whether it is confirmed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.findings import Evidence, Finding, FindingKind, WindowReadings
from detect.judge.brief import ASKED, brief_fault
from detect.judge.causes import causes_for
from detect.judge.colour_course import COLOUR_KINDS, Course, course_of
from detect.judge.course import Extent, stretches
from detect.judge.doubt import FAMILY, MOSTLY_HIDDEN, Doubt, likeness, without
from detect.judge.evidence import FEWEST_WINDOWS, KNOWN_PHASE_RATIO, NULL_RATIO, Proof, evidence, parts_of
from detect.judge.figures import CLEAR_COLOUR, hue_from_mixing, hue_from_timing, shift_from_scallop, terms_of
from detect.judge.finding_text import DOES_NOT_ALTERNATE, LETTERS, courses_text, equivalent_of, text_of
from detect.judge.kinds import BY_BRIGHTNESS, KINDS, OF_HEADS, TIMING, UNEQUAL_SKEW, Kind
from detect.judge.limits import Limits
from detect.judge.passing import passing_noise
from detect.judge.row_bases import TimingModel
from detect.judge.row_evidence import heads_evidence, timing_evidence
from detect.judge.rows import INDEX
from detect.judge.second_visit import LARGE_NS, NEARLY_ALL
from detect.judge.seen_in_part import PART_RATIO
from detect.judge.stretch import Pooled, WindowJumps
from detect.judge.wheel import DELAY_LINE, View, WheelFit
from detect.standards import Standard, pass_bounds_rows

F64 = NDArray[np.float64]


CLEAR = 3.0
"""Standard errors a figure must be away from zero; the shares that carrier and content may hide do not count."""
CLEAR_BY_BRIGHTNESS = 5.0
"""The same of what goes with brightness alone: a few pictures with one bright part imitate it at four."""
LEAST_BRIGHT = 0.1
"""Mean brightness, in parts of white, of the colour of a dark picture: gain and phase are right at the level of the burst, so that a head
that changes from black to white is off by as much of it at the least (house value; four simulated tapes of varied pictures: 0.3 to 0.6)."""
OFFSET_OF = {"differential_gain_pct": "saturation_pct", "differential_phase_deg": "hue_deg"}
ALONE_Z = float(stats.norm.isf(0.5e-3 / 525))
"""Significance from which a kind confirms itself where no other has shown the phase: it was chosen among 525, and one chance in a thousand
is allowed for all of them."""
UNEQUAL_TOLD_NS = 10.0
"""Standard error of unequal skew above which it is as good as not told: what is first flagged of quadrature is no more."""
LEAST_SHOTS = 2
SHOT_CLEAR = 4.0
SHOT_SHARE = 0.5
"""Shots that confirm a finding, and what each must show: standard errors, and share of the size over all."""
NOISE_SURVIVES_DB = 1.5
"""Noise of a head that outlasts a carrier which hides most of it (house value)."""
_TIMED: frozenset[FindingKind] = frozenset(kind.kind for kind in TIMING)
"""Kinds of which more is not asked where one of them, so large that it bends the relations, is there for part of a stretch: of 80 ns for
half a tape a tenth was read as quadrature of its whole."""
STANDS_OUT = 0.5
"""A head is named when its offset is at least this share of the largest."""


@dataclass(frozen=True, slots=True)
class Context:
    """What findings need to know about the file."""

    standard: Standard
    view: View
    limits: Limits
    start_frame: NDArray[np.int64]
    end_frame: NDArray[np.int64]
    label: Callable[[int], str | None]
    programme_frames: int
    cuts: NDArray[np.int64]
    doubt: Doubt
    """Shares of figures that content may have hidden: of noise, unless shots agree on it."""
    carrier: Doubt
    """Shares that the carrier may have taken away; they are in the error bars already."""
    refit: Callable[[NDArray[np.int64], float], Pooled]
    """Pool some windows (indices) at a phase."""
    phase_shown: bool = True
    """Whether anything that is confirmed has shown the phase, where kinds are asked that need to stand out less for its sake."""


def findings_of(pooled: Pooled, blocks: list[WheelFit], jumps: WindowJumps, about: Context) -> list[Finding]:
    """Findings of one stretch; ids are given later. Once one kind has shown the phase, the others need to stand out less; what they owe to
    one that is not confirmed is not confirmed either."""
    out = _kinds_that_hold(pooled, blocks, jumps, about, frozenset(), NULL_RATIO)
    owing = about
    if out:
        owing = replace(about, phase_shown=any(f.status == "confirmed" for f in out))
        out += _kinds_that_hold(pooled, blocks, jumps, owing, _kinds_of(out), KNOWN_PHASE_RATIO)
    of_part = _kinds_of(out) | (_TIMED if _timed_in_part(out, jumps, about) else frozenset())
    out += _of_all_boundaries(pooled, jumps, owing, of_part)
    out += _brief(pooled, jumps, about, of_part | _kinds_of(out))
    passing = None if "noise_banding" in _kinds_of(out) else _passing_noise(pooled, jumps, about)
    return out if passing is None else [*out, passing]


def _kinds_of(found: list[Finding]) -> frozenset[FindingKind]:
    """Kinds that need not be sought again; a lost head is one of much noise."""
    return frozenset("noise_banding" if f.kind == "head_loss" else f.kind for f in found)


def _timed_in_part(found: list[Finding], jumps: WindowJumps, about: Context) -> bool:
    """Whether passes are displaced for part of a stretch: rows of all its windows then mix two states, each by what detail it has there,
    which poses as a difference of the heads."""
    whole = int(about.end_frame[jumps.index[-1]]) - int(about.start_frame[jumps.index[0]])
    return any(f.kind in _TIMED and abs(f.value or 0.0) >= LARGE_NS and f.end_frame - f.start_frame < NEARLY_ALL * whole for f in found)


def _brief(pooled: Pooled, jumps: WindowJumps, about: Context, taken: frozenset[FindingKind]) -> list[Finding]:
    """Strong faults of a second or two, of kinds that are not known already."""
    if len(jumps.index) < FEWEST_WINDOWS:
        return []
    phase, out = pooled.fit.phase_lines, []
    for kind in (kind for kind in KINDS if kind.kind in ASKED and kind.kind not in taken):
        known = known_jumps(kind.relation, pooled, about.view, about.standard)

        def prove(windows: slice, kind: Kind = kind, known: F64 | None = known) -> Proof:
            return evidence(about.refit(jumps.index[windows], phase).fit, kind.relation, kind.part, known=known)

        found = brief_fault(jumps, kind.relation, kind.part, prove, known=known)
        if found is None:
            continue
        run = jumps.index[found[1]]
        span = Extent(start_frame=int(about.start_frame[run[0]]), end_frame=int(about.end_frame[run[-1]]))
        finding = _finding(kind, about.refit(run, phase), span, found[0], about, 0, brief=True)
        out += [finding] if finding is not None else []
    return out


def _passing_noise(pooled: Pooled, jumps: WindowJumps, about: Context) -> Finding | None:
    """Noise of heads that comes and goes, where the whole stretch shows none."""
    kind, phase = next(kind for kind in KINDS if kind.kind == "noise_banding"), pooled.fit.phase_lines

    def prove(windows: slice) -> Proof:
        return evidence(about.refit(jumps.index[windows], phase).fit, kind.relation, kind.part)

    found = passing_noise(jumps, prove)
    if found is None:
        return None
    run = jumps.index[found[1]]
    span = Extent(start_frame=int(about.start_frame[run[0]]), end_frame=int(about.end_frame[run[-1]]))
    shots = len(np.unique(np.searchsorted(about.cuts, about.start_frame[run], side="right")))
    return _finding(kind, about.refit(run, phase), span, found[0], about, shots)


def _kinds_that_hold(
    pooled: Pooled, blocks: list[WheelFit], jumps: WindowJumps, about: Context, known_kinds: frozenset[FindingKind], ratio: float
) -> list[Finding]:
    """Findings of all kinds but those already known whose evidence holds at ``ratio``."""
    out: list[Finding] = []
    taken: set[FindingKind] = set(known_kinds)
    for kind in KINDS:
        if kind.kind in taken or (about.standard.alternating_v and kind.relation == "hue_ramp"):
            continue
        if kind.kind == "velocity_error" and ("scallop" in taken or pooled.readings.scallop_ns is not None):
            continue  # the same fault, told as what makes it
        known = known_jumps(kind.relation, pooled, about.view, about.standard)
        best = max(
            (pooled.fit, *blocks),
            key=lambda fit: evidence(fit, kind.relation, kind.part, known=known).ratio,
        )
        if not evidence(best, kind.relation, kind.part, known=known).holds_at(ratio):
            if pooled.part is None or not evidence(pooled.part, kind.relation, kind.part, known=known).holds_at(PART_RATIO):
                continue
            best = pooled.part
        k = INDEX[kind.relation]
        common, heads = parts_of(best.jumps[k] - (0 if known is None else known), best.jump_weight[k])
        pattern, beside = (common, heads) if kind.part == "common" else (heads, common)
        amplitude, sigma = jumps.amplitude(k, pattern, known=known, beside=beside)
        here = about.start_frame[jumps.index], about.end_frame[jumps.index]
        for stretch in stretches(amplitude, sigma, *here, taken=about.carrier.get(FAMILY[kind.figure], 0.0)):
            members = jumps.index[slice(*stretch.core)]
            whole = len(members) == len(jumps.index)
            part = pooled if whole else about.refit(members, pooled.fit.phase_lines)
            shots = _shots_that_show(amplitude, sigma, jumps.index, stretch.core, about)
            proof = evidence(part.fit, kind.relation, kind.part, known=known)
            if not proof.holds_at(ratio):
                continue
            finding = _finding(kind, part, stretch, proof, about, shots)
            if finding is not None:
                out.append(finding)
                taken.add(kind.kind)
    return out


def _of_all_boundaries(pooled: Pooled, jumps: WindowJumps, about: Context, taken: frozenset[FindingKind]) -> list[Finding]:
    """Faults of the whole stretch that the jumps of no single relation show, and all rows together do."""
    whole = Extent(start_frame=int(about.start_frame[jumps.index[0]]), end_frame=int(about.end_frame[jumps.index[-1]]))
    proven = {**_timing_proven(pooled, about, taken), **_heads_proven(pooled, about, taken)}
    ratio = KNOWN_PHASE_RATIO if taken else NULL_RATIO
    own = pooled.timing.head_skew
    if own is not None and own.evident and own.proof is not None:
        proven[UNEQUAL_SKEW] = own.proof

    def made(proven: dict[Kind, Proof]) -> list[Finding]:
        # one that is sure by itself shows the wheel to the others as well
        shown = bool(taken) or any(proof.z >= ALONE_Z and proof.holds for proof in proven.values())
        of_kind = about if shown else replace(about, phase_shown=False)
        found = [_finding(kind, pooled, whole, proof, of_kind, 0) for kind, proof in proven.items() if proof.holds_at(ratio)]
        return [f for f in found if f is not None]

    plain = made(proven)
    return plain + made(_heads_proven(pooled, about, taken | _kinds_of(plain), BY_BRIGHTNESS))


def _heads_proven(
    pooled: Pooled, about: Context, taken: frozenset[FindingKind], kinds: tuple[Kind, ...] = OF_HEADS
) -> dict[Kind, Proof]:
    """What all rows say of the heads in kinds that are clear of their error and not yet found."""
    out = {}
    for kind in kinds:
        if kind.kind in taken or not _clear(pooled, kind, about.carrier):
            continue
        terms = terms_of(kind.relation, pooled.rows, about.view, about.standard, pooled.fit, pooled.timing)
        proof = heads_evidence(pooled.rows, about.view, about.standard, pooled.fit, kind.relation, terms)
        if proof is not None:
            out[kind] = proof
    return out


def _clear(pooled: Pooled, kind: Kind, carrier: Doubt) -> bool:
    """Whether any head's figure is away from nought by more than its error, without the share that the carrier hides."""
    figure = figure_of(pooled.readings, kind.figure)
    share = carrier.get(FAMILY[kind.figure], 0.0)
    return figure is not None and any(
        abs(value) > _far(kind) * without(float(sigma), float(value), share) for value, sigma in zip(*figure, strict=True)
    )


def _far(kind: Kind) -> float:
    if kind in BY_BRIGHTNESS:
        return CLEAR_BY_BRIGHTNESS
    return CLEAR_COLOUR if kind.relation in ("saturation", "hue", "response_3") else CLEAR


def _timing_proven(pooled: Pooled, about: Context, taken: frozenset[FindingKind]) -> dict[Kind, Proof]:
    """The same for skew, quadrature and scallop in uncorrected material, and for scallop behind a line corrector."""
    timing = pooled.timing
    if timing.regime == "undetermined":
        return {}
    clear = {  # what the regime hides is NaN, and not clear
        "skew": abs(timing.skew_ns) > CLEAR * timing.skew_sigma_ns,
        "quadrature": bool((np.abs(timing.quadrature_ns) > CLEAR * timing.quadrature_sigma_ns).any()),
        "scallop": abs(timing.scallop_ns) > CLEAR * timing.scallop_sigma_ns,
    }
    sought = [k for k in TIMING if k.kind not in taken and clear[k.kind]]
    if not sought:
        return {}
    model: TimingModel = "corrected" if timing.regime == "line-corrected" else "whole_lines" if timing.whole_lines else "uncorrected"
    proof = timing_evidence(pooled.rows, about.view, about.standard, pooled.fit, edges=timing.edges, model=model)
    return {k: proof[k.kind] for k in sought}


def known_jumps(relation: str, pooled: Pooled, view: View, standard: Standard) -> F64 | None:
    """Jumps (4,) that displacement makes in a relation where something else is sought."""
    if relation == "hue":
        about = pooled.rows, view, standard, pooled.fit, pooled.timing
        return hue_from_timing(*about) + hue_from_mixing(*about)
    if relation == "shift" and pooled.timing.regime == "uncorrected":
        return shift_from_scallop(pooled.rows, view, standard, pooled.fit, pooled.timing)
    return None


def _shots_that_show(
    amplitude: F64, sigma: F64, index: NDArray[np.int64], core: tuple[int, int], about: Context
) -> int:
    """How many shots show the pattern each by itself: clear of zero, and of a like size."""
    inside = slice(*core)
    shot = np.searchsorted(about.cuts, about.start_frame[index[inside]], side="right")
    weight = np.where(np.isfinite(sigma[inside]), 1 / np.where(np.isfinite(sigma[inside]), sigma[inside], 1.0) ** 2, 0.0)
    whole = float((amplitude[inside] * weight).sum() / weight.sum()) if weight.sum() > 0 else 0.0
    count = 0
    for s in np.unique(shot):
        w = weight[shot == s]
        if w.sum() > 0:
            mean = float((amplitude[inside][shot == s] * w).sum() / w.sum())
            count += bool(mean * np.sqrt(w.sum()) > SHOT_CLEAR and mean > SHOT_SHARE * whole)
    return count


def figure_of(readings: WindowReadings, name: str) -> tuple[F64, F64] | None:
    """Values and standard errors, (1,) or (4,), or None where nothing was measured."""
    got = getattr(readings, name)
    if got is None:
        return None
    if hasattr(got, "values"):
        return np.array(got.values, float), np.array(got.sigmas, float)
    return np.array([got.value], float), np.array([got.sigma], float)


def _off_as_well(readings: WindowReadings, figure: str, head: int, slope: float) -> bool:
    """Whether a head that changes by ``slope`` from black to white may be as little off as it is; true where that was not measured."""
    offset = figure_of(readings, OFFSET_OF[figure])
    return offset is None or LEAST_BRIGHT * abs(slope) < abs(float(offset[0][head])) + CLEAR * float(offset[1][head])


def _finding(
    kind: Kind, part: Pooled, extent: Extent, proof: Proof, about: Context, shots: int, *, brief: bool = False
) -> Finding | None:
    """None below the limits; of what grows its size at the end counts. ``brief``: too short to be confirmed."""
    figure = figure_of(part.readings, kind.figure)
    if figure is None:
        return None
    values, sigmas = figure
    family = FAMILY[kind.figure]
    worst = int(np.argmax(np.abs(values)))
    value = float(values[worst])
    sigma = float(np.hypot(sigmas[worst], about.doubt.get(family, 0.0) * value))
    taken = about.carrier.get(family, 0.0)
    of_other, beyond = likeness(part.readings, kind.figure, taken, times=CLEAR)
    there = without(without(float(sigmas[worst]), value, taken), of_other, 1.0)
    if family == "noise":  # what content may hide would be all there is to it
        if taken >= MOSTLY_HIDDEN and abs(value) < NOISE_SURVIVES_DB:
            return None
        there = float(np.hypot(there, about.doubt.get(family, 0.0) * value))
    if kind in BY_BRIGHTNESS and not _off_as_well(part.readings, kind.figure, worst, value):
        return None
    at_end = abs(value) * (1 + extent.rise / 2)
    if not np.isfinite(value) or at_end < about.limits.note(kind.figure) or abs(value) < max(_far(kind) * there, beyond):
        return None
    heads = [LETTERS[h] for h in range(len(values)) if kind.per_head and abs(values[h]) >= STANDS_OUT * abs(value)]
    fixed = part.still and family != "noise"  # bands that a picture may hold by itself; its noise is new in every frame
    doubt = "for no longer than a picture may look so" if brief else ""
    doubt = doubt or _why_not(kind, part, (part.confirmed and not fixed) or shots >= LEAST_SHOTS, about)
    name: FindingKind = kind.kind
    if name == "noise_banding" and value >= about.limits.flag("head_loss_db"):
        name = "head_loss"
    words = {"one_head" if len(heads) == 1 else "several"}
    if kind == UNEQUAL_SKEW:
        words.add("unequal")
    elif kind.kind == "skew":
        words.add("all_alike")
    own = part.timing.head_skew
    if kind.kind == "quadrature" and (own is None or float(own.sigma_ns.max()) > UNEQUAL_TOLD_NS):
        words.add("unequal_not_told")
    if about.standard.alternating_v and about.view.chroma_lines == DELAY_LINE and value < 0:
        words.add("averaged")
    courses: dict[str, Course] = {}
    steady = about.standard.alternating_v and kind.kind == "hue_banding"
    if steady:
        words.add("does_not_alternate")
    elif kind.kind in COLOUR_KINDS:
        for h in heads:
            courses[h] = course_of(kind.kind, LETTERS.index(h), values, there, part, about.view, about.standard)
        words.update(*(course.words for course in courses.values()))
    bands = pass_bounds_rows(about.standard, part.fit.phase_lines, about.view.bottom)
    shown = [(a, b - 1) for k, a, b in bands if not heads or LETTERS[k % 4] in heads]
    return Finding(
        id="",
        kind=name,
        start_frame=extent.start_frame,
        end_frame=extent.end_frame,
        start_timecode=about.label(extent.start_frame),
        end_timecode=about.label(extent.end_frame),
        affected_pct=100 * (extent.end_frame - extent.start_frame) / max(about.programme_frames, 1),
        heads=heads,
        value=value,
        unit=kind.unit,
        sigma=sigma,
        significance=proof.z,
        status="unconfirmed" if doubt else "confirmed",
        severity="flag" if at_end >= about.limits.flag(kind.figure) else "note",
        text=text_of(kind, values, heads, value, sigma, extent, doubt, DOES_NOT_ALTERNATE if steady else courses_text(kind, courses)),
        equivalent=None if kind == UNEQUAL_SKEW else equivalent_of(kind.kind, value, sigma, about.standard),
        evidence=Evidence(frame=(extent.start_frame + extent.end_frame) // 2, lines=shown),
        causes=causes_for(name, words=frozenset(words)),
    )


def _why_not(kind: Kind, part: Pooled, pictures: bool, about: Context) -> str:
    """Why a finding is not confirmed; empty where it is. ``pictures``: there are enough independent ones.

    Levels of heads add up to no step that all head changes share; bands of a picture may.
    """
    if not pictures:
        return "seen in one still picture only"
    if not about.phase_shown:
        return "nothing sure shows the wheel here"
    if part.timing.one_line and kind.relation != "level":
        return "one line of every pass is displaced, as a velocity corrector leaves it, which reads as a difference of the heads"
    if kind.relation == "level":
        shared, heads = (evidence(part.fit, kind.relation, which) for which in ("common", "heads"))
        if shared.ratio >= NULL_RATIO and shared.strength > heads.strength:
            return "all head changes share a step, as bands of a picture have and heads have not"
    return ""
