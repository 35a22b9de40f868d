# ruff: noqa: RUF001 - typographic signs are this module's business
"""The words of every output: kinds, outcomes, origins, units, and how a figure with its uncertainty is written.

One home, so that the terminal, the page, the captions and the table say the same thing the same way.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from detect.findings import Finding, Findings

KIND_WORDS: dict[str, str] = {
    "skew": "skew",
    "scallop": "scallop",
    "quadrature": "quadrature error",
    "velocity_error": "velocity error",
    "saturation_banding": "saturation banding",
    "hue_banding": "hue banding",
    "level_banding": "level banding",
    "noise_banding": "noise banding",
    "response_banding": "response banding",
    "noise": "noise",
    "head_loss": "head loss",
    "dropouts": "dropouts",
    "scratch": "scratch",
    "switch_transient": "switch transients",
    "top_skew": "top skew",
    "relock": "re-lock",
}
SECTION_WORDS: dict[str, str] = {
    "programme": "programme",
    "bars": "colour bars",
    "test_signal": "test signal",
    "black": "black",
    "unlocked": "unlocked",
    "monochrome_programme": "monochrome programme",
}
OUTCOME_WORDS: dict[str, str] = {
    "accept": "Accept",
    "look": "Look at it",
    "adjust_and_replay": "Adjust the deck and transfer again",
    "recorded_in": "Recorded in: playing again will not help",
    "inspect_before_playing": "Inspect the tape before it is played again",
    "not_judged": "Not judged",
}
OUTCOME_MARKS: dict[str, str] = {
    "accept": "✓",
    "look": "?",
    "adjust_and_replay": "↻",
    "recorded_in": "=",
    "inspect_before_playing": "!",
    "not_judged": "–",
}
"""A sign beside the colour, so that colour is never the only carrier."""
ORIGIN_WORDS: dict[str, str] = {
    "playback": "this playback",
    "recording": "the recording",
    "tape": "the tape",
    "either": "recording or playback",
}
LIMIT_WORDS: dict[str, str] = {
    "skew_ns": "Skew, ns",
    "scallop_ns": "Scallop, ns",
    "quadrature_ns": "Quadrature, ns",
    "head_skew_ns": "Skew of one head, ns",
    "velocity_error_ns": "Velocity error, ns",
    "saturation_pct": "Saturation, %",
    "hue_deg": "Hue, °",
    "differential_gain_pct": "Differential gain, %",
    "differential_phase_deg": "Differential phase, °",
    "level_ire": "Level, IRE",
    "noise_db": "Noise of one head, dB",
    "response_db": "Response at 3 MHz, dB",
    "snr_db": "Signal to noise, dB (counts below)",
    "noise_along_pass_db": "Noise along the pass, dB",
    "head_loss_db": "Noise of a head that reads nothing, dB",
    "top_skew_ns": "Top skew, ns",
    "dropouts_per_minute": "Losses a minute",
    "verdict": "Share of the programme affected, %",
}
LOSS_WORDS: dict[str, str] = {"white": "white", "black": "black", "noise": "noisy", "compensated": "compensated"}
UNIT_WORDS: dict[str, str] = {
    "deg": "°",
    "us": "µs",
    "pct": "%",
    "percent": "%",
    "per_minute": "per minute",
    "per_min": "per minute",
}

_FIRST_CHECKS = frozenset({"look", "adjust_and_replay", "recorded_in", "inspect_before_playing"})
"""Outcomes after which somebody has to look at something."""
_SIGNED_UNITS = frozenset({"ns", "%", "pct", "percent", "deg", "IRE", "ire", "dB", "db"})
_UNSIGNED_KINDS = frozenset({"noise", "head_loss", "dropouts", "scratch", "switch_transient", "relock"})
PROGRAMME = frozenset({"programme", "monochrome_programme"})
HEAD_LETTERS = "ABCD"
MOST_DECIMALS = 3
"""No figure of this tool means anything past the third decimal of its unit."""


def unit_words(unit: str) -> str:
    """The unit as people write it."""
    return UNIT_WORDS.get(unit, unit)


def decimals_for(sigma: float | None, value: float | None) -> int:
    """Decimals to write: the uncertainty to one digit, to two where it starts with a 1; three digits without one."""
    scale = sigma if sigma else None
    if scale is None or not math.isfinite(scale) or scale <= 0:
        if not value or not math.isfinite(value):
            return 0
        return int(min(MOST_DECIMALS, max(0, 2 - math.floor(math.log10(abs(value))))))
    exponent = math.floor(math.log10(scale))
    if scale / 10.0**exponent < 1.95:
        exponent -= 1
    return int(min(MOST_DECIMALS, max(0, -exponent)))


def number(value: float | None, *, decimals: int, signed: bool = False) -> str:
    """A number with a true minus sign; an en dash where nothing was measured."""
    if value is None or not math.isfinite(value):
        return "–"
    text = f"{value:+.{decimals}f}" if signed else f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("+-")
    return text.replace("-", "−")


def with_error(value: float | None, sigma: float | None, *, signed: bool = False) -> str:
    """``+41.2 ± 0.8``: value and standard uncertainty, to the decimals the uncertainty allows."""
    if value is None:
        return "–"
    decimals = decimals_for(sigma, value)
    text = number(value, decimals=decimals, signed=signed)
    if sigma is None or not math.isfinite(sigma):
        return text
    return f"{text} ± {number(sigma, decimals=decimals)}"


def finding_value(finding: Finding) -> str:
    """Value, uncertainty and unit of a finding; empty where it has no figure."""
    if finding.value is None:
        return ""
    signed = finding.unit in _SIGNED_UNITS and finding.kind not in _UNSIGNED_KINDS
    unit = unit_words(finding.unit)
    joiner = "" if unit == "°" else " "
    text = with_error(finding.value, finding.sigma or None, signed=signed)  # a count has no error
    return f"({text})°" if unit == "°" and "±" in text else f"{text}{joiner}{unit}".rstrip()


_FIGURE = re.compile(r"(?P<sign>[+\-−]?)(?P<value>\d+(?:\.\d+)?) ± (?P<sigma>\d+(?:\.\d+)?)")
_SAME_FIGURE = 0.0051
"""A figure in a text is that of a finding when it differs by no more than two decimals can hide."""


def prose(text: str, *, findings: Iterable[Finding] = (), sentence: bool = True) -> str:
    """A text of the judgement as people read it: true minus and micro signs, figures written as everywhere else.

    A figure that is the value of one of ``findings`` is written from that value; ``sentence`` adds capital and stop.
    """
    known = [(f.value, f.sigma) for f in findings if f.value is not None and f.sigma]

    def figure(match: re.Match[str]) -> str:
        sign = match["sign"]
        value = float(match["value"]) * (-1 if sign in ("-", "−") and sign else 1)
        sigma = float(match["sigma"])
        if not sigma:
            return match[0]
        same = (k for k in known if abs(k[0] - value) < _SAME_FIGURE and abs(k[1] - sigma) < _SAME_FIGURE)
        exact, error = next(same, (value, sigma))
        return with_error(exact, error, signed=bool(sign))

    text = _FIGURE.sub(figure, one_line(text))
    text = re.sub(r"(?<![\w.-])-(?=\d)", "−", text)
    text = re.sub(r"(?<=\d )u(?=[ms]\b)", "µ", text)
    if not sentence or not text:
        return text
    return text[:1].upper() + text[1:] + ("" if text[-1] in ".!?:" else ".")


def heads_words(heads: Iterable[str]) -> str:
    """``head B``, ``heads A, C``, ``all heads``."""
    letters = list(heads)
    if not letters or set(letters) == set(HEAD_LETTERS):
        return "all heads"
    return f"head {letters[0]}" if len(letters) == 1 else f"heads {', '.join(letters)}"


def span_words(finding: Finding) -> tuple[str, str]:
    """In and out as timecode, or as frame numbers where the transfer carries no timecode."""
    start = finding.start_timecode or f"frame {finding.start_frame}"
    end = finding.end_timecode or f"frame {finding.end_frame}"
    return start, end


def title(finding: Finding) -> str:
    """What and where in the wheel: ``Saturation banding, head B``."""
    name = KIND_WORDS.get(finding.kind, finding.kind)
    return f"{name[:1].upper()}{name[1:]}, {heads_words(finding.heads)}"


def ranked(findings: Findings) -> list[Finding]:
    """Findings in order of weight: the verdict's reasons first, in its order; then flags, confirmed ones, wide ones."""
    place = {name: index for index, name in enumerate(findings.verdict.reasons)}

    def weight(finding: Finding) -> tuple[object, ...]:
        return (
            place.get(finding.id, len(place)),
            finding.severity != "flag",
            finding.status != "confirmed",
            -(finding.affected_pct or 0.0),
            -(finding.significance or 0.0),
            finding.start_frame,
        )

    return sorted(findings.findings, key=weight)


def first_check(findings: Findings) -> str:
    """What to do before anything else: the check of the likeliest cause of the weightiest finding; else empty."""
    if findings.verdict.outcome not in _FIRST_CHECKS:
        return ""
    worst = next((f for f in ranked(findings) if f.causes), None)
    return "" if worst is None else prose(worst.causes[0].check)


def affected_pct(findings: Findings) -> float | None:
    """Share of the programme under at least one finding to act on; None without programme."""
    programme = [(s.start_frame, s.end_frame) for s in findings.sections if s.kind in PROGRAMME]
    whole = sum(end - start for start, end in programme)
    if not whole:
        return None
    flagged = sorted((f.start_frame, f.end_frame) for f in findings.findings if f.severity == "flag")
    merged: list[tuple[int, int]] = []
    for start, end in flagged:
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((start, end))
    shared = sum(max(0, min(e, pe) - max(s, ps)) for s, e in merged for ps, pe in programme)
    return 100.0 * shared / whole


def clock(seconds: float) -> str:
    """Duration as h:mm:ss."""
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def count_words(count: int) -> str:
    """A whole number in groups of three."""
    return f"{count:,}".replace(",", "\u2009")


def size_words(size_bytes: int) -> str:
    """File size in decimal units, as file managers and carriers count."""
    size = float(size_bytes)
    for unit in ("bytes", "kB", "MB", "GB", "TB"):
        if size < 1000 or unit == "TB":
            return f"{size:.0f} {unit}" if unit == "bytes" else f"{size:.1f} {unit}"
        size /= 1000
    raise AssertionError


def one_line(text: str) -> str:
    """Text without line breaks and control characters: file names and metadata cannot break a line-based output."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
