"""The simulator's deck against general-purpose libraries and published figures: geometry, time, colour, response,
noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage, signal
from skimage.registration import phase_cross_correlation

from synthetic_clips import channel
from synthetic_clips.deck import DeckFaults, HeadLoss, Onset, Relock, SwitchTransient
from synthetic_clips.pictures import FlatScene, FormulaScene
from synthetic_clips.rasters import LINES, NS_PER_SAMPLE, raster
from synthetic_clips.render import render
from synthetic_clips.timebase import pass_error_ns, velocity_error_ns, wheel_rows

QUIET = DeckFaults(snr_db=200.0, chroma_snr_db=200.0, jitter_ns=0.0, blanking="absent")
QUIET_625 = replace(QUIET, standard="625")
RED_CB, RED_CR = -0.75 * 0.299 / 1.772 * 224, 0.75 * (1 - 0.299) / 1.402 * 224
RED_75 = FlatScene(16 + 219 * 0.75 * 0.299, 128 + RED_CB, 128 + RED_CR)
"""75 % red by the equations of BT.601 (65, 100, 212 in codes, as in PyAV's pal75bars); its angle is RED_DEG degrees."""


def periodic_scene(seed: int, *, top_hz: float) -> tuple[FormulaScene, np.ndarray]:
    """Lines that repeat every 720 samples, so that a Fourier shift is exact; harmonics up to ``top_hz``."""
    rng = np.random.default_rng(seed)
    count = int(top_hz / 13.5e6 * 720)
    spectrum = np.zeros(361, complex)
    spectrum[1 : count + 1] = rng.standard_normal(count) + 1j * rng.standard_normal(count)
    line = np.fft.irfft(spectrum, 720)
    line = 120 + 80 * line / np.abs(line).max()

    def formula(time_s, columns, rows):
        return line[np.round(columns).astype(int) % 720] + 0 * rows, 128.0, 128.0

    return FormulaScene(formula), line


def played(scene, faults: DeckFaults, *, frames: int = 1, height: int | None = None) -> list[np.ndarray]:
    """Y, Cb, Cr stacks (frames, rows, columns) in 8-bit codes with fractions."""
    tape = list(render(scene, faults, frames=frames, height=height, rng=np.random.default_rng(5)))
    return [np.stack([f[i] for f in tape]) / 4.0 for i in range(3)]


def fourier_moved(line: np.ndarray, shift_ns: float, *, derivative: bool = False) -> np.ndarray:
    spectrum = ndimage.fourier_shift(np.fft.fft(line), shift_ns / NS_PER_SAMPLE)
    return np.fft.ifft(spectrum * (2j * np.pi * np.fft.fftfreq(len(line)) if derivative else 1)).real


def late_ns(got: np.ndarray, line: np.ndarray, about_ns: float, columns: slice) -> float:
    """How late ``got`` is: least squares about a Fourier shift of ``about_ns``."""
    want, slope = fourier_moved(line, about_ns)[columns], fourier_moved(line, about_ns, derivative=True)[columns]
    return about_ns - float((got[columns] - want) @ slope / (slope @ slope)) * NS_PER_SAMPLE


@pytest.mark.parametrize("shift_ns", [0.0, 1.0, 7.3, 37.0, 120.0, 333.3, -500.0])
def test_a_displaced_line_agrees_with_a_fourier_shift_to_a_fifth_of_a_nanosecond(shift_ns: float) -> None:
    """Outside reference: scipy.ndimage.fourier_shift of a periodic line (content to 5 MHz)."""
    scene, line = periodic_scene(1, top_hz=5.0e6)
    got = played(scene, replace(QUIET, quadrature_ns=(shift_ns,) * 4))[0][0].mean(axis=0)
    assert late_ns(got, line, shift_ns, slice(20, 700)) == pytest.approx(shift_ns, abs=0.2)
    assert np.abs(got - fourier_moved(line, shift_ns))[20:700].max() < 0.5


def test_phase_correlation_sees_the_same_displacement() -> None:
    """Outside reference: skimage's phase_cross_correlation, which gives minus the displacement to the right."""
    scene, _ = periodic_scene(2, top_hz=3.0e6)
    still = played(scene, QUIET)[0][0]
    moved = played(scene, replace(QUIET, quadrature_ns=(37.0,) * 4))[0][0]
    shift, _, _ = phase_cross_correlation(still, moved, upsample_factor=200, normalization=None)
    assert -shift[1] * NS_PER_SAMPLE == pytest.approx(37.0, abs=0.5)


def test_passes_start_at_the_worked_rows() -> None:
    """Worked by hand from 525/32 and 125/8 field lines a pass, phase 0."""
    rows = {h: np.flatnonzero(wheel_rows(raster(h), Relock(0, 0.0)).first_line) for h in (486, 576)}
    want_525 = [0, 33, 66, 99, 132, 165, 197, 230, 263, 296, 329, 361, 394, 427, 460]
    want_625 = [0, 32, 63, 94, 125, 157, 188, 219, 250, 282, 313, 344, 375, 407, 438, 469, 500, 532, 563]
    # a pass begins once in each field: with its first row and the next one
    assert sorted({r for r in rows[486] if r - 1 not in rows[486]}) == want_525
    assert sorted({r for r in rows[576] if r - 1 not in rows[576]}) == want_625


def test_heads_follow_one_another_and_a_relock_renames_them() -> None:
    wheel = wheel_rows(raster(486), Relock(0, 5.0))
    assert list(wheel.heads[[0, 10, 43, 76, 109, 142]]) == [3, 0, 1, 2, 3, 0]
    assert list(wheel_rows(raster(486), Relock(0, 5.0, head_offset=2)).heads[[10, 43]]) == [2, 3]


def test_skew_is_end_minus_start_and_scallop_ends_minus_middle() -> None:
    ends = np.array([0.0, 0.5, 1.0])
    head = np.zeros(3, int)
    skew = pass_error_ns(DeckFaults(skew_ns=100.0), head, ends)
    scallop = pass_error_ns(DeckFaults(scallop_ns=100.0), head, ends)
    assert skew == pytest.approx([-50.0, 0.0, 50.0])
    assert scallop[0] - scallop[1] == pytest.approx(100.0)
    assert scallop[2] == pytest.approx(scallop[0])


def line_at(line: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """A periodic line between its samples, by its own Fourier series."""
    spectrum = np.fft.rfft(line) / len(line)
    waves = np.exp(2j * np.pi * np.outer(columns, np.arange(361)) / 720)
    return spectrum[0].real + 2 * (waves[:, 1:360] @ spectrum[1:360]).real


def left_over_ns(got: np.ndarray, line: np.ndarray, columns: np.ndarray, late_ns: np.ndarray) -> float:
    """What remains of the displacement of ``got`` after an expected one that may vary along the line."""
    want = line_at(line, columns - late_ns / NS_PER_SAMPLE)
    assert np.abs(got - want).max() < 1.0
    slope = (line_at(line, columns - late_ns / NS_PER_SAMPLE + 0.01) - want) * 100
    return -float((got - want) @ slope / (slope @ slope)) * NS_PER_SAMPLE


def test_uncorrected_lines_are_late_by_the_error_at_the_instant_of_each_sample() -> None:
    scene, line = periodic_scene(3, top_hz=4e6)
    faults = replace(QUIET, skew_ns=300.0, scallop_ns=80.0, quadrature_ns=(40.0, -60.0, 20.0, 0.0))
    got = played(scene, faults)[0][0]
    wheel = wheel_rows(raster(486), faults.wheel_at(0))
    columns = np.arange(10, 710)
    for row in (20, 77, 199, 300, 471):
        scanned = wheel.start[row] + (columns + 122) / 858 / 16.40625
        late = pass_error_ns(faults, wheel.heads[row], scanned)
        assert left_over_ns(got[row, columns], line, columns, late) == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("regime", ["line-corrected", "velocity-corrected"])
def test_a_corrector_leaves_only_what_grows_along_the_line(regime: str) -> None:
    """Skew alone: t = skew/sqrt 2 sin(theta), theta growing by pi/2 in 16.40625 lines, counted from the burst
    (derived)."""
    scene, line = periodic_scene(3, top_hz=4e6)
    faults = replace(QUIET, regime=regime, skew_ns=400.0, quadrature_ns=(40.0, -60.0, 20.0, 0.0))
    got = played(scene, faults)[0][0]
    wheel = wheel_rows(raster(486), faults.wheel_at(0))
    columns = np.arange(10, 710)
    for row in (27, 100, 333):
        theta = (wheel.start[row] + (np.append(columns, [-33.4]) + 122) / 858 / 16.40625 - 0.5) * np.pi / 2
        error = 400 / np.sqrt(2) * np.sin(theta)
        grown = error[:-1] - error[-1] if regime == "line-corrected" else np.zeros(len(columns))
        assert left_over_ns(got[row, columns], line, columns, grown) == pytest.approx(0.0, abs=0.2)


V_SCALE = (0.877 * 1.402) / (0.493 * 1.772)
"""Of Cr against Cb where U = 0.493 (B - Y) and V = 0.877 (R - Y) (BT.1700), Cb = (B - Y) / 1.772 and Cr = (R - Y) / 1.402 (BT.601)."""
RED_DEG = 103.5
"""Of U and V of red, on every vectorscope graticule of 525 and 625 lines (common practice, no single source)."""


def angle_deg(cb: np.ndarray, cr: np.ndarray) -> np.ndarray:
    """Of U and V."""
    return np.degrees(np.arctan2(V_SCALE * (cr - 128), cb - 128))


def size_of(cb: np.ndarray | float, cr: np.ndarray | float) -> np.ndarray:
    """Of U and V, in units of U."""
    return np.hypot(cb, V_SCALE * cr)


def test_late_colour_turns_clockwise_by_the_subcarrier_in_525() -> None:
    """ITU-R BT.1700: 3.579545 MHz, 1.28864 degrees in a nanosecond."""
    assert LINES["525"].degrees_per_ns == pytest.approx(1.28864, abs=1e-5)
    faults = replace(QUIET, regime="line-corrected", skew_ns=400.0)
    _, cb, cr = played(RED_75, faults)
    hue = angle_deg(cb[0], cr[0])[27]
    wheel = wheel_rows(raster(486), faults.wheel_at(0))
    at = np.array([wheel.start[27] + s / 858 / 16.40625 for s in (88.6, 122 + 600)])
    late = np.diff(pass_error_ns(faults, wheel.heads[27], at))[0]
    assert late > 15
    assert hue[300] - RED_DEG == pytest.approx(-late * 1.28864, abs=0.3)


def test_three_nanoseconds_are_about_five_degrees_in_625() -> None:
    """A textbook's tolerance for colour, +-3 ns, about 5 degrees (PAL); computed 4.8."""
    assert 3 * LINES["625"].degrees_per_ns == pytest.approx(4.8, abs=0.02)


def test_hue_and_saturation_are_applied_as_stated_to_75_percent_red() -> None:
    """Codes of the 75 % bars: equations of BT.601."""
    faults = replace(QUIET, hue_deg=(8.0, -3.0, 0.0, 0.0), saturation_pct=(0.0, 0.0, -10.0, 5.0))
    _, cb, cr = played(RED_75, faults)
    heads = wheel_rows(raster(486), faults.wheel_at(0)).heads
    for head, hue, amplitude in ((0, 8.0, 1.0), (1, -3.0, 1.0), (2, 0.0, 0.9), (3, 0.0, 1.05)):
        b, r = (p[0, heads == head][:, 100:260].mean() for p in (cb, cr))
        assert angle_deg(b, r) - RED_DEG == pytest.approx(hue, abs=0.1)
        assert size_of(b - 128, r - 128) / size_of(RED_CB, RED_CR) == pytest.approx(amplitude, abs=0.003)


def test_differential_phase_and_gain_grow_with_luma_to_what_is_stated_at_white() -> None:
    """What the words mean: change of the subcarrier from blanking level to white (common practice, no single source)."""
    faults = replace(QUIET, differential_phase_deg=(10.0, 0.0, 0.0, 0.0), differential_gain_pct=(0.0, 0.0, -20.0, 0.0))
    y, cb, cr = played(RED_75, faults)
    heads = wheel_rows(raster(486), faults.wheel_at(0)).heads
    light = (y[0, heads == 1][:, 200:520].mean() - 16) / 219
    b, r = (p[0, heads == 0][:, 100:260].mean() for p in (cb, cr))
    assert angle_deg(b, r) - RED_DEG == pytest.approx(10 * light, abs=0.1)
    b, r = (p[0, heads == 2][:, 100:260].mean() for p in (cb, cr))
    assert size_of(b - 128, r - 128) / size_of(RED_CB, RED_CR) == pytest.approx(1 - 0.2 * light, abs=0.003)


def test_in_625_a_hue_error_alternates_and_a_delay_line_makes_it_a_loss_of_colour() -> None:
    """Common practice: Hanover bars in simple decoding; cos(error) of the amplitude after averaging two lines."""
    faults = replace(QUIET_625, hue_deg=(20.0,) * 4)
    _, cb, cr = played(RED_75, faults)
    hue = angle_deg(cb[0, ::2, 180], cr[0, ::2, 180]) - RED_DEG
    assert np.abs(hue) == pytest.approx(np.full(288, 20.0), abs=0.3)
    assert (np.sign(hue[1:]) == -np.sign(hue[:-1])).all()
    _, cb, cr = played(RED_75, replace(faults, decoding_625="delay_line"))
    assert angle_deg(cb[0, 2:, 180], cr[0, 2:, 180]) - RED_DEG == pytest.approx(np.zeros(574), abs=0.3)
    size = size_of(cb[0, 2:, 180] - 128, cr[0, 2:, 180] - 128) / size_of(RED_CB, RED_CR)
    assert size == pytest.approx(np.full(574, np.cos(np.radians(20))), abs=0.005)


def test_level_and_gain_are_applied_as_stated() -> None:
    """1 IRE is 2.19 codes of 8 bits (BT.601)."""
    faults = replace(QUIET, level_ire=(2.0, 0.0, 0.0, 0.0), gain_pct=(0.0, 5.0, 0.0, 0.0))
    y = played(FlatScene(116.0), faults)[0][0]
    heads = wheel_rows(raster(486), faults.wheel_at(0)).heads
    assert [y[heads == h].mean() for h in range(4)] == pytest.approx([116 + 4.38, 121, 116, 116], abs=0.13)


def test_noise_is_as_strong_as_stated_and_differs_by_head_and_place() -> None:
    """Signal to noise ratio: white to black over rms."""
    faults = replace(QUIET, snr_db=40.0, noise_db=(0.0, 6.0, 0.0, 0.0))
    y = played(FlatScene(120.0), faults, frames=4)[0]
    heads = wheel_rows(raster(486), faults.wheel_at(0)).heads
    snr = [20 * np.log10(219 / y[:, heads == h].std()) for h in range(4)]
    assert snr == pytest.approx([40.0, 34.0, 40.0, 40.0], abs=0.15)
    y = played(FlatScene(120.0), replace(QUIET, snr_db=40.0, noise_by_position_db=(0.0, 0.0, 6.0)), frames=4)[0]
    start = wheel_rows(raster(486), faults.wheel_at(0)).start
    assert 20 * np.log10(y[:, start > 0.9].std() / y[:, start < 0.5].std()) == pytest.approx(5.4, abs=0.4)


def test_fm_noise_rises_with_frequency_and_white_noise_does_not() -> None:
    luma, _ = channel.noise_banks(0, "fm")
    white, _ = channel.noise_banks(0, "white")
    frequency, power = signal.welch(luma[:200_000], fs=13.5e6, nperseg=256)
    _, flat = signal.welch(white[:200_000], fs=13.5e6, nperseg=256)
    low, high = (frequency > 0.2e6) & (frequency < 0.6e6), (frequency > 4.5e6) & (frequency < 5e6)
    assert 10 * np.log10(power[high].mean() / power[low].mean()) > 8
    assert 10 * np.log10(flat[high].mean() / flat[low].mean()) == pytest.approx(0, abs=0.5)


@pytest.mark.parametrize("shape", ["tilt", "bump", "roll-off"])
@pytest.mark.parametrize("phase", ["linear", "minimum"])
def test_a_head_has_the_stated_response(shape: str, phase: str) -> None:
    """Outside reference: scipy.signal.freqz of the taps, against the definition in dB."""
    taps = channel.response_taps(shape, -3.0, phase)
    grid = np.array([0.5e6, 1e6, 2e6, 3e6, 3.58e6, 4.2e6])
    _, got = signal.freqz(taps, worN=grid, fs=13.5e6)
    want = channel.response_db(grid, shape=shape, db_at_3mhz=-3.0)
    assert 20 * np.log10(np.abs(got)) == pytest.approx(want, abs=0.25)
    assert channel.response_db(np.array([3e6]), shape=shape, db_at_3mhz=-3.0) == pytest.approx([-3.0])


def test_a_burst_comes_off_each_head_as_its_filter_says_and_colour_follows_at_the_subcarrier() -> None:
    """-0.92 dB is -10 % (derived); the burst is 3 MHz as in the FCC and NTC-7 multibursts."""

    def formula(time_s, columns, rows):
        return 120 + 40 * np.sin(2 * np.pi * 3e6 / 13.5e6 * columns) + 0 * rows, 100.0, 212.0

    faults = replace(QUIET, response_db=(0.0, -2.0, 0.0, 0.0), response_shape="tilt")
    y, cb, cr = played(FormulaScene(formula), faults)
    heads = wheel_rows(raster(486), faults.wheel_at(0)).heads
    amplitude = [y[0, heads == h][:, 100:620].std() * np.sqrt(2) for h in (0, 1)]
    assert 20 * np.log10(amplitude[1] / amplitude[0]) == pytest.approx(-2.0, abs=0.1)
    colour = [np.hypot(cb[0, heads == h] - 128, cr[0, heads == h] - 128)[:, 100:260].mean() for h in (0, 1)]
    assert 20 * np.log10(colour[1] / colour[0]) == pytest.approx(-2.0 * 3.579545 / 3, abs=0.15)


@pytest.mark.parametrize(("height", "left", "right"), [(486, 4.9, 715.8), (576, 9.75, 711.75)])
def test_the_tapes_own_blanking_lies_at_the_columns_of_the_standards(height: int, left: float, right: float) -> None:
    """SMPTE 170M, BT.1700: 710.85 (702) samples of picture inside the 720 of BT.601."""
    faults = DeckFaults("525" if height == 486 else "625", snr_db=200, jitter_ns=0)
    y = played(FlatScene(235.0), faults)[0][0][100]
    edges = [np.interp(125.5, y[:20], np.arange(20)), np.interp(-125.5, -y[700:], np.arange(700, 720))]
    assert edges == pytest.approx([left, right], abs=0.1)


def test_blanking_moves_with_the_tape_unless_it_was_put_in_again() -> None:
    for blanking, spread in (("tape", 4.05), ("reinserted", 0.0)):
        faults = DeckFaults(skew_ns=300.0, snr_db=200, jitter_ns=0, blanking=blanking)
        y = played(FlatScene(235.0), faults)[0][0][2:-2]
        edge = np.array([np.interp(125.5, row[:20], np.arange(20)) for row in y])
        assert np.ptp(edge) == pytest.approx(spread, abs=0.15)


def test_top_skew_dies_away_down_the_field_and_follows_no_head() -> None:
    faults = DeckFaults(top_skew_ns=800.0, top_decay_lines=10.0, snr_db=200, jitter_ns=0)
    y = played(FlatScene(235.0), faults)[0][0]
    edge = np.array([np.interp(125.5, row[:30], np.arange(30)) for row in y]) * NS_PER_SAMPLE - 4.9 * NS_PER_SAMPLE
    assert edge[[2, 20, 40]] == pytest.approx([800 * np.exp(-r / 20) for r in (2, 20, 40)], abs=12)


def test_faults_begin_grow_and_end_when_told() -> None:
    faults = DeckFaults(skew_ns=100.0, onsets=(Onset("skew_ns", 10, 20, ramp_frames=4),))
    assert [faults.at(f).skew_ns for f in (9, 10, 12, 14, 19, 20)] == pytest.approx([0, 20, 60, 100, 100, 0])


def test_an_onset_of_nothing_known_is_refused() -> None:
    with pytest.raises(ValueError, match="no fault is called 'skw_ns'"):
        DeckFaults(onsets=(Onset("skw_ns", 1),))


def test_a_lost_head_breaks_up_on_its_own_bands_only() -> None:
    faults = replace(QUIET, losses=(HeadLoss(2, 1, 2),))
    y = played(FlatScene(120.0), faults, frames=2)[0]
    heads = wheel_rows(raster(486), faults.wheel_at(0)).heads
    assert y[0].std() < 0.1
    assert y[1][heads == 2].std() > 40
    assert y[1][heads != 2].std() < 0.1


def test_switch_transients_sit_on_the_last_line_of_each_pass() -> None:
    faults = replace(QUIET, switch_transient=SwitchTransient())
    y = played(FlatScene(120.0), faults)[0][0]
    hit = np.flatnonzero(np.ptp(y, axis=1) > 20)
    wheel = wheel_rows(raster(486), faults.wheel_at(0))
    assert list(hit) == list(np.flatnonzero(wheel.last_line))


def test_the_truth_tells_velocity_error_and_wheel_sections() -> None:
    faults = DeckFaults(regime="line-corrected", skew_ns=100.0, relocks=(Relock(3, 9.0, 1),))
    truth = render(FlatScene(), faults, frames=6, rng=np.random.default_rng(0)).truth
    assert [(w["start_frame"], w["end_frame"], w["phase_lines"], w["head_offset"]) for w in truth.wheel] == [
        (0, 3, 5.0, 0),
        (3, 6, 9.0, 1),
    ]
    # feasible order: a skew of 100 ns leaves 5 to 7 ns at the line end of which under 2 ns vary within a pass
    assert 0.5 < truth.velocity_error_ns < 2.0
    assert velocity_error_ns(DeckFaults(regime="velocity-corrected", skew_ns=100.0), LINES["525"]) < 0.2


def test_the_same_seed_gives_the_same_tape() -> None:
    a, b = (played(RED_75, DeckFaults(skew_ns=50.0))[0] for _ in range(2))
    assert np.array_equal(a, b)


@pytest.mark.parametrize(("height", "top_first"), [(486, False), (576, True), (480, False), (512, True), (608, True)])
def test_fields_come_in_the_order_of_the_raster(height: int, top_first: bool) -> None:
    """ST 125, BT.601, ST 314, ST 356."""

    def clock(time_s, columns, rows):
        return 50 + 1000 * time_s + 0 * columns + 0 * rows, 128.0, 128.0

    standard = "525" if height in (480, 486, 512) else "625"
    y = played(FormulaScene(clock), replace(QUIET, standard=standard), height=height)[0][0]
    middle = height // 2 // 2 * 2
    upper, lower = y[middle, 300], y[middle + 1, 300]
    assert (upper < lower) == top_first
    assert abs(upper - lower) == pytest.approx(1000 / (59.94 if standard == "525" else 50), abs=0.3)


def test_a_height_no_standard_stores_is_refused() -> None:
    with pytest.raises(ValueError, match="no raster of 500 rows"):
        render(FlatScene(), DeckFaults(), frames=1, height=500, rng=np.random.default_rng(0))
    with pytest.raises(ValueError, match="belong to 625 lines"):
        render(FlatScene(), DeckFaults(), frames=1, height=576, rng=np.random.default_rng(0))
