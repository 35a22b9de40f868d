"""Multiburst: where the packets lie, each found by its own frequency, and how strong each is on every line.

The packets are never assumed: their number, places and frequencies come from the line's own short-time spectrum;
frequencies are then refined by least squares. The amplitude of a packet on a line is its projection on a sine and
cosine under a Hann window over the middle of the packet (mid-packet is where CCIR 569 has it read), which does not
care where the line has moved to.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from detect.measure.line_patterns import HOP, WINDOW, plateaus, short_spectrum
from detect.standards import NS_PER_SAMPLE

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]

HIGHEST_MHZ = 5.5
"""No figure is claimed above: the sampled luma is flat to 5.75 MHz and a packet needs some room (BT.601 filters; from
memory)."""
_SAMPLE_MHZ = 1e3 / NS_PER_SAMPLE
_PURE = 0.6
_LEAST_IRE2 = 8.0
"""Least mean square of a packet: 8 IRE peak to peak has 8."""
_SAME_MHZ = 0.2
"""Neighbouring packets are farther apart; the bins of the spectrum are 0.21 MHz apart."""
_IMPURE = 0.15
"""Share of a packet's power that may be of other frequencies: its first and last periods, and what a channel adds."""
_CODES_IRE = (-6.85, 108.7)
"""Ends of the codes of 8 and 10 bits (1 and 254 of 8 bits: BT.601)."""
_CODE_MARGIN_IRE = 0.7
"""Rms noise at 43 dB: a mean of many frames that comes so near to the end of the codes has lost something there."""
_LONGEST_SHIFT_SAMPLES = 6
"""Columns kept clear at each end of a packet for lines that are displaced (0.45 us)."""
_LEAST_PERIODS = 1.2
"""Periods in the columns used: a flag or a bar, which is half a period of something slow, is no packet."""
_FLAG_LEAST_SAMPLES = 20
"""Shortest white flag, 1.5 us (NTC-7 has 4 us)."""


@dataclass(frozen=True, slots=True)
class Packet:
    """One packet: frequency, and the columns (first, last exclusive) used for its amplitude."""

    mhz: float
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Layout:
    """The packets in order, and the columns of the white flag (None where there is none)."""

    packets: tuple[Packet, ...]
    flag: tuple[int, int] | None


def find_packets(pattern: F64) -> Layout:
    """Locate the packets of a line (columns,) in IRE. Empty where fewer than two are found."""
    mhz, purity, power = short_spectrum(pattern[None, :].astype(np.float32))
    edge = int(0.02 * pattern.size)
    centres = edge + np.arange(mhz.size) * HOP + WINDOW // 2
    good = (purity > _PURE) & (power > _LEAST_IRE2)
    found = [_refined(pattern, float(mhz[i]), int(centres[i])) for i in np.flatnonzero(good)]
    kept: list[Packet] = []
    # every window proposes a packet; of those that overlap the purest stays
    for _, packet in sorted((f for f in found if f is not None), key=lambda f: f[0]):
        if all(packet.first >= k.last or packet.last <= k.first for k in kept):
            kept.append(packet)
    kept = _rising(sorted(kept, key=lambda p: p.first))
    if len(kept) < 2:
        return Layout((), None)
    return Layout(tuple(kept), _find_flag(pattern, kept))


def _rising(packets: list[Packet]) -> list[Packet]:
    """Packets rise along the line; what does not is no packet or was found twice."""
    out: list[Packet] = []
    for p in packets:
        if not out or p.mhz - out[-1].mhz >= _SAME_MHZ:
            out.append(p)
    return out


def _refined(pattern: F64, mhz: float, centre: int) -> tuple[float, Packet] | None:
    """Frequency by least squares over a window, the packet's extent from the envelope at that frequency, the frequency again over
    all of it. With the share of the packet's power that is not of that frequency; None where there is no packet."""
    low, high = max(0, centre - WINDOW // 2), min(pattern.size, centre + WINDOW // 2)
    reach = 0.25
    for _ in range(2):
        part = pattern[low:high]
        bounds = (max(0.1, mhz - reach), mhz + reach)
        mhz = float(optimize.minimize_scalar(lambda f, p=part: _misfit(p, f), bounds=bounds, method="bounded").x)
        span = _extent(pattern, mhz, centre)
        if span is None:
            return None
        (low, high), reach = span, 0.15
    part = pattern[low:high]
    rest = _misfit(part, mhz) / max(float(((part - part.mean()) ** 2).sum()), 1e-9)
    if mhz * (high - low) / _SAMPLE_MHZ < _LEAST_PERIODS or rest > _IMPURE:
        return None
    return rest, Packet(mhz, low, high)


def _basis(mhz: float, length: int, *, window: F64 | None = None) -> F64:
    x = np.arange(length) - (length - 1) / 2
    w = 2 * np.pi * mhz / _SAMPLE_MHZ
    columns = np.stack([np.cos(w * x), np.sin(w * x), np.ones(length), x / length], axis=1)
    return columns if window is None else columns * window[:, None]


def _misfit(part: F64, mhz: float) -> float:
    basis = np.linalg.qr(_basis(mhz, len(part)))[0]
    rest = part - basis @ (basis.T @ part)
    return float(rest @ rest)


def _extent(pattern: F64, mhz: float, middle: int) -> tuple[int, int] | None:
    """Columns around ``middle`` over which the envelope at this frequency stays within 3 % of its middle value."""
    length = int(max(12, round(1.5 * _SAMPLE_MHZ / mhz)))
    kernel = np.hanning(length + 2)[1:-1]
    x = np.arange(pattern.size)
    turned = (pattern - np.median(pattern)) * np.exp(-2j * np.pi * mhz / _SAMPLE_MHZ * x)
    lowered = np.convolve(pattern - np.median(pattern), kernel / kernel.sum(), "same")
    envelope = np.abs(np.convolve(turned - lowered * np.exp(-2j * np.pi * mhz / _SAMPLE_MHZ * x), kernel / kernel.sum(), "same"))
    level = float(np.median(envelope[max(0, middle - 8) : middle + 9]))
    inside = envelope > 0.7 * level
    first = middle
    while first > 0 and inside[first - 1]:
        first -= 1
    last = middle
    while last < pattern.size - 1 and inside[last + 1]:
        last += 1
    clear = _LONGEST_SHIFT_SAMPLES + 2
    low, high = first + clear, last + 1 - clear
    return (low, high) if high - low >= 16 else None


def _find_flag(pattern: F64, packets: list[Packet]) -> tuple[int, int] | None:
    """The white flag: the highest flat part outside the packets, well above the level they stand on."""
    mean = float(np.mean([pattern[p.first : p.last].mean() for p in packets]))
    flat = [
        (a + _LONGEST_SHIFT_SAMPLES, b - _LONGEST_SHIFT_SAMPLES, level)
        for a, b, level in plateaus(pattern.astype(np.float32), least_samples=_FLAG_LEAST_SAMPLES, tolerance_ire=1.0)
        if b - a > 2 * _LONGEST_SHIFT_SAMPLES + 8 and all(b < p.first - 4 or a > p.last + 4 for p in packets)
    ]
    flags = [f for f in flat if f[2] > mean + 20.0]
    return max(flags, key=lambda f: f[2])[:2] if flags else None


def amplitudes(y: F32, layout: Layout, shift_samples: F64) -> F64:
    """Peak-to-peak IRE of each packet on each line, (rows, packets). ``shift_samples`` (rows,): how far each line is displaced.

    Packets above HIGHEST_MHZ read NaN.
    """
    out = np.full((y.shape[0], len(layout.packets)), np.nan)
    for k, p in enumerate(layout.packets):
        if p.mhz > HIGHEST_MHZ:
            continue
        length = _whole_periods(p)
        offset = p.first + (p.last - p.first - length) // 2
        move = np.clip(np.rint(np.nan_to_num(shift_samples)), -_LONGEST_SHIFT_SAMPLES, _LONGEST_SHIFT_SAMPLES).astype(int)
        at = np.clip(offset + move[:, None] + np.arange(length)[None, :], 0, y.shape[1] - 1)
        part = np.take_along_axis(y, at, axis=1).astype(np.float64)
        window = np.sqrt(np.hanning(length + 2)[1:-1])
        basis = _basis(p.mhz, length, window=window)
        solved = (part * window) @ np.linalg.pinv(basis).T
        out[:, k] = 2 * np.hypot(solved[:, 0], solved[:, 1])
    return out


def clipped_packets(y: F32, layout: Layout) -> NDArray[np.bool_]:
    """Packets that meet the ends of the codes on each line, (rows, packets): these read low."""
    low, high = _CODES_IRE[0] + _CODE_MARGIN_IRE, _CODES_IRE[1] - _CODE_MARGIN_IRE
    spans = [y[:, p.first : p.last] for p in layout.packets]
    return np.stack([(s.min(axis=1) < low) | (s.max(axis=1) > high) for s in spans], axis=1)


def _whole_periods(p: Packet) -> int:
    """Length in samples of as many whole periods as the packet holds."""
    period = _SAMPLE_MHZ / p.mhz
    have = p.last - p.first
    return int(min(have, max(round(np.floor(have / period) * period), 12)))


def flag_heights(y: F32, layout: Layout) -> F64:
    """Height of the flag above the level the packets stand on, IRE (rows,); NaN without a flag."""
    if layout.flag is None:
        return np.full(y.shape[0], np.nan)
    flag = y[:, slice(*layout.flag)].mean(axis=1, dtype=np.float64)
    # the first packet has few periods in view, so the others give the level
    ground = [y[:, p.first : p.first + _whole_periods(p)].mean(axis=1, dtype=np.float64) for p in layout.packets[1:]]
    return np.asarray(flag - np.mean(ground, axis=0))
