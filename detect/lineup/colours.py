"""Colour of a test signal on every line: each bar against its BT.601 value, and the phase of a modulated staircase's
steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detect.lineup.capture import Block
from detect.measure.line_patterns import plateaus
from detect.measure.signals import BAR_CHROMA_PCT, BAR_LUMA_IRE, bar_weights
from detect.standards import ACTIVE_SAMPLES, V_OVER_U

F64 = NDArray[np.float64]
C128 = NDArray[np.complex128]
_BARS = slice(1, 7)
NOMINAL = BAR_CHROMA_PCT.real + 1j * V_OVER_U * BAR_CHROMA_PCT.imag
"""Of the 75 % bars, as blocks hold chroma."""
FULL_BARS = 4 / 3
"""100 % bars against 75 %."""
_LEAST_CHROMA_PCT = 4.0
"""Least chroma of a step, % of full swing, that has a phase: 40 IRE peak to peak is about 23."""


@dataclass(frozen=True, slots=True)
class BarRows:
    """Bars on every row. ``gain`` (rows, 6) is the measured over the BT.601 vector of each coloured bar, complex; None without
    colour. ``white_ire`` (rows,) is the first bar, ``luma_gain`` the slope of luma over the bars against BT.601.
    ``columns`` (6,) are luma columns of the coloured bars. ``nominal`` is 0.75 or 1.0, the colour of the bars;
    ``white_nominal_ire`` of the white.
    """

    gain: C128 | None
    white_ire: F64
    luma_gain: F64
    columns: F64
    nominal: float
    white_nominal_ire: float

    @property
    def weights(self) -> F64:
        """Power of each coloured bar, (6,)."""
        return np.asarray(np.abs(NOMINAL[_BARS]) ** 2, np.float64)

    def pooled(self) -> C128:
        """One gain per row over all bars, each bar by its power."""
        assert self.gain is not None
        return np.asarray(self.gain @ self.weights / self.weights.sum())


def bar_rows(block: Block, *, count: int, full: bool, white_full: bool) -> BarRows:
    """Measure a block of bars with ``count`` bars (8, or 7 without black); ``full``: 100 % bars; ``white_full``: 100
    % white."""
    luma = (block.y @ bar_weights(block.y.shape[1], count)).astype(np.float64)
    scale = FULL_BARS if full else 1.0
    expected = BAR_LUMA_IRE[1:count] * scale
    wanted = expected - expected.mean()
    dev = luma[:, 1:] - luma[:, 1:].mean(axis=1, keepdims=True)
    gain = None
    if block.chroma is not None:
        measured = block.chroma @ bar_weights(block.chroma.shape[1], count).astype(np.complex64)
        gain = np.asarray(measured[:, _BARS] / (NOMINAL[_BARS] * scale), np.complex128)
    weights = bar_weights(ACTIVE_SAMPLES, count)
    columns = (np.arange(ACTIVE_SAMPLES) @ weights).astype(np.float64)[_BARS]
    return BarRows(
        gain=gain,
        white_ire=luma[:, 0],
        luma_gain=dev @ wanted / float(wanted @ wanted),
        columns=columns * block.y.shape[1] / ACTIVE_SAMPLES,
        nominal=0.75 * scale,
        white_nominal_ire=100.0 if white_full else 75.0,
    )


@dataclass(frozen=True, slots=True)
class StepRows:
    """A staircase on every row: ``level_ire`` (steps,) of the pattern, ``chroma`` (rows, steps) or None, ``columns``
    (steps,)."""

    level_ire: F64
    luma: F64
    chroma: C128 | None
    columns: F64


def step_rows(block: Block, pattern: F64) -> StepRows | None:
    """Steps of a staircase or the flat parts of a line: None with fewer than four."""
    cut = max(1, pattern.size // 40)
    flat = [(a + cut, b + cut, level) for a, b, level in plateaus(pattern[cut:-cut].astype(np.float32), tolerance_ire=1.5) if b - a >= 40]
    if len(flat) < 4:
        return None
    trimmed = [(a + (b - a) // 5, b - (b - a) // 5, level) for a, b, level in flat]
    luma = np.stack([block.y[:, a:b].mean(axis=1, dtype=np.float64) for a, b, _ in trimmed], axis=1)
    chroma = None
    if block.chroma is not None:
        step = block.y.shape[1] / block.chroma.shape[1]
        means = [block.chroma[:, int(a / step) : int(b / step)].mean(axis=1) for a, b, _ in trimmed]
        found = np.stack(means, axis=1).astype(np.complex128)
        strong = np.abs(np.mean(found, axis=0)) > _LEAST_CHROMA_PCT
        chroma = found if strong.sum() >= 4 else None
    return StepRows(
        level_ire=np.array([level for _, _, level in trimmed]),
        luma=luma,
        chroma=chroma,
        columns=np.array([(a + b) / 2 for a, b, _ in trimmed]),
    )
