# ruff: noqa: RUF001 - typographic signs in what people read
"""The report page: one self-contained HTML document, rendered from findings, stills and sign-offs alone."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from detect.findings import Finding, Findings, WheelState, WindowReadings
from detect.output import plots, timeline, words
from detect.output.signoff import DECISION_WORDS, SignOff
from detect.readings import Excerpt
from detect.standards import STANDARDS, pass_bounds_rows
from detect.timecode import label_after

TEMPLATES = Path(__file__).parent / "templates"
WORST = 10
"""Findings that are shown in full at once; the rest is one click away."""
MOST_STILL_BYTES = 2_600_000
"""Stills and moving excerpt that a page carries, so that with its script library, in base64, it stays well under 12 MB."""
MOST_WHEELS_DRAWN = 4
MOST_LINKS = 6
"""Findings named below one still."""
STILL_STYLES = ("frame", "detail", "chroma")
STILL_WORDS = {
    "frame": "Whole frame; the ticks in the margin mark the bands concerned.",
    "detail": "A part of one field, stretched along the line so that a shift between bands can be seen.",
    "chroma": "Differences of colour down the picture exaggerated four times, on even grey. Not the real picture.",
}

THUMB_WORDS = {"frame": "whole frame", "detail": "stretched along the line", "chroma": "colour differences × 4"}


@dataclass(frozen=True, slots=True)
class Entry:
    """One finding as the page shows it. ``start``, ``length``: per cent of the file; ``bar``: its error bar."""

    finding: Finding
    anchor: str
    rank: int
    title: str
    value: str
    span: tuple[str, str]
    start: float
    length: float
    bar: dict[str, float] | None
    still: str | None
    still_words: str
    text: str
    equivalent: str
    same_as: int | None
    """Rank of an earlier finding of the same fault that already gives these causes."""


def library_js() -> str:
    """The script library's text, as its Python package ships it."""
    from plotly.offline import get_plotlyjs

    return str(get_plotlyjs())


def render_page(
    findings: Findings,
    *,
    name: str,
    stills: Mapping[tuple[int, str], bytes],
    excerpt: Excerpt | None = None,
    signoffs: Sequence[SignOff] = (),
    library_file: str | None = None,
) -> str:
    """The whole page as text.

    ``name`` is what the outputs are called; ``stills`` are JPEG data by (frame, style); ``excerpt`` is the moving one;
    ``library_file`` names a script library beside the page, None puts it inside.
    """
    carried = _carried(findings, stills, room=MOST_STILL_BYTES - (0 if excerpt is None else len(excerpt.data)))
    entries = _entries(findings, carried=carried)
    anchors = {entry.finding.id: entry.anchor for entry in entries}
    figures, tape = _figures(findings, anchors=anchors)
    data = {
        "figures": figures,
        "tape": tape,
        "series": timeline.over_time(findings),
        "frames": findings.transfer.frames,
        "fields_per_s": 2 * float(Fraction(findings.transfer.frame_rate)),
    }
    return _environment().get_template("report.html.j2").render(
        f=findings,
        name=words.one_line(name),
        words=words,
        worst=entries[:WORST],
        rest=entries[WORST:],
        anchors=anchors,
        counts=_counts(findings),
        affected=words.affected_pct(findings),
        facts=_facts(findings),
        charts=set(figures),
        heights={"series": 290, **{key: figure["height"] for key, figure in figures.items()}},
        has_tape=tape is not None,
        tape_step=tape["step"] if tape else 1,
        has_series=bool(data["series"]["figures"]),  # type: ignore[index]
        verdict_text=words.prose(findings.verdict.text, findings=findings.findings),
        first_check=words.first_check(findings),
        section_rows=_section_rows(findings),
        spots=[spot for spot in findings.defects if spot.losses > 1],
        limit_rows=_limit_rows(findings),
        wheels=_wheels(findings),
        head_rows=_head_rows(findings),
        timing_rows=_timing_rows(findings.summary),
        still_groups=_stills_by_frame(entries, carried),
        stills_left_out=len(stills) - len(carried),
        excerpt=None if excerpt is None else _excerpt(excerpt, findings, entries),
        still_words=STILL_WORDS,
        signoffs=list(reversed(signoffs)),
        decision_words=DECISION_WORDS,
        data=_script_json(data),
        style=_asset("style.css"),
        script=_asset("page.js"),
        library=None if library_file else Markup(library_js()),
        library_file=library_file,
        now_differs=lambda s: s.judged != findings.created,
    )  # fmt: skip


@lru_cache(maxsize=1)
def _environment() -> Environment:
    env = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters["num"] = lambda value, decimals=1: words.number(value, decimals=decimals)
    env.filters["jpeg"] = lambda data: f"data:image/jpeg;base64,{base64.b64encode(data).decode()}"
    return env


def _asset(name: str) -> Markup:
    return Markup((TEMPLATES / name).read_text("utf-8"))


def _script_json(value: Any) -> Markup:
    """JSON that cannot end the script element it stands in."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c"))


def _entries(findings: Findings, *, carried: Mapping[tuple[int, str], bytes]) -> list[Entry]:
    frames = max(1, findings.transfer.frames)
    reach: dict[str, float] = {}
    for f in findings.findings:
        if f.value is not None:
            reach[f.kind] = max(reach.get(f.kind, 0.0), abs(f.value) + 2 * (f.sigma or 0.0))
    entries = []
    told: dict[str, tuple[int, Finding]] = {}
    for rank, f in enumerate(words.ranked(findings), start=1):
        still = style = None
        same_as = _already_told(f, told)
        told[f.id] = (rank, f)
        if f.evidence is not None:
            styles = (
                ("chroma", "detail", "frame")
                if f.kind in ("saturation_banding", "hue_banding")
                else ("detail", "frame")
            )
            style = next((s for s in styles if (f.evidence.frame, s) in carried), None)
            still = f"still-{f.evidence.frame}-{style}" if style else None
        entries.append(
            Entry(
                finding=f,
                anchor=f"finding-{rank}",
                rank=rank,
                title=words.title(f),
                value=words.finding_value(f),
                span=words.span_words(f),
                start=min(100.0, 100 * f.start_frame / frames),
                length=min(100.0, 100 * max(0, f.end_frame - f.start_frame) / frames),
                bar=_error_bar(f, reach=reach.get(f.kind, 0.0)),
                still=still,
                still_words=THUMB_WORDS.get(style or "", ""),
                text=words.prose(f.text, findings=[f]),
                equivalent=words.prose(f.equivalent or "", sentence=False),
                same_as=same_as,
            )
        )
    return entries


def _already_told(finding: Finding, told: Mapping[str, tuple[int, Finding]]) -> int | None:
    """Rank of an earlier finding linked with this one whose causes include all of this one's."""
    linked = [told[name] for name in finding.linked if name in told]
    if not finding.causes:
        return None
    return next((rank for rank, other in linked if all(cause in other.causes for cause in finding.causes)), None)


def _error_bar(finding: Finding, *, reach: float) -> dict[str, float] | None:
    """Zero at 50, the widest finding of the kind at the edge: places of the value and its one-sigma ends."""
    if finding.value is None or finding.sigma is None or reach <= 0:
        return None
    places = {"at": finding.value, "low": finding.value - finding.sigma, "high": finding.value + finding.sigma}
    return {key: 50 + 48 * value / reach for key, value in places.items()}


def _carried(findings: Findings, stills: Mapping[tuple[int, str], bytes], *, room: int) -> dict[tuple[int, str], bytes]:
    """The stills the page has room for: those of the weightiest findings first."""
    chosen: dict[tuple[int, str], bytes] = {}
    wanted = [f.evidence.frame for f in words.ranked(findings) if f.evidence is not None]
    for frame in dict.fromkeys([*wanted, *sorted({frame for frame, _ in stills})]):
        for style in STILL_STYLES:
            data = stills.get((frame, style))
            if data is not None and len(data) <= room:
                chosen[frame, style] = data
                room -= len(data)
    return chosen


def _stills_by_frame(entries: list[Entry], carried: Mapping[tuple[int, str], bytes]) -> list[dict[str, Any]]:
    """Stills grouped by frame, each with the findings it is evidence for."""
    by_frame: dict[int, list[Entry]] = {}
    for entry in entries:
        if entry.finding.evidence is not None:
            by_frame.setdefault(entry.finding.evidence.frame, []).append(entry)
    return [
        {
            "frame": frame,
            "entries": by_frame.get(frame, [])[:MOST_LINKS],
            "pictures": [(style, carried[frame, style]) for style in STILL_STYLES if (frame, style) in carried],
        }
        for frame in dict.fromkeys(frame for frame, _ in carried)
    ]


def _excerpt(excerpt: Excerpt, findings: Findings, entries: list[Entry]) -> dict[str, Any]:
    """The moving excerpt with the findings it lies in, and the bands of the weightiest of them beside the picture."""
    inside = [
        e for e in entries
        if e.finding.start_frame < excerpt.end_frame and e.finding.end_frame > excerpt.start_frame
    ][:MOST_LINKS]  # fmt: skip
    bands = next((e.finding.evidence.lines for e in inside if e.finding.evidence is not None), [])
    return {
        "source": f"data:video/{excerpt.ending};base64,{base64.b64encode(excerpt.data).decode()}",
        "first": excerpt.start_frame,
        "last": excerpt.end_frame - 1,
        "entries": inside,
        "bands": [(max(0, first), last) for first, last in bands if last >= 0 and first < findings.transfer.height],
        "height": findings.transfer.height,
        "rate": f"{2 * float(Fraction(findings.transfer.frame_rate)):.2f}".removesuffix(".00"),
    }


def _figures(findings: Findings, *, anchors: dict[str, str]) -> tuple[dict[str, Any], dict[str, Any] | None]:
    summary = findings.summary
    figures: dict[str, Any] = {"timeline": timeline.timeline(findings, anchors=anchors)}
    if (heads := plots.head_charts(summary, limits=findings.limits)) is not None:
        figures["heads"] = heads
    if (curve := plots.response(summary)) is not None:
        figures["response"] = curve
    if findings.pass_view is not None:
        figures["pass"] = plots.the_pass(findings.pass_view)
    if summary.snr_db is not None and any(v is not None for v in summary.snr_db.by_pass_position):
        figures["noise"] = plots.along_pass(
            summary.snr_db.by_pass_position, title="Signal to noise, dB", unit="dB", bars=False
        )
    if summary.dropouts is not None and any(summary.dropouts.by_pass_position):
        figures["places"] = plots.along_pass(
            summary.dropouts.by_pass_position, title="Losses", unit="losses", bars=True
        )
    return figures, plots.tape_columns(findings)


def _section_rows(findings: Findings) -> list[tuple[str, str, str, str, str]]:
    """Name, in, out, length and frames of each section; in and out as timecode where the file has any."""
    t = findings.transfer
    rate = Fraction(t.frame_rate)

    def place(frame: int) -> str:
        if not t.start_timecode:
            return words.clock(float(frame / rate))
        return label_after(t.start_timecode, frame, frame_rate=rate)

    return [
        (
            words.SECTION_WORDS[s.kind],
            place(s.start_frame),
            place(s.end_frame),
            words.clock(float((s.end_frame - s.start_frame) / rate)),
            f"{s.start_frame}–{s.end_frame - 1}",
        )
        for s in findings.sections
    ]


def _counts(findings: Findings) -> dict[str, int]:
    found = findings.findings
    return {
        "all": len(found),
        "flag": sum(f.severity == "flag" and f.status == "confirmed" for f in found),
        "note": sum(f.severity == "note" and f.status == "confirmed" for f in found),
        "unconfirmed": sum(f.status == "unconfirmed" for f in found),
    }


def _facts(findings: Findings) -> list[tuple[str, str]]:
    t = findings.transfer
    frames = f"{words.count_words(t.frames_measured)} of {words.count_words(t.frames)} measured"
    if t.frames_undecodable:
        frames += f", {words.count_words(t.frames_undecodable)} not decodable"
    order = {"top": "top field first", "bottom": "bottom field first"}[t.field_order]
    if t.field_order_source:
        order += f" (from: {t.field_order_source})"
    timecode = "none in the file"
    if t.start_timecode:
        counting = ", drop frame" if t.drop_frame else ""
        timecode = f"from {t.start_timecode}{counting}" + (f" ({t.timecode_source})" if t.timecode_source else "")
    return [
        ("File", words.one_line(t.path)),
        ("Size, length", f"{words.size_words(t.size_bytes)}, {words.clock(t.duration_s)}"),
        ("Standard", f"{t.standard}, {t.width} × {t.height}, {order}"),
        ("Coding", f"{t.codec}, {t.pixel_format}, in {t.container}"),
        ("Frames", frames),
        ("Timecode", timecode),
        ("Judged", f"{findings.created} by headpass {findings.headpass}"),
    ]


def _wheels(findings: Findings) -> dict[str, Any]:
    """The bands of the longest locked stretches, and how many stretches there are."""
    locked = [w for w in findings.wheel if w.locked and w.phase_lines is not None]
    longest = sorted(locked, key=lambda w: w.start_frame - w.end_frame)[:MOST_WHEELS_DRAWN]
    drawn = [_bands(findings, w) for w in sorted(longest, key=lambda w: w.start_frame)]
    return {"drawn": drawn, "locked": len(locked), "all": len(findings.wheel)}


def _bands(findings: Findings, wheel: WheelState) -> dict[str, Any]:
    t = findings.transfer
    assert wheel.phase_lines is not None
    bands = [
        {"letter": words.HEAD_LETTERS[k % 4], "index": k % 4, "first": first, "last": last - 1, "whole": k >= 0}
        for k, first, last in pass_bounds_rows(STANDARDS[t.standard], wheel.phase_lines, t.height)
    ]
    rows = {
        letter: ", ".join(f"{b['first']}–{b['last']}" for b in bands if b["letter"] == letter)
        for letter in words.HEAD_LETTERS
    }
    numbers = dict(zip(words.HEAD_LETTERS, wheel.head_numbers, strict=False)) if wheel.head_numbers else {}
    return {"wheel": wheel, "bands": bands, "rows": rows, "height": t.height, "numbers": numbers}


TABLED = (
    ("differential_gain_pct", "Differential gain", "%"),
    ("differential_phase_deg", "Differential phase", "°"),
    ("head_skew_ns", "Skew of its own", "ns"),
)
"""Figures of the heads that the table has and no chart: they are of the whole programme."""


def _head_rows(findings: Findings) -> list[tuple[str, list[str]]]:
    """The figures of the heads as a table: name with unit, four cells."""
    rows = []
    for key, title, unit in (*plots.HEAD_FIGURES, *TABLED):
        values = getattr(findings.summary, key)
        if values is not None and any(v is not None for v in values.values):
            cells = [plots.signed_cell(v, s) for v, s in zip(values.values, values.sigmas, strict=True)]
            rows.append((f"{title}, {unit}", cells))
    losses = findings.summary.dropouts
    if losses is not None and any(losses.by_head):
        rows.append(("Losses", [words.count_words(n) for n in losses.by_head]))
    return rows


def _timing_rows(summary: WindowReadings) -> list[tuple[str, str]]:
    """The single figures of the whole programme that were measured."""
    named = (
        ("Skew, ns", summary.skew_ns),
        ("Scallop, ns", summary.scallop_ns),
        ("Velocity error at the right of the line, ns", summary.velocity_error_ns),
        ("Top skew, ns", summary.top_skew_ns),
    )
    rows = [
        (name, words.with_error(v.value, v.sigma, signed=True))
        for name, v in named
        if v is not None and v.value is not None
    ]
    if summary.snr_db is not None and summary.snr_db.value is not None:
        rows.append(("Signal to noise, luminance, dB", words.number(summary.snr_db.value, decimals=1)))
    return rows


def _limit_rows(findings: Findings) -> list[tuple[str, str, str]]:
    """The limits that were applied, by the names of their figures; one that is a plain figure counts as to act on."""
    rows = []
    for key, value in findings.limits.items():
        given = value if isinstance(value, Mapping) else {"flag": value}
        note, flag = given.get("note"), given.get("flag", given.get("affected_pct"))
        name = words.LIMIT_WORDS.get(key, key)
        rows.append((name, "–" if note is None else str(note), "–" if flag is None else str(flag)))
    return rows
