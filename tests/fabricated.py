# ruff: noqa: E501, RUF001, RUF007 - dense invented data
"""Fabricated findings for the tests of the outputs: tapes that nobody ever recorded, shaped like real judgements.

Figures are invented within the ranges that the physics allows; place on the tape and in the pass follows the standards table.
"""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import numpy as np

from detect.findings import (
    AbsoluteNoise,
    Cause,
    Defect,
    DropoutCounts,
    Evidence,
    Finding,
    Findings,
    HeadValues,
    Loss,
    PassView,
    ResponseCurve,
    Section,
    Tone,
    TopSkew,
    TransferInfo,
    Value,
    Verdict,
    WheelState,
    Window,
    WindowReadings,
)  # fmt: skip
from detect.standards import STD_525, STD_625, WHEEL_RADIUS_MM, Standard, pass_bounds_rows

WINDOW_S = 2.0
MHZ = [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5]
KINDS = (
    "skew", "scallop", "quadrature", "velocity_error", "saturation_banding", "hue_banding", "level_banding", "noise_banding",
    "response_banding", "noise", "head_loss", "dropouts", "scratch", "switch_transient", "top_skew", "relock",
)  # fmt: skip
UNITS = {
    "skew": "ns", "scallop": "ns", "quadrature": "ns", "velocity_error": "ns", "saturation_banding": "%", "hue_banding": "deg",
    "level_banding": "IRE", "noise_banding": "dB", "response_banding": "dB", "noise": "dB", "head_loss": "%",
    "dropouts": "per minute", "scratch": "mm", "switch_transient": "us", "top_skew": "ns", "relock": "lines",
}  # fmt: skip
TRIM_CAUTION = (
    "Trimming is done by someone trained on this machine, with the insulated tool made for it, hands and sleeves clear of the "
    "wheel, record inhibited, on an alignment or scratch tape and never on a unique one. The service manual decides."
)
HANDLING_CAUTION = "Power off, air off and the wheel at rest before anything near the heads is touched. The service manual decides."


def label(frame: int, *, standard: Standard = STD_525, start_h: int = 1) -> str:
    """Timecode label (ST 12-1 rule; drop frame in 525): fixtures only, kept apart from the product's own table."""
    if standard is STD_625:
        f = frame + start_h * 90_000
        return f"{f // 90_000:02d}:{f // 1500 % 60:02d}:{f // 25 % 60:02d}:{f % 25:02d}"
    f = frame + start_h * 107_892
    tens, rest = divmod(f, 17_982)
    f += 18 * tens + (2 * ((rest - 2) // 1798) if rest >= 2 else 0)
    return f"{f // 108_000:02d}:{f // 1800 % 60:02d}:{f // 30 % 60:02d};{f % 30:02d}"


def _heads(rng: np.random.Generator, offsets: list[float], *, sigma: float) -> HeadValues:
    values = np.array(offsets) + rng.normal(0, sigma, 4)
    values -= values.mean()
    return HeadValues(values=values.tolist(), sigmas=[sigma] * 4)


def readings(rng: np.random.Generator, *, tight: float = 1.0, losses: int = 0, minutes: float = 1 / 30, **fault: Any) -> WindowReadings:
    """Readings with the faults named; ``tight`` scales the uncertainties."""
    by_head = rng.multinomial(losses, fault.get("loss_share", [0.25] * 4))
    by_place = rng.multinomial(losses, np.ones(16) / 16)
    response = fault.get("response", [0.0] * 4)
    sag = np.array(MHZ) / 3.0
    return WindowReadings(
        skew_ns=Value(value=fault.get("skew", 0.0) + rng.normal(0, 0.3 * tight), sigma=0.3 * tight),
        scallop_ns=Value(value=fault.get("scallop", 0.0) + rng.normal(0, 1.5 * tight), sigma=1.5 * tight),
        quadrature_ns=_heads(rng, fault.get("quadrature", [0.0] * 4), sigma=0.3 * tight),
        head_skew_ns=_heads(rng, [0.0] * 4, sigma=0.4 * tight),
        time_base=fault.get("time_base", "uncorrected"),
        velocity_error_ns=Value(value=fault.get("velocity", 0.0) + rng.normal(0, 0.2 * tight), sigma=0.2 * tight),
        saturation_pct=_heads(rng, fault.get("saturation", [0.0] * 4), sigma=0.04 * tight),
        hue_deg=_heads(rng, fault.get("hue", [0.0] * 4), sigma=0.03 * tight),
        level_ire=_heads(rng, fault.get("level", [0.0] * 4), sigma=0.01 * tight),
        noise_db=_heads(rng, fault.get("noise", [0.0] * 4), sigma=0.05 * tight),
        response_db=_heads(rng, response, sigma=0.1 * tight),
        response_curve=ResponseCurve(
            mhz=MHZ,
            db=[(np.array(sag) ** 2 * r + rng.normal(0, 0.06 * tight, len(MHZ))).tolist() for r in response],
            sigma_db=[[0.1 * tight * (0.6 + 0.2 * f) for f in MHZ]] * 4,
        ),
        snr_db=AbsoluteNoise(value=43.0 + rng.normal(0, 0.2), by_pass_position=(43 - 0.4 * np.abs(np.linspace(-1, 1, 16)) ** 4 * 3).tolist()),
        top_skew_ns=TopSkew(value=rng.normal(0, 5), sigma=5.0, decay_lines=None),
        dropouts=DropoutCounts(
            count=losses,
            visible=int(losses * 0.7),
            compensated=losses - int(losses * 0.7),
            total_us=losses * 4.2,
            per_minute=losses / minutes if minutes else None,
            by_head=by_head.tolist(),
            by_pass_position=by_place.tolist(),
        ),
    )


def pass_view(rng: np.random.Generator, *, skew: float = 0.0, scallop: float = 0.0, quadrature: list[float] | None = None) -> PassView:
    angle = np.linspace(-43.5, 43.5, 30)
    rad = np.radians(angle)
    skew_part = skew * np.sin(rad) / math.sqrt(2)
    scallop_part = -scallop * (np.cos(rad) - np.cos(rad).mean()) / (1 - math.sqrt(0.5))
    fitted = [(skew_part + scallop_part + q).tolist() for q in quadrature or [0.0] * 4]
    measured = [(np.array(row) + rng.normal(0, 0.9, 30)).tolist() for row in fitted]
    measured[2][0] = None
    return PassView(angle_deg=angle.tolist(), measured_ns=measured, sigma_ns=[[0.9] * 30] * 4, fitted_ns=fitted)


def losses(rng: np.random.Generator, count: int, *, frames: int, standard: Standard, phase: float = 5.3, scratch: bool = False) -> list[Loss]:
    """Losses at places that the pass arithmetic allows: clusters, an edge, one head, and (if asked) a scratch along the tape."""
    height = 486 if standard is STD_525 else 576
    period = float(standard.lines_per_pass)
    frame = np.sort(np.where(rng.random(count) < 0.6, rng.integers(0, frames, count), np.clip(rng.normal(frames * 0.4, frames * 0.02, count), 0, frames - 1))).astype(int)
    field = rng.integers(0, 2, count)
    line = rng.integers(0, height // 2, count)
    if scratch:
        held = rng.random(count) < 0.3
        line = np.where(held, np.round(phase + period * (rng.integers(0, 14, count) + 0.62)).astype(int) % (height // 2), line)
    place = (line - phase) / period
    within = place - np.floor(place)
    duration = np.clip(rng.gamma(1.6, 1.9, count) + 0.5, 0.5, 60)
    x0 = rng.integers(10, 640, count)
    kinds = rng.choice(["white", "black", "noise", "compensated"], count, p=[0.3, 0.2, 0.2, 0.3])
    fps = float(standard.frame_rate)
    return [
        Loss(
            frame=int(frame[i]), field=int(field[i]), line=int(line[i]), x0=int(x0[i]), x1=int(x0[i] + max(7, duration[i] * 13.5)),
            duration_us=round(float(duration[i]), 2), kind=str(kinds[i]), head="ABCD"[int(np.floor(place[i])) % 4],
            pass_position=float(within[i]), tape_mm_across=float(WHEEL_RADIUS_MM * np.radians(90) * (within[i] - 0.5)),
            tape_m_along=float((frame[i] + field[i] / 2 + line[i] / height / 2) / fps * standard.tape_speed_mm_per_s / 1000),
        )
        for i in range(count)
    ]  # fmt: skip


def transfer(frames: int, *, standard: Standard = STD_525, path: str = "reel_07.mkv", timecode: bool = True) -> TransferInfo:
    rate = standard.frame_rate
    return TransferInfo(
        path=path, size_bytes=int(frames * 390_000), container="matroska", codec="ffv1", pixel_format="yuv422p10le", width=720,
        height=486 if standard is STD_525 else 576, field_order="bottom" if standard is STD_525 else "top", field_order_source="flag",
        frame_rate=f"{rate.numerator}/{rate.denominator}", frames=frames, frames_measured=frames, frames_undecodable=0,
        duration_s=float(frames / rate), start_timecode=label(0, standard=standard) if timecode else None,
        timecode_source="container" if timecode else None, drop_frame=standard is STD_525, standard=standard.name,
    )  # fmt: skip


def finding(number: int, kind: str, start: int, end: int, *, standard: Standard = STD_525, **more: Any) -> Finding:
    height = 486 if standard is STD_525 else 576
    heads = more.pop("heads", [])
    bands = [(first, last - 1) for k, first, last in pass_bounds_rows(standard, 5.3, height) if k >= 0 and (not heads or "ABCD"[k % 4] in heads)]
    fields: dict[str, Any] = {
        "id": f"F{number}", "kind": kind, "start_frame": start, "end_frame": end, "start_timecode": label(start, standard=standard),
        "end_timecode": label(end, standard=standard), "affected_pct": 100.0, "heads": heads, "value": 12.0, "unit": UNITS[kind],
        "sigma": 0.8, "significance": 40.0, "status": "confirmed", "severity": "flag", "text": f"A fabricated {kind}.",
        "evidence": Evidence(frame=(start + end) // 2, lines=bands[:8]),
    }  # fmt: skip
    return Finding(**{**fields, **more})


def _windows(rng: np.random.Generator, frames: int, *, standard: Standard, per_window: Any, **fault: Any) -> list[Window]:
    step = round(WINDOW_S * float(standard.frame_rate))
    out = []
    for index, start in enumerate(range(0, frames, step)):
        end = min(frames, start + step)
        minutes = float(Fraction(end - start) / standard.frame_rate) / 60
        read = readings(rng, tight=4.0, losses=int(per_window(index)), minutes=minutes, **fault)
        out.append(Window(start_frame=start, end_frame=end, start_timecode=label(start, standard=standard), shots=1, readings=read))
    return out


def _findings(frames: int, *, standard: Standard, **parts: Any) -> Findings:
    base: dict[str, Any] = {
        "headpass": "0.1.0",
        "created": "2025-03-14T09:26:53Z",
        "transfer": transfer(frames, standard=standard),
        "sections": [Section(kind="programme", start_frame=0, end_frame=frames)],
        "wheel": [WheelState(start_frame=0, end_frame=frames, phase_lines=5.3125, phase_sigma_lines=0.02, locked=True, significance=310.0, null_ratio=7.2)],
        "dropouts": [],
        "limits": {
            "skew_ns": {"note": 8.0, "flag": 25.0}, "saturation_pct": {"note": 1.0, "flag": 5.0}, "hue_deg": {"flag": 5.0},
            "snr_db": {"note": 40.0, "flag": 34.0}, "verdict": {"affected_pct": 1.0},
        },
    }
    return Findings(**{**base, **parts})


def clean_tape(*, minutes: float = 10.0, standard: Standard = STD_525, seed: int = 1) -> Findings:
    rng = np.random.default_rng(seed)
    frames = round(minutes * 60 * float(standard.frame_rate))
    lost = losses(rng, 14, frames=frames, standard=standard)
    return _findings(
        frames,
        standard=standard,
        summary=readings(rng, losses=14, minutes=minutes),
        windows=_windows(rng, frames, standard=standard, per_window=lambda _: rng.poisson(14 / (minutes * 30))),
        findings=[],
        dropouts=lost,
        pass_view=pass_view(rng),
        verdict=Verdict(
            outcome="accept", transfer_again=False, judged_s=minutes * 60, judged_pct=100.0, reasons=[],
            text="Nothing beyond the limits was found in the whole programme.",
        ),
    )  # fmt: skip


def one_fault_tape(*, minutes: float = 10.0, standard: Standard = STD_525, seed: int = 2) -> Findings:
    """Head B 10 % low in saturation from first to last, after bars and black."""
    rng = np.random.default_rng(seed)
    rate = float(standard.frame_rate)
    frames = round(minutes * 60 * rate)
    start = round(70 * rate)
    fault = {"saturation": [3.4, -10.1, 3.3, 3.4], "response": [0.3, -0.95, 0.3, 0.35], "skew": 2.0}
    causes = [
        Cause(
            cause="Equaliser of channel B set low", origin="playback", likelihood="likely",
            because="saturation and response fall together in one band and hold across every edit",
            check="Play an alignment tape: if band B is low there too, trim that channel's equaliser.", caution=TRIM_CAUTION,
        ),
        Cause(
            cause="Head B worn or dirty", origin="playback", likelihood="possible",
            because="a worn tip loses the highest frequencies first; its noise would rise too, and here it has not",
            check="Clean the heads, play 30 s again and compare.", caution=HANDLING_CAUTION,
        ),
        Cause(
            cause="Recorded so", origin="recording", likelihood="less likely",
            because="a step at an edit would show it; this tape has no edit where it changes",
            check="Compare with another tape of the same recording machine.",
        ),
    ]  # fmt: skip
    found = [
        finding(
            1, "saturation_banding", start, frames, heads=["B"], value=-10.1, sigma=0.2, significance=212.0, linked=["F2"], causes=causes,
            equivalent="−0.92 dB at the subcarrier", text="Colour in the bands of head B is 10.1 % weaker than the mean of the heads.",
            affected_pct=100.0, standard=standard,
        ),
        finding(
            2, "response_banding", start, frames, heads=["B"], value=-0.95, sigma=0.1, significance=61.0, linked=["F1"], causes=causes[:2],
            equivalent="−0.95 dB at 3 MHz", text="Fine detail in the bands of head B is 0.95 dB weaker than the mean of the heads.",
            severity="note", standard=standard,
        ),
    ]  # fmt: skip
    sections = [
        Section(kind="unlocked", start_frame=0, end_frame=round(4 * rate)),
        Section(kind="bars", start_frame=round(4 * rate), end_frame=round(60 * rate)),
        Section(kind="black", start_frame=round(60 * rate), end_frame=start),
        Section(kind="programme", start_frame=start, end_frame=frames),
    ]
    return _findings(
        frames,
        standard=standard,
        sections=sections,
        summary=readings(rng, losses=31, minutes=minutes, **fault),
        windows=_windows(rng, frames, standard=standard, per_window=lambda _: rng.poisson(31 / (minutes * 30)), **fault),
        findings=found,
        dropouts=losses(rng, 31, frames=frames, standard=standard),
        pass_view=pass_view(rng, skew=2.0),
        audio=[Tone(channel=1, tone_hz=1000.2, tone_dbfs=-19.8, start_timecode=label(130, standard=standard), end_timecode=label(1700, standard=standard))],
        verdict=Verdict(
            outcome="adjust_and_replay", transfer_again=True, judged_s=(frames - start) / rate, judged_pct=100.0, reasons=["F1"],
            text="Head B is 10 % weak in colour through the whole programme, most likely in this playback.",
        ),
        warnings=["The file carries no field order flag; the order was taken from the picture's own motion."],
    )  # fmt: skip


def long_tape(*, minutes: float = 90.0, standard: Standard = STD_625, seed: int = 3) -> Findings:
    """Ninety minutes with a dozen findings, two wheel sections and one relock."""
    rng = np.random.default_rng(seed)
    frames = round(minutes * 60 * float(standard.frame_rate))
    cut = frames * 3 // 5
    fault = {"skew": 41.0, "scallop": 14.0, "quadrature": [4.0, -9.0, 2.0, 3.0], "hue": [0.6, -1.8, 0.5, 0.7]}
    found = [
        finding(1, "skew", 0, cut, value=41.2, sigma=0.8, equivalent="1.2 µm of guide travel", standard=standard, affected_pct=60.0,
                text="Verticals lean the same way in every pass: the guide presses deeper than at the recording.",
                causes=[Cause(cause="Guide position differs from the recording", origin="either", likelihood="likely",
                              because="the same ramp in all four heads, constant across edits",
                              check="Measure an alignment tape, then move the guide by no more than the figure above.", caution=TRIM_CAUTION)]),
        finding(2, "relock", cut, cut + 50, value=3.1, sigma=0.1, severity="note", standard=standard, affected_pct=0.1,
                text="The wheel locked again at another phase; head letters change here."),
        finding(3, "hue_banding", cut, frames, heads=["B"], value=-1.8, sigma=0.05, standard=standard, affected_pct=40.0, text="Hue of head B is off."),
    ]  # fmt: skip
    for n in range(4, 13):
        start = int(rng.integers(0, frames - 5000))
        found.append(finding(n, str(rng.choice(KINDS)), start, start + int(rng.integers(50, 4000)), severity="note",
                             status=str(rng.choice(["confirmed", "unconfirmed"])), affected_pct=1.0, standard=standard))  # fmt: skip
    half = frames // 2
    wheel = [
        WheelState(start_frame=0, end_frame=cut, phase_lines=5.25, phase_sigma_lines=0.02, locked=True, significance=310.0, null_ratio=7.2, head_numbers=[3, 4, 1, 2]),
        WheelState(start_frame=cut, end_frame=frames, phase_lines=8.375, phase_sigma_lines=0.02, locked=True, significance=120.0, null_ratio=4.1),
    ]
    lost = losses(rng, 4200, frames=frames, standard=standard)
    rate = 4200 / (frames / 50)
    return _findings(
        frames,
        standard=standard,
        wheel=wheel,
        summary=readings(rng, losses=4200, minutes=minutes, **fault),
        windows=_windows(rng, frames, standard=standard, per_window=lambda i: rng.poisson(rate * (3 if i * 50 > half else 0.4)), **fault),
        findings=found,
        dropouts=lost,
        pass_view=pass_view(rng, skew=41.0, scallop=14.0, quadrature=[4.0, -9.0, 2.0, 3.0]),
        verdict=Verdict(
            outcome="look", transfer_again=False, judged_s=minutes * 60, judged_pct=100.0, reasons=["F1", "F3"],
            text="Skew of 41 ns through the first hour, and a hue step of head B after the re-lock.",
        ),
    )  # fmt: skip


def ruined_tape(*, minutes: float = 90.0, standard: Standard = STD_525, count: int = 500, lost: int = 50_000, seed: int = 4) -> Findings:
    """A shedding tape: 500 findings, 50,000 losses, sections out of lock, a scratch and many warnings."""
    rng = np.random.default_rng(seed)
    frames = round(minutes * 60 * float(standard.frame_rate))
    fault = {
        "skew": -183.0, "scallop": 120.0, "quadrature": [31.0, -44.0, 25.0, -12.0], "saturation": [8.0, -21.0, 9.0, 4.0],
        "hue": [3.0, -7.0, 2.0, 2.0], "level": [0.9, -1.6, 0.4, 0.3], "noise": [-1.0, 5.5, -2.0, -2.5], "response": [0.9, -3.1, 1.2, 1.0],
        "loss_share": [0.2, 0.45, 0.2, 0.15],
    }  # fmt: skip
    found = []
    starts = np.sort(rng.integers(0, frames - 9000, count))
    for number, start in enumerate(starts, start=1):
        kind = str(rng.choice(KINDS))
        heads = [] if kind in ("skew", "scallop", "dropouts", "scratch", "top_skew", "relock") else sorted(rng.choice(list("ABCD"), int(rng.integers(1, 3)), replace=False).tolist())
        found.append(
            finding(
                number, kind, int(start), int(start + rng.integers(30, 9000)), heads=heads, value=float(rng.normal(0, 60)), sigma=float(rng.gamma(2, 0.8)),
                significance=float(rng.gamma(2, 40)), affected_pct=float(rng.random() * 6), status=str(rng.choice(["confirmed", "unconfirmed"], p=[0.8, 0.2])),
                severity=str(rng.choice(["flag", "note"], p=[0.6, 0.4])), linked=[f"F{number + 1}"] if number % 9 == 0 and number < count else [],
                equivalent="5.1 µm of guide travel" if kind in ("skew", "scallop") else None, standard=standard,
                causes=[
                    Cause(cause="Binder is shedding onto the heads", origin="tape", likelihood="likely", because="losses rise with time in all heads",
                          check="Stop. Look at the tape, the guide and the vacuum slots for debris before it runs again.", caution=HANDLING_CAUTION),
                    Cause(cause="Head clogging", origin="playback", likelihood="possible", because="noise of one head rises before its bands break up",
                          check="Clean the heads and play a scratch tape.", caution=HANDLING_CAUTION),
                ],
            )
        )  # fmt: skip
    cuts = np.linspace(0, frames, 12).astype(int)
    sections = [Section(kind="unlocked" if i % 4 == 2 else "programme", start_frame=int(a), end_frame=int(b)) for i, (a, b) in enumerate(zip(cuts, cuts[1:], strict=False))]
    wheel = [
        WheelState(start_frame=s.start_frame, end_frame=s.end_frame, phase_lines=float(rng.integers(0, 500)) / 32 if s.kind != "unlocked" else None,
                   phase_sigma_lines=0.05, locked=s.kind != "unlocked", significance=55.0, null_ratio=2.9)
        for s in sections
    ]  # fmt: skip
    mean = lost / (minutes * 30)
    worst = [f.id for f in sorted(found, key=lambda f: -abs(f.value or 0))][:40]
    return _findings(
        frames,
        standard=standard,
        sections=sections,
        wheel=wheel,
        summary=readings(rng, losses=lost, minutes=minutes, tight=3.0, **fault),
        windows=_windows(rng, frames, standard=standard, per_window=lambda i: rng.poisson(mean * (0.2 + 1.6 * i / (minutes * 30))), **fault),
        findings=found,
        dropouts=losses(rng, lost, frames=frames, standard=standard, scratch=True),
        defects=[
            Defect(start_frame=int(f), end_frame=int(f) + 60, losses=int(rng.integers(20, 400)), along_m=float(f / 29.97 * 0.38062), across_mm=float(rng.uniform(-18, 18)),
                   size_along_mm=float(rng.uniform(3, 900)), size_across_mm=float(rng.uniform(0.5, 9)))
            for f in np.sort(rng.integers(0, frames - 100, 25))
        ],
        pass_view=pass_view(rng, skew=-183.0, scallop=120.0, quadrature=[31.0, -44.0, 25.0, -12.0]),
        verdict=Verdict(
            outcome="inspect_before_playing", transfer_again=True, judged_s=minutes * 45, judged_pct=74.9, reasons=worst,
            text="Losses rise from first to last in all heads: the binder may be shedding. Look at the tape before it runs again.",
        ),
        warnings=["1 204 frames could not be decoded; they are left out.", "Frames 48 000 to 60 300 have no steady wheel: no head could be named there."],
    )  # fmt: skip


def unmeasured_tape() -> Findings:
    """Everything null: ten seconds in which nothing could be measured, no timecode, a hostile file name."""
    return _findings(
        300,
        standard=STD_525,
        transfer=transfer(300, path='=cmd|"<script>alert(1)</script>".mkv', timecode=False),
        wheel=[WheelState(start_frame=0, end_frame=300, phase_lines=None, phase_sigma_lines=None, locked=False, significance=None, null_ratio=None)],
        summary=WindowReadings(),
        windows=[Window(start_frame=0, end_frame=300, start_timecode=None, shots=1, readings=WindowReadings())],
        findings=[],
        dropouts=None,
        verdict=Verdict(outcome="not_judged", transfer_again=False, judged_s=0.0, judged_pct=0.0, reasons=[], text="No steady wheel was found."),
    )
