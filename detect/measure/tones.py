"""Line-up tone: when it plays, its frequency, level, balance, phase and distortion, from blocks of samples.

Sound is looked at in windows of a tenth of a second: short enough that flutter does not smear the tone, long enough
for 40 periods at 400 Hz. In each a sine of free frequency is fitted by least squares (four parameters, as IEEE 1057
fits sines); what is left is distortion and noise. Levels are dBFS of a sine: peak 1.0 reads 0 (AES17), so peak 0.1
reads -20.00.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

SMPTE_REFERENCE_DBFS = -20.0
"""Digital reference level (SMPTE RP 155; in ITU-R BR.777)."""
EBU_REFERENCE_DBFS = -18.0
"""Alignment level (EBU R 68, ITU-R BR.777)."""

WINDOW_S = 0.1
LOWEST_HZ, HIGHEST_HZ = 60.0, 15_500.0
"""Tones looked for: 400 and 1000 Hz are usual, 100 Hz to 15 kHz in response runs."""
_PURE = 0.8
"""Share of a window's power in the sine: over 0.99 for tone, below 0.7 for a held note of music or a vowel."""
_LIKELY = 0.6
"""Share of a window's power about its strongest frequency below which no sine is fitted: a quick way out for programme."""
_LEAST_DBFS = -60.0
LEAST_S = 1.0
"""Shorter tones are not reported; a pip is no line-up tone."""
_STEADY_PCT = 1.0
_STEADY_DB = 1.0
"""A tone holds its frequency and level to these from window to window."""
_GAP_WINDOWS = 2
_PEAK_BINS = 3
"""Either side of its bin a sine under a Hann window has all its power; flutter stays within."""
MOST_WINDOWS = 1200
"""Of one tone, two minutes: its figures come from these, its end from its last."""
MOST_RUNS = 200
"""Tones of one channel; a tape has a few."""


@dataclass(frozen=True, slots=True)
class ToneReading:
    """A steady tone on one channel (from 1). ``distortion_pct``: rms of all the rest over rms of the tone, hum and
    noise too."""

    channel: int
    start_s: float
    end_s: float
    hz: float
    level_dbfs: float
    sigma_db: float
    distortion_pct: float


@dataclass(frozen=True, slots=True)
class PairReading:
    """Two channels with the same tone at the same time: level and phase of the second against the first."""

    channels: tuple[int, int]
    balance_db: float
    phase_deg: float
    phase_sigma_deg: float


@dataclass(frozen=True, slots=True)
class _Window:
    start_s: float
    end_s: float
    hz: float
    amplitude: complex
    """Peak amplitude and phase at the middle of the window."""
    rest_rms: float


def fit_sine(samples: F64, sample_rate_hz: float) -> tuple[float, complex, float] | None:
    """Frequency (Hz), peak amplitude with phase at the middle, rms of the rest; None where no sine rules the window."""
    n = len(samples)
    if n < 256:
        return None
    x = samples - samples.mean()
    power = float(np.mean(x**2))
    if power < 0.5 * 10 ** (_LEAST_DBFS / 10):
        return None
    spectrum = np.abs(np.fft.rfft(x * np.hanning(n)))
    whole = float(np.vdot(spectrum, spectrum))
    bins = np.fft.rfftfreq(n, 1 / sample_rate_hz)
    spectrum[(bins < LOWEST_HZ) | (bins > HIGHEST_HZ)] = 0
    k = int(np.argmax(spectrum))
    peak = spectrum[max(0, k - _PEAK_BINS) : k + _PEAK_BINS + 1]
    if k < 1 or k >= len(spectrum) - 1 or float(np.vdot(peak, peak)) < _LIKELY * whole:
        return None
    a, b, c = np.log(spectrum[k - 1 : k + 2] + 1e-12)
    hz = (k + 0.5 * (a - c) / (a - 2 * b + c)) * sample_rate_hz / n
    t = (np.arange(n) - (n - 1) / 2) / sample_rate_hz
    for _ in range(4):
        w = 2 * np.pi * hz
        cos, sin = np.cos(w * t), np.sin(w * t)
        solved = np.linalg.lstsq(np.stack([cos, sin, np.ones(n)], axis=1), x, rcond=None)[0]
        p, q = solved[:2]
        # one step along the derivative with frequency
        slope = 2 * np.pi * t * (q * cos - p * sin)
        rest = x - p * cos - q * sin - solved[2]
        step = float(slope @ rest / max(float(slope @ slope), 1e-30))
        hz += float(np.clip(step, -sample_rate_hz / n, sample_rate_hz / n))
        if abs(step) < 1e-6 * hz:
            break
    if float(np.mean(rest**2)) > (1 - _PURE) * power or not LOWEST_HZ <= hz <= HIGHEST_HZ:
        return None
    return hz, complex(p, -q), float(np.sqrt(np.mean(rest**2)))


@dataclass(slots=True)
class _Run:
    """Windows that follow each other with one frequency and level; only the first are kept, and the last two."""

    windows: list[_Window]
    tail: deque[_Window] = field(default_factory=lambda: deque(maxlen=2))
    count: int = 1

    def takes(self, w: _Window, length_s: float) -> bool:
        last = self.tail[-1]
        return (
            w.start_s - last.end_s < (_GAP_WINDOWS + 0.5) * length_s
            and abs(w.hz / last.hz - 1) < _STEADY_PCT / 100
            and abs(20 * np.log10(abs(w.amplitude) / abs(last.amplitude))) < _STEADY_DB
        )

    def add(self, w: _Window) -> None:
        self.tail.append(w)
        self.count += 1
        if len(self.windows) < MOST_WINDOWS:
            self.windows.append(w)

    def inner(self, length_s: float) -> tuple[list[_Window], float] | None:
        """Windows and end of the tone, None when too short; its first and last window may hold its start or end."""
        if self.count * length_s >= LEAST_S + 2 * length_s:
            last = 1 if self.count == len(self.windows) else 0
            return self.windows[1 : len(self.windows) - last], self.tail[0].end_s
        if self.count * length_s >= LEAST_S - 1e-9:
            return self.windows, self.tail[-1].end_s
        return None


class ToneMeter:
    """Feed blocks in order with ``push``; ``tones`` and ``pairs`` then tell what was found. Memory does not grow with the
    tape."""

    def __init__(self, sample_rate_hz: int, channels: int, *, first_channel: int = 1) -> None:
        self.rate, self.channels, self.first_channel = sample_rate_hz, channels, first_channel
        self._runs: list[list[_Run]] = [[] for _ in range(channels)]
        self._size = max(256, round(WINDOW_S * sample_rate_hz))
        self._length_s = self._size / sample_rate_hz
        self._left = np.zeros((0, channels), np.float32)
        self._left_start = 0.0

    def push(self, start_s: float, samples: NDArray[np.floating]) -> None:
        """``samples`` (samples, channels), full scale +-1, from ``start_s`` on; a gap before them drops the
        unfinished window."""
        due = self._left_start + len(self._left) / self.rate
        if len(self._left) and abs(start_s - due) < 0.5 / self.rate + 1e-6:
            samples, start_s = np.concatenate([self._left, samples]), self._left_start
        whole = len(samples) // self._size
        for k in range(whole):
            part = np.asarray(samples[k * self._size : (k + 1) * self._size], np.float64)
            at = start_s + k * self._length_s
            for c in range(self.channels):
                found = fit_sine(part[:, c], float(self.rate))
                if found is not None:
                    self._take(c, _Window(at, at + self._length_s, *found))
        self._left = np.array(samples[whole * self._size :], np.float32)
        self._left_start = start_s + whole * self._length_s

    def _take(self, channel: int, window: _Window) -> None:
        runs = self._runs[channel]
        if runs and runs[-1].takes(window, self._length_s):
            runs[-1].add(window)
            return
        if runs and runs[-1].inner(self._length_s) is None:
            runs.pop()
        if len(runs) < MOST_RUNS:
            runs.append(_Run([window], deque([window], maxlen=2)))

    def tones(self) -> list[ToneReading]:
        """Steady tones of at least a second, by channel and time."""
        out = []
        for c, runs in enumerate(self._runs):
            for windows, end_s in filter(None, (r.inner(self._length_s) for r in runs)):
                size = np.abs([w.amplitude for w in windows])
                level = 20 * np.log10(size)
                out.append(
                    ToneReading(
                        channel=self.first_channel + c,
                        start_s=windows[0].start_s,
                        end_s=end_s,
                        hz=float(np.median([w.hz for w in windows])),
                        level_dbfs=float(np.median(level)),
                        sigma_db=float(1.2533 * np.std(level) / np.sqrt(len(windows))),
                        distortion_pct=float(100 * np.median([w.rest_rms for w in windows] / (size / np.sqrt(2)))),
                    )
                )
        return out

    def pairs(self) -> list[PairReading]:
        """Every two channels that play the same tone together for at least a second."""
        out = []
        for first in range(self.channels):
            for second in range(first + 1, self.channels):
                found = self._pair(first, second)
                if found is not None:
                    out.append(found)
        return out

    def _pair(self, first: int, second: int) -> PairReading | None:
        length = self._length_s
        kept = [[found[0] for found in (r.inner(length) for r in self._runs[c]) if found] for c in (first, second)]
        lasting = [{round(w.start_s / length): w for run in runs for w in run} for runs in kept]
        both = sorted(set(lasting[0]) & set(lasting[1]))
        ratios = np.array(
            [
                lasting[1][k].amplitude / lasting[0][k].amplitude
                for k in both
                if abs(lasting[1][k].hz / lasting[0][k].hz - 1) < _STEADY_PCT / 100
            ]
        )
        if len(ratios) * length < LEAST_S:
            return None
        mean = complex(np.mean(ratios / np.abs(ratios)))
        turned = np.angle(ratios * np.conj(mean), deg=True)
        return PairReading(
            channels=(self.first_channel + first, self.first_channel + second),
            balance_db=float(np.median(20 * np.log10(np.abs(ratios)))),
            phase_deg=float(np.angle(mean, deg=True)),
            phase_sigma_deg=float(np.std(turned) / np.sqrt(len(ratios))),
        )
