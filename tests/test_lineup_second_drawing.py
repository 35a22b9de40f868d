"""Line-ups drawn by a second, independent renderer: bars that are off their places, soft edges, setup, captions, packets where
chance has them. Figures are right, or they are not given."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from second_lineup import (
    F64,
    Drawing,
    Wrongs,
    captured,
    clean_frame,
    grille_lines,
    sample_format,
    shifted_packets,
    uneven_bars,
)

from detect.lineup.packets import find_packets
from detect.lineup.result import LineupResult
from detect.lineup.run import measure_frames
from detect.standards import STD_525, STD_625

STANDARDS = {"525": (STD_525, Fraction(30_000, 1001)), "625": (STD_625, Fraction(25))}
TILT_DB = (0.8, -0.6, 0.0, -1.2)
"""Response of the heads at 3 MHz, growing evenly with frequency."""
MHZ = {"525": (0.5, 1.0, 2.0, 3.0, 3.58, 4.2), "625": (0.5, 1.0, 2.0, 3.0, 4.43, 5.8)}
"""NTC Report 7 (the 3 MHz packet from memory); a generator's own choice (common practice)."""


def tilt(head: int, mhz: F64) -> F64:
    return np.asarray(10 ** (TILT_DB[head] * np.minimum(mhz, 6.0) / 3 / 20))


def drawn(standard: str, seed: int, **given: object) -> Wrongs:
    rng = np.random.default_rng(seed)

    def four(size: float) -> tuple[float, ...]:
        values = rng.normal(0, size, 4)
        return tuple((values - values.mean()).tolist())

    wrongs = {
        "phase_lines": float(rng.uniform(1, 15)),
        "skew_ns": float(rng.uniform(-50, 50)),
        "scallop_ns": float(rng.uniform(-25, 25)),
        "quadrature_ns": four(15),
        "saturation_pct": four(3),
        "hue_deg": four(2) if standard == "525" else (0.0,) * 4,
        "gain": tilt,
        **given,
    }
    return Wrongs(standard=standard, **wrongs)  # type: ignore[arg-type]


def measured(parts: list[tuple[int, Drawing]], deck: Wrongs, *, seed: int = 1) -> LineupResult:
    standard, rate = STANDARDS[deck.standard]
    return measure_frames(captured(parts, deck, seed=seed), samples=sample_format(deck), standard=standard, frame_rate=rate)


def check(result: LineupResult, deck: Wrongs) -> None:
    """Every figure that is given is within what is promised of a capture of ten seconds at 43 dB."""
    figures = result.figures
    assert figures.skew_ns is not None
    assert figures.scallop_ns is not None
    timing_ns = 1.0 if figures.time_base == "uncorrected" else 4 * figures.skew_ns.sigma
    assert figures.skew_ns.value == pytest.approx(deck.skew_ns, abs=timing_ns)
    assert figures.scallop_ns.value == pytest.approx(deck.scallop_ns, abs=1.0)
    if figures.quadrature_ns is not None and None not in figures.quadrature_ns.values:
        assert figures.quadrature_ns.values == pytest.approx(list(deck.quadrature_ns), abs=1.0)
    if figures.saturation_pct is not None:
        saturation = 100 + np.asarray(deck.saturation_pct)
        expected = 100 * (saturation / saturation.mean() - 1)
        assert figures.saturation_pct.values == pytest.approx(expected.tolist(), abs=0.2)
    if figures.hue_deg is not None:
        assert figures.hue_deg.values == pytest.approx(list(deck.hue_deg), abs=0.2)
    response = figures.response
    if response is not None:
        mhz = np.array(response.mhz)
        truth = np.array([20 * np.log10(tilt(h, mhz)) for h in range(4)])
        # without a flag each head is set against its own first packet
        truth = truth - (truth[:, 0].mean() if response.reference == "white flag" else truth[:, :1])
        low = mhz < 4.25
        assert np.array(response.db, float)[:, low] == pytest.approx(truth[:, low], abs=0.15)


def both(standard: str, seed: int = 5) -> list[tuple[int, Drawing]]:
    return [(24, uneven_bars(seed)), (24, shifted_packets(seed + 1, MHZ[standard]))]


def captioned(parts: list[tuple[int, Drawing]], *where: tuple[int, int, int, int]) -> list[tuple[int, Drawing]]:
    return [(count, replace(drawing, captions=where)) for count, drawing in parts]


@pytest.mark.parametrize("standard", ["525", pytest.param("625", marks=pytest.mark.long)])
def test_captions_in_uneven_bars_and_shifted_packets_do_no_harm(standard: str) -> None:
    deck = drawn(standard, 10)
    result = measured(captioned(both(standard), (400, 440, 200, 520)), deck)
    assert [s.name.removesuffix(" split") for s in result.signals] == ["bars 75 %", "multiburst"]
    assert result.figures.response is not None
    assert result.figures.response.mhz == pytest.approx([f for f in MHZ[standard] if f < 5.5], abs=0.03)
    check(result, deck)


CASES = {
    "plain": (both, {}),
    "eight bits": (both, {"bit_depth": 8}),
    "noise of 38 dB": (both, {"noise_db": 38.0}),
    "line-corrected": (both, {"line_corrected": True}),
    "soft edges": (lambda s: [(24, uneven_bars(5, rise_ns=420.0)), both(s)[1]], {}),
    "edges far off": (lambda s: [(24, uneven_bars(7, off_us=0.8)), both(s)[1]], {}),
    "full bars alone": (lambda s: [(40, uneven_bars(5, level=1.0))], {}),
    "caption in the middle": (lambda s: [captioned(both(s)[:1], (200, 240, 200, 520))[0], both(s)[1]], {}),
    "caption at the left": (lambda s: [captioned(both(s)[:1], (30, 60, 40, 200))[0], both(s)[1]], {}),
    "box in the packets": (lambda s: captioned(both(s)[1:], (100, 116, 300, 420)), {}),
    "no flag": (lambda s: [(40, shifted_packets(6, MHZ[s], flag=False))], {}),
    "small packets": (lambda s: [(40, shifted_packets(9, MHZ[s], peak_to_peak_ire=20.0))], {}),
    "other packets": (lambda s: [(40, shifted_packets(8, (0.5, 1.25, 2.0, 3.58, 4.1)))], {}),
    "grille": (lambda s: [(40, grille_lines())], {}),
}


@pytest.mark.long
@pytest.mark.parametrize("standard", ["525", "625"])
@pytest.mark.parametrize("name", CASES)
def test_figures_of_the_second_drawing_are_right(name: str, standard: str) -> None:
    parts, given = CASES[name]
    for seed in (20, 21):
        deck = drawn(standard, seed, **given)
        check(measured(parts(standard), deck, seed=seed), deck)


@pytest.mark.parametrize("standard", ["525", "625"])
def test_packets_are_found_wherever_they_start(standard: str) -> None:
    for seed in range(12):
        line = clean_frame(shifted_packets(seed, MHZ[standard]), Wrongs(standard=standard), rows=2)[0][1]
        layout = find_packets(line)
        assert [p.mhz for p in layout.packets] == pytest.approx(MHZ[standard], abs=0.03), seed
        assert layout.flag is not None


def test_setup_left_in_is_told_and_moves_no_figure_between_heads() -> None:
    # SMPTE 170M: black at 7.5 IRE, 92.5 IRE from there to white
    deck = drawn("525", 7, setup=True)
    result = measured([(24, uneven_bars(5))], deck)
    check(result, deck)
    assert any("setup of 7.5 IRE was left in" in w for w in result.warnings)
    assert result.figures.white_ire is not None
    assert result.figures.white_ire.values == pytest.approx([7.5 + 0.925 * 75] * 4, abs=0.2)


def test_a_clean_deck_is_given_no_fault() -> None:
    result = measured(both("525"), Wrongs())
    assert not result.wheel.locked
    assert result.steps == []
    assert result.first_to_touch is None
