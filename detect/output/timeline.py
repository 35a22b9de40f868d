# ruff: noqa: RUF001 - typographic signs in what people read
"""Charts over time as plain Plotly figures: sections and findings, losses a minute, figures followed."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from fractions import Fraction
from typing import Any

from detect.findings import Finding, Findings, Window
from detect.output.plots import HEAD_FIGURES, SINGLE_FIGURES, Figure, flag_limit, packed
from detect.output.words import (
    HEAD_LETTERS,
    KIND_WORDS,
    SECTION_WORDS,
    finding_value,
    heads_words,
    ranked,
    span_words,
)  # fmt: skip

FIGURE_OF_KIND = {
    "skew": "skew_ns", "scallop": "scallop_ns", "quadrature": "quadrature_ns", "velocity_error": "velocity_error_ns",
    "saturation_banding": "saturation_pct", "hue_banding": "hue_deg", "level_banding": "level_ire",
    "noise_banding": "noise_db", "response_banding": "response_db",
}  # fmt: skip
"""The figure that follows a kind of finding over time."""
MOST_SUBROWS = 4
"""Findings of one kind at the same moment are drawn in so many rows before they share one."""
SECTION_PATTERNS = {
    "programme": "", "bars": "|", "test_signal": "-", "black": "\\", "unlocked": "x", "monochrome_programme": ".",
}  # fmt: skip
"""Hatching, so that sections differ without colour too."""
MOST_LABELS = 9
"""Sections shorter than this part of the tape have no room for their name."""
LEAST_WINDOWS, FEWEST_STEPS = 5, 5
MOST_STEPS = 240
"""Windows that the curve of losses takes together, unless fewer than five steps are left; its steps at most (display)."""


DAY_MS = 86_400_000
"""Plotly.js takes a number of two or four digits on a time axis for a year, so that 1,368 ms would be drawn nine centuries off. A day more
shows the same time and has eight digits."""


class Clock:
    """Frame to milliseconds of timecode, for a time axis; elapsed time where the file has no timecode. Counted from a midnight a day early
    (``DAY_MS``).

    Drop-frame labels follow real time (that is their purpose), others count whole frames a second (ST 12-1).
    """

    def __init__(self, findings: Findings) -> None:
        transfer = findings.transfer
        rate = Fraction(transfer.frame_rate)
        nominal = round(rate)
        self._ms_per_frame = Fraction(1000) / (rate if transfer.drop_frame or not transfer.start_timecode else nominal)
        self._start_ms = Fraction(0)
        if transfer.start_timecode:
            h, m, s, f = (int(part) for part in transfer.start_timecode.replace(";", ":").replace(".", ":").split(":"))
            self._start_ms = Fraction((h * 3600 + m * 60 + s) * 1000) + Fraction(f * 1000, nominal)

    def ms(self, frame: int) -> int:
        return DAY_MS + round(self._start_ms + frame * self._ms_per_frame)


def time_axis(**more: Any) -> dict[str, Any]:
    return {"type": "date", "tickformat": "%H:%M:%S", "hoverformat": "%H:%M:%S", "nticks": 9, **more}


def _rows(findings: Sequence[Finding]) -> list[int]:
    """Row of each finding among those of its kind, so that bars at one moment lie below each other."""
    free_from: list[int] = []
    rows = []
    for finding in findings:
        row = next((i for i, end in enumerate(free_from) if end <= finding.start_frame), len(free_from))
        if row >= MOST_SUBROWS:
            row = min(range(len(free_from)), key=free_from.__getitem__)
        free_from[row : row + 1] = [finding.end_frame]
        rows.append(row)
    return rows


_GROUPS = (
    ("to act on", "flag", "confirmed", {"color": "var(--act)"}),
    ("to note", "note", "confirmed", {"color": "var(--note)", "pattern": {"shape": "/", "size": 6, "solidity": 0.35}}),
    (
        "unconfirmed",
        None,
        "unconfirmed",
        {"color": "var(--unsure)", "pattern": {"shape": ".", "size": 5, "solidity": 0.3}},
    ),
)


def timeline(findings: Findings, *, anchors: dict[str, str]) -> Figure:
    """Sections, findings by kind and losses a minute. ``anchors``: finding id to its place on the page."""
    clock = Clock(findings)
    kinds = [kind for kind in KIND_WORDS if any(f.kind == kind for f in findings.findings)]
    lanes: dict[str, list[tuple[Finding, float, float]]] = {}
    for place, kind in enumerate(kinds):
        ordered = sorted((f for f in findings.findings if f.kind == kind), key=lambda f: (f.start_frame, f.end_frame))
        rows = _rows(ordered)
        count = max(rows) + 1
        lanes[kind] = [
            (f, place + 1 - 0.4 + 0.8 * (row + 0.5) / count, 0.72 / count) for f, row in zip(ordered, rows, strict=True)
        ]
    present = dict.fromkeys(section.kind for section in findings.sections)
    traces = [_section_trace(findings, clock, kind=kind) for kind in present]
    for name, severity, status, marker in _GROUPS:
        chosen = [
            item
            for kind in kinds
            for item in lanes[kind]
            if item[0].status == status and (severity is None or item[0].severity == severity)
        ]
        if chosen:
            traces.append(_finding_trace(name, chosen, marker=marker, clock=clock, anchors=anchors))
    rates = _loss_rate_trace(findings, clock)
    traces += [] if rates is None else [rates]
    names = ["Sections", *(KIND_WORDS[kind][:1].upper() + KIND_WORDS[kind][1:] for kind in kinds)]
    span = [clock.ms(0), clock.ms(findings.transfer.frames)]
    below = 0 if rates is None else 110
    height = 120 + 34 * len(names) + below
    share = below / height
    bottom = {} if rates is None else {
        "yaxis2": {
            "domain": [0, share], "rangemode": "tozero", "fixedrange": True, "nticks": 4, "automargin": True,
            "title": {"text": "Losses<br>a minute", "font": {"size": 12}},
        }
    }  # fmt: skip
    return {
        "data": traces,
        "height": height,
        "layout": {
            "barmode": "overlay",
            "xaxis": time_axis(range=span, anchor="y" if rates is None else "y2", title={"text": _time_title(findings)}),
            "yaxis": {
                "tickvals": list(range(len(names))), "ticktext": names, "range": [len(names) - 0.4, -0.6],
                "domain": [share + 0.06 if share else 0, 1],
                "showgrid": False, "fixedrange": True, "zeroline": False, "automargin": True,
            },
            **bottom,
            "legend": {"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0},
            "margin": {"l": 10, "r": 12, "t": 34, "b": 46},
        },
    }  # fmt: skip


def _time_title(findings: Findings) -> str:
    return "Timecode" if findings.transfer.start_timecode else "Time from the start of the file"


def _section_trace(findings: Findings, clock: Clock, *, kind: str) -> dict[str, Any]:
    sections = [s for s in findings.sections if s.kind == kind]
    whole = findings.transfer.frames
    name = SECTION_WORDS[kind]
    return {
        "type": "bar", "orientation": "h", "showlegend": False, "name": name,
        "base": [clock.ms(s.start_frame) for s in sections],
        "x": [clock.ms(s.end_frame) - clock.ms(s.start_frame) for s in sections],
        "y": [0] * len(sections), "width": [0.6] * len(sections),
        "marker": {
            "color": f"var(--section-{kind.replace('_', '-')})", "line": {"color": "var(--ink-soft)", "width": 1},
            "pattern": {
                "shape": SECTION_PATTERNS[kind], "fillmode": "overlay", "fgcolor": "var(--ink-soft)",
                "fgopacity": 0.55, "size": 7,
                "solidity": 0.18,
            },
        },
        "text": [name if (s.end_frame - s.start_frame) * MOST_LABELS > whole else "" for s in sections],
        "textposition": "inside", "insidetextanchor": "middle", "textangle": 0,
        "insidetextfont": {"color": "var(--ink)"},
        "constraintext": "none", "cliponaxis": True, "hovertemplate": f"{name}<extra></extra>",
    }  # fmt: skip


def _finding_trace(
    name: str,
    items: list[tuple[Finding, float, float]],
    *,
    marker: dict[str, Any],
    clock: Clock,
    anchors: dict[str, str],
) -> dict[str, Any]:
    chosen = [finding for finding, _, _ in items]
    start = [clock.ms(f.start_frame) for f in chosen]
    return {
        "type": "bar", "orientation": "h", "name": name, "base": start,
        "x": [max(1, clock.ms(f.end_frame) - s) for f, s in zip(chosen, start, strict=True)],
        "y": [y for _, y, _ in items], "width": [width for _, _, width in items],
        "marker": {**marker, "line": {"color": marker["color"], "width": 2}},
        "customdata": [
            [anchors[f.id], f"{KIND_WORDS[f.kind]}, {heads_words(f.heads)}", finding_value(f),
            " – ".join(span_words(f))] for f in chosen
        ],
        "hovertemplate": "<b>%{customdata[1]}</b><br>%{customdata[2]}<br>%{customdata[3]}<extra></extra>",
    }  # fmt: skip


def _loss_rate_trace(findings: Findings, clock: Clock) -> dict[str, Any] | None:
    """Losses a minute over some windows at a time: one loss in a single window of 2 s would read as thirty a minute.

    None where nobody counted.
    """
    size = max(min(LEAST_WINDOWS, len(findings.windows) // FEWEST_STEPS), -(-len(findings.windows) // MOST_STEPS), 1)
    groups = [findings.windows[i : i + size] for i in range(0, len(findings.windows), size)]
    rate = Fraction(findings.transfer.frame_rate)
    places = None if findings.dropouts is None else sorted(loss.frame for loss in findings.dropouts)
    starts: list[int] = []
    rates: list[float | None] = []
    for group in groups:
        counted = [
            (count, w.end_frame - w.start_frame) for w in group if (count := _losses_in(w, places)) is not None
        ]
        frames = sum(length for _, length in counted)
        starts.append(clock.ms(group[0].start_frame))
        rates.append(float(sum(count for count, _ in counted) * 60 * rate / frames) if frames else None)
    if all(value is None for value in rates):
        return None
    if groups:
        starts.append(clock.ms(groups[-1][-1].end_frame))
        rates.append(rates[-1])
    return {
        "type": "scatter", "mode": "lines", "line": {"shape": "hv", "width": 1, "color": "var(--loss)"},
        "fill": "tozeroy",
        "fillcolor": "var(--loss-fill)", "xaxis": "x", "yaxis": "y2", "showlegend": False, "name": "losses a minute",
        "x": packed(starts, "i4"), "y": packed(rates), "hovertemplate": "%{y:.1f} losses a minute<extra></extra>",
    }  # fmt: skip


def _losses_in(window: Window, places: list[int] | None) -> int | None:
    """Losses of one window: as counted by the judgement, else those listed (``places``: their frames, in order)."""
    if window.readings.dropouts is not None:
        return window.readings.dropouts.count
    if places is None:
        return None
    return bisect_left(places, window.end_frame) - bisect_left(places, window.start_frame)


def over_time(findings: Findings) -> dict[str, Any]:
    """Every figure that was followed over time: ``x`` in ms, and for each figure its title, unit and packed columns.

    Values hold from their moment to the next; the last one is repeated at the end of its window.
    """
    clock = Clock(findings)
    reads = [w.readings for w in (*findings.windows, *findings.windows[-1:])]
    figures: list[dict[str, Any]] = []
    for key, title, unit in SINGLE_FIGURES:
        found = [getattr(r, key) for r in reads]
        if any(v is not None and v.value is not None for v in found):
            column = {
                "name": "",
                "y": packed([v.value if v else None for v in found]),
                "sigma": packed([v.sigma if v else None for v in found]),
            }
            figures.append(
                {"title": title, "unit": unit, "limit": flag_limit(findings.limits, key), "columns": [column]}
            )
    for key, title, unit in HEAD_FIGURES:
        heads = [getattr(r, key) for r in reads]
        if any(v is not None and any(x is not None for x in v.values) for v in heads):
            columns = [
                {
                    "name": letter,
                    "y": packed([v.values[i] if v else None for v in heads]),
                    "sigma": packed([v.sigmas[i] if v else None for v in heads]),
                }
                for i, letter in enumerate(HEAD_LETTERS)
            ]
            figures.append(
                {"title": title, "unit": unit, "limit": flag_limit(findings.limits, key), "columns": columns}
            )
    x = [clock.ms(w.start_frame) for w in findings.windows] + [clock.ms(w.end_frame) for w in findings.windows[-1:]]
    for figure in figures:
        figure["kinds"] = [kind for kind, key in FIGURE_OF_KIND.items() if _titles()[key] == figure["title"]]
    span = [clock.ms(0), clock.ms(findings.transfer.frames)]
    return {"x": packed(x, "i4"), "figures": figures, "range": span, "first": _first_shown(findings, figures)}


def _titles() -> dict[str, str]:
    return {key: title for key, title, _ in (*SINGLE_FIGURES, *HEAD_FIGURES)}


def _first_shown(findings: Findings, figures: list[dict[str, Any]]) -> int:
    """Index of the figure that shows the weightiest finding that has one; 0 without findings."""
    shown = (i for f in ranked(findings) for i, figure in enumerate(figures) if f.kind in figure["kinds"])
    return next(shown, 0)
