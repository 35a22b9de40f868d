"""Readings in, findings out: sections, wheel, figures, findings, losses, verdict. Opens no file of its own; runs again and again."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from detect import __version__
from detect.findings import (
    Evidence,
    Finding,
    Findings,
    Tone,
    TopSkew,
    TransferInfo,
    WheelState,
    Window,
    WindowReadings,
)
from detect.judge.absolute import absolute_noise, pass_view
from detect.judge.causes import causes_for
from detect.judge.course import stretches
from detect.judge.doubt import MOSTLY_HIDDEN, Doubt, widened
from detect.judge.edits import with_edits
from detect.judge.figures import MOST_OPPOSED
from detect.judge.finding_text import LETTERS, amount
from detect.judge.found import LEAST_SHOTS, Context, findings_of
from detect.judge.gone_heads import Bands, GoneHead, bands_of, find_gone, overruled, with_phases_of_bands
from detect.judge.judged import JUDGED, JudgedFile, describe, gathered, mask_of, pool_of, wheel_of
from detect.judge.limits import Limits
from detect.judge.loss_findings import judge_losses
from detect.judge.noise_along import NoiseAlong, noise_along, shots_that_show
from detect.judge.outcome import numbered, verdict_of
from detect.judge.states import joined, left_out, relocks_of, settled, stretches_by_decoder, wheel_state, within, without_wheel
from detect.judge.stretch import Pooled, WindowJumps, window_jumps, window_readings
from detect.judge.switch_phase import with_phases_of_dashes
from detect.judge.time_geometry import displacement_rows
from detect.judge.timebase import opposed
from detect.judge.top_skew import Hook, edge_positions, find_hook, hook_course
from detect.judge.wheel import ALONE, CHROMA_LINES, WheelFit
from detect.readings import Readings
from detect.standards import HEADS, pass_bounds_rows

MIXES = (
    "lines beside the head changes hold signal of both heads, as an adaptive comb leaves them where passes are displaced: "
    "they are left out of colour, noise and response of the heads"
)
MEANS_OF_LINES = "the chroma lines are means of {lines}, as a decoder with {delays} leaves them: {so}"
STEPS_SPREAD = "colour changes from head to head over as many lines, which the figures allow for"
HUE_LOST = "a hue error of one head shows as a loss of its saturation, and not as hue"
WORDS_OF_LINES = {
    "two": ("two lines", "a delay line"), "three": ("three lines", "two lines of delay"),
    "apart": ("three lines two apart", "four lines of delay"),
}  # fmt: skip
FEWEST_HOOKED = 2
"""Windows in a row that must show top skew before it is confirmed, or all there are (house value)."""
BLOCK_WINDOWS = 50
MOST_BLOCKS = 40
"""A stretch is also looked at minute by minute, in 40 blocks at most."""


def judge(readings: Readings, limits: Limits, *, tape_speed_ips: float = 15.0) -> Findings:
    """Everything that can be said of one file by ``limits``."""
    file, parts = stretches_by_decoder(describe(readings))
    wheel: list[WheelState] = []
    of_stretch: list[tuple[Finding, int]] = []
    windows: list[Window] = []
    pools: list[tuple[Pooled, NDArray[np.int64]]] = []
    noise = absolute_noise(readings, file.programme, file.view, file.standard, None)
    rows0 = readings.header.measured.get("rows0", (0, 1))
    bands = bands_of(readings.losses, (int(rows0[0]), int(rows0[1])), file.height)
    for members, by_picture in settled(file, parts):
        pooled = _at_bands(file, members, by_picture, bands)
        wheel.append(wheel_state(int(file.start[members[0]]), int(file.end[members[-1]]), pooled))
        pools.append((pooled, members))
        if not pooled.locked:
            windows += _windows(file, members, None, None)
            continue
        jumps = window_jumps(readings, mask_of(file, members), file.view, file.standard, pooled.fit.phase_lines)
        doubt = {"noise": noise.hidden} if noise is not None else {}
        here = findings_of(pooled, _blocks(file, members, pooled), jumps, _context(file, limits, doubt))
        windows += _windows(file, members, pooled, jumps)
        along = noise_along(pooled.rows, file.view, file.standard, pooled.fit.phase_lines)
        # subcarrier that a comb leaves of passes so far apart is no noise of theirs
        mixed = file.view.combs > 0 and opposed(pooled.timing, file.standard) > MOST_OPPOSED
        survives = not mixed and file.doubt.get("noise", 0.0) < MOSTLY_HIDDEN  # what a carrier makes of noise goes by the picture
        if survives and along is not None and along.clear and abs(along.value_db[along.worst]) >= limits.note("noise_along_pass_db"):
            shot = np.searchsorted(file.readings.cuts, file.start[members], side="right")
            each = (gathered(file, members[shot == which]).rows() for which in np.unique(shot))
            sure = pooled.confirmed or shots_that_show(along, each, file.view, file.standard, pooled.fit.phase_lines) >= LEAST_SHOTS
            here.append(_along_finding(file, members, along, confirmed=sure, limits=limits))
        of_stretch += [(finding, len(wheel) - 1) for finding in here]
    wheel, relocks = relocks_of(file, wheel, [(members, pooled) for pooled, members in pools])
    found = [kept for finding, of in of_stretch if (kept := within(finding, pools[of][1], wheel[of], file)) is not None]
    apart = left_out(file, [members for _, members in pools])
    windows = sorted([*windows, *(w for run in apart for w in _windows(file, run, None, None))], key=lambda w: w.start_frame)
    wheel = joined([*wheel, *without_wheel(file, apart, wheel)])
    found += relocks
    wheel = with_phases_of_bands(wheel, bands, file.standard)
    wheel = with_phases_of_dashes(wheel, readings.losses, (int(rows0[0]), int(rows0[1])), file.height, file.standard)
    judged = np.isin(file.parts.kind, JUDGED)
    found += [
        _gone_finding(file, gone, float(wheel[gone.stretch].phase_lines or 0.0))
        for gone in find_gone(bands, wheel, file.standard, programme=judged)
    ]
    main = max((p for p in pools if p[0].locked), key=lambda p: len(p[1]), default=None)
    noise = absolute_noise(readings, file.programme, file.view, file.standard, main[0].fit.phase_lines if main else None)
    minutes = file.programme_frames / float(file.rate) / 60
    wheel_ns = _displaced_by_wheel(file, main[0] if main else None)
    losses = judge_losses(
        file.readings, wheel=wheel, standard=file.standard, kind=file.parts.kind, minutes=minutes, limits=limits, label=file.label,
        programme_frames=file.programme_frames, tape_speed_ips=tape_speed_ips, displaced_ns=wheel_ns,
    )  # fmt: skip
    found += losses.findings
    snr = noise.published.value if noise is not None else None
    if noise is not None and noise.sure and snr is not None and snr < limits.note("snr_db"):
        found.append(_noise_finding(file, snr, limits))
    figures = _figures_of(file, *main, relocks) if main else WindowReadings()
    if noise is not None:
        figures = widened(figures, {"noise": noise.hidden})
    # what the wheel displaces is known at one phase: the top of a field is asked where it stands there
    of_one_phase = mask_of(file, main[1]) if main and relocks else file.programme
    hook = find_hook(*edge_positions(file.readings, of_one_phase), file.view, wheel_ns=wheel_ns)
    if hook is not None and abs(hook.value_ns) >= limits.note("top_skew_ns"):
        still = main is not None and not main[0].confirmed
        found += _hook_findings(file, hook, wheel_ns, limits, of_one_phase, still=still)
    found = with_edits(numbered(found), file.readings.cuts, judged)
    summary = figures.model_copy(
        update={
            "top_skew_ns": _published(hook),
            "snr_db": noise.published if noise else None,
            "dropouts": losses.counts if minutes > 0 else None,
        }
    )
    warnings = list(readings.header.warnings)
    for name, (lines, delays) in WORDS_OF_LINES.items():
        if file.view.chroma_lines == CHROMA_LINES[name]:
            so = HUE_LOST if name == "two" and file.standard.alternating_v else STEPS_SPREAD
            warnings.append(MEANS_OF_LINES.format(lines=lines, delays=delays, so=so))
    if file.view.combs and file.view.chroma_lines == ALONE:
        warnings.append(MIXES)
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
        verdict=verdict_of(file, found, limits, locked=main is not None),
        warnings=warnings,
        limits=limits.as_dict(),
        pass_view=pass_view(main[0].rows, file.view, file.standard, main[0].fit, main[0].timing) if main else None,
    )


def _blocks(file: JudgedFile, members: NDArray[np.int64], pooled: Pooled) -> list[WheelFit]:
    """Minutes of a long stretch by themselves: a fault of one minute drowns in an hour."""
    anchor = [] if pooled.anchor is None else [pooled.anchor.fit]
    if len(members) < 2 * BLOCK_WINDOWS:
        return anchor
    count = len(members) // BLOCK_WINDOWS
    return anchor + [wheel_of(file, part, pooled.fit.phase_lines) for part in np.array_split(members, min(count, MOST_BLOCKS))]


def _context(file: JudgedFile, limits: Limits, doubt: Doubt) -> Context:
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
        refit=lambda members, phase: pool_of(file, members, phase),
    )


def _windows(
    file: JudgedFile, members: NDArray[np.int64], pooled: Pooled | None, jumps: WindowJumps | None
) -> list[Window]:
    """Published windows: two measured ones each, about 2 s."""
    out = []
    for k in range(0, len(members), 2):
        pair = members[k : k + 2]
        a, b = int(file.start[pair[0]]), int(file.end[pair[-1]])
        cuts = file.readings.cuts
        shots = 1 + int(((cuts > a) & (cuts < b)).sum())
        figures = WindowReadings()
        if pooled is not None and jumps is not None:
            inside = [i for i in range(k, min(k + 2, len(jumps.index)))]
            figures = window_readings(pooled, jumps, inside, file.view, file.standard, shots=shots, doubt=file.doubt)
        out.append(Window(start_frame=a, end_frame=b, start_timecode=file.label(a), shots=shots, readings=figures))
    return out


def _figures_of(file: JudgedFile, pooled: Pooled, members: NDArray[np.int64], relocks: list[Finding]) -> WindowReadings:
    """What a stretch reads, without windows in which the wheel goes to another phase or comes from it: those hold some of both."""
    changes = np.array([f.start_frame for f in relocks], np.int64)
    start, end = file.start[members, None], file.end[members, None]
    mixed = ((start < changes) & (changes < end)).any(axis=1)
    if not mixed.any() or mixed.all():
        return pooled.readings
    return pool_of(file, members[~mixed], pooled.fit.phase_lines).readings


def _at_bands(file: JudgedFile, members: NDArray[np.int64], pooled: Pooled, bands: Bands) -> Pooled:
    """A stretch at the phase that bands without picture show, where they contradict an unsure one."""
    if not pooled.locked:
        return pooled
    fit = (pooled.anchor or pooled).fit
    span = int(file.start[members[0]]), int(file.end[members[-1]])
    phase = overruled(fit.phase_lines, fit.null_ratio, bands, span, file.standard)
    return pooled if phase is None else pool_of(file, members, phase)


def _displaced_by_wheel(file: JudgedFile, main: Pooled | None) -> NDArray[np.float64] | None:
    """What the wheel displaces every row by, ns, where that is known: top skew is what edges show beside it."""
    if main is None or main.timing.regime != "uncorrected":
        return None
    return displacement_rows(
        file.standard, phase=main.fit.phase_lines, height=file.height, skew_ns=main.timing.skew_ns,
        scallop_ns=main.timing.scallop_ns, quadrature_ns=main.timing.quadrature_ns, whole_lines=main.timing.whole_lines,
    )[0].astype(np.float64)  # fmt: skip


def _published(hook: Hook | None) -> TopSkew | None:
    return None if hook is None else TopSkew(value=hook.value_ns, sigma=hook.sigma_ns, decay_lines=hook.decay_lines)


def _hook_findings(
    file: JudgedFile, hook: Hook, wheel_ns: NDArray[np.float64] | None, limits: Limits, chosen: NDArray[np.bool_], *,
    still: bool,
) -> list[Finding]:  # fmt: skip
    """One for each stretch of the ``chosen`` windows that has the hook. A deck has it for longer than a window, and in more than one shot;
    a picture may look so for as long as it lasts, all of a ``still`` tape."""
    amplitude, sigma = hook_course(file.readings, chosen, file.view, hook, wheel_ns=wheel_ns)
    start, end = file.start[chosen], file.end[chosen]
    parts = [(s.start_frame, s.end_frame) for s in stretches(amplitude, sigma, start, end)]
    out = []
    shot = np.searchsorted(file.readings.cuts, (start + end) // 2, side="right")
    for a, b in parts or [(0, file.frames)]:
        here = (start >= a) & (end <= b)
        lasts = np.count_nonzero(here) >= min(FEWEST_HOOKED, len(start))
        elsewhere = len(np.unique(shot[here])) > 1 or (here.all() and not still)
        out.append(_hook_finding(file, hook, a, b, limits, confirmed=bool(lasts and elsewhere)))
    return out


def _hook_finding(file: JudgedFile, hook: Hook, start: int, end: int, limits: Limits, *, confirmed: bool) -> Finding:
    rows = (file.view.top, file.view.top + 2 * round(hook.decay_lines))
    return Finding(
        id="", kind="top_skew", start_frame=start, end_frame=end, start_timecode=file.label(start),
        end_timecode=file.label(end), affected_pct=100.0 * (end - start) / max(file.programme_frames, 1), heads=[],
        value=hook.value_ns, unit="ns", sigma=hook.sigma_ns,
        significance=min(abs(hook.value_ns) / hook.sigma_ns, 38.0), status="confirmed" if confirmed else "unconfirmed",
        severity="flag" if abs(hook.value_ns) >= limits.flag("top_skew_ns") else "note",
        text=f"The top of every field is displaced by {hook.value_ns:+.0f} ± {hook.sigma_ns:.0f} ns and settles within "
        f"{hook.decay_lines:.0f} lines; it follows the field, not the wheel"
        + ("." if confirmed else ", but for no longer than a picture may look so, so unconfirmed."),
        evidence=Evidence(frame=(start + end) // 2, lines=[rows]), causes=causes_for("top_skew"),
    )  # fmt: skip


def _along_finding(
    file: JudgedFile, members: NDArray[np.int64], along: NoiseAlong, *, confirmed: bool, limits: Limits
) -> Finding:
    start, end = int(file.start[members[0]]), int(file.end[members[-1]])
    names, worst = ("start", "end"), along.worst
    value, sigma, other = float(along.value_db[worst]), float(along.sigma_db[worst]), float(along.value_db[1 - worst])
    return Finding(
        id="", kind="noise", start_frame=start, end_frame=end, start_timecode=file.label(start), end_timecode=file.label(end),
        affected_pct=100 * (end - start) / max(file.programme_frames, 1), heads=list("ABCD"), value=value, unit="dB", sigma=sigma,
        significance=along.proof.z, status="confirmed" if confirmed else "unconfirmed",
        severity="flag" if abs(value) >= limits.flag("noise_along_pass_db") else "note",
        text=f"The {names[worst]} of every pass differs in noise by {amount(value, sigma, 'dB')} from its middle, its {names[1 - worst]} "
        f"by {other:+.1f} dB, alike for all heads.",
        causes=causes_for("noise", words=frozenset({"along"})),
    )  # fmt: skip


def _gone_finding(file: JudgedFile, gone: GoneHead, phase: float) -> Finding:
    letter = LETTERS[gone.head]
    rows = [(a, b - 1) for k, a, b in pass_bounds_rows(file.standard, phase, file.height) if k % HEADS == gone.head]
    start, end = gone.start_frame, gone.end_frame
    return Finding(
        id="", kind="head_loss", start_frame=start, end_frame=end, start_timecode=file.label(start), end_timecode=file.label(end),
        affected_pct=100 * (end - start) / max(file.programme_frames, 1), heads=[letter], value=float(gone.passes), unit="passes",
        sigma=0.0, significance=None, status="confirmed", severity="flag",
        text=f"Head {letter} reads nothing: {gone.passes} of its {gone.of_passes} passes hold noise and no picture.",
        evidence=Evidence(frame=(start + end) // 2, lines=rows), causes=causes_for("head_loss", words=frozenset()),
    )  # fmt: skip


def _noise_finding(file: JudgedFile, snr_db: float, limits: Limits) -> Finding:
    """Grain of film and noise of a camera look the same from here, however strong: a dark picture of a camera at its most is as bad."""
    bad = snr_db < limits.flag("snr_db")
    return Finding(
        id="", kind="noise", start_frame=0, end_frame=file.frames, start_timecode=file.label(0),
        end_timecode=file.label(file.frames), affected_pct=100.0, heads=list("ABCD"), value=snr_db, unit="dB", sigma=1.0,
        significance=None, status="unconfirmed", severity="flag" if bad else "note",
        text=f"The picture's noise is {snr_db:.1f} dB below white, all heads alike; grain of film or noise of a camera may read as much, "
        "so unconfirmed.",
        causes=causes_for("noise", words=frozenset({"all_over"})),
    )  # fmt: skip


