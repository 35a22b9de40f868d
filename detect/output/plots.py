# ruff: noqa: RUF001 - typographic signs in what people read
"""The page's charts as plain Plotly figures: traces and layout, no measuring.

Colours are written as ``var(--name)`` and filled in by the page from its style sheet, so that light, dark and print agree.
Long columns are packed as typed arrays (``packed``), which the library reads directly.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import numpy as np

from detect.findings import Finding, Findings, HeadValues, PassView, WindowReadings
from detect.output.words import (
    HEAD_LETTERS, KIND_WORDS, LOSS_WORDS, SECTION_WORDS, finding_value, heads_words, number, span_words, with_error,
)  # fmt: skip
from detect.standards import PASS_ANGLE_DEG

Figure = dict[str, Any]

HEAD_SYMBOLS = ("circle", "square", "diamond", "triangle-up")
HEAD_DASHES = ("solid", "dash", "dot", "dashdot")
MOST_SUBROWS = 4
"""Findings of one kind at the same moment are drawn in so many rows before they share one."""
SECTION_PATTERNS = {
    "programme": "", "bars": "|", "test_signal": "-", "black": "\\", "unlocked": "x", "monochrome_programme": ".",
}  # fmt: skip
"""Hatching, so that sections differ without colour too."""
MOST_LABELS = 9
"""Sections shorter than this part of the tape have no room for their name."""
LEAST_RANGE = {
    "saturation_pct": 2.0, "hue_deg": 2.0, "level_ire": 1.0, "noise_db": 1.5, "response_db": 1.0, "quadrature_ns": 10.0,
}  # fmt: skip
"""Half-range that a chart always shows, about what an eye begins to see: a clean tape must look clean (display choice)."""
HEAD_FIGURES = (
    ("saturation_pct", "Saturation", "%"),
    ("hue_deg", "Hue", "°"),
    ("level_ire", "Level", "IRE"),
    ("noise_db", "Noise", "dB"),
    ("response_db", "Response at 3 MHz", "dB"),
    ("quadrature_ns", "Quadrature", "ns"),
)
SINGLE_FIGURES = (
    ("skew_ns", "Skew", "ns"),
    ("scallop_ns", "Scallop", "ns"),
    ("velocity_error_ns", "Velocity error", "ns"),
)


def packed(values: Sequence[float | None] | np.ndarray, dtype: str = "f4") -> dict[str, str]:
    """A column as the library's packed array; None becomes NaN, which it draws as a gap. ``dtype``: f4, f8, i4, u1."""
    array = np.array([np.nan if v is None else v for v in values], dtype=f"<{dtype}")
    return {"dtype": dtype, "bdata": base64.b64encode(array.tobytes()).decode()}


def head_colour(index: int) -> str:
    return f"var(--head-{HEAD_LETTERS[index].lower()})"


class Clock:
    """Frame to milliseconds of timecode since midnight, for a time axis; elapsed time where the file has no timecode.

    In drop-frame counting labels follow real time (that is its purpose), else they count whole frames a second (ST 12-1).
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
        return round(self._start_ms + frame * self._ms_per_frame)


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
    """Sections, findings by kind and losses a minute over timecode. ``anchors``: finding id to its place on the page."""
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
    traces.append(_loss_rate_trace(findings, clock))
    names = ["Sections", *(KIND_WORDS[kind][:1].upper() + KIND_WORDS[kind][1:] for kind in kinds)]
    span = [clock.ms(0), clock.ms(findings.transfer.frames)]
    height = 120 + 34 * len(names) + 110
    share = 110 / height
    return {
        "data": traces,
        "height": height,
        "layout": {
            "barmode": "overlay",
            "xaxis": time_axis(range=span, anchor="y2", title={"text": _time_title(findings)}),
            "yaxis": {
                "tickvals": list(range(len(names))), "ticktext": names, "range": [len(names) - 0.4, -0.6], "domain": [share + 0.06, 1],
                "showgrid": False, "fixedrange": True, "zeroline": False, "automargin": True,
            },
            "yaxis2": {
                "domain": [0, share], "rangemode": "tozero", "fixedrange": True, "nticks": 4, "automargin": True,
                "title": {"text": "Losses<br>a minute", "font": {"size": 12}},
            },
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
                "shape": SECTION_PATTERNS[kind], "fillmode": "overlay", "fgcolor": "var(--ink-soft)", "fgopacity": 0.55, "size": 7,
                "solidity": 0.18,
            },
        },
        "text": [name if (s.end_frame - s.start_frame) * MOST_LABELS > whole else "" for s in sections],
        "textposition": "inside", "insidetextanchor": "middle", "textangle": 0, "insidetextfont": {"color": "var(--ink)"},
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
            [anchors[f.id], f"{KIND_WORDS[f.kind]}, {heads_words(f.heads)}", finding_value(f), " – ".join(span_words(f))] for f in chosen
        ],
        "hovertemplate": "<b>%{customdata[1]}</b><br>%{customdata[2]}<br>%{customdata[3]}<extra></extra>",
    }  # fmt: skip


def _loss_rate_trace(findings: Findings, clock: Clock) -> dict[str, Any]:
    rates = [w.readings.dropouts.per_minute if w.readings.dropouts else None for w in findings.windows]
    return {
        "type": "scatter", "mode": "lines", "line": {"shape": "hv", "width": 1, "color": "var(--loss)"}, "fill": "tozeroy",
        "fillcolor": "var(--loss-fill)", "xaxis": "x", "yaxis": "y2", "showlegend": False, "name": "losses a minute",
        "x": packed([clock.ms(w.start_frame) for w in findings.windows], "i4"), "y": packed(rates),
        "hovertemplate": "%{y:.1f} losses a minute<extra></extra>",
    }  # fmt: skip


def over_time(findings: Findings) -> dict[str, Any]:
    """Every figure that was followed over time: ``x`` in ms, and for each figure its title, unit and packed columns."""
    clock = Clock(findings)
    reads = [w.readings for w in findings.windows]
    figures = []
    for key, title, unit in SINGLE_FIGURES:
        found = [getattr(r, key) for r in reads]
        if any(v is not None and v.value is not None for v in found):
            column = {
                "name": "",
                "y": packed([v.value if v else None for v in found]),
                "sigma": packed([v.sigma if v else None for v in found]),
            }
            figures.append({"title": title, "unit": unit, "columns": [column]})
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
            figures.append({"title": title, "unit": unit, "columns": columns})
    x = [clock.ms(w.start_frame) for w in findings.windows]
    return {"x": packed(x, "i4"), "figures": figures, "range": [clock.ms(0), clock.ms(findings.transfer.frames)]}


def head_charts(summary: WindowReadings) -> Figure | None:
    """Small charts side by side, one per figure: four heads with error bars about their mean."""
    present = [(k, t, u, getattr(summary, k)) for k, t, u in HEAD_FIGURES if getattr(summary, k) is not None]
    if not present:
        return None
    columns, gap = 3, 0.13
    rows = -(-len(present) // columns)
    pitch = (1 + gap) / rows
    traces: list[dict[str, Any]] = []
    layout: dict[str, Any] = {"showlegend": False, "margin": {"l": 10, "r": 12, "t": 30, "b": 26}, "annotations": []}
    for index, (key, title, unit, values) in enumerate(present):
        row, column = divmod(index, columns)
        tag = "" if index == 0 else str(index + 1)
        left, right = column / columns + (0.055 if column else 0.035), (column + 1) / columns - 0.015
        top, bottom = 1 - row * pitch, 1 - row * pitch - (pitch - gap)
        layout[f"xaxis{tag}"] = {
            "domain": [left, right], "anchor": f"y{tag}", "tickvals": [0, 1, 2, 3], "ticktext": list(HEAD_LETTERS), "range": [-0.6, 3.6],
            "showgrid": False, "zeroline": False, "fixedrange": True,
        }  # fmt: skip
        reach = _reach(values, least=LEAST_RANGE[key])
        layout[f"yaxis{tag}"] = {
            "domain": [bottom, top], "anchor": f"x{tag}", "range": [-reach, reach], "nticks": 5, "zeroline": True, "fixedrange": True,
        }  # fmt: skip
        layout["annotations"].append(
            {"text": f"<b>{title}</b>, {unit}", "xref": "paper", "yref": "paper", "x": left, "y": top, "xanchor": "left",
             "yanchor": "bottom", "showarrow": False, "font": {"size": 13}}
        )  # fmt: skip
        traces.append(_head_trace(values, title=title, unit=unit, tag=tag))
    return {"data": traces, "layout": layout, "height": 56 + 205 * rows}


def _reach(values: HeadValues, *, least: float) -> float:
    ends = [abs(v) + (s or 0.0) for v, s in zip(values.values, values.sigmas, strict=True) if v is not None]
    return 1.35 * max([least, *ends])


def _head_trace(values: HeadValues, *, title: str, unit: str, tag: str) -> dict[str, Any]:
    pairs = list(zip(values.values, values.sigmas, strict=True))
    space = "" if unit == "°" else " "
    return {
        "type": "scatter", "mode": "markers+text", "xaxis": f"x{tag}", "yaxis": f"y{tag}", "x": [0, 1, 2, 3],
        "y": [value for value, _ in pairs], "cliponaxis": False,
        "error_y": {"array": [sigma or 0.0 for _, sigma in pairs], "color": "var(--ink-soft)", "thickness": 1.4, "width": 6},
        "marker": {"symbol": list(HEAD_SYMBOLS), "size": 10, "color": [head_colour(i) for i in range(4)]},
        "text": [with_error(v, s, signed=True).split(" ±")[0] for v, s in pairs], "textposition": "top center",
        "textfont": {"size": 11},
        "customdata": [[HEAD_LETTERS[i], with_error(v, s, signed=True)] for i, (v, s) in enumerate(pairs)],
        "hovertemplate": f"head %{{customdata[0]}}, {title.lower()}<br>%{{customdata[1]}}{space}{unit}<extra></extra>",
    }  # fmt: skip


def response(summary: WindowReadings) -> Figure | None:
    """Response against frequency, a curve per head with error bars."""
    curve = summary.response_curve
    if curve is None or not curve.mhz:
        return None
    traces = [
        {
            "type": "scatter", "mode": "lines+markers", "name": f"head {letter}", "x": curve.mhz, "y": curve.db[i],
            "error_y": {"array": [s or 0.0 for s in curve.sigma_db[i]], "thickness": 1, "width": 3, "color": head_colour(i)},
            "line": {"color": head_colour(i), "dash": HEAD_DASHES[i], "width": 2},
            "marker": {"symbol": HEAD_SYMBOLS[i], "size": 8, "color": head_colour(i)},
            "hovertemplate": f"head {letter}, %{{x}} MHz<br>%{{y:+.2f}} dB<extra></extra>",
        }
        for i, letter in enumerate(HEAD_LETTERS)
    ]  # fmt: skip
    known = [abs(v) for row in curve.db for v in row if v is not None]
    reach = 1.2 * max([LEAST_RANGE["response_db"], *known])
    return {
        "data": traces,
        "height": 320,
        "layout": {
            "xaxis": {"title": {"text": "MHz"}, "fixedrange": True, "zeroline": False, "range": [0, max(curve.mhz) * 1.06]},
            "yaxis": {"title": {"text": "dB about the mean of the heads"}, "range": [-reach, reach], "fixedrange": True, "automargin": True},
            "legend": {"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0},
            "margin": {"l": 10, "r": 12, "t": 30, "b": 44},
        },
    }  # fmt: skip


def the_pass(view: PassView) -> Figure:
    """Timing error against angle: four passes laid one after the other, as they follow on the tape, with the fitted curve."""
    traces: list[dict[str, Any]] = []
    layout: dict[str, Any] = {"shapes": [], "annotations": []}
    for i, letter in enumerate(HEAD_LETTERS):
        shift = PASS_ANGLE_DEG * i
        x = [angle + shift for angle in view.angle_deg]
        traces.append(
            {
                "type": "scatter", "mode": "lines", "name": "fitted", "x": x, "y": view.fitted_ns[i], "showlegend": False,
                "line": {"color": "var(--ink)", "width": 1.5}, "hoverinfo": "skip",
            }
        )  # fmt: skip
        traces.append(
            {
                "type": "scatter", "mode": "markers", "name": f"head {letter}", "x": x, "y": view.measured_ns[i],
                "error_y": {"array": [s or 0.0 for s in view.sigma_ns[i]], "thickness": 1, "width": 0, "color": head_colour(i)},
                "marker": {"symbol": HEAD_SYMBOLS[i], "size": 6, "color": head_colour(i)},
                "customdata": view.angle_deg, "showlegend": False,
                "hovertemplate": f"head {letter}, %{{customdata:.0f}}°<br>%{{y:+.1f}} ns<extra></extra>",
            }
        )  # fmt: skip
        layout["annotations"].append(
            {
                "text": f"<b>{letter}</b>",
                "x": shift,
                "xref": "x",
                "y": 1,
                "yref": "paper",
                "yanchor": "bottom",
                "showarrow": False,
            }
        )
        if i:
            edge = shift - PASS_ANGLE_DEG / 2
            line = {"color": "var(--ink-soft)", "width": 1, "dash": "dot"}
            layout["shapes"].append(
                {"type": "line", "x0": edge, "x1": edge, "y0": 0, "y1": 1, "yref": "paper", "line": line}
            )
    known = [abs(v) for row in (*view.measured_ns, *view.fitted_ns) for v in row if v is not None]
    reach = 1.15 * max([LEAST_RANGE["quadrature_ns"], *known])
    ticks = [PASS_ANGLE_DEG * i + a for i in range(4) for a in (-30, 0, 30)]
    layout |= {
        "xaxis": {
            "title": {"text": "Angle through the pass, degrees; four passes in the order they follow"}, "tickvals": ticks,
            "ticktext": ["−30", "0", "+30"] * 4, "range": [-45, 315], "zeroline": False, "fixedrange": True, "showgrid": False,
        },
        "yaxis": {"title": {"text": "Late (+) or early (−), ns"}, "range": [-reach, reach], "automargin": True, "fixedrange": True},
        "margin": {"l": 10, "r": 12, "t": 26, "b": 46},
    }  # fmt: skip
    return {"data": traces, "layout": layout, "height": 340}


def along_pass(values: Sequence[float | None], *, title: str, unit: str, bars: bool) -> Figure:
    """Sixteen places through the pass: absolute noise, or number of losses."""
    count = len(values)
    step = PASS_ANGLE_DEG / count
    angles = [-PASS_ANGLE_DEG / 2 + step * (i + 0.5) for i in range(count)]
    trace: dict[str, Any] = {"x": angles, "y": list(values), "name": title, "showlegend": False}
    if bars:
        trace |= {"type": "bar", "width": step * 0.8, "marker": {"color": "var(--loss)"}}
    else:
        trace |= {
            "type": "scatter",
            "mode": "lines+markers",
            "marker": {"color": "var(--accent)", "size": 7},
            "line": {"color": "var(--accent)"},
        }
    trace["hovertemplate"] = "%{x:.0f}°<br>%{y" + ("" if bars else ":.1f") + "} " + unit + "<extra></extra>"
    known = [v for v in values if v is not None]
    spread = {} if bars or not known else {"range": [min(min(known) - 1, max(known) - 6), max(known) + 1]}
    return {
        "data": [trace],
        "height": 250,
        "layout": {
            "xaxis": {"title": {"text": "Angle through the pass, degrees"}, "tickvals": [-45, -30, -15, 0, 15, 30, 45], "range": [-46, 46],
                      "ticktext": ["−45", "−30", "−15", "0", "+15", "+30", "+45"], "fixedrange": True, "zeroline": False},
            "yaxis": {"title": {"text": title}, "automargin": True, "fixedrange": True, **spread},
            "margin": {"l": 10, "r": 12, "t": 12, "b": 44},
        },
    }  # fmt: skip


def tape_columns(findings: Findings) -> dict[str, Any] | None:
    """Losses as packed columns for the tape map, and the outlines of the damaged spots; None without places on the tape."""
    placed = [
        loss for loss in findings.dropouts or [] if loss.tape_m_along is not None and loss.tape_mm_across is not None
    ]
    if not placed:
        return None
    kinds = list(LOSS_WORDS)
    outlines_x: list[float | None] = []
    outlines_y: list[float | None] = []
    for spot in findings.defects:
        half_m, half_mm = spot.size_along_mm / 2000, spot.size_across_mm / 2
        west, east = spot.along_m - half_m, spot.along_m + half_m
        low, high = spot.across_mm - half_mm, spot.across_mm + half_mm
        outlines_x += [west, east, east, west, west, None]
        outlines_y += [low, low, high, high, low, None]
    return {
        "along": packed([loss.tape_m_along for loss in placed]),
        "across": packed([loss.tape_mm_across for loss in placed]),
        "frame": packed([loss.frame for loss in placed], "i4"),
        "line": packed([loss.line for loss in placed], "i4"),
        "us": packed([loss.duration_us for loss in placed]),
        "kind": packed([kinds.index(loss.kind) for loss in placed], "u1"),
        "head": packed([HEAD_LETTERS.find(loss.head) + 1 if loss.head else 0 for loss in placed], "u1"),
        "kinds": [LOSS_WORDS[kind] for kind in kinds],
        "outlines": {"x": packed(outlines_x), "y": packed(outlines_y)},
        "spots": len(findings.defects),
    }


def signed_cell(value: float | None, sigma: float | None) -> str:
    """A table cell: value and uncertainty."""
    return with_error(value, sigma, signed=True) if value is not None else number(None, decimals=0)
