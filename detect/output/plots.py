# ruff: noqa: RUF001 - typographic signs in what people read
"""The page's charts as plain Plotly figures: traces and layout, no measuring.

Colours are written as ``var(--name)`` and filled in by the page from its style sheet: light, dark and print agree.
Long columns are packed as typed arrays (``packed``), which the library reads directly.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from detect.findings import Findings, HeadValues, PassView, WindowReadings
from detect.output.words import (
    HEAD_LETTERS,
    LOSS_WORDS,
    number,
    with_error,
)  # fmt: skip
from detect.standards import PASS_ANGLE_DEG

Figure = dict[str, Any]

HEAD_SYMBOLS = ("circle", "square", "diamond", "triangle-up")
HEAD_DASHES = ("solid", "dash", "dot", "dashdot")
LEAST_RANGE = {
    "saturation_pct": 2.0, "hue_deg": 2.0, "level_ire": 1.0, "noise_db": 1.5, "response_db": 1.0, "quadrature_ns": 10.0,
}  # fmt: skip
"""Half-range a chart always shows, about what an eye begins to see: clean must look clean (display choice)."""
HEAD_FIGURES = (
    ("saturation_pct", "Saturation", "%"),
    ("hue_deg", "Hue", "°"),
    ("level_ire", "Level", "IRE"),
    ("noise_db", "Noise", "dB"),
    ("response_db", "Response at 3 MHz", "dB"),
    ("quadrature_ns", "Quadrature", "ns"),
)
MOST_MAPPED = 100_000
"""Losses a page carries (about 3 MB); of more, every second, third ... is drawn and the page says so."""
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


def flag_limit(limits: Mapping[str, Any], key: str) -> float | None:
    """From what size on a figure counts against the transfer; None where no limit was set."""
    given = limits.get(key)
    flag = given.get("flag") if isinstance(given, Mapping) else None
    return float(flag) if isinstance(flag, (int, float)) else None


def head_charts(summary: WindowReadings, *, limits: Mapping[str, Any]) -> Figure | None:
    """Small charts, one per figure: four heads with error bars about their mean; limits as broken lines."""
    read = [(k, t, u, getattr(summary, k)) for k, t, u in HEAD_FIGURES]
    present = [item for item in read if item[3] is not None and any(v is not None for v in item[3].values)]
    if not present:
        return None
    columns, gap = 3, 0.2
    rows = -(-len(present) // columns)
    pitch = (1 + gap) / rows
    traces: list[dict[str, Any]] = []
    layout: dict[str, Any] = {
        "showlegend": False,
        "margin": {"l": 10, "r": 12, "t": 30, "b": 42},
        "annotations": [],
        "shapes": [],
    }
    for index, (key, title, unit, values) in enumerate(present):
        row, column = divmod(index, columns)
        tag = "" if index == 0 else str(index + 1)
        left, right = column / columns + (0.055 if column else 0.035), (column + 1) / columns - 0.015
        top, bottom = 1 - row * pitch, 1 - row * pitch - (pitch - gap)
        layout[f"xaxis{tag}"] = {
            "domain": [left, right], "anchor": f"y{tag}", "tickvals": [0, 1, 2, 3], "ticktext": _letters_and_values(values), "tickangle": 0,
            "tickfont": {"size": 11},
            "range": [-0.6, 3.6],
            "showgrid": False, "zeroline": False, "fixedrange": True,
        }  # fmt: skip
        limit = flag_limit(limits, key)
        reach = _reach(values, least=LEAST_RANGE[key] if limit is None else limit)
        line = {"color": "var(--act)", "width": 1, "dash": "dash"}
        for level in () if limit is None else (-limit, limit):
            ends = {"x0": 0, "x1": 1, "xref": f"x{tag} domain", "y0": level, "y1": level, "yref": f"y{tag}"}
            layout["shapes"].append({"type": "line", "layer": "below", "line": line, **ends})
        layout[f"yaxis{tag}"] = {
            "domain": [bottom, top], "anchor": f"x{tag}", "range": [-reach, reach], "nticks": 5, "zeroline": True,
            "fixedrange": True,
        }  # fmt: skip
        layout["annotations"].append(
            {"text": f"<b>{title}</b>, {unit}", "xref": "paper", "yref": "paper", "x": left, "y": top,
            "xanchor": "left",
             "yanchor": "bottom", "showarrow": False, "font": {"size": 13}}
        )  # fmt: skip
        traces.append(_head_trace(values, title=title, unit=unit, tag=tag))
    return {"data": traces, "layout": layout, "height": 72 + 212 * rows}


def _letters_and_values(values: HeadValues) -> list[str]:
    """Letter and figure of each head below its mark, where nothing can lie over them."""
    texts = [with_error(v, s, signed=True).split(" ±")[0] for v, s in zip(values.values, values.sigmas, strict=True)]
    return [f"<b>{letter}</b><br>{text}" for letter, text in zip(HEAD_LETTERS, texts, strict=True)]


def _reach(values: HeadValues, *, least: float) -> float:
    ends = [abs(v) + (s or 0.0) for v, s in zip(values.values, values.sigmas, strict=True) if v is not None]
    return 1.35 * max([least, *ends])


def _head_trace(values: HeadValues, *, title: str, unit: str, tag: str) -> dict[str, Any]:
    pairs = list(zip(values.values, values.sigmas, strict=True))
    space = "" if unit == "°" else " "
    return {
        "type": "scatter", "mode": "markers", "xaxis": f"x{tag}", "yaxis": f"y{tag}", "x": [0, 1, 2, 3],
        "y": [value for value, _ in pairs], "cliponaxis": False,
        "error_y": {"array": [sigma or 0.0 for _, sigma in pairs], "color": "var(--ink-soft)", "thickness": 1.4,
        "width": 6},
        "marker": {"symbol": list(HEAD_SYMBOLS), "size": 10, "color": [head_colour(i) for i in range(4)]},
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
            "error_y": {"array": [s or 0.0 for s in curve.sigma_db[i]], "thickness": 1, "width": 3,
            "color": head_colour(i)},
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
            "xaxis": {"title": {"text": "MHz"}, "fixedrange": True, "zeroline": False,
            "range": [0, max(curve.mhz) * 1.06]},
            "yaxis": {"title": {"text": "dB about the mean of the heads"}, "range": [-reach, reach],
            "fixedrange": True, "automargin": True},
            "legend": {"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0},
            "margin": {"l": 10, "r": 12, "t": 30, "b": 44},
        },
    }  # fmt: skip


def the_pass(view: PassView) -> Figure:
    """Timing error against angle: four passes one after the other, as on the tape, with the fitted curve."""
    traces: list[dict[str, Any]] = []
    layout: dict[str, Any] = {"shapes": [], "annotations": []}
    for i, letter in enumerate(HEAD_LETTERS):
        shift = PASS_ANGLE_DEG * i
        x = [angle + shift for angle in view.angle_deg]
        traces.append(
            {
                "type": "scatter", "mode": "lines", "name": "fitted", "x": x, "y": view.fitted_ns[i],
                "showlegend": False,
                "line": {"color": "var(--ink)", "width": 1.5}, "hoverinfo": "skip",
            }
        )  # fmt: skip
        traces.append(
            {
                "type": "scatter", "mode": "markers", "name": f"head {letter}", "x": x, "y": view.measured_ns[i],
                "error_y": {"array": [s or 0.0 for s in view.sigma_ns[i]], "thickness": 1, "width": 0,
                "color": head_colour(i)},
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
            "title": {"text": "Angle through the pass, degrees; four passes in the order they follow"},
            "tickvals": ticks,
            "ticktext": ["−30", "0", "+30"] * 4, "range": [-45, 315], "zeroline": False, "fixedrange": True,
            "showgrid": False,
        },
        "yaxis": {"title": {"text": "Late (+) or early (−), ns"}, "range": [-reach, reach], "automargin": True,
        "fixedrange": True},
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
            "xaxis": {"title": {"text": "Angle through the pass, degrees"},
            "tickvals": [-45, -30, -15, 0, 15, 30, 45], "range": [-46, 46],
                      "ticktext": ["−45", "−30", "−15", "0", "+15", "+30", "+45"], "fixedrange": True,
                      "zeroline": False},
            "yaxis": {"title": {"text": title}, "automargin": True, "fixedrange": True, **spread},
            "margin": {"l": 10, "r": 12, "t": 12, "b": 44},
        },
    }  # fmt: skip


def tape_columns(findings: Findings) -> dict[str, Any] | None:
    """Losses as packed columns for the tape map, with the outlines of damaged spots; None without places."""
    placed = [
        loss for loss in findings.dropouts or [] if loss.tape_m_along is not None and loss.tape_mm_across is not None
    ]
    if not placed:
        return None
    step = -(-len(placed) // MOST_MAPPED)
    placed = placed[::step]
    kinds = list(LOSS_WORDS)
    outlines_x: list[float | None] = []
    outlines_y: list[float | None] = []
    spots = [spot for spot in findings.defects if spot.losses > 1]
    for spot in spots:
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
        "spots": [
            [round(s.along_m, 3), round(s.across_mm, 2), s.losses, round(s.size_along_mm), round(s.size_across_mm, 1)]
            for s in spots
        ],
        "step": step,
    }


def signed_cell(value: float | None, sigma: float | None) -> str:
    """A table cell: value and uncertainty."""
    return with_error(value, sigma, signed=True) if value is not None else number(None, decimals=0)
