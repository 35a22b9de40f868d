"""Rows written down from the geometry: 90 degrees a pass, 525/32 lines (derived; BT.601 for the samples of a line)."""

from __future__ import annotations

import numpy as np

from detect.judge.rows import INDEX, RELATIONS, Rows
from detect.judge.wheel import View, WheelFit

VIEW = View(0, 486)
HEIGHT, PHASE, PERIOD = 486, 3.3125, 525 / 32
MIDDLE, LEFT, RIGHT, BURST = (122 + 360) / 858, 122 / 858, (122 + 720) / 858, 88 / 858


def jumps_between(lines: np.ndarray) -> np.ndarray:
    """The slant-free pair relation of a value for every row: (HEIGHT,) to the rows 2 to HEIGHT - 4."""
    before, above, below, after = lines[:-6], lines[2:-4], lines[4:-2], lines[6:]
    return np.asarray(1.5 * ((below - above) - (after - before) / 3))


def error_at(skew: float, scallop: float, heads: np.ndarray, fraction: float, phase: float = PHASE) -> np.ndarray:
    """ns at a fraction of the line for every frame row; the head that scans a line's start keeps it."""
    place = (np.arange(HEIGHT) / 2 - phase) / PERIOD
    number = np.floor(place + 1e-9)
    angle = np.radians(90 * (place + fraction / PERIOD - number) - 45)
    return skew * np.sin(angle) / np.sqrt(2) - scallop * np.cos(angle) / (1 - np.sqrt(0.5)) + heads[number.astype(int) % 4]


def lines_of(skew: float, scallop: float, heads: np.ndarray, *, corrected: bool) -> tuple[np.ndarray, np.ndarray]:
    """Displacement in mid-line and its growth along the line, before or behind a line corrector."""
    at = {f: error_at(skew, scallop, heads, f) for f in (MIDDLE, LEFT, RIGHT, BURST)}
    return at[MIDDLE] - (at[BURST] if corrected else 0), at[RIGHT] - at[LEFT]


def put(rows: Rows, relation: str, lines: np.ndarray, noise: np.ndarray | float = 0.0) -> None:
    """Let one relation read a value for every row, with noise (HEIGHT - 6,)."""
    k = INDEX[relation]
    rows.ratio[k, 2:-4] = jumps_between(lines) + noise
    rows.weight[k, 2:-4] = 1.0


def rows_and_fit(shift: np.ndarray, growth: np.ndarray, seed: int, noise_ns: float = 1.0) -> tuple[Rows, WheelFit]:
    """Rows that hold two displacements (HEIGHT,), with noise, and a fit that knows the phase."""
    rng = np.random.default_rng(seed)
    rows = Rows(np.zeros((len(RELATIONS), HEIGHT)), np.zeros((len(RELATIONS), HEIGHT)))
    for name, lines in (("shift", shift), ("ramp", growth)):
        put(rows, name, lines, rng.normal(0, noise_ns, HEIGHT - 6))
    none, many = np.zeros(len(RELATIONS)), np.zeros((len(RELATIONS), 4))
    fit = WheelFit(PHASE, 0.01, 1.0, 1.0, none, none, none, none, np.full(len(RELATIONS), noise_ns**2), many, many)
    return rows, fit
