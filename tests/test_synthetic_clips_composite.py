"""Colour and luminance in one signal and parted again, against what is known of subcarriers, notches and combs."""

from __future__ import annotations

import numpy as np
import pytest

from synthetic_clips.composite import COMB_LINES, Separation, through_composite
from synthetic_clips.rasters import LINES, NS_PER_SAMPLE, StandardName

LINES_HERE, MIDDLE = 40, (slice(6, -6), slice(60, -60))
MIDDLE_CHROMA = (slice(6, -6), slice(30, -30))
Planes = tuple[np.ndarray, np.ndarray, np.ndarray]
BOTH = pytest.mark.parametrize("standard", ["525", "625"])


def flat(y: float = 100.0, cb: float = 128.0, cr: float = 128.0) -> Planes:
    return tuple(np.full((LINES_HERE, width), value, np.float32) for width, value in ((720, y), (360, cb), (360, cr)))  # type: ignore[return-value]


def parted(planes: Planes, standard: StandardName, separation: Separation, late_ns: np.ndarray | float = 0.0) -> Planes:
    """Lines of one field, each as late as ``late_ns`` (its burst as well), through a composite signal."""
    lines = LINES[standard]
    number = 23 + np.arange(LINES_HERE)
    cycles = number * (lines.subcarrier_hz * lines.samples_per_line / 13.5e6)
    carrier = 2 * np.pi * (cycles - lines.subcarrier_hz * 1e-9 * late_ns)
    switch = np.where(number % 2 == 0, 1.0, -1.0) if standard == "625" else np.ones(LINES_HERE)
    out = tuple(p.copy() for p in planes)
    through_composite(
        *out, standard=standard, separation=separation, carrier_rad=carrier,
        step_rad=2 * np.pi * lines.subcarrier_hz * NS_PER_SAMPLE * 1e-9, v_switch=switch,
    )  # fmt: skip
    return out  # type: ignore[return-value]


@BOTH
@pytest.mark.parametrize("separation", ["notch", "comb"])
def test_a_field_of_one_colour_comes_back_as_it_was(standard: StandardName, separation: Separation) -> None:
    before = flat(100.0, 90.0, 170.0)
    for was, came, inside in zip(before, parted(before, standard, separation), (MIDDLE, MIDDLE_CHROMA, MIDDLE_CHROMA), strict=True):
        assert came[inside] == pytest.approx(was[inside], abs=0.1)


@BOTH
def test_a_comb_keeps_fine_upright_detail_out_of_the_colour_and_a_notch_does_not(standard: StandardName) -> None:
    """Common practice, no single source: cross-colour, and lines half a cycle of subcarrier apart (BT.1700: 227.5 cycles; 283.75 twice)."""
    y, cb, cr = flat()
    y += 20 * np.sin(2 * np.pi * LINES[standard].subcarrier_hz * NS_PER_SAMPLE * 1e-9 * np.arange(720)).astype(np.float32)
    notched, combed = (parted((y, cb, cr), standard, separation) for separation in ("notch", "comb"))
    assert notched[0][MIDDLE].std() < 0.3  # the detail went into the colour
    assert np.hypot(notched[1], notched[2])[MIDDLE_CHROMA].std() > 2
    assert combed[0][MIDDLE] == pytest.approx(y[MIDDLE], abs=0.5)
    assert combed[1][MIDDLE_CHROMA].std() < 0.3


@BOTH
def test_a_comb_spreads_a_change_of_colour_over_lines_and_leaves_subcarrier_beside_it(standard: StandardName) -> None:
    """Weights of a comb about a line: a quarter, a half, a quarter (common practice, no single source)."""
    y, cb, cr = flat()
    cb[20:] += 40.0
    out_y, out_cb, _ = parted((y, cb, cr), standard, "comb")
    apart = COMB_LINES[standard]
    step = (out_cb[6:-6, 30:-30].mean(axis=1) - 128) / 40
    expected = np.zeros(LINES_HERE)
    expected[20:] = 1.0
    expected[20 - apart : 20], expected[20 : 20 + apart] = 0.25, 0.75
    assert step == pytest.approx(expected[6:-6], abs=0.02)
    left = out_y[6:-6, 60:-60].std(axis=1)
    beside = np.isin(np.arange(LINES_HERE), np.arange(20 - apart, 20 + apart))[6:-6]
    assert left[beside].min() > 2
    assert left[~beside].max() < 0.2


@BOTH
def test_each_line_is_read_against_its_own_burst_and_a_comb_mixes_displaced_lines(standard: StandardName) -> None:
    """A quarter of each neighbour whose subcarrier lies phi away: 3/4 + 1/4 cos(phi) in phase (from the weights)."""
    planes = flat(100.0, 128.0, 160.0)
    late = np.where(np.arange(LINES_HERE) >= 20, 50.0, 0.0)
    notched, combed = (parted(planes, standard, separation, late) for separation in ("notch", "comb"))
    assert notched[2][MIDDLE_CHROMA] == pytest.approx(160.0, abs=0.1)
    phi = 2 * np.pi * LINES[standard].subcarrier_hz * 50e-9
    reads = (combed[2][:, 30:-30].mean(axis=1) - 128) / 32
    apart = COMB_LINES[standard]
    assert reads[20 - apart : 20 + apart] == pytest.approx(np.full(2 * apart, 0.75 + 0.25 * np.cos(phi)), abs=0.02)
    assert reads[[10, 30]] == pytest.approx([1.0, 1.0], abs=0.01)
