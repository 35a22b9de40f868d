"""Response of a head in pictures as they are: detail of all strengths, falling with frequency, behind a notch or not."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from detect.judge.rows import INDEX, relation_rows
from detect.measure.fields import Field, SampleFormat
from detect.measure.relations import LineRelations, WindowSums

LINES, SAMPLES, CELL = 240, 720, 16
FORMAT = SampleFormat(10, 2, 1, False, False)


def detail(rng: np.random.Generator, notch: bool) -> np.ndarray:
    """IRE, (LINES, SAMPLES): noise that falls with frequency, of log-normal strength from place to place, alike in lines two apart."""
    wave = scipy.signal.lfilter([1.0], [1.0, -0.6], rng.normal(0, 1, (LINES, SAMPLES + 64)), axis=1)[:, 64:]
    if notch:  # a decoder takes what is about the subcarrier out of luminance
        band = scipy.signal.firwin(41, (2.9, 4.3), pass_zero=True, fs=13.5)
        wave = scipy.signal.fftconvolve(wave, band[None, :], mode="same", axes=1)
    strength = scipy.signal.lfilter([0.5], [1.0, -0.85], rng.normal(0, 1, (LINES + 20, SAMPLES // CELL)), axis=0)[20:]
    return np.asarray(wave * np.repeat(np.exp(0.8 * strength), CELL, axis=1))


def head_filter(db_at_3: float) -> np.ndarray:
    """Symmetric taps of unit gain at nought: a cosine equaliser, 1 + g (cos w - 1)."""
    w = 2 * np.pi * 3.0 / 13.5
    g = (10 ** (db_at_3 / 20) - 1) / (np.cos(w) - 1)
    return np.array([g / 2, 1 - g, g / 2])


@pytest.mark.parametrize("notch", [False, True])
@pytest.mark.parametrize("db", [-4.0, -1.5, 3.0])
def test_a_known_filter_reads_what_scipy_says_it_does_at_3_mhz(db: float, notch: bool) -> None:
    """Every second pair of lines goes through the filter; scipy.signal.freqz tells its response."""
    taps = head_filter(db)
    true = 20 * np.log10(np.abs(scipy.signal.freqz(taps, worN=[3.0], fs=13.5)[1][0]))
    rng, sums = np.random.default_rng(11), WindowSums(2 * LINES)
    relations = LineRelations(FORMAT, width=SAMPLES)
    for frame in range(32):
        y = detail(rng, notch)
        filtered = scipy.signal.fftconvolve(y, taps[None, :], mode="same", axes=1)
        y = np.where((np.arange(LINES) // 2 % 2 == 1)[:, None], filtered, y) + rng.normal(0, 0.1, y.shape)
        codes = np.clip(64 + 8.76 * (50 + 3 * y), 4, 1019).astype(np.uint16)
        relations.measure(Field(frame, 0, 0, codes, None, None), sums, response=True, noise=False)
    rows = relation_rows(sums.num, sums.den, sums.curve, centre=sums.centre)
    pairs = np.arange(9, LINES - 9, 4) * 2  # line 1 of each four is as recorded, line 2 went through the filter
    k = INDEX["response_3"]
    assert np.average(rows.ratio[k, pairs], weights=rows.weight[k, pairs]) == pytest.approx(true, abs=0.15 + 0.06 * abs(true))
