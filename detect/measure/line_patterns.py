"""Recognise signals that are one line repeated: ramp, staircase, grille, pulse and bar, packets of one frequency.

Each function takes one line in IRE and asks for what defines the signal; none knows about frames, heads or faults.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.standards import ACTIVE_SAMPLES, NS_PER_SAMPLE

F32 = NDArray[np.float32]

WINDOW, HOP = 64, 24
"""Samples of the short-time spectrum: 64 resolve 0.21 MHz and fit inside the packets of a multiburst (about 90)."""
_HANN = np.hanning(WINDOW).astype(np.float32)
_SAMPLE_MHZ = 1e3 / NS_PER_SAMPLE
_PURE = 0.70
"""Share of a window's alternating power within one bin of its peak; a sine under a Hann window has over 0.95."""
_PACKET_IRE2 = 12.0
"""Least mean square of a packet, IRE squared: one of 20 IRE peak to peak has 50."""
_EDGE_SHARE = 0.025
"""Share of a line left out at each end: blanking takes up to 1.4 % (BT.601)."""
_LEAST_RANGE_IRE = 50.0
"""A ramp, staircase or bar spans at least half of black to white."""


def longest_run(good: NDArray[np.bool_]) -> tuple[int, int]:
    """First and last (exclusive) index of the longest run of True; (0, 0) for none."""
    runs = _runs(good)
    if not runs.size:
        return (0, 0)
    first, last = runs[np.argmax(runs[:, 1] - runs[:, 0])]
    return int(first), int(last)


def _runs(good: NDArray[np.bool_]) -> NDArray[np.intp]:
    padded = np.concatenate([[False], good, [False]]).astype(np.int8)
    return np.flatnonzero(np.diff(padded)).reshape(-1, 2)


def _inner(line: F32) -> F32:
    cut = max(1, int(_EDGE_SHARE * line.size))
    return line[cut:-cut]


def _smooth(line: F32, width: int) -> F32:
    return np.convolve(line, np.full(width, 1.0 / width, np.float32), mode="same").astype(np.float32)


def short_spectrum(rows: F32) -> tuple[F32, F32, F32]:
    """Short-time spectrum along lines (rows, width): peak MHz, purity, alternating power in IRE squared.

    Averaging powers, not lines, makes it blind to time errors between the rows.
    """
    width = rows.shape[1]
    if width < 2 * WINDOW:
        empty = np.zeros(0, np.float32)
        return empty, empty, empty
    edge = int(0.02 * width)
    starts = np.arange(edge, width - WINDOW - edge, HOP)
    pieces = rows[:, starts[:, None] + np.arange(WINDOW)]
    pieces = (pieces - pieces.mean(axis=2, keepdims=True)) * _HANN
    spectrum = np.fft.rfft(pieces, axis=2)
    power = (spectrum.real**2 + spectrum.imag**2).mean(axis=0)[:, 1:]
    total = power.sum(axis=1)
    peak = np.argmax(power, axis=1)
    padded = np.pad(power, ((0, 0), (1, 1)))
    at = np.arange(power.shape[0])
    near = padded[at, peak] + padded[at, peak + 1] + padded[at, peak + 2]
    mhz = (peak + 1) * (_SAMPLE_MHZ * width / ACTIVE_SAMPLES / WINDOW)
    mean_square = total * 2 / (WINDOW * np.sum(_HANN**2))
    return mhz.astype(np.float32), (near / np.maximum(total, 1e-9)).astype(np.float32), mean_square.astype(np.float32)


def is_packets(mhz: F32, purity: F32, power: F32) -> bool:
    """Packets of one frequency each, rising along the line: four or more, over at least a factor three (a
    multiburst)."""
    packet = (power > _PACKET_IRE2) & (purity > _PURE)
    if mhz.size == 0 or packet.sum() < 0.45 * mhz.size:
        return False
    found = mhz[packet]
    falls = np.sum(np.diff(found) < -0.25)
    kinds = 1 + np.sum(np.diff(np.maximum.accumulate(found)) > 0.3)
    return bool(falls == 0 and kinds >= 4 and found.max() > 3 * max(float(found.min()), 0.3))


def is_ramp(line: F32, *, noise_ire: float = 0.0) -> bool:
    """One straight slope over most of the line, rising or falling, of at least half of black to white."""
    inner = _smooth(_inner(line), 9)
    slope = np.diff(inner[::8])
    typical = float(np.median(slope))
    first, last = longest_run(np.sign(typical) * slope > 0.25 * abs(typical) - 2 * noise_ire)
    part = inner[first * 8 + 8 : last * 8 - 8]
    if last - first < 0.6 * slope.size or part.size < 32:
        return False
    x = np.arange(part.size)
    fit = np.polyfit(x, part, 1)
    misfit = float(np.abs(part - np.polyval(fit, x)).max())
    return bool(abs(fit[0]) * part.size > _LEAST_RANGE_IRE and misfit < 2.5 + 2 * noise_ire)


def plateaus(line: F32, *, least_samples: int = 24, tolerance_ire: float = 2.0) -> list[tuple[int, int, float]]:
    """Flat stretches of a line: (first, last exclusive, mean IRE). Flat: eight samples on the level is the same."""
    smooth = _smooth(line, 7)
    runs = _runs(np.abs(smooth[8:] - smooth[:-8]) < tolerance_ire) + 4
    return [(int(a), int(b), float(smooth[a:b].mean())) for a, b in runs if b - a >= least_samples]


def is_staircase(line: F32, *, noise_ire: float = 0.0) -> bool:
    """Five or more levels, equal steps in one direction (NTC-7: 5 of 18 IRE; FCC: 16 IRE; CCIR 473: 140 mV, 20 IRE)."""
    steps = plateaus(_inner(line), tolerance_ire=2.0 + noise_ire)
    if len(steps) < 5:
        return False
    rises = np.diff([level for _, _, level in steps])
    for sign in (1.0, -1.0):
        first, last = longest_run(sign * rises > 5.0)
        run = rises[first:last]
        if run.size < 4 or abs(run.sum()) < _LEAST_RANGE_IRE:
            continue
        even = np.abs(run - run.mean()).max() < max(2.5, 0.2 * abs(run.mean())) + noise_ire
        widths = np.array([b - a for a, b, _ in steps[first + 1 : last]])
        if even and np.ptp(widths) < 0.5 * widths.mean():
            return True
    return False


def grille_spacing(line: F32) -> float | None:
    """Spacing in samples of the vertical lines of a grille or crosshatch, None for no grille.

    Nine or more bright lines, each under 0.6 us wide, at one spacing to a sample, with an even ground between them.
    """
    inner = _inner(line).astype(np.float64)
    ground = float(np.median(inner))
    peak = float(np.quantile(inner, 0.995)) - ground
    if peak < 20.0:
        return None
    runs = _runs(inner > ground + 0.5 * peak)
    if len(runs) < 9 or (runs[:, 1] - runs[:, 0]).max() * NS_PER_SAMPLE > 600.0:
        return None
    centres = []
    for first, last in runs:
        low, high = max(0, first - 3), min(inner.size, last + 3)
        lift = np.maximum(inner[low:high] - ground, 0.0)
        centres.append(float((np.arange(low, high) * lift).sum() / lift.sum()))
    gaps = np.diff(centres)
    spacing = float(np.median(gaps))
    if np.abs(gaps - spacing).max() > 1.0 or spacing < 16.0:
        return None
    distance = np.abs(np.arange(inner.size)[:, None] - np.array(centres)[None, :]).min(axis=1)
    return spacing if float(np.std(inner[distance > 0.25 * spacing])) < 4.0 else None


def is_pulse_and_bar(line: F32) -> bool:
    """One bar of 5 to 30 us and one or two narrow pulses (under 0.5 us) of like height, on an even ground."""
    inner = _inner(line).astype(np.float64)
    low = float(np.quantile(inner, 0.2))
    tall = float(np.quantile(inner, 0.98)) - low
    if tall < _LEAST_RANGE_IRE:
        return False
    runs = _runs(inner > low + 0.5 * tall)
    widths_us = (runs[:, 1] - runs[:, 0]) * NS_PER_SAMPLE / 1e3
    bars, pulses = (widths_us > 5.0) & (widths_us < 30.0), widths_us < 0.5
    if bars.sum() != 1 or not 1 <= pulses.sum() <= 2 or len(runs) > 4:
        return False
    first, last = runs[np.argmax(bars)]
    off = np.ones(inner.size, bool)
    for a, b in runs:
        off[max(0, a - 30) : b + 30] = False
    heights = [inner[a - 1 : b + 1].max() - low for a, b in runs[pulses]]
    even = float(np.std(inner[first + 4 : last - 4])) < 4.0 and (not off.any() or float(np.std(inner[off])) < 4.0)
    return bool(even and all(0.5 * tall < h < 1.4 * tall for h in heights))
