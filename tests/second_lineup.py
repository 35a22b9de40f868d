"""A second, independent drawing of line-up captures, for tests: nothing of it comes from ``synthetic_clips``.

Every line is a formula of time, evaluated at twice the sample rate where the deck's error has moved it, filtered
by the head's gain over the whole spectrum and brought down to 13.5 MHz. The signals stand still, so one clean frame
serves for all and only noise and line jitter are drawn anew. Geometry from the wheel alone: four heads, 16 or 20 passes a
field, theta from -45 to +45 degrees over a pass.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from detect.measure.fields import Field, Frame, SampleFormat

F64 = NDArray[np.float64]
OVER = 2
"""Points per sample in which lines are drawn: edges of 150 ns hold nothing above 13.5 MHz."""
PAD = 80
"""Samples drawn beyond each end of the active line."""
SAMPLE_US = 1 / 13.5
ACTIVE_FROM_0H = {"525": 122, "625": 132}
"""Samples from 0H to the first of the active line (BT.601)."""
BURST_MIDDLE_US = {"525": 6.6, "625": 6.7}
"""Middle of the colour burst after 0H: nine cycles from 5.3 us, or ten from 5.6 us (BT.1700; from memory)."""
LINE_US = {"525": 286 / 4.5, "625": 64.0}
PASSES = {"525": 16, "625": 20}
V_SCALE = (0.877 * 1.402) / (0.493 * 1.772)
"""Of Cr against Cb: BT.1700 and BT.601."""
FIELD_LINES = {"525": 262.5, "625": 312.5}
ROWS = {"525": 486, "625": 576}
SUBCARRIER_MHZ = 315 / 88


@dataclass(frozen=True)
class Wrongs:
    """What the second deck does. Four values are heads 0 to 3; ``gain`` of a head at a frequency (MHz) as a ratio."""

    standard: str = "525"
    phase_lines: float = 3.0
    skew_ns: float = 0.0
    scallop_ns: float = 0.0
    quadrature_ns: Sequence[float] = (0, 0, 0, 0)
    saturation_pct: Sequence[float] = (0, 0, 0, 0)
    hue_deg: Sequence[float] = (0, 0, 0, 0)
    gain: Callable[[int, F64], F64] = lambda head, mhz: np.ones_like(mhz)
    noise_db: float = 43.0
    jitter_ns: float = 0.3
    setup: bool = False
    """Black lifted to 7.5 IRE and all else compressed to 92.5 % (SMPTE 170M)."""
    bit_depth: int = 10
    line_corrected: bool = False


@dataclass(frozen=True)
class Drawing:
    """One line: luma (IRE) and chroma (Cb + j Cr, %) as functions of the time since the active line began, us.

    ``caption`` is a region (first row, last row, first column, last column) with lettering that is no part of the signal.
    """

    luma: Callable[[F64], F64]
    chroma: Callable[[F64], NDArray[np.complex128]] | None = None
    captions: Sequence[tuple[int, int, int, int]] = field(default_factory=tuple)


def soft(t: F64, at_us: float, rise_ns: float) -> F64:
    """An edge shaped like the integral of a raised cosine, 0 to 1; ``rise_ns`` 10 to 90 %."""
    u = np.clip((t - at_us) / (rise_ns * 1e-3 * 1.7) + 0.5, 0, 1)
    return u - np.sin(2 * np.pi * u) / (2 * np.pi)


def uneven_bars(seed: int, *, level: float = 0.75, rise_ns: float = 230.0, off_us: float = 0.35) -> Drawing:
    """Eight bars (BT.601 equations) whose edges stand off their places by up to ``off_us``."""
    rng = np.random.default_rng(seed)
    left, right = 0.6, 52.8
    edges = left + (right - left) * np.arange(1, 8) / 8 + rng.uniform(-off_us, off_us, 7)
    rgb = [(1, 1, 1), (1, 1, 0), (0, 1, 1), (0, 1, 0), (1, 0, 1), (1, 0, 0), (0, 0, 1), (0, 0, 0)]
    y = [100 * level * (0.299 * r + 0.587 * g + 0.114 * b) for r, g, b in rgb]
    c = [complex((100 * level * b - v) / 1.772, (100 * level * r - v) / 1.402) for (r, _, b), v in zip(rgb, y, strict=True)]

    def drawn(levels: Sequence[complex], rise: float) -> Callable[[F64], NDArray[np.complex128]]:
        def at(t: F64) -> NDArray[np.complex128]:
            out = levels[0] * soft(t, left, rise).astype(complex)
            for e, a, b in zip(edges, levels[:-1], levels[1:], strict=True):
                out += (b - a) * soft(t, float(e), rise)
            return out

        return at

    colour = drawn(c, 500.0)
    grey = drawn([complex(v) for v in y], rise_ns)
    return Drawing(lambda t: grey(t).real, colour)


def shifted_packets(
    seed: int, mhz: Sequence[float], *, peak_to_peak_ire: float = 50.0, pedestal_ire: float = 50.0, flag: bool = True
) -> Drawing:
    """Packets of unequal length with unequal gaps and phases; each starts where chance has it."""
    rng = np.random.default_rng(seed)
    start = 2.0 + float(rng.uniform(0, 1.0))
    flag_end = start + 4.0
    lengths = rng.uniform(0.85, 1.15, len(mhz))
    room = 51.0 - (flag_end + 0.8 if flag else start)
    gaps = rng.uniform(0.4, 0.9, len(mhz))
    lengths *= (room - gaps.sum()) / lengths.sum()
    at = flag_end + 0.8 if flag else start
    spans, phases = [], rng.uniform(0, 2 * np.pi, len(mhz))
    for length, gap in zip(lengths, gaps, strict=True):
        spans.append((at, at + length))
        at += length + gap

    def luma(t: F64) -> F64:
        out = pedestal_ire * (soft(t, 0.6, 200.0) - soft(t, 52.6, 200.0))
        if flag:
            out = out + (100 - pedestal_ire) * (soft(t, start, 150.0) - soft(t, flag_end, 150.0))
        for f, (a, b), p in zip(mhz, spans, phases, strict=True):
            out = out + 0.5 * peak_to_peak_ire * (soft(t, a + 0.1, 120.0) - soft(t, b - 0.1, 120.0)) * np.sin(2 * np.pi * f * (t - a) + p)
        return out

    return Drawing(luma)


def grille_lines(*, spacing_us: float = 2.6) -> Drawing:
    """Bright lines of raised-cosine shape on grey."""

    def luma(t: F64) -> F64:
        u = np.clip(((t - 1.7 + spacing_us / 2) % spacing_us - spacing_us / 2) / 0.26, -1, 1)
        return 8 + 70 * np.cos(np.pi / 2 * u) ** 2

    return Drawing(luma)


def _angles(deck: Wrongs, t_us: F64) -> tuple[NDArray[np.int64], F64]:
    """Head of each row (rows,) and theta (rows, points) in radians; heads change only between lines."""
    rows = np.arange(ROWS[deck.standard]) / 2
    period = FIELD_LINES[deck.standard] / PASSES[deck.standard]
    number = np.floor((rows - deck.phase_lines) / period + 1e-9)
    place = (rows - deck.phase_lines - number * period)[:, None]
    along = (ACTIVE_FROM_0H[deck.standard] * SAMPLE_US + t_us) / LINE_US[deck.standard]
    return number.astype(np.int64) % 4, np.radians(90 * (place + along[None, :]) / period - 45)


def late_ns(deck: Wrongs, t_us: F64) -> tuple[NDArray[np.int64], F64]:
    """Head (rows,) and time error (rows, points) at times from the start of the active line."""
    head, theta = _angles(deck, t_us)
    late = deck.skew_ns * np.sin(theta) / np.sqrt(2) - deck.scallop_ns * np.cos(theta) / (1 - np.sqrt(0.5))
    return head, late + np.asarray(deck.quadrature_ns, float)[head][:, None]


def clean_frame(
    drawing: Drawing, deck: Wrongs, *, jitter_ns: F64 | None = None, rows: int | None = None
) -> tuple[F64, NDArray[np.complex128]]:
    """Luma (rows, 720) IRE and chroma (rows, 360) % as the deck plays the drawing, without noise; ``rows`` only the first few."""
    t = (np.arange(-PAD * OVER, (720 + PAD) * OVER) / OVER) * SAMPLE_US
    heads, every = late_ns(deck, np.asarray(t, np.float64))
    head, late = heads[:rows], every[:rows]
    at_burst_us = BURST_MIDDLE_US[deck.standard] - ACTIVE_FROM_0H[deck.standard] * SAMPLE_US
    burst = late_ns(deck, np.array([at_burst_us]))[1][:rows]
    moved = late - burst if deck.line_corrected else late
    if jitter_ns is not None:
        moved = moved + jitter_ns[:, None]
    luma = drawing.luma(np.asarray(t[None, :] - moved * 1e-3, np.float64))
    mhz = np.fft.rfftfreq(t.size, SAMPLE_US / OVER)
    limit = 1 / (1 + (mhz / 5.9) ** 40)
    gains = np.stack([deck.gain(h, mhz) for h in range(4)])[head]
    y: F64 = np.fft.irfft(np.fft.rfft(luma, axis=1) * gains * limit, t.size, axis=1)[:, PAD * OVER : (720 + PAD) * OVER : OVER]
    if drawing.chroma is None:
        return y, np.zeros((y.shape[0], 360), complex)
    c = drawing.chroma(np.asarray(t[None, :] - moved * 1e-3, np.float64))
    turn = np.asarray(deck.hue_deg, float)[head][:, None]
    if deck.standard == "525":
        turn = turn - 360e-3 * SUBCARRIER_MHZ * (late - burst)
    # colour turns in U and V: U = 0.493 (B - Y), V = 0.877 (R - Y)
    c = (c.real + 1j * V_SCALE * c.imag) * np.exp(1j * np.radians(turn))
    c = (c.real + 1j * c.imag / V_SCALE) * (1 + np.asarray(deck.saturation_pct, float)[head][:, None] / 100)
    frequency = np.abs(np.fft.fftfreq(t.size, SAMPLE_US / OVER))
    c = np.fft.ifft(np.fft.fft(c, axis=1) / (1 + (frequency / 2.5) ** 16), axis=1)
    return y, c[:, PAD * OVER : (720 + PAD) * OVER : 2 * OVER]


def _caption(y: F64, c: NDArray[np.complex128], where: tuple[int, int, int, int]) -> None:
    """Blocky lettering, light on dark, without any error of the deck."""
    r0, r1, x0, x1 = where
    rng = np.random.default_rng(r0 + x0)
    cells = rng.integers(0, 2, ((r1 - r0) // 6 + 1, (x1 - x0) // 5 + 1)).astype(float)
    y[r0:r1, x0:x1] = 8 + 82 * np.kron(cells, np.ones((6, 5)))[: r1 - r0, : x1 - x0]
    c[r0:r1, x0 // 2 : x1 // 2] = 0


def captured(parts: Sequence[tuple[int, Drawing]], deck: Wrongs, *, seed: int) -> Iterator[Frame]:
    """Frames of a capture: (frames, drawing) one after another."""
    rng = np.random.default_rng(seed)
    number = 0
    scale = 2 ** (deck.bit_depth - 8)
    sigma = 100 * 10 ** (-deck.noise_db / 20)
    for count, drawing in parts:
        # a few states of the jitter in turn: drawing each line anew for every frame would take most of the time
        states = []
        for _ in range(min(3, count)):
            y, c = clean_frame(drawing, deck, jitter_ns=rng.normal(0, deck.jitter_ns, ROWS[deck.standard]))
            if deck.setup:
                y, c = 7.5 + 0.925 * y, 0.925 * c
            for where in drawing.captions:
                _caption(y, c, where)
            states.append((y, c))
        for k in range(count):
            y, c = states[k % len(states)]
            planes = []
            for plane, gain, zero in ((y, 2.19, 16.0), (c.real, 2.24, 128.0), (c.imag, 2.24, 128.0)):
                noisy = plane + sigma * rng.standard_normal(plane.shape, dtype=np.float32)
                planes.append(np.clip(np.rint((noisy * gain + zero) * scale), scale, 255 * scale - 1))
            kind = np.uint16 if deck.bit_depth > 8 else np.uint8
            whole = [p.astype(kind) for p in planes]
            order = (1, 0) if deck.standard == "525" else (0, 1)
            fields = [Field(number, i, r, *(p[r::2] for p in whole)) for i, r in enumerate(order)]
            yield Frame(number, (fields[0], fields[1]))
            number += 1


def sample_format(deck: Wrongs) -> SampleFormat:
    return SampleFormat(bit_depth=deck.bit_depth, chroma_step_x=2, chroma_step_y=1, full_range=False, has_chroma=True)
