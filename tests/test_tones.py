"""Line-up tone against general libraries and published reference levels."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from detect.measure.tones import EBU_REFERENCE_DBFS, SMPTE_REFERENCE_DBFS, ToneMeter, fit_sine

RATE = 48_000


def sine(
    hz: float, peak: float, seconds: float, *, noise_db: float = -70.0, seed: int = 0, phase_deg: float = 0.0
) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    noise = np.random.default_rng(seed).standard_normal(t.size) * 10 ** (noise_db / 20)
    return peak * np.sin(2 * np.pi * hz * t + np.radians(phase_deg)) + noise


def metered(*channels: np.ndarray, start_s: float = 0.0, block: int = 96_000) -> ToneMeter:
    both = np.stack(channels, axis=1).astype(np.float32)
    meter = ToneMeter(RATE, len(channels))
    for k in range(0, len(both), block):
        meter.push(start_s + k / RATE, both[k : k + block])
    return meter


def test_a_peak_of_a_tenth_reads_minus_twenty() -> None:
    # AES17: dBFS is relative to a full-scale sine; its plain mean square would read -23.01
    (tone,) = metered(sine(1000.0, 0.1, 3.0)).tones()
    assert tone.level_dbfs == pytest.approx(-20.0, abs=0.01)
    assert tone.hz == pytest.approx(1000.0, abs=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_level_agrees_with_a_flattop_spectrum(seed: int) -> None:
    # independent method: scipy.signal.welch, flattop window, scaling='spectrum', + 3.01 dB for a sine
    rng = np.random.default_rng(seed)
    x = sine(rng.uniform(380, 1100), 10 ** (rng.uniform(-30, -10) / 20), 4.0, noise_db=-55, seed=seed)
    f, p = signal.welch(x, RATE, window="flattop", nperseg=16_384, scaling="spectrum")
    (tone,) = metered(x).tones()
    assert tone.level_dbfs == pytest.approx(10 * np.log10(p.max()) + 3.0103, abs=0.05)
    assert tone.hz == pytest.approx(f[np.argmax(p)], abs=3.0)


def test_reference_levels_are_the_published_ones() -> None:
    # SMPTE RP 155 and EBU R 68, both in ITU-R BR.777-2
    assert (SMPTE_REFERENCE_DBFS, EBU_REFERENCE_DBFS) == (-20.0, -18.0)
    # analogue alignment (common practice): +4 dBu with +24 dBu at full scale is -20; 0 dBu with +18 at full scale is -18
    assert SMPTE_REFERENCE_DBFS == 4 - 24
    assert EBU_REFERENCE_DBFS == 0 - 18


def test_a_pyav_sine_of_one_eighth_reads_its_level() -> None:
    # PyAV's (FFmpeg's) sine source peaks at 1/8: -18.06 dBFS
    av = pytest.importorskip("av")
    graph = av.filter.Graph()
    source = graph.add("sine", "frequency=997:sample_rate=48000:duration=2")
    sink = graph.add("abuffersink")
    source.link_to(sink)
    graph.configure()
    parts = []
    while True:
        try:
            parts.append(graph.pull().to_ndarray().astype(np.float64).ravel() / 2**15)
        except (av.error.EOFError, EOFError):
            break
    (tone,) = metered(np.concatenate(parts)).tones()
    assert tone.level_dbfs == pytest.approx(-18.06, abs=0.02)
    assert tone.hz == pytest.approx(997.0, abs=0.1)


def test_distortion_is_the_rest_over_the_tone() -> None:
    x = sine(1000, 0.1, 3.0, noise_db=-100) + sine(3000, 0.003, 3.0, noise_db=-120)
    (tone,) = metered(x).tones()
    assert tone.distortion_pct == pytest.approx(3.0, rel=0.02)


def test_balance_and_phase_of_two_channels() -> None:
    meter = metered(sine(1000, 0.1, 3.0), sine(1000, 0.1 * 10 ** (-1.5 / 20), 3.0, phase_deg=-35.0, seed=1))
    (pair,) = meter.pairs()
    assert pair.channels == (1, 2)
    assert pair.balance_db == pytest.approx(-1.5, abs=0.01)
    assert pair.phase_deg == pytest.approx(-35.0, abs=0.2)


def test_reversed_polarity_shows_as_half_a_turn() -> None:
    (pair,) = metered(sine(400, 0.1, 2.0), -sine(400, 0.1, 2.0)).pairs()
    assert abs(pair.phase_deg) == pytest.approx(180.0, abs=0.2)


def test_start_and_end_are_found_whatever_the_blocks() -> None:
    x = np.concatenate([np.zeros(RATE), sine(1000, 0.1, 5.0), np.zeros(RATE)])
    for block in (12_345, 96_000):
        (tone,) = metered(x, start_s=2.0, block=block).tones()
        assert tone.start_s == pytest.approx(3.0, abs=0.25)
        assert tone.end_s == pytest.approx(8.0, abs=0.25)


@pytest.mark.parametrize("seed", range(3))
def test_flutter_of_a_tape_does_not_hide_the_tone(seed: int) -> None:
    t = np.arange(4 * RATE) / RATE
    rng = np.random.default_rng(seed)
    # 0.1 % rms at 5 Hz, common for a good transport
    wow = np.cumsum(0.0014 * np.sin(2 * np.pi * 5 * t + rng.uniform(0, 6))) / RATE
    x = 0.1 * np.sin(2 * np.pi * 1000 * (t + wow)) + 1e-3 * rng.standard_normal(t.size)
    (tone,) = metered(x).tones()
    assert tone.level_dbfs == pytest.approx(-20.0, abs=0.1)


def test_noise_music_and_silence_hold_no_tone() -> None:
    rng = np.random.default_rng(0)
    t = np.arange(5 * RATE) / RATE
    chord = sum(0.05 * np.sin(2 * np.pi * f * t) for f in (440.0, 554.4, 659.3))
    melody = 0.1 * np.sin(2 * np.pi * np.cumsum(440 * 2 ** (np.repeat(rng.integers(0, 12, 20), RATE // 4) / 12)) / RATE)
    for x in (rng.standard_normal(t.size) * 0.1, chord, melody, np.zeros(t.size)):
        assert metered(np.asarray(x)).tones() == []


def test_too_short_a_window_is_no_sine() -> None:
    assert fit_sine(np.zeros(10), RATE) is None
