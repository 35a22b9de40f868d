"""Constants and estimators against values and libraries from outside the project; each check names its source."""

from __future__ import annotations

from fractions import Fraction

import av
import numpy as np
import pytest
from scipy import ndimage, optimize, signal, stats
from skimage.color import rgb2ycbcr, rgb2yuv
from skimage.registration import phase_cross_correlation

from detect.judge.rows import INDEX, RELATIONS, Rows, relation_rows
from detect.judge.timebase import head_offsets
from detect.judge.wheel import Boundaries, phase_lattice, scan_phases
from detect.measure import relations
from detect.measure.fields import Field, SampleFormat
from detect.measure.relations import Deshift, LineRelations, WindowSums
from detect.standards import (
    HEADS,
    NS_PER_SAMPLE,
    RASTERS,
    STANDARDS,
    STD_525,
    STD_625,
    STRIPE_PITCH_MM,
    V_OVER_U,
    WHEEL_RADIUS_MM,
    Standard,
    black_code,
    codes_per_ire,
    pass_bounds_rows,
    pass_of_rows,
)
from synthetic_clips.composite import through_composite
from synthetic_clips.rasters import LINES as SIMULATED_LINES

GREY_10_BIT = SampleFormat(bit_depth=10, chroma_step_x=2, chroma_step_y=1, full_range=False, has_chroma=False)
COLOUR_10_BIT = SampleFormat(bit_depth=10, chroma_step_x=2, chroma_step_y=1, full_range=False, has_chroma=True)

# ---------------------------------------------------------------- rates, lines, sampling


def test_525_rates_are_those_of_bt_1700() -> None:
    """ITU-R BT.1700, SMPTE 170M: fH = 4.5 MHz / 286, line 63.5556 us, field 1001/60 ms, 227.5 cycles a line."""
    assert STD_525.line_period_ns == pytest.approx(286 / 4.5e6 * 1e9, rel=1e-12)
    assert STD_525.line_period_ns == pytest.approx(63_555.6, abs=0.05)
    assert 1 / (2 * STD_525.frame_rate) == Fraction(1001, 60_000)
    assert STD_525.subcarrier_hz == Fraction(455, 2) * Fraction(4_500_000, 286)
    assert 1e9 / float(STD_525.subcarrier_hz) == pytest.approx(279.365, abs=5e-4)
    assert STD_525.subcarrier_deg_per_ns == pytest.approx(1.28864, abs=5e-6)


def test_625_rates_are_those_of_bt_1700() -> None:
    """ITU-R BT.1700: 15 625 Hz, 64 us, 25 frames/s, subcarrier (1135/4 + 1/625) fH = 4 433 618.75 Hz."""
    assert STD_625.line_period_ns == 64_000.0
    assert STD_625.frame_rate * 625 == 15_625
    assert STD_625.subcarrier_hz == (Fraction(1135, 4) + Fraction(1, 625)) * 15_625
    assert 1e9 / float(STD_625.subcarrier_hz) == pytest.approx(225.549, abs=5e-4)
    assert STD_625.subcarrier_deg_per_ns == pytest.approx(1.59610, abs=5e-6)


@pytest.mark.parametrize(("standard", "total", "after_line"), [(STD_525, 858, 16), (STD_625, 864, 12)])
def test_active_line_lies_where_bt_601_puts_it(standard: Standard, total: int, after_line: int) -> None:
    """ITU-R BT.601, sampling: 13.5 MHz, 858/864 a line, 720 active, ending 16/12 samples before the next 0H."""
    assert standard.samples_per_line == total
    assert standard.active_start_sample == total - after_line - 720
    assert standard.lines_per_frame * standard.samples_per_line * standard.frame_rate == 13_500_000
    assert pytest.approx(1000 / 13.5) == NS_PER_SAMPLE
    assert pytest.approx(53_333.3, abs=0.1) == 720 * NS_PER_SAMPLE


# ---------------------------------------------------------------- levels


@pytest.mark.parametrize(("depth", "black", "white"), [(8, 16, 235), (10, 64, 940)])
def test_black_and_white_codes_are_those_of_bt_601(depth: int, black: int, white: int) -> None:
    """ITU-R BT.601: Y 16-235 in 8 bit, 64-940 in 10 bit; scikit-image's BT.601 conversion agrees on 8 bit."""
    assert black_code(depth) == black
    assert black_code(depth) + 100 * codes_per_ire(depth) == pytest.approx(white)
    if depth == 8:
        made = rgb2ycbcr(np.array([[[0.0, 0.0, 0.0], [1.0, 1.0, 1.0]]]))[0, :, 0]
        np.testing.assert_allclose(made, [black, white], atol=1e-6)


BARS_75 = {"white": (1, 1, 1), "yellow": (1, 1, 0), "cyan": (0, 1, 1), "green": (0, 1, 0), "magenta": (1, 0, 1),
           "red": (1, 0, 0), "blue": (0, 0, 1), "black": (0, 0, 0)}  # fmt: skip


def test_bars_of_an_independent_generator_read_as_bt_601_says() -> None:
    """PyAV's ``pal75bars``, EBU bars 100/0/75/0: luma is 75 % of .299 R + .587 G + .114 B (BT.601), to half a code."""
    graph = av.filter.Graph()
    source = graph.add("pal75bars", "size=720x576")
    shape = graph.add("format", "pix_fmts=yuv422p")
    sink = graph.add("buffersink")
    source.link_to(shape)
    shape.link_to(sink)
    graph.configure()
    plane = graph.pull().planes[0]
    luma = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)[:, :720]
    relations = LineRelations(SampleFormat(8, 2, 1, False, False), width=720)
    ire = relations.luma(Field(0, 0, 0, luma[0::2], None, None))
    for k, (r, g, b) in enumerate(BARS_75.values()):
        expected = (100.0 if k == 0 else 75.0) * (0.299 * r + 0.587 * g + 0.114 * b)
        assert ire[100, 90 * k + 45] == pytest.approx(expected, abs=0.5 / 2.19 + 1e-3)


# ---------------------------------------------------------------- where rows and passes lie

FIRST_LINES = [
    # height, first line of field 1 in the raster, first line of field 2, source
    (486, 21, 283, "SMPTE ST 125 / RP 187"),
    (480, 23, 285, "SMPTE ST 314 (DV); from memory, field 2 seen in an MXF muxer"),
    (512, 7, 270, "SMPTE ST 356"),
    (576, 23, 336, "ITU-R BT.601, BT.656"),
    (608, 7, 320, "SMPTE ST 356"),
]


@pytest.mark.parametrize(("height", "line_1", "line_2", "source"), FIRST_LINES)
def test_upper_field_follows_from_the_line_numbers(height: int, line_1: int, line_2: int, source: str) -> None:
    """Line m of field 2 lies m - n - lines/2 field lines below line n of field 1 (derived from the line count)."""
    raster = RASTERS[height]
    below = line_2 - line_1 - raster.standard.lines_per_frame / 2
    assert abs(below) == 0.5, source
    assert raster.top_row_is_first_field == (below > 0), source


@pytest.mark.parametrize(("height", "first_1", "first_2", "top_line"), [(512, 7, 270, 283), (608, 7, 320, 23)])
def test_picture_starts_below_the_vertical_interval(height: int, first_1: int, first_2: int, top_line: int) -> None:
    """SMPTE ST 356 rasters: the 525 picture (283, 21, ...) starts at row 27, the 625 one (23, 336, ...) at row 32."""
    row = 2 * (top_line - first_1) if top_line < first_2 else 2 * (top_line - first_2) + 1
    assert RASTERS[height].picture_row0 == row


PASS_ROWS_525 = [0, 33, 66, 99, 132, 165, 197, 230, 263, 296, 329, 361, 394, 427, 460]
PASS_ROWS_625 = [0, 32, 63, 94, 125, 157, 188, 219, 250, 282, 313, 344, 375, 407, 438, 469, 500, 532, 563]
LINES_525 = [17, 16, 17, 16, 17, 16, 16, 17, 16, 17, 16, 16, 17, 16, 17, 16]
LINES_625 = [16, 16, 15, 16, 16, 15, 16, 15]


@pytest.mark.parametrize(
    ("standard", "height", "starts", "lines", "in_view"),
    [(STD_525, 486, PASS_ROWS_525, LINES_525, 14.8), (STD_625, 576, PASS_ROWS_625, LINES_625, 18.4)],
)
def test_bands_lie_where_the_worked_example_puts_them(
    standard: Standard, height: int, starts: list[int], lines: list[int], in_view: float
) -> None:
    """Worked by hand from 16 (20) stripes a field (encyclopaedias, an army course): P = 262.5/16, 312.5/20 lines."""
    assert [first for _, first, _ in pass_bounds_rows(standard, 0.0, height)] == starts
    whole = pass_of_rows(standard, 0.0, np.arange(0, 4 * len(lines) * 18, 2))
    assert [int(np.sum(whole == k)) for k in range(len(lines))] == lines
    assert height / 2 / float(standard.lines_per_pass) == pytest.approx(in_view, abs=0.05)


def test_wheel_and_tape_run_as_the_format_defines() -> None:
    """14 385.6 and 15 000 rpm (encyclopaedias, an army course); 15 in/s at 60.00 Hz scaled, 15.625 in/s (ANSI C98.4);
    four stripes in 0.0625 in (ANSI C98.6-1965); 39.47 and 41.15 m/s, a line in 2.508 and 2.634 mm (derived)."""
    assert float(STD_525.turns_per_s) * 60 == pytest.approx(14_385.6, abs=0.05)
    assert STD_625.turns_per_s * 60 == 15_000
    assert pytest.approx(0.0625 * 25.4) == HEADS * STRIPE_PITCH_MM
    assert STD_525.tape_speed_mm_per_s == pytest.approx(15 * 25.4 * 59.94006 / 60, abs=0.005)
    assert STD_625.tape_speed_mm_per_s == pytest.approx(15.625 * 25.4)
    for standard, speed, line_mm in ((STD_525, 39.47, 2.508), (STD_625, 41.15, 2.634)):
        assert standard.tip_speed_mm_per_us == pytest.approx(speed / 1000, abs=6e-6)
        assert standard.tip_speed_mm_per_us * standard.line_period_ns / 1000 == pytest.approx(line_mm, abs=1e-3)
    assert pytest.approx(2.064 / 2 * 25.4, rel=1e-3) == WHEEL_RADIUS_MM  # 2.064 in: common practice, no single source


@pytest.mark.parametrize(("standard", "lattice"), [(STD_525, 525), (STD_625, 125)])
def test_lattice_holds_every_phase_that_gives_other_bands(standard: Standard, lattice: int) -> None:
    """A ratio of whole numbers: P = 525/32 or 125/8 field lines (derived), so bands repeat after 525 or 125 phases."""
    phases = phase_lattice(standard)
    assert len(phases) == lattice
    rows = np.arange(2 * standard.lines_per_frame)
    seen = {pass_of_rows(standard, p, rows).tobytes() for p in phases}
    half_a_step = float(standard.phase_step_lines) / 2
    between = {pass_of_rows(standard, p - half_a_step, rows).tobytes() for p in phases[1:]}
    assert len(seen) == lattice
    assert between <= seen


# ---------------------------------------------------------------- tests of significance, least squares

SIRSTV = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
]
"""NIST StRD, analysis of variance, data set SiRstv (data from memory; that the certified F comes out proves them)."""


def test_f_of_scipy_is_the_certified_one() -> None:
    """NIST StRD SiRstv: certified F 1.18046237440."""
    assert stats.f_oneway(*SIRSTV).statistic == pytest.approx(1.18046237440, rel=1e-9)


def test_strength_of_four_boundary_kinds_is_the_f_of_an_analysis_of_variance() -> None:
    """Four groups of NIST SiRstv laid on the four kinds of boundary: explained and residual squares give scipy's F."""
    data = np.array(SIRSTV[:HEADS]) - np.mean(SIRSTV[:HEADS])
    period, phase = float(STD_525.lines_per_pass), 2.0
    height = 2 * round(period * 22)
    s1, s2 = np.zeros((len(RELATIONS), height + 1)), np.zeros((len(RELATIONS), height + 1))
    for k in range(1, 21):
        c = int(np.ceil(2 * (phase + k * period) - 1e-9))
        s1[0, c], s2[0, c] = data[(k - 1) % HEADS, (k - 1) // HEADS], 1.0
    sums = Boundaries(s1, s2, s1, s2, first=8, last=height - 8)
    scan = scan_phases(sums, period, np.array([phase]))
    explained = scan.explained[0, 0]
    np.testing.assert_allclose(scan.jumps()[0, 0], data.mean(axis=1), rtol=1e-9)
    ours = (explained / 3) / ((np.sum(data**2) - explained) / 16)
    assert ours == pytest.approx(stats.f_oneway(*SIRSTV[:HEADS]).statistic, rel=1e-8)


def test_head_offsets_are_the_least_squares_of_scipy() -> None:
    """Offsets of mean zero from four jumps: ``scipy.optimize.curve_fit`` gives values and errors."""
    jumps, sigma = np.array([3.0, -1.2, 0.4, -2.1]), np.array([0.2, 0.4, 0.3, 0.5])

    def model(_: object, a: float, b: float, c: float) -> np.ndarray:
        e = np.array([a, b, c, -a - b - c])
        return np.roll(e, -1) - e

    value, cov = optimize.curve_fit(model, np.arange(4), jumps, p0=[0, 0, 0], sigma=sigma, absolute_sigma=True)
    ours, errors = head_offsets(jumps, sigma, common=False)
    last = np.array([-1.0, -1.0, -1.0])
    np.testing.assert_allclose(ours, [*value, last @ value], atol=1e-3 * sigma.min())
    np.testing.assert_allclose(errors, np.sqrt([*np.diag(cov), last @ cov @ last]), rtol=1e-4)


# ---------------------------------------------------------------- estimators against libraries

LINES = 48
PAIR = LINES - 2
"""Frame row of the pair that straddles the middle of a field of LINES lines whose first row is 0."""


def line_spectrum(rng: np.random.Generator) -> np.ndarray:
    """Half spectrum of one periodic line of 720 samples, falling with frequency, 12 IRE rms about 45 IRE."""
    f = np.fft.rfftfreq(720)
    spectrum = np.fft.rfft(rng.normal(size=720)) * np.exp(-0.5 * (f / 0.12) ** 2) / np.sqrt(0.01 + f)
    line = np.fft.irfft(spectrum, 720)
    return np.asarray(np.fft.rfft(line / line.std() * 12 + 45))


def moving_content(rng: np.random.Generator, *, slant_samples: float) -> np.ndarray:
    """(LINES, 720) IRE: one line fading evenly into another down the picture, and leaning by so much a line."""
    down = np.arange(LINES)[:, None] / LINES
    lean = np.exp(-2j * np.pi * np.fft.rfftfreq(720) * slant_samples * np.arange(LINES)[:, None])
    upper, lower = line_spectrum(rng), line_spectrum(rng)
    return np.asarray(np.fft.irfft(((1 - 0.5 * down) * upper + 0.5 * down * lower) * lean, 720, axis=1))


def moved_right(block: np.ndarray, samples: float) -> np.ndarray:
    return np.asarray(np.fft.ifft2(ndimage.fourier_shift(np.fft.fft2(block), (0, samples))).real)


def codes(ire: np.ndarray) -> np.ndarray:
    return np.round(ire * 8.76 + 64).astype(np.uint16)


def measured(ire: np.ndarray, *, deshift: Deshift | None = None) -> WindowSums:
    sums = WindowSums(2 * LINES)
    relations = LineRelations(GREY_10_BIT, width=720, deshift=deshift)
    relations.measure(Field(0, 0, 0, codes(ire), None, None), sums, response=False, noise=False)
    return sums


def timing_ratio_ns(sums: WindowSums) -> float:
    return float(sums.num["timing"][PAIR].sum() / sums.den["timing"][PAIR].sum())


def straightened_ns(sums: WindowSums) -> float:
    return float(relation_rows(sums.num, sums.den, sums.curve).ratio[INDEX["shift"], PAIR])


def found_by_correlation_ns(before: np.ndarray, after: np.ndarray) -> float:
    """scikit-image gives the shift that registers ``after`` with ``before``: the displacement with its sign turned."""
    shift, _, _ = phase_cross_correlation(before, after, upsample_factor=400, normalization=None)
    return float(-shift[1] * NS_PER_SAMPLE)


@pytest.mark.parametrize("late_ns", [20.0, -40.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_subcarrier_that_a_comb_leaves_beside_a_head_change_is_no_detail(late_ns: float, seed: int) -> None:
    """Lines displaced against each other, in colour, through the comb of 625 lines (283.75 cycles a line: BT.1700)."""
    ire = moving_content(np.random.default_rng(seed), slant_samples=0.0)
    lower = np.arange(LINES) >= LINES // 2
    ire[lower] = moved_right(ire[lower], late_ns / NS_PER_SAMPLE)
    y = np.asarray(16 + 2.19 * ire, np.float32)
    cb, cr = (np.full((LINES, 360), code, np.float32) for code in (90.0, 200.0))
    lines = SIMULATED_LINES["625"]
    number = 23 + np.arange(LINES)
    cycles = number * (lines.subcarrier_hz * lines.samples_per_line / 13.5e6) - lines.subcarrier_hz * 1e-9 * late_ns * lower
    through_composite(
        y, cb, cr, standard="625", separation="comb", carrier_rad=2 * np.pi * cycles,
        step_rad=2 * np.pi * lines.subcarrier_hz * NS_PER_SAMPLE * 1e-9, v_switch=np.where(number % 2, 1.0, -1.0),
    )  # fmt: skip
    assert straightened_ns(measured(ire)) == pytest.approx(late_ns, abs=1.0)
    assert straightened_ns(measured((y - 16) / 2.19)) == pytest.approx(late_ns, abs=1.5 + 0.1 * abs(late_ns))


@pytest.mark.parametrize("slant_samples", [0.0, 0.1, -0.1])
@pytest.mark.parametrize("true_ns", [3.0, -5.0, 10.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_timing_ratio_is_the_displacement_of_phase_correlation(true_ns: float, slant_samples: float, seed: int) -> None:
    """``skimage.registration.phase_cross_correlation`` on bands moved by ``scipy.ndimage.fourier_shift``."""
    picture = moving_content(np.random.default_rng(seed), slant_samples=slant_samples)
    below = moved_right(picture[LINES // 2 :], true_ns / NS_PER_SAMPLE)
    reference = found_by_correlation_ns(picture[LINES // 2 :], below)
    assert reference == pytest.approx(true_ns, abs=0.2)
    ratio = timing_ratio_ns(measured(np.vstack([picture[: LINES // 2], below])))
    assert ratio == pytest.approx(reference, abs=0.5 + 0.01 * abs(reference))


@pytest.mark.parametrize("true_ns", [20.0, -40.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_straightened_timing_holds_where_displacement_is_no_longer_small(true_ns: float, seed: int) -> None:
    """Same reference; the plain ratio reads 4 % too much at 40 ns, which the arc tangent takes back."""
    picture = moving_content(np.random.default_rng(seed), slant_samples=0.0)
    below = moved_right(picture[LINES // 2 :], true_ns / NS_PER_SAMPLE)
    reference = found_by_correlation_ns(picture[LINES // 2 :], below)
    value = straightened_ns(measured(np.vstack([picture[: LINES // 2], below])))
    assert value == pytest.approx(reference, abs=0.5 + 0.01 * abs(reference))


@pytest.mark.parametrize("true_ns", [80.0, -150.0])
def test_large_displacement_is_found_by_undoing_it_and_measuring_again(true_ns: float) -> None:
    """Same reference: estimates summed over three rounds of moving the lines back."""
    picture = moving_content(np.random.default_rng(3), slant_samples=0.0)
    below = moved_right(picture[LINES // 2 :], true_ns / NS_PER_SAMPLE)
    field = np.vstack([picture[: LINES // 2], below])
    total = 0.0
    for _ in range(3):
        start = np.zeros(2 * LINES, np.float32)
        start[LINES:] = total
        total += straightened_ns(measured(field, deshift=Deshift(start, np.zeros_like(start))))
    reference = found_by_correlation_ns(picture[LINES // 2 :], below)
    assert total == pytest.approx(reference, abs=0.5 + 0.01 * abs(reference))


def relation_at_boundary(y_ire: np.ndarray, chroma_pct: np.ndarray | None, name: str) -> tuple[float, Rows]:
    """One relation at the middle pair. ``chroma_pct`` is complex, Cb + i Cr, (LINES, 360), % of full swing."""
    planes: list[np.ndarray | None] = [None, None]
    if chroma_pct is not None:
        planes = [np.round(part * 8.96 + 512).astype(np.uint16) for part in (chroma_pct.real, chroma_pct.imag)]
    sums = WindowSums(2 * LINES)
    relations = LineRelations(COLOUR_10_BIT if chroma_pct is not None else GREY_10_BIT, width=720)
    relations.measure(Field(0, 0, 0, codes(y_ire), *planes), sums, response=True, noise=True)
    rows = relation_rows(sums.num, sums.den, sums.curve)
    return float(rows.ratio[INDEX[name], PAIR]), rows


def test_a_level_step_reads_in_ire() -> None:
    """BT.601: 1 IRE = 1 % of black to white = 8.76 codes of 10 bits; the lower half is 40 codes up."""
    picture = moving_content(np.random.default_rng(4), slant_samples=0.0)
    picture[LINES // 2 :] += 40 / 8.76
    assert relation_at_boundary(picture, None, "level")[0] == pytest.approx(40 / 8.76, abs=0.1)


@pytest.mark.parametrize("turn_deg", [3.0, -5.0])
def test_hue_turns_counter_clockwise_in_the_cb_cr_plane(turn_deg: float) -> None:
    """Angle of a complex number as numpy defines it: (Cb + i Cr) times exp(i angle)."""
    chroma = (8 + 2 * np.sin(np.arange(360) / 30))[None, :] * np.exp(0.7j) * np.ones((LINES, 1))
    chroma[LINES // 2 :] *= np.exp(1j * np.radians(turn_deg))
    y = np.full((LINES, 720), 50.0)
    assert relation_at_boundary(y, chroma, "hue")[0] == pytest.approx(turn_deg, abs=0.1)
    assert relation_at_boundary(y, chroma, "saturation")[0] == pytest.approx(0.0, abs=0.1)


def test_the_axes_of_the_subcarrier_are_those_of_scikit_image() -> None:
    """scikit-image: rgb2yuv has U = 0.492 (B - Y), V = 0.877 (R - Y); rgb2ycbcr is BT.601."""
    rgb = np.random.default_rng(1).random((50, 1, 3))
    yuv, ycbcr = rgb2yuv(rgb), rgb2ycbcr(rgb)
    blue, red = yuv[..., 1] / (ycbcr[..., 1] - 128), yuv[..., 2] / (ycbcr[..., 2] - 128)
    assert red / blue == pytest.approx(np.full((50, 1), V_OVER_U), rel=0.003)


def test_red_of_the_bars_lies_where_a_vectorscope_has_its_box() -> None:
    """103.5 degrees (common practice, no single source), of BT.601's Cb and Cr of red."""
    _, cb, cr = rgb2ycbcr(np.array([[[0.75, 0.0, 0.0]]]))[0, 0] - 128
    assert np.degrees(np.arctan2(V_OVER_U * cr, cb)) == pytest.approx(103.5, abs=0.1)


@pytest.mark.parametrize("gain", [1.05, 0.9])
def test_saturation_is_the_ratio_of_chroma_amplitudes(gain: float) -> None:
    """Ratio of amplitudes in per cent of their mean (definition); a flat channel that loses 10 % loses 0.92 dB."""
    chroma = (20 + 5 * np.sin(np.arange(360) / 30))[None, :] * np.exp(0.7j) * np.ones((LINES, 1))
    chroma[LINES // 2 :] *= gain
    value = relation_at_boundary(np.full((LINES, 720), 50.0), chroma, "saturation")[0]
    assert value == pytest.approx(100 * np.log(gain), abs=0.1)
    assert 20 * np.log10(0.9) == pytest.approx(-0.92, abs=0.005)


@pytest.mark.parametrize("ratio_db", [3.0, -2.0])
def test_noise_in_db_is_ten_logarithms_of_power(ratio_db: float) -> None:
    """Definition of the decibel (IEC 60027-3): 10 log10 of a power ratio. White noise, the lower half stronger."""
    readings = []
    for seed in range(24):
        y = np.random.default_rng(seed).normal(0.0, 3.0, (LINES, 720))
        y[LINES // 2 :] *= 10 ** (ratio_db / 20)
        readings.append(relation_at_boundary(50.0 + y, None, "noise")[0])
    error_of_mean = float(np.std(readings, ddof=1) / np.sqrt(len(readings)))
    assert error_of_mean < 0.2
    assert np.mean(readings) == pytest.approx(ratio_db, abs=3 * error_of_mean)


def test_beats_in_saturated_colour_are_no_noise() -> None:
    """Common practice, no single source: in saturated areas of FM recordings the subcarrier's sidebands beat (moire). The right half
    is 75 % red (BT.601: Cb -12.7 %, Cr 37.5 % of full swing), and the lower lines have beats there of the noise's power."""
    rng = np.random.default_rng(7)
    red = np.zeros((LINES, 360), complex)
    red[:, 180:] = -12.7 + 37.5j
    beat = np.sqrt(2) * np.cos(2 * np.pi * 2.7 / 13.5 * np.arange(720)) * (np.arange(720) >= 360)
    readings = []
    for seed in range(96):
        y = np.random.default_rng(seed).normal(0.0, 1.0, (LINES, 720))
        y[LINES // 2 :] += beat * rng.choice([-1.0, 1.0])
        readings.append([relation_at_boundary(50.0 + y, colour, "noise")[0] for colour in (red, None)])
    (of_red, of_grey), error = np.mean(readings, axis=0), float(np.std([r[0] for r in readings]) / np.sqrt(96))
    assert of_red == pytest.approx(0.0, abs=3 * error)
    assert of_grey > 5 * error


def test_a_time_base_corrector_that_interpolates_makes_no_noise_of_heads() -> None:
    """Half a sample between two samples, an interpolator of 16 taps (scipy.signal.windows) lets less through above 5 MHz, none at 6.75;
    on a whole sample it lets all through. What is lost there is not the tape's, which holds no more than 5.5 MHz (BT.1700)."""
    k = np.arange(-7, 9) - 0.5
    between = np.sinc(k) * signal.windows.kaiser(16, 6.5)
    between /= between.sum()
    _, gain = signal.freqz(between, worN=[4.5, 6.5], fs=13.5)
    assert abs(gain[0]) > 0.97
    assert abs(gain[1]) < 0.6
    high, low = (signal.freqz(taps.ravel(), worN=4096, fs=13.5)[1] for taps in (relations._NOISE_TAPS, relations._TAPE_TAPS))
    left = np.mean(np.abs(high * low) ** 2) / np.mean(np.abs(high) ** 2)  # flat noise reads alike in the whole band and below 5 MHz
    assert left == pytest.approx(1.0, abs=0.05)
    readings = []
    for seed in range(24):
        y = np.random.default_rng(seed).normal(0.0, 1.0, (LINES, 720))
        y[LINES // 2 :] = signal.oaconvolve(y[LINES // 2 :], between[None, :], mode="same")
        readings.append(relation_at_boundary(50.0 + y, None, "noise")[0])
    error = float(np.std(readings) / np.sqrt(24))
    assert error < 0.3
    assert np.mean(readings) == pytest.approx(0.0, abs=3 * error)


@pytest.mark.parametrize("mhz", ["1", "3"])
def test_response_in_db_is_twenty_logarithms_of_amplitude(mhz: str) -> None:
    """Definition of the decibel (IEC 60027-3): an amplitude ratio of 2 is 6.02 dB."""
    texture = np.fft.irfft(line_spectrum(np.random.default_rng(5)), 720)
    carrier = 8 * np.cos(2 * np.pi * float(mhz) / 13.5 * np.arange(720)) * (np.arange(720) % 240 < 180)
    y = np.tile(0.05 * (texture - 45) + carrier, (LINES, 1)) / 2
    y[LINES // 2 :] *= 2
    assert relation_at_boundary(50 + y, None, f"response_{mhz}")[0] == pytest.approx(20 * np.log10(2), abs=0.1)


def test_standards_go_by_both_their_names() -> None:
    """Names of the line standards as ITU-R BT.1700 writes them: lines / fields per second."""
    assert STANDARDS["525"] is STANDARDS["525/59.94"]
    assert STANDARDS["625"] is STANDARDS["625/50"]
