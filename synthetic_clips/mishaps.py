"""What breaks a picture for a while: switch transients, a head that breaks up, a wheel that is not locked."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic_clips.deck import HeadLoss, SwitchTransient
from synthetic_clips.rasters import ACTIVE, CODES_PER_IRE, NS_PER_SAMPLE, Raster
from synthetic_clips.timebase import Wheel

Array = NDArray[np.float32]
RINGING_HZ = 2e6
BREAK_LENGTH = 60
"""Samples a broken-up head stays lost or found, on average."""


def add_transients(y: Array, wheel: Wheel, transient: SwitchTransient, rng: np.random.Generator) -> None:
    """A ringing dash on one line of each pass, in place on ``y`` (rows, 720)."""
    length = max(4, round(transient.length_us * 1000 / NS_PER_SAMPLE))
    n = np.arange(length)
    dash = (
        np.exp(-3 * n / length)
        * np.cos(2 * np.pi * RINGING_HZ * n * NS_PER_SAMPLE * 1e-9)
        * transient.size_ire
        * CODES_PER_IRE
    )
    at_left = transient.place == "first_line_left"
    rows = np.flatnonzero((wheel.first_line if at_left else wheel.last_line) & np.isin(wheel.heads, transient.heads))
    for row in rows:
        size = rng.uniform(0.7, 1.2)
        first = 6 if at_left else ACTIVE - 10 - length
        y[row, first : first + length] += (size * dash).astype(np.float32)


def _lost_runs(rng: np.random.Generator, share: float) -> NDArray[np.bool_]:
    """One line of samples, lost or not, in runs; ``share`` of them lost."""
    if share >= 1:
        return np.ones(ACTIVE, np.bool_)
    state = np.empty(ACTIVE, np.bool_)
    x, lost = 0, bool(rng.random() < share)
    while x < ACTIVE:
        run = max(2, int(rng.exponential(2 * BREAK_LENGTH * (share if lost else 1 - share))))
        state[x : x + run] = lost
        x, lost = x + run, not lost
    return state


def break_up(
    planes: tuple[Array, ...], wheel: Wheel, losses: tuple[HeadLoss, ...], frame: int, rng: np.random.Generator
) -> None:
    """Replace what a lost head should have read by the noise of an FM demodulator without a carrier, in place."""
    for loss in losses:
        if not loss.start_frame <= frame < loss.end_frame:
            continue
        for row in np.flatnonzero(wheel.heads == loss.head):
            lost = _lost_runs(rng, loss.share)
            planes[0][row, lost] = rng.normal(110, 60, int(lost.sum()))
            for plane in planes[1:]:
                plane[row, lost[::2]] = rng.normal(128, 30, int(lost[::2].sum()))


def torn_rows(rows: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Displacements in samples of the rows of a frame without lock: groups of lines thrown about."""
    groups = rng.integers(4, 14, rows)
    index = np.searchsorted(np.cumsum(groups), np.arange(rows), side="right")
    return rng.normal(0, 60, rows)[index] + np.cumsum(rng.normal(0, 3, rows)) * 0.3


DATA_LINES = {512: (14, 18), 608: (24, 28)}
"""Frame rows of the vertical interval with a data signal: time code of lines 14 (525), 19 and 21 (625; ITU-R
BR.780)."""
DATA_BITS = 90


def data_lines(y: Array, shape: Raster, frame: int) -> None:
    """Pulses like time code on lines above the picture, where a raster stores them, in place on ``y`` (rows, 720)."""
    for row in DATA_LINES.get(shape.height, ()):
        bits = np.random.default_rng([frame, row]).random(DATA_BITS) < 0.5
        y[row, 8 : 8 + 7 * DATA_BITS] = np.repeat(np.where(bits, 16 + 80 * CODES_PER_IRE, 16.0), 7)
