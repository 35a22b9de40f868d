"""Readings in, findings out: sections, wheel, figures, findings, losses, verdict. Opens no file of its own; runs again and again."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from detect import __version__, timecode
from detect.findings import (
    Evidence,
    Finding,
    Findings,
    Tone,
    TopSkew,
    TransferInfo,
    Verdict,
    WheelState,
    Window,
    WindowReadings,
)
from detect.judge.absolute import absolute_noise, pass_view
from detect.judge.causes import causes_for
from detect.judge.doubt import Doubt, of_codec, widened
from detect.judge.edits import with_edits
from detect.judge.evidence import LEAST_STRENGTH
from detect.judge.found import Context, findings_of
from detect.judge.limits import Limits
from detect.judge.loss_findings import judge_losses
from detect.judge.relocking import find_border
from detect.judge.rows import INDEX
from detect.judge.sections import KINDS as SECTION_KINDS
from detect.judge.sections import Parts, find_sections
from detect.judge.stretch import Pooled, WindowJumps, pool_windows, window_jumps, window_readings
from detect.judge.timebase import displacement_rows
from detect.judge.top_skew import Hook, edge_positions, find_hook
from detect.judge.tracking import fit_curve, track, window_groups
from detect.judge.wheel import View, phase_lattice
from detect.measure.windows import FRAME_FIGURES
from detect.readings import Readings
from detect.standards import RASTERS, STANDARDS, Standard

JUDGED = [SECTION_KINDS.index("programme"), SECTION_KINDS.index("monochrome_programme")]
LEAST_PROGRAMME_S = 1.0
"""Less programme than this is not judged."""
AVERAGED = (
    "the chroma lines are means of two lines, as a decoder with a delay line leaves them: a hue error of one head shows as a loss of "
    "its saturation, and not as hue"
)
AVERAGED_OVER_PLAIN = 1.3
"""How much better means of two chroma lines must fit before a delay line is believed: the right template explains 1.6 times as much."""
SAME_PHASE_STEPS = 4
"""Steps of the phase lattice (an eighth of a line in 525) that weak windows may wander without being told apart."""
SAME_PHASE_LINES = 0.3
"""Phases nearer than this are one: confident fits stay within a tenth of a line of the truth."""
BLOCK_WINDOWS = 50
MOST_BLOCKS = 40
"""A stretch is also looked at minute by minute, in 40 blocks at most."""
AT_A_CUT_FRAMES = 3
"""A re-lock this near to a cut is at the cut."""
FEWEST_WINDOWS = 3
"""A new phase that lasts fewer windows is a slip of tracking, not a re-lock."""


@dataclass(frozen=True, slots=True)
class _File:
    """The file as judging sees it."""

    readings: Readings
    standard: Standard
    view: View
    height: int
    frames: int
    rate: Fraction
    start: NDArray[np.int64]
    end: NDArray[np.int64]
    programme: NDArray[np.bool_]
    parts: Parts
    start_timecode: str | None
    programme_frames: int
    doubt: Doubt

    def label(self, frame: int) -> str | None:
        if self.start_timecode is None:
            return None
        return timecode.label_after(self.start_timecode, frame, frame_rate=self.rate)


def judge(readings: Readings, limits: Limits, *, tape_speed_ips: float = 15.0) -> Findings:
    """Everything that can be said of one file by ``limits``."""
    file = _with_decoder(_describe(readings))
    wheel: list[WheelState] = []
    found: list[Finding] = []
    windows: list[Window] = []
    pools: list[tuple[Pooled, NDArray[np.int64]]] = []
    noise = absolute_noise(readings, file.programme, file.view, file.standard, None)
    for members, pooled in _settled(file, _wheel_stretches(file)):
        wheel.append(_wheel_state(int(file.start[members[0]]), int(file.end[members[-1]]), pooled))
        pools.append((pooled, members))
        if not pooled.locked:
            windows += _windows(file, members, None, None)
            continue
        jumps = window_jumps(readings, _mask(file, members), file.view, file.standard, pooled.fit.phase_lines)
        doubt = {"noise": noise.hidden} if noise is not None else {}
        found += findings_of(pooled, _blocks(file, members, pooled), jumps, _context(file, limits, doubt))
        windows += _windows(file, members, pooled, jumps)
    wheel, relocks = _relocks(file, wheel, [(members, pooled) for pooled, members in pools])
    wheel = _joined(wheel)
    found += relocks
    main = max((p for p in pools if p[0].locked), key=lambda p: len(p[1]), default=None)
    noise = absolute_noise(readings, file.programme, file.view, file.standard, main[0].fit.phase_lines if main else None)
    minutes = file.programme_frames / float(file.rate) / 60
    losses = judge_losses(
        readings, wheel=wheel, standard=file.standard, kind=file.parts.kind, minutes=minutes, limits=limits, label=file.label,
        programme_frames=file.programme_frames, tape_speed_ips=tape_speed_ips,
    )  # fmt: skip
    found += losses.findings
    snr = noise.published.value if noise is not None else None
    if noise is not None and noise.steady and snr is not None and snr < limits.note("snr_db"):
        found.append(_noise_finding(file, snr, limits))
    figures = main[0].readings if main else WindowReadings()
    if noise is not None:
        figures = widened(figures, {"noise": noise.hidden})
    hook = _hook(file, main[0] if main else None)
    if hook is not None and abs(hook.value_ns) >= limits.note("top_skew_ns"):
        found.append(_hook_finding(file, hook, limits))
    found = with_edits(_numbered(found), file.readings.cuts, np.isin(file.parts.kind, JUDGED))
    summary = figures.model_copy(
        update={
            "top_skew_ns": _published(hook),
            "snr_db": noise.published if noise else None,
            "dropouts": losses.counts if minutes > 0 else None,
        }
    )
    warnings = list(readings.header.warnings)
    if file.view.averaged:
        warnings.append(AVERAGED)
    return Findings(
        headpass=__version__,
        created=datetime.now(UTC).isoformat(timespec="seconds"),
        transfer=TransferInfo(**readings.header.transfer),
        sections=file.parts.sections,
        wheel=wheel,
        summary=summary,
        windows=windows,
        findings=found,
        dropouts=losses.listed,
        defects=losses.defects,
        audio=[Tone(**t) for t in readings.header.audio],
        verdict=_verdict(file, found, limits, locked=main is not None),
        warnings=warnings,
        limits=limits.as_dict(),
        pass_view=pass_view(main[0].rows, file.view, file.standard, main[0].fit, main[0].timing) if main else None,
    )


def _describe(readings: Readings) -> _File:
    transfer = readings.header.transfer
    standard = STANDARDS[transfer["standard"]]
    height = int(transfer["height"])
    starts, ends, numbers, figures = [], [], [], []
    for chunk in readings.chunks():
        starts.append(chunk.start_frame)
        ends.append(chunk.end_frame)
        numbers.append(chunk.scalars["frame_numbers"].astype(np.int64))
        figures.append(chunk.scalars["frame_figures"])
    rate = Fraction(transfer["frame_rate"])
    frames = int(transfer["frames"])
    none = np.zeros(0, np.int64)
    start, end = (np.concatenate(x) if x else none for x in (starts, ends))
    parts = find_sections(
        np.concatenate(numbers) if numbers else none,
        np.concatenate(figures) if figures else np.zeros((0, len(FRAME_FIGURES)), np.float32),
        frames=frames,
        frame_rate=rate,
    )
    judged = np.isin(parts.kind, JUDGED)
    programme = np.array([bool(judged[a:b].all()) if b > a else False for a, b in zip(start, end, strict=True)], bool)
    raster = RASTERS[height]
    view = View(raster.picture_row0, height, int(readings.header.measured.get("chroma_step_y", 1)))
    return _File(
        readings, standard, view, height, frames, rate, start, end, programme, parts,
        transfer.get("start_timecode"), int(judged.sum()), of_codec(str(transfer["codec"])),
    )  # fmt: skip


def _with_decoder(file: _File) -> _File:
    """In 625, whether the chroma lines are means of two, as a decoder with a delay line leaves them: whichever fits saturation better."""
    if not file.standard.alternating_v or not file.programme.any():
        return file
    averaged = replace(file, view=replace(file.view, averaged=True))
    k = INDEX["saturation"]
    members = np.flatnonzero(file.programme)
    plain_fit, mean_fit = (_pool(f, members, None).fit for f in (file, averaged))
    return averaged if mean_fit.strength[k] > AVERAGED_OVER_PLAIN * max(plain_fit.strength[k], LEAST_STRENGTH) else file


def _mask(file: _File, members: NDArray[np.int64]) -> NDArray[np.bool_]:
    mask = np.zeros(len(file.start), bool)
    mask[members] = True
    return mask


def _pool(file: _File, members: NDArray[np.int64], phase: float | None) -> Pooled:
    return pool_windows(
        file.readings, _mask(file, members), file.view, file.standard, height=file.height, phase=phase, doubt=file.doubt
    )


def _wheel_stretches(file: _File) -> list[NDArray[np.int64]]:
    """Windows of programme, split where the phase changes."""
    index: list[int] = []
    curves = []
    for w, group in window_groups(file.readings.chunks(), file.programme):
        index.append(w)
        curves.append(fit_curve(group.rows, file.view, file.standard).astype(np.float32))
    if not index:
        return []
    members = np.array(index, np.int64)
    path = track(np.stack(curves).astype(np.float64))
    splits = np.flatnonzero(np.abs(_turns(path, len(phase_lattice(file.standard)))) > SAME_PHASE_STEPS) + 1
    parts = [p for p in np.split(members, splits) if len(p)]
    kept: list[NDArray[np.int64]] = []
    early: list[NDArray[np.int64]] = []
    for part in parts:  # slips join the stretch before them, or the first real one
        if len(part) >= FEWEST_WINDOWS:
            kept.append(np.concatenate([*early, part]))
            early = []
        elif kept:
            kept[-1] = np.concatenate([kept[-1], part])
        else:
            early.append(part)
    return kept or [members]


def _settled(file: _File, parts: list[NDArray[np.int64]]) -> list[tuple[NDArray[np.int64], Pooled]]:
    """Fit each stretch; neighbours stay apart only where both have a wheel, and not the same one."""
    out: list[tuple[NDArray[np.int64], Pooled]] = []
    for part in parts:
        pooled = _pool(file, part, None)
        while out and not _differ(out[-1][1], pooled, file.standard):
            before = out.pop()[0]
            part = np.concatenate([before, part])
            pooled = _pool(file, part, None)
        out.append((part, pooled))
    return out


def _differ(a: Pooled, b: Pooled, standard: Standard) -> bool:
    period = float(standard.lines_per_pass)
    step = (b.fit.phase_lines - a.fit.phase_lines + period / 2) % period - period / 2
    return a.locked and b.locked and abs(step) > SAME_PHASE_LINES


def _turns(path: NDArray[np.int64], phases: int) -> NDArray[np.int64]:
    """Steps of phase from window to window, the short way round."""
    step = np.diff(path)
    return np.asarray((step + phases // 2) % phases - phases // 2)


def _wheel_state(start: int, end: int, pooled: Pooled) -> WheelState:
    return WheelState(
        start_frame=start,
        end_frame=end,
        phase_lines=pooled.fit.phase_lines if pooled.locked else None,
        phase_sigma_lines=pooled.fit.phase_sigma_lines if pooled.locked else None,
        locked=pooled.locked,
        significance=pooled.fit.joint,
        null_ratio=pooled.fit.null_ratio,
    )


def _joined(wheel: list[WheelState]) -> list[WheelState]:
    """Neighbouring stretches without a known wheel are one."""
    out: list[WheelState] = []
    for state in wheel:
        if out and not state.locked and not out[-1].locked:
            out[-1] = out[-1].model_copy(update={"end_frame": state.end_frame})
        else:
            out.append(state)
    return out


def _blocks(file: _File, members: NDArray[np.int64], pooled: Pooled) -> list[Pooled]:
    """Minutes of a long stretch by themselves: a fault of one minute drowns in an hour."""
    if len(members) < 2 * BLOCK_WINDOWS:
        return []
    count = len(members) // BLOCK_WINDOWS
    return [_pool(file, part, pooled.fit.phase_lines) for part in np.array_split(members, min(count, MOST_BLOCKS))]


def _context(file: _File, limits: Limits, doubt: Doubt) -> Context:
    return Context(
        standard=file.standard,
        view=file.view,
        limits=limits,
        start_frame=file.start,
        end_frame=file.end,
        label=file.label,
        programme_frames=file.programme_frames,
        cuts=np.sort(file.readings.cuts),
        doubt=doubt,
        carrier=file.doubt,
        refit=lambda members, phase: _pool(file, members, phase),
    )


def _windows(
    file: _File, members: NDArray[np.int64], pooled: Pooled | None, jumps: WindowJumps | None
) -> list[Window]:
    """Published windows: two measured ones each, about 2 s."""
    out = []
    for k in range(0, len(members), 2):
        pair = members[k : k + 2]
        a, b = int(file.start[pair[0]]), int(file.end[pair[-1]])
        figures = WindowReadings()
        if pooled is not None and jumps is not None:
            inside = [i for i in range(k, min(k + 2, len(jumps.index)))]
            figures = window_readings(pooled, jumps, inside, file.view, file.standard, doubt=file.doubt)
        cuts = file.readings.cuts
        shots = 1 + int(((cuts > a) & (cuts < b)).sum())
        out.append(Window(start_frame=a, end_frame=b, start_timecode=file.label(a), shots=shots, readings=figures))
    return out


def _change(file: _File, before: tuple[NDArray[np.int64], Pooled], after: tuple[NDArray[np.int64], Pooled]) -> int:
    """The frame of a re-lock: at a cut, if one lies within its error."""
    border = find_border(
        file.readings, before, after, file.view, file.standard, start_frame=file.start, end_frame=file.end
    )
    near = min((int(c) for c in file.readings.cuts), key=lambda c: abs(c - border.frame), default=border.frame)
    return near if abs(near - border.frame) <= 3 * border.sigma_frames + AT_A_CUT_FRAMES else border.frame


def _relocks(
    file: _File, wheel: list[WheelState], pools: list[tuple[NDArray[np.int64], Pooled]]
) -> tuple[list[WheelState], list[Finding]]:
    """Changes of phase between known wheels."""
    wheel = list(wheel)
    out = []
    for k, (before, after) in enumerate(itertools.pairwise(wheel)):
        if before.phase_lines is None or after.phase_lines is None:
            continue
        period = float(file.standard.lines_per_pass)
        step = (after.phase_lines - before.phase_lines + period / 2) % period - period / 2
        at = _change(file, pools[k], pools[k + 1])
        wheel[k] = wheel[k].model_copy(update={"end_frame": at})
        wheel[k + 1] = after.model_copy(update={"start_frame": at})
        out.append(
            Finding(
                id="", kind="relock", start_frame=at, end_frame=min(at + 1, file.frames), start_timecode=file.label(at),
                end_timecode=file.label(at + 1), affected_pct=0.0, heads=[], value=float(step), unit="lines",
                sigma=float(np.hypot(before.phase_sigma_lines or 0, after.phase_sigma_lines or 0)),
                significance=min(before.null_ratio or 0, after.null_ratio or 0), status="confirmed", severity="note",
                text=f"The wheel stands at another phase from here on ({step:+.2f} lines); heads are lettered anew.",
                causes=causes_for("relock"),
            )
        )  # fmt: skip
    return wheel, out


def _hook(file: _File, main: Pooled | None) -> Hook | None:
    """Top skew from the blanking edges, the wheel's own displacement taken off where it is known."""
    place, share = edge_positions(file.readings, file.programme)
    wheel_ns = None
    if main is not None and main.timing.regime == "uncorrected":
        wheel_ns = displacement_rows(
            file.standard, phase=main.fit.phase_lines, height=file.height, skew_ns=main.timing.skew_ns,
            scallop_ns=main.timing.scallop_ns, quadrature_ns=main.timing.quadrature_ns,
        )[0].astype(np.float64)  # fmt: skip
    return find_hook(place, share, file.view, wheel_ns=wheel_ns)


def _published(hook: Hook | None) -> TopSkew | None:
    return None if hook is None else TopSkew(value=hook.value_ns, sigma=hook.sigma_ns, decay_lines=hook.decay_lines)


def _hook_finding(file: _File, hook: Hook, limits: Limits) -> Finding:
    rows = (file.view.top, file.view.top + 2 * round(hook.decay_lines))
    return Finding(
        id="", kind="top_skew", start_frame=0, end_frame=file.frames, start_timecode=file.label(0),
        end_timecode=file.label(file.frames), affected_pct=100.0, heads=[], value=hook.value_ns, unit="ns", sigma=hook.sigma_ns,
        significance=min(abs(hook.value_ns) / hook.sigma_ns, 38.0), status="confirmed",
        severity="flag" if abs(hook.value_ns) >= limits.flag("top_skew_ns") else "note",
        text=f"The top of every field is displaced by {hook.value_ns:+.0f} ± {hook.sigma_ns:.0f} ns and settles within "
        f"{hook.decay_lines:.0f} lines; it follows the field, not the wheel.",
        evidence=Evidence(frame=file.frames // 2, lines=[rows]), causes=causes_for("top_skew"),
    )  # fmt: skip


def _noise_finding(file: _File, snr_db: float, limits: Limits) -> Finding:
    return Finding(
        id="", kind="noise", start_frame=0, end_frame=file.frames, start_timecode=file.label(0),
        end_timecode=file.label(file.frames), affected_pct=100.0, heads=list("ABCD"), value=snr_db, unit="dB", sigma=1.0,
        significance=None, status="confirmed", severity="flag" if snr_db < limits.flag("snr_db") else "note",
        text=f"The picture's noise is {snr_db:.1f} dB below white, all heads alike.", causes=causes_for("noise"),
    )  # fmt: skip


def _numbered(found: list[Finding]) -> list[Finding]:
    """Worst first, then numbered; saturation and response of the same head are linked as one fault."""
    rank = {"flag": 0, "note": 1}
    order = sorted(found, key=lambda f: (rank[f.severity], f.status != "confirmed", -(f.significance or 0.0) * (f.affected_pct or 0)))
    named = [f.model_copy(update={"id": f"f{k + 1:03d}"}) for k, f in enumerate(order)]
    pair = ("saturation_banding", "response_banding")
    out = []
    for f in named:
        others = [
            g.id for g in named
            if f.kind in pair and g.kind in pair and g.kind != f.kind and set(f.heads) & set(g.heads)
            and (f.value or 0) * (g.value or 0) > 0 and g.start_frame < f.end_frame and f.start_frame < g.end_frame
        ]  # fmt: skip
        if others:
            f = f.model_copy(
                update={"linked": others, "causes": causes_for(f.kind, words=frozenset({"linked_response"}))}
            )
        out.append(f)
    return out


TAPE_KINDS = frozenset({"dropouts", "scratch"})


def _verdict(file: _File, found: list[Finding], limits: Limits, *, locked: bool) -> Verdict:
    """The outcome, from confirmed flags that touch enough of the programme."""
    seconds = file.programme_frames / float(file.rate)
    percent = 100 * file.programme_frames / max(file.frames, 1)
    base: dict[str, Any] = {"judged_s": round(seconds, 2), "judged_pct": round(percent, 2)}
    if seconds < LEAST_PROGRAMME_S:
        text = "Not judged: the file holds no second of programme."
        return Verdict(outcome="not_judged", transfer_again=False, reasons=[], text=text, **base)
    least = limits.table["verdict"]["affected_pct"]
    flags = [f for f in found if f.severity == "flag" and f.status == "confirmed" and (f.affected_pct or 0) >= least]
    tape = [f for f in flags if f.kind in TAPE_KINDS]
    deck = [f for f in flags if f.kind not in TAPE_KINDS]
    doubtful = [f for f in found if f.severity == "flag" and f.status != "confirmed"]
    if tape:
        text = tape[0].text
        return Verdict(
            outcome="inspect_before_playing", transfer_again=True, reasons=[f.id for f in (*tape, *deck)], text=text, **base
        )
    if deck:
        text = deck[0].text
        return Verdict(outcome="adjust_and_replay", transfer_again=True, reasons=[f.id for f in deck], text=text, **base)
    if doubtful:
        text = doubtful[0].text
        return Verdict(outcome="look", transfer_again=False, reasons=[f.id for f in doubtful], text=text, **base)
    text = "Nothing found beyond the limits."
    if not locked:
        text += " No difference between the heads stands out from the picture itself."
    return Verdict(outcome="accept", transfer_again=False, reasons=[], text=text, **base)
