"""A head that reads nothing: bands of noise in a field, and whose they are."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy import signal

from detect.findings import WheelState
from detect.judge.gone_heads import bands_of, find_gone, with_phases_of_bands
from detect.judge.spoiled import spoiled_rows
from detect.measure.fields import Field, Frame, SampleFormat
from detect.measure.losses import LossFinder
from detect.measure.noise_bands import GONE, BandCourse, noise_bands
from detect.standards import HEADS, STD_525, STD_625, Standard, pass_of_rows

LINES, WIDTH, IRE = 243, 720, 876 / 140
HEIGHT = {"525": 486, "625": 576}
FRAMES, GONE_FROM, GONE_TO = 12, 4, 9


def picture(seed: int, lines: int = LINES) -> np.ndarray:
    """Soft shapes and a little noise, 10-bit codes."""
    rng = np.random.default_rng(seed)
    shapes = cv2.GaussianBlur(rng.normal(0, 1, (lines, WIDTH)), (0, 0), 6, sigmaY=3)
    return np.asarray(np.clip(500 + 150 * shapes / shapes.std() + rng.normal(0, 4, (lines, WIDTH)), 4, 1019), np.int16)


def snow(shape: tuple[int, int], seed: int) -> np.ndarray:
    """Noise of 4.2 MHz between black and white."""
    noise = cv2.blur(np.random.default_rng(seed).normal(0, 1, shape), (3, 1)) * np.sqrt(3)
    return np.asarray(np.clip(450 + 260 * noise, 4, 1019), np.int16)


def bands(y: np.ndarray, before: np.ndarray | None = None) -> list[tuple[int, int]]:
    return noise_bands(y, before, first=1, last=len(y), left=6, right=714, ire=IRE)


@pytest.mark.parametrize("seed", range(5))
def test_bands_are_found_to_the_line(seed: int) -> None:
    y, put_in = picture(seed), [(24, 40), (90, 106), (155, 172), (221, 237)]
    for a, b in put_in:
        y[a:b] = snow((b - a, WIDTH), 100 * seed + a)
    assert bands(y, picture(seed)) == put_in


@pytest.mark.parametrize("seed", range(5))
def test_bands_are_found_of_which_a_compensator_filled_some_lines(seed: int) -> None:
    """Three lines of sixteen are half the sum of those beside them, as a compensator with one line of delay leaves them."""
    y, put_in = picture(seed), [(24, 40), (90, 106), (155, 172)]
    for a, b in put_in:
        y[a:b] = snow((b - a, WIDTH), 100 * seed + a)
        for k in np.random.default_rng(seed).choice(np.arange(a + 2, b - 2, 3), 3, replace=False):
            y[k] = (y[k - 1] + y[k + 1]) // 2
    assert bands(y, picture(seed)) == put_in


@pytest.mark.parametrize("seed", range(5))
def test_bands_are_found_behind_a_comb_of_two_lines(seed: int) -> None:
    """Common practice, no single source: such a decoder takes half of the band about the subcarrier from the line above, where it has the
    opposite phase."""
    y, put_in = picture(seed), [(24, 40), (90, 106), (155, 172)]
    for a, b in put_in:
        y[a:b] = snow((b - a, WIDTH), 100 * seed + a)
    about = signal.firwin(31, (1.5, 5.5), fs=13.5, pass_zero=False)
    high = signal.lfilter(about, 1.0, y, axis=1)
    high = np.roll(high, -15, axis=1)
    combed = y - 0.5 * (high - np.roll(high, 1, axis=0))
    found = bands(np.asarray(np.clip(combed, 4, 1019), np.int16), picture(seed))
    assert len(found) == len(put_in)
    for (a, b), (first, last) in zip(put_in, found, strict=True):
        assert abs(first - a) <= 1
        assert abs(last - b) <= 1


@pytest.mark.parametrize("seed", range(3))
def test_a_picture_that_is_all_noise_has_no_bands(seed: int) -> None:
    assert bands(snow((LINES, WIDTH), seed)) == []


def test_texture_that_stands_still_is_no_noise() -> None:
    y = picture(1)
    y[60:76] = snow((16, WIDTH), 7)
    assert bands(y, y.copy()) == []
    assert bands(y) == [(60, 76)]


@pytest.mark.parametrize("seed", range(3))
def test_a_flat_band_with_the_noise_of_the_tape_is_picture(seed: int) -> None:
    y = picture(seed)
    y[60:76] = 300 + np.random.default_rng(seed).normal(0, 8, (16, WIDTH))
    assert bands(y) == []


def test_bands_that_go_on_are_kept_once() -> None:
    course = BandCourse()
    for frame in range(50):
        for field in (0, 1):
            course.add(frame, field, [(24 + frame % 2, 40), (90, 106)] if frame != 20 else [])
    kept = [(b.field, b.start_frame, b.end_frame) for b in course.bands if b.end_line == 40]
    assert kept == [(0, 0, 20), (1, 0, 20), (0, 21, 50), (1, 21, 50)]


def test_bands_that_find_no_room_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("detect.measure.noise_bands.MOST_BANDS", 2)
    course = BandCourse()
    course.add(0, 0, [(24, 40), (90, 106), (155, 172)])
    assert (len(course.bands), course.dropped) == (2, 1)


def searched(standard: Standard, phase: float, heads: tuple[int, ...]) -> dict[str, np.ndarray]:
    """Candidates of a still picture in which some heads read nothing from GONE_FROM to before GONE_TO."""
    height = HEIGHT[standard.short_name]
    finder = LossFinder(SampleFormat(10, 2, 1, False, True), height=height, width=WIDTH, standard=standard)
    number = pass_of_rows(standard, phase, np.arange(height))
    whole = np.repeat(picture(3, height // 2), 2, axis=0)
    for frame in range(FRAMES):
        y = whole + np.random.default_rng(frame).normal(0, 4, whole.shape).astype(np.int16)
        if GONE_FROM <= frame < GONE_TO:
            lost = np.isin(number % HEADS, heads)
            y[lost] = snow((int(lost.sum()), WIDTH), frame)
        fields = [Field(frame, k, k, np.ascontiguousarray(y[k::2]).astype(np.uint16), None, None) for k in (0, 1)]
        finder.push(Frame(frame, (fields[0], fields[1])), cut=False)
    return finder.finish()


def state(phase: float | None, *, locked: bool) -> WheelState:
    return WheelState(
        start_frame=0, end_frame=FRAMES, phase_lines=phase, phase_sigma_lines=None, locked=locked, significance=None, null_ratio=None
    )


@pytest.mark.parametrize(("standard", "phase"), [(STD_525, 3.3), (STD_525, 15.9), (STD_625, 0.4), (STD_625, 9.1)])
@pytest.mark.parametrize("heads", [(1,), (3,), (0, 1)])
def test_the_bands_tell_phase_head_and_time(standard: Standard, phase: float, heads: tuple[int, ...]) -> None:
    candidates = searched(standard, phase, heads)
    assert np.any(candidates["kind"] == GONE)
    found = bands_of(candidates, (0, 1), HEIGHT[standard.short_name])
    wheel = with_phases_of_bands([state(None, locked=False)], found, standard)
    period = float(standard.lines_per_pass)
    assert wheel[0].locked
    off = (float(wheel[0].phase_lines or 0.0) - phase + period / 2) % period - period / 2
    assert abs(off) < 0.5
    turned = round((float(wheel[0].phase_lines or 0.0) - phase - off) / period)  # letters begin with the first whole band found
    gone = find_gone(found, wheel, standard, programme=np.ones(FRAMES, bool))
    assert {(g.head + turned) % HEADS for g in gone} == set(heads)
    assert {(g.start_frame, g.end_frame) for g in gone} == {(GONE_FROM, GONE_TO)}
    assert all(0.7 * g.of_passes <= g.passes <= g.of_passes for g in gone)


@pytest.mark.parametrize("seed", range(20))
def test_bands_that_lie_anywhere_are_no_wheel(seed: int) -> None:
    """Four bands of 5 to 30 lines in each of both fields: textures of a picture."""
    rng = np.random.default_rng(seed)
    first, size = rng.integers(5, 200, 8), rng.integers(5, 30, 8)
    candidates = {
        "kind": np.full(8, GONE), "field": np.arange(8) % 2, "line": first, "stack": size, "frame": np.zeros(8), "run": np.full(8, FRAMES),
    }  # fmt: skip
    found = bands_of(candidates, (0, 1), 486)
    assert not with_phases_of_bands([state(None, locked=False)], found, STD_525)[0].locked
    assert find_gone(found, [state(3.3, locked=True)], STD_525, programme=np.ones(FRAMES, bool)) == []


def test_comparing_heads_leaves_out_the_bands_and_the_lines_beside() -> None:
    candidates = searched(STD_525, 3.3, (1,))
    out = spoiled_rows(candidates, rows0=(0, 1), height=486, start_frame=np.array([0, 10]), end_frame=np.array([10, 12]))
    assert list(out) == [0]
    lost = pass_of_rows(STD_525, 3.3, np.arange(486)) % HEADS == 1
    assert np.all(out[0][np.flatnonzero(lost)])
    assert out[0].mean() < 0.5
