"""Losses of signal as findings: counts, patterns, and what they say of tape, head or switching."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.findings import Defect, DropoutCounts, Finding, FindingKind, Loss, WheelState
from detect.judge.assumed_phase import with_assumed_phases
from detect.judge.causes import causes_for
from detect.judge.limits import Limits
from detect.judge.loss_choice import LIKELY, choose_losses
from detect.judge.loss_light import light_pct
from detect.judge.patterns import Pattern, exposure, find_patterns, rate_per_minute
from detect.judge.sections import KINDS
from detect.judge.switching import FLAG_HIT_RATE, Switching, ends_by_displacement_ire, find_switching
from detect.judge.tape_map import count_losses, group_defects, place_losses, to_losses
from detect.measure.noise_bands import GONE
from detect.readings import Readings
from detect.standards import HEADS, Standard

LEAST_FLAGGED = 20
"""Fewer losses than this are told but do not count against the transfer: a rate of a short clip says little."""

SHORTEST_IN_MINUTES = 1.0
LEAST_LIGHT_PCT = 10.0
"""Less of the picture with light of its own takes too few losses to be told; losses themselves may pass for as much as 4 % (the demo)."""
LEAST_TOLD = 5
"""Losses from which a rate is told."""

ONE_BAND_CHANCE = 1e-3
"""Chance of a head's losses to crowd so in one of its bands, below which the picture makes them (house practice)."""
ONE_BAND_SHARE = 0.5
"""... if at least so many are there: of thousands that a failing head loses, no band has just its share."""

Severity = Literal["note", "flag"]


@dataclass(frozen=True, slots=True)
class JudgedLosses:
    listed: list[Loss]
    defects: list[Defect]
    counts: DropoutCounts | None
    findings: list[Finding]


def judge_losses(
    readings: Readings,
    *,
    wheel: list[WheelState],
    standard: Standard,
    kind: NDArray[np.int8],
    minutes: float,
    limits: Limits,
    label: Callable[[int], str | None],
    programme_frames: int,
    tape_speed_ips: float,
    displaced_ns: NDArray[np.floating[Any]] | None = None,
) -> JudgedLosses:
    """Losses in programme only. None counted where losses were not measured. ``displaced_ns``: of every frame row, where it is known."""
    found = readings.losses
    if "frame" not in found or minutes <= 0:
        return JudgedLosses([], [], None, [])
    frame = np.asarray(found["frame"]).astype(np.int64)
    programme = np.isin(kind, [KINDS.index("programme"), KINDS.index("monochrome_programme")])
    inside = programme[np.clip(frame, 0, len(programme) - 1)] & (np.asarray(found["kind"]) != GONE)
    candidates = {name: values[inside] for name, values in found.items()}
    measured = readings.header.measured
    first, second = (int(row) for row in measured.get("rows0", (0, 1)))
    first_sample = int(measured.get("first_sample", 0))
    assumed = with_assumed_phases(wheel, candidates, standard=standard, rows0=(first, second), first_sample=first_sample)
    everywhere, guessed = (
        place_losses(
            candidates, wheel=stretches, standard=standard, rows0=(first, second), first_sample=first_sample,
            tape_speed_ips=tape_speed_ips,
        )
        for stretches in (wheel, assumed)
    )  # fmt: skip
    taken = choose_losses(
        candidates, cuts=readings.cuts, frame_rate=float(standard.frame_rate), pass_position=guessed.in_turn,
        standard=standard,
    )
    places = everywhere.where(taken)
    counts = count_losses(places, minutes=minutes)
    out: list[Finding] = []
    once = places.first_lines()
    each = guessed.where(taken).first_lines()
    elsewhere = np.ones(len(once), bool)
    height = int(readings.header.transfer["height"])
    of_displacement = 0.0 if displaced_ns is None else ends_by_displacement_ire(displaced_ns)
    for index, state in enumerate(assumed):
        known = wheel[index].locked
        seen = exposure(standard, phase_lines=state.phase_lines, rows=range(height))
        if known:
            switchings = find_switching(
                everywhere, contrast_ire=candidates["contrast_ire"], stretch=index, start_frame=state.start_frame,
                end_frame=state.end_frame, seen=seen, cuts=readings.cuts, least_ire=of_displacement,
            )  # fmt: skip
            out += [_switch_finding(switching, programme_frames, label) for switching in switchings]
        mine = np.flatnonzero(each.stretch == index)
        here = each.where(mine)
        for pattern in find_patterns(
            here, start_frame=state.start_frame, end_frame=state.end_frame, seen=seen, assumed=not known
        ):
            if pattern.kind == "one_head" and in_one_band(here.line[pattern.losses], state.phase_lines, standard):
                continue
            count = len(pattern.losses)
            if pattern.finding_kind != "dropouts":
                elsewhere[mine[np.concatenate([pattern.losses, pattern.fringe])]] = False
            heads = [h for h in pattern.heads] if len(pattern.heads) < 4 else []
            share = 100 * (pattern.end_frame - pattern.start_frame) / max(programme_frames, 1)
            chance = float(min(-np.log10(max(pattern.p_value, 1e-300)), 300.0))
            span = (pattern.start_frame, pattern.end_frame)
            out.append(
                _finding(
                    pattern.finding_kind, *span, heads, float(count), "losses", float(np.sqrt(count)), chance,  # type: ignore[arg-type]
                    _severity(count), pattern.text, share, label, words=frozenset({_word(pattern)}),
                )
            )  # fmt: skip
    light = light_pct(
        candidates, likely=LIKELY, shot=np.searchsorted(readings.cuts, frame[inside], "right"),
        frame_rate=float(standard.frame_rate), frames=int(programme.sum()), lines=height // 2,
    )  # fmt: skip
    spread = _spread_finding(int(elsewhere.sum()), counts.count, minutes, len(kind), limits, label, light=light)
    out.extend([spread] if spread is not None else [])
    defects = group_defects(once, standard=standard, tape_speed_ips=tape_speed_ips) if len(once) else []
    return JudgedLosses(to_losses(places), defects, counts, out)


def in_one_band(line: NDArray[np.int64], phase_lines: float, standard: Standard) -> bool:
    """Whether losses of one head keep to one of its bands in the picture: a head loses in all, content stays where it is.

    ``line``: field lines. Binomial over the bands that a head has in a field (4 or 5).
    """
    passes = np.floor((line - phase_lines) / float(standard.lines_per_pass)).astype(int)
    turns = standard.passes_per_field // HEADS
    most = int(np.bincount((passes + HEADS) // HEADS).max())
    return most >= ONE_BAND_SHARE * len(line) and bool(turns * stats.binom.sf(most - 1, len(line), 1 / turns) < ONE_BAND_CHANCE)


def _word(pattern: Pattern) -> str:
    """What causes are chosen by: an edge of which the picture does not show that it is one is a strip."""
    return "strip" if pattern.kind == "edge" and pattern.across_mm is None else pattern.kind


def _spread_finding(
    count: int, total: int, minutes: float, frames: int, limits: Limits, label: Callable[[int], str | None], *, light: float
) -> Finding | None:
    """The rate of the losses that no scratch, head or switching explains, where even its lower bound is too high.

    ``light``: percent of the picture with light of its own, where fewer losses are told.
    """
    rate, low, high = rate_per_minute(count, minutes)
    if low <= limits.note("dropouts_per_minute") or count < LEAST_TOLD:
        return None
    long = f"{minutes:.1f} minutes" if minutes >= SHORTEST_IN_MINUTES else f"{60 * minutes:.0f} seconds"
    text = f"{count} losses in {long} of programme, {rate:.1f} a minute (95 %: {low:.1f} to {high:.1f})"
    if total > count:
        text += f"; {total - count} more are told as a pattern"
    if light >= LEAST_LIGHT_PCT:
        text += f"; {light:.0f} % of the picture glints or sparkles, and only the likeliest losses are counted there"
    return _finding(
        "dropouts", 0, frames, [], rate, "per minute", (high - low) / 4, None,
        _severity(count if low > limits.flag("dropouts_per_minute") else 0), text + ".", 100.0, label,
    )  # fmt: skip


def _switch_finding(found: Switching, programme_frames: int, label: Callable[[int], str | None]) -> Finding:
    share = 100 * (found.end_frame - found.start_frame) / max(programme_frames, 1)
    heads = list(found.heads) if len(found.heads) < 4 else []
    chance = float(min(-np.log10(max(found.p_value, 1e-300)), 300.0))
    return _finding(
        "switch_transient", found.start_frame, found.end_frame, heads, found.contrast_ire, "IRE", found.contrast_sigma_ire,
        chance, "flag" if found.hit_rate >= FLAG_HIT_RATE else "note", found.text, share, label,
        status="confirmed" if found.shots > 1 else "unconfirmed",
    )  # fmt: skip


def _severity(count: int) -> Severity:
    return "flag" if count >= LEAST_FLAGGED else "note"


def _finding(
    kind: FindingKind, start: int, end: int, heads: list[str], value: float, unit: str, sigma: float, significance: float | None,
    severity: Severity, text: str, share: float, label: Callable[[int], str | None],
    status: Literal["confirmed", "unconfirmed"] = "confirmed", words: frozenset[str] = frozenset(),
) -> Finding:  # fmt: skip
    return Finding(
        id="", kind=kind, start_frame=start, end_frame=end, start_timecode=label(start), end_timecode=label(end),
        affected_pct=min(share, 100.0), heads=heads, value=value, unit=unit, sigma=sigma, significance=significance,
        status=status, severity=severity, text=text, causes=causes_for(kind, words=words),
    )  # fmt: skip
