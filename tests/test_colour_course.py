"""Hue and saturation against brightness and along the line: what a unit fault reads, what does not, and which cause is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from detect.findings import Findings
from detect.judge.colour_course import course_of
from detect.judge.figures import stretch_readings
from detect.judge.stretch import Pooled
from detect.measure.chroma_by_luma import chroma_by_luma, luma_at_chroma
from detect.standards import STD_525
from synthetic_clips.deck import DeckFaults
from tests.bench_material import MEMORY, Case, played
from tests.drawn_rows import HEIGHT, LEFT, PERIOD, PHASE, RIGHT, VIEW, lines_of, put, rows_and_fit

LINES, WIDTH = 12, 340
COLUMNS = (0, WIDTH)
JUMP = 6
"""First line of the second head."""


def read(turn: np.ndarray, gain: np.ndarray, luma: np.ndarray, noise: float = 0.0, seed: int = 0) -> np.ndarray:
    """Slopes (2,) of the pair across the jump, real and imaginary, of a coloured line that the second head turns and weakens."""
    rng = np.random.default_rng(seed)
    colour = 30 * np.exp(1j * (0.7 + 0.3 * np.sin(np.arange(WIDTH) / 40))) * np.ones((LINES, 1))
    colour[JUMP:] *= gain * np.exp(1j * turn)
    colour = colour + noise * (rng.normal(size=colour.shape) + 1j * rng.normal(size=colour.shape))
    u, v = (np.ascontiguousarray(part, np.float32) for part in (colour.real, colour.imag))
    bright = np.ascontiguousarray(np.broadcast_to(luma, (LINES, WIDTH)), np.float32)
    re, im, den = chroma_by_luma(u, v, bright, COLUMNS, s2=max(4 * noise**2, 1.0), seen=8.0)
    at = JUMP - 1  # the line above the jump: its pair lies across
    assert den[at] > 0
    return np.array([re[at], im[at]]) * 1.5 / den[at]


TEXTURE = 0.45 + 0.25 * np.sin(np.arange(WIDTH) / 7.3) + 0.1 * np.sin(np.arange(WIDTH) / 2.9)
"""Of luma, in parts of white."""
ALONG = np.linspace(-0.5, 0.5, WIDTH)


def test_a_degree_from_black_to_white_reads_a_degree() -> None:
    slope = np.radians(1.0)
    assert read(slope * TEXTURE, np.ones(WIDTH), TEXTURE)[1] == pytest.approx(slope, rel=0.01)


def test_a_percent_from_black_to_white_reads_a_percent() -> None:
    assert read(np.zeros(WIDTH), 1 + 0.01 * TEXTURE, TEXTURE)[0] == pytest.approx(0.01, rel=0.02)


@pytest.mark.parametrize("turn", [np.full(WIDTH, 0.05), 0.1 * ALONG], ids=["constant", "along the line"])
def test_a_turn_that_is_constant_or_grows_along_the_line_reads_nought(turn: np.ndarray) -> None:
    """Even where brightness grows along the line too."""
    assert abs(read(turn, np.ones(WIDTH), TEXTURE + 0.3 * ALONG)[1]) < 0.02 * 0.05


def test_noise_alone_reads_nought_on_average() -> None:
    readings = np.array([read(np.zeros(WIDTH), np.ones(WIDTH), TEXTURE, 2.0, seed) for seed in range(60)])
    assert np.all(np.abs(readings.mean(axis=0)) < 3 * readings.std(axis=0) / np.sqrt(60))


def test_a_line_of_one_brightness_says_nothing() -> None:
    u = np.full((LINES, WIDTH), 20, np.float32)
    _, _, den = chroma_by_luma(u, u, np.full((LINES, WIDTH), 0.5, np.float32), COLUMNS, s2=1.0, seen=8.0)
    assert not den.any()


@pytest.mark.parametrize(("step_x", "step_y"), [(2, 1), (4, 1), (2, 2)], ids=["4:2:2", "4:1:1", "4:2:0"])
def test_luma_is_read_where_the_chroma_sample_lies(step_x: int, step_y: int) -> None:
    """BT.601 and MPEG-2: chroma is cosited with every second (4:1:1: fourth) luma sample."""
    y = np.ascontiguousarray(np.broadcast_to(np.arange(720), (8, 720)), np.float32)
    out = np.zeros((8 // step_y, 720 // step_x), np.float32)
    luma_at_chroma(y, step_x, step_y, out)
    assert 100 * out[2, 3:-3] == pytest.approx(step_x * np.arange(3, 720 // step_x - 3), abs=1e-3)


def pooled(*, hue: np.ndarray, by_luma: np.ndarray, ramp: np.ndarray, seed: int) -> Pooled:
    """Drawn rows of a tape whose heads are off by so much in hue, in its slope over luma, and in its growth along the line."""
    rng = np.random.default_rng(seed)
    shift, growth = lines_of(30.0, 0.0, np.zeros(4), corrected=False)
    rows, fit = rows_and_fit(shift, growth, seed)
    head = np.floor((np.arange(HEIGHT) / 2 - PHASE) / PERIOD + 1e-9).astype(int) % 4
    place = (np.arange(HEIGHT) / 2 - PHASE) / PERIOD
    number = np.floor(place + 1e-9)

    def skew_at(fraction: float) -> np.ndarray:
        return 30 * np.sin(np.radians(90 * (place + fraction / PERIOD - number) - 45)) / np.sqrt(2)

    of_skew = -1.289 * (skew_at(RIGHT) - skew_at(LEFT))
    for name, values, noise in (("hue", hue[head], 0.05), ("hue_luma", by_luma[head], 0.3), ("hue_ramp", of_skew + ramp[head], 0.1)):
        put(rows, name, values, rng.normal(0, noise, HEIGHT - 6))
    put(rows, "saturation", np.zeros(HEIGHT), rng.normal(0, 0.05, HEIGHT - 6))
    readings, timing = stretch_readings(rows, VIEW, STD_525, fit, shots=3)
    return Pooled(rows, fit, readings, timing, 3.0, 3)


NONE = np.zeros(4)
ONE = np.array([-0.25, -0.25, 0.75, -0.25])


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("by_luma", "ramp", "word"),
    [(6 * ONE, NONE, "with_brightness"), (NONE, 4 * ONE, "along_line"), (NONE, NONE, "alike"), (1.2 * ONE, NONE, "alike")],
    ids=["differential phase", "velocity error of a head", "neither", "brightness would make a third of it"],
)
def test_what_turns_the_hue_of_a_head_is_told(by_luma: np.ndarray, ramp: np.ndarray, word: str, seed: int) -> None:
    tape = pooled(hue=3 * ONE, by_luma=by_luma, ramp=ramp, seed=seed)
    assert tape.readings.hue_deg is not None
    values, sigma = np.array(tape.readings.hue_deg.values, float), tape.readings.hue_deg.sigmas[2]
    assert sigma is not None
    assert values[2] == pytest.approx(2.25, abs=4 * sigma)
    assert course_of("hue_banding", 2, values, sigma, tape, VIEW, STD_525).words == {word}


@pytest.mark.parametrize("seed", range(3))
def test_one_head_with_differential_phase_does_not_make_another_look_so(seed: int) -> None:
    """Against the mean of the four all heads but B have some."""
    tape = pooled(hue=np.array([-0.25, 3.75, -0.25, -3.25]), by_luma=np.array([-2.0, 6.0, -2.0, -2.0]), ramp=NONE, seed=seed)
    assert tape.readings.hue_deg is not None
    values = np.array(tape.readings.hue_deg.values, float)
    words = [course_of("hue_banding", head, values, 0.05, tape, VIEW, STD_525).words for head in (1, 3)]
    assert words == [{"with_brightness"}, {"alike"}]


def test_where_brightness_was_not_measured_the_cause_is_left_open() -> None:
    tape = pooled(hue=3 * ONE, by_luma=NONE, ramp=NONE, seed=1)
    silent = replace(tape, readings=tape.readings.model_copy(update={"differential_phase_deg": None}))
    assert course_of("hue_banding", 2, 2.25 * ONE / 0.75, 0.05, silent, VIEW, STD_525).words == {"not_told"}


def scanned(**faults: object) -> Findings:
    deck = DeckFaults(phase_lines=4.3, skew_ns=30.0, blanking="reinserted", saturation_follows_response=False, **faults)  # type: ignore[arg-type]
    return played(Case("colour", 1, deck, MEMORY, "varied", 10.0))[0]


@pytest.mark.long
@pytest.mark.parametrize(
    ("faults", "kind", "cause"),
    [
        ({"differential_phase_deg": (0.0, 6.0, 0.0, 0.0)}, "hue_banding", "differential phase"),
        ({"differential_gain_pct": (0.0, 0.0, 16.0, 0.0)}, "saturation_banding", "differential gain"),
        ({"hue_deg": (0.0, 0.0, -3.0, 0.0)}, "hue_banding", "the colour phase"),
        ({"saturation_pct": (0.0, 0.0, -6.0, 0.0)}, "saturation_banding", "gain of that head's channel"),
    ],
    ids=["differential phase", "differential gain", "hue", "saturation"],
)
def test_a_played_tape_gets_the_cause_it_has(faults: dict[str, object], kind: str, cause: str) -> None:
    found = [f for f in scanned(**faults).findings if f.kind == kind]
    assert len(found) == 1
    assert found[0].causes[0].cause.startswith(cause)
