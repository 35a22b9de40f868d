"""One head's channel: frequency response as a filter along the line, and noise with a spectrum."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Array = NDArray[np.float32]
ResponseShape = Literal["tilt", "bump", "roll-off"]
PhaseKind = Literal["linear", "minimum"]
NoiseColour = Literal["white", "fm"]

RATE_HZ = 13.5e6
REFERENCE_HZ = 3e6
"""Where the size of a response error is stated."""
TAPS = 25
BUMP_WIDTH_HZ = 0.9e6
NOISE_LIMIT_HZ = 5.8e6
"""Noise is band-limited as the sampled luma is (BT.601 filters)."""
FM_CORNER_HZ = 1.5e6
"""Below it de-emphasis keeps FM noise flat, above it noise rises with frequency (common practice for the shape)."""
CHROMA_NOISE_LIMIT_HZ = 1.3e6


def response_db(frequency_hz: NDArray[np.float64], *, shape: ResponseShape, db_at_3mhz: float) -> NDArray[np.float64]:
    """The response a head is meant to have, dB against low frequencies.

    tilt: in proportion to frequency; bump: a hill (or, negative, a dip) about 3 MHz; roll-off: with the square of
    frequency.
    """
    f = np.asarray(frequency_hz, np.float64)
    if shape == "tilt":
        return db_at_3mhz * f / REFERENCE_HZ
    if shape == "roll-off":
        return db_at_3mhz * (f / REFERENCE_HZ) ** 2
    centre, zero = (np.exp(-0.5 * ((x - REFERENCE_HZ) / BUMP_WIDTH_HZ) ** 2) for x in (f, 0.0))
    return np.asarray(db_at_3mhz * (centre - zero) / (1 - zero))


@lru_cache(maxsize=64)
def response_taps(shape: ResponseShape, db_at_3mhz: float, phase: PhaseKind = "linear") -> Array:
    """FIR taps (odd number, the middle one is "now") with that response up to 5.5 MHz; applied as a convolution.

    Exact at 0 and at 3 MHz; between, as near as so few taps come (0.25 dB for 3 dB).
    """
    if db_at_3mhz == 0:
        return np.asarray(np.arange(TAPS) == TAPS // 2, np.float32)
    asked = db_at_3mhz
    for _ in range(4):  # taps round off the corner of the response at 0: ask for more until 3 MHz is right
        taps = _designed(shape, asked, phase)
        asked *= db_at_3mhz / (20 * np.log10(gain_at(taps, REFERENCE_HZ)))
    return taps


def _designed(shape: ResponseShape, db_at_3mhz: float, phase: PhaseKind) -> Array:
    grid = np.linspace(0, RATE_HZ / 2, 257)
    db = response_db(np.minimum(grid, 6.0e6), shape=shape, db_at_3mhz=db_at_3mhz)
    gain = 10 ** (db / 20)
    if phase == "linear":
        taps = signal.firwin2(TAPS, grid, gain, fs=RATE_HZ, window=("kaiser", 3.0))
        return np.asarray(taps / taps.sum(), np.float32)
    return _minimum_phase(gain)


def _minimum_phase(gain: NDArray[np.float64]) -> Array:
    """Cepstral construction; the taps start at the middle so that nothing moves but the frequencies the filter
    delays."""
    full = np.concatenate([gain, gain[-2:0:-1]])
    cepstrum = np.fft.ifft(np.log(full)).real
    fold = np.zeros_like(cepstrum)
    half = len(full) // 2
    fold[0], fold[half] = cepstrum[0], cepstrum[half]
    fold[1:half] = 2 * cepstrum[1:half]
    impulse = np.fft.ifft(np.exp(np.fft.fft(fold))).real[: TAPS // 2 + 1]
    impulse[-4:] *= [0.8, 0.5, 0.25, 0.1]
    taps = np.zeros(TAPS)
    taps[TAPS // 2 :] = impulse
    return np.asarray(taps / taps.sum(), np.float32)


def gain_at(taps: Array, frequency_hz: float) -> float:
    """Amplitude of a filter at one frequency."""
    return float(abs(signal.freqz(taps, worN=[frequency_hz], fs=RATE_HZ)[1][0]))


@lru_cache(maxsize=256)
def response_gain(shape: ResponseShape, db_at_3mhz: float, phase: PhaseKind, frequency_hz: float) -> float:
    """Amplitude of a head's filter at one frequency."""
    return 1.0 if db_at_3mhz == 0 else gain_at(response_taps(shape, db_at_3mhz, phase), frequency_hz)


def noise_taps(colour: NoiseColour) -> Array:
    """Filter that gives white noise the wanted spectrum; unit power gain."""
    grid = np.linspace(0, RATE_HZ / 2, 257)
    shape = np.ones_like(grid) if colour == "white" else np.hypot(grid / FM_CORNER_HZ, 1.0)
    if colour == "fm":
        shape[grid > NOISE_LIMIT_HZ] = 0
    else:
        return np.array([1.0], np.float32)
    taps = signal.firwin2(31, grid, shape, fs=RATE_HZ, window=("kaiser", 3.0))
    return np.asarray(taps / np.sqrt((taps**2).sum()), np.float32)


@lru_cache(maxsize=4)
def _chroma_noise_taps() -> Array:
    taps = signal.firwin(21, CHROMA_NOISE_LIMIT_HZ, fs=RATE_HZ / 2, window=("kaiser", 3.0))
    return np.asarray(taps / np.sqrt((taps**2).sum()), np.float32)


BANK_SAMPLES = 1 << 21
"""Lines of noise start at random places of a bank this long: two lines overlap once in some 1400 pairs."""


@lru_cache(maxsize=2)
def noise_banks(seed: int, colour: NoiseColour) -> tuple[Array, Array]:
    """Long runs of unit-variance luma and chroma noise."""
    rng = np.random.default_rng([seed, 13])
    luma = rng.standard_normal(BANK_SAMPLES, dtype=np.float32)
    taps = noise_taps(colour)
    if len(taps) > 1:
        luma = np.asarray(signal.oaconvolve(luma, taps, mode="same"), np.float32)
    chroma = np.asarray(
        signal.oaconvolve(rng.standard_normal(BANK_SAMPLES // 2, dtype=np.float32), _chroma_noise_taps(), mode="same"),
        np.float32,
    )
    return luma / luma.std(), chroma / chroma.std()
