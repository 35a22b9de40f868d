"""Simulated losses as places on the tape, drawn straight from a pattern: for the statistics, without pictures."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
from numpy.typing import NDArray

from detect.judge.patterns import Exposure, exposure
from detect.judge.tape_map import Places, place_losses
from detect.standards import STD_525, Standard

PHASE_LINES = 5.0
ROWS = range(2, 484)


def seen(standard: Standard = STD_525) -> Exposure:
    return exposure(standard, phase_lines=PHASE_LINES, rows=ROWS, columns=(6, 714))


def draw(
    rng: np.random.Generator,
    count: int,
    *,
    kind: str = "uniform",
    frames: int = 600,
    at: float = 0.3,
    head: int = 1,
    standard: Standard = STD_525,
) -> dict[str, NDArray[np.int64]]:
    """Candidate arrays of ``count`` losses of one pattern in ``frames`` frames."""
    out: list[tuple[int, int, int, int, int]] = []
    period = float(standard.lines_per_pass)
    while len(out) < count:
        frame, field = int(rng.integers(frames)), int(rng.integers(2))
        row = 1 - field + 2 * int(rng.integers(1, 241))
        x0, length = int(rng.integers(8, 690)), int(np.clip(rng.lognormal(3.7, 0.8), 8, 300))
        place = (row / 2 + (x0 + length / 2 + standard.active_start_sample) / standard.samples_per_line - PHASE_LINES) / period
        k, position = int(np.floor((row / 2 - PHASE_LINES) / period + 1e-9)), 0.0
        position = place - k
        keep = True
        if kind == "one_head":
            keep = k % 4 == head
        elif kind == "scratch":
            keep = abs(position - at) < 0.004
        elif kind == "edge":
            keep = rng.random() < np.exp(-position / 0.03)
        elif kind == "switch":
            keep = position < 0.055 and x0 < 300
            x0, length = int(rng.integers(6, 16)), int(rng.integers(8, 16))
        elif kind == "cluster":
            frame = int(frames * at) + int(rng.integers(8))
        elif kind == "rising":
            frame = int(frames * np.log1p(rng.random() * (np.exp(3.0) - 1)) / 3.0)
        if keep:
            out.append((frame, field, row // 2, x0, min(x0 + length, 716)))
    frame, field, line, x0, x1 = np.array(sorted(out)).T
    return {"frame": frame, "field": field, "line": line, "x0": x0, "x1": x1}


def placed(*parts: dict[str, NDArray[np.int64]], standard: Standard = STD_525, frames: int = 600) -> Places:
    """Put drawn losses together on the tape."""
    arrays = {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}
    order = np.lexsort((arrays["line"], arrays["field"], arrays["frame"]))
    arrays = {name: values[order] for name, values in arrays.items()}
    count = len(order)
    arrays["kind"], arrays["run"], arrays["score"] = np.zeros(count, int), np.arange(count), np.full(count, 9.0)
    wheel = [SimpleNamespace(start_frame=0, end_frame=frames, phase_lines=PHASE_LINES, locked=True)]
    return place_losses(arrays, wheel=wheel, standard=standard, rows0=(1, 0))
