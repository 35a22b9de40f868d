"""The simulator against general-purpose libraries and published figures: geometry, displacement, colour, response,
noise."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from skimage.registration import phase_cross_correlation

from synthetic_clips.deck import DeckFaults
from synthetic_clips.pictures import FormulaScene
from synthetic_clips.rasters import NS_PER_SAMPLE
from synthetic_clips.render import render

QUIET = {"snr_db": 200.0, "chroma_snr_db": 200.0, "jitter_ns": 0.0, "blanking": "absent"}


def periodic_scene(seed: int, *, top_hz: float) -> tuple[FormulaScene, np.ndarray]:
    """Lines that repeat every 720 samples, so that a Fourier shift is exact; harmonics of 18.75 kHz up to
    ``top_hz``."""
    rng = np.random.default_rng(seed)
    count = int(top_hz / 13.5e6 * 720)
    spectrum = np.zeros(361, complex)
    spectrum[1 : count + 1] = rng.standard_normal(count) + 1j * rng.standard_normal(count)
    line = np.fft.irfft(spectrum, 720)
    line = 120 + 80 * line / np.abs(line).max()

    def formula(time_s, columns, rows):  # type: ignore[no-untyped-def]
        y = line[np.round(columns).astype(int) % 720] + 0 * rows
        return y, 128.0, 128.0

    return FormulaScene(formula), line


def luma(scene, faults: DeckFaults, *, frames: int = 1, height: int | None = None) -> np.ndarray:  # type: ignore[no-untyped-def]
    tape = render(scene, faults, frames=frames, height=height, rng=np.random.default_rng(5))
    return np.stack([f[0] for f in tape]) / 4.0


@pytest.mark.parametrize("shift_ns", [0.0, 1.0, 7.3, 37.0, 120.0, 333.3, -500.0])
def test_a_displaced_line_agrees_with_a_fourier_shift_to_a_fifth_of_a_nanosecond(shift_ns: float) -> None:
    """Outside reference: scipy.ndimage.fourier_shift of a periodic line (content to 5 MHz)."""
    scene, line = periodic_scene(1, top_hz=5.0e6)
    got = luma(scene, DeckFaults(quadrature_ns=(shift_ns,) * 4, **QUIET))[0].mean(axis=0)
    want = np.fft.ifft(ndimage.fourier_shift(np.fft.fft(line), shift_ns / NS_PER_SAMPLE)).real
    slope = np.fft.ifft(
        ndimage.fourier_shift(np.fft.fft(line), shift_ns / NS_PER_SAMPLE) * 2j * np.pi * np.fft.fftfreq(720)
    ).real
    inner = slice(20, 700)
    left_ns = -((got - want)[inner] @ slope[inner]) / (slope[inner] @ slope[inner]) * NS_PER_SAMPLE
    assert abs(left_ns) < 0.2
    assert np.abs(got - want)[inner].max() < 1.0


def test_phase_correlation_sees_the_same_displacement() -> None:
    """Outside reference: skimage's phase_cross_correlation, which gives minus the displacement to the right."""
    scene, _ = periodic_scene(2, top_hz=3.0e6)
    still = luma(scene, DeckFaults(**QUIET))[0]
    moved = luma(scene, DeckFaults(quadrature_ns=(37.0,) * 4, **QUIET))[0]
    shift, _, _ = phase_cross_correlation(still, moved, upsample_factor=200, normalization=None)
    assert -shift[1] * NS_PER_SAMPLE == pytest.approx(37.0, abs=0.5)
