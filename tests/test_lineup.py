"""Rendered line-up captures: every figure within what is promised, shapes named, signals and muted heads found.

Captures come from the independent simulator with 43 dB of noise; errors are drawn afresh for every seed.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from functools import lru_cache

import av
import numpy as np
import pytest
from lineup_material import (
    EIGHT_BIT,
    FCC_MHZ,
    GENERATOR_625_MHZ,
    TEN_BIT,
    Lineup,
    Sequence_,
    bars,
    eg1_bars,
    flat,
    frame_of,
    frames_of,
    grille,
    multiburst,
    staircase,
)

from detect.errors import NotMeasurable
from detect.lineup.comparing import compare_lineups
from detect.lineup.deck_file import entry_of
from detect.lineup.numbering import number_heads
from detect.lineup.result import LineupResult
from detect.lineup.run import measure_frames
from detect.lineup.shapes import shape_of
from detect.lineup.with_deck import signature_of
from detect.measure.fields import Frame
from detect.standards import STD_525, STD_625
from synthetic_clips.channel import gain_at, response_taps
from synthetic_clips.deck import DeckFaults, HeadLoss
from synthetic_clips.render import render

STANDARDS = {"525": (STD_525, Fraction(30_000, 1001)), "625": (STD_625, Fraction(25))}
NOISE_DB = 43.0
TO_MHZ = 4.25


def burst(standard: str) -> Lineup:
    if standard == "525":
        return multiburst("525", mhz=FCC_MHZ)
    return multiburst("625", mhz=GENERATOR_625_MHZ, pedestal_ire=50)


def measured(scene: Lineup | Sequence_, faults: DeckFaults, *, seconds: float, seed: int, muted: int | None = None) -> LineupResult:
    standard, rate = STANDARDS[faults.standard]
    tape = render(scene, faults, frames=round(seconds * rate), rng=np.random.default_rng(seed))
    return measure_frames(
        frames_of(iter(tape), top_first=tape.truth.top_field_first),
        samples=TEN_BIT, standard=standard, frame_rate=rate, muted=muted,
    )  # fmt: skip


def drawn(standard: str, seed: int, **given: object) -> DeckFaults:
    rng = np.random.default_rng(seed)

    def four(size: float) -> tuple[float, ...]:
        values = rng.normal(0, size, 4)
        return tuple((values - values.mean()).tolist())

    faults = {
        "phase_lines": float(rng.uniform(1, 15)),
        "skew_ns": float(rng.uniform(-50, 50)),
        "scallop_ns": float(rng.uniform(-25, 25)),
        "quadrature_ns": four(15),
        "saturation_pct": four(3),
        "hue_deg": four(2) if standard == "525" else (0.0,) * 4,
        "noise_db": four(1),
        # a packet of 60 IRE about 40 raised by more than 3.9 dB leaves the codes and is clipped: not asked for here
        "response_db": tuple(float(np.clip(v, -3.0, 2.5)) for v in four(1.5)),
        "response_shape": str(rng.choice(["tilt", "bump", "roll-off"])),
        "saturation_follows_response": False,
        **given,
    }
    return DeckFaults(standard=standard, snr_db=NOISE_DB, **faults)  # type: ignore[arg-type]


@lru_cache(maxsize=8)
def line_up(standard: str, seed: int, seconds: float) -> tuple[DeckFaults, LineupResult]:
    faults = drawn(standard, seed)
    scene = Sequence_(((seconds / 2, bars(standard)), (99.0, burst(standard))))
    return faults, measured(scene, faults, seconds=seconds, seed=seed + 1000)


def response_of(faults: DeckFaults, mhz: list[float]) -> np.ndarray:
    """Truth (4, packets): the simulator's own filters through scipy.signal.freqz, 0 dB the mean of the heads at the first
    packet."""
    taps = [response_taps(faults.response_shape, db, faults.response_phase) for db in faults.response_db]
    db = np.array([[20 * np.log10(gain_at(t, 1e6 * f)) for f in mhz] for t in taps])
    return db - db[:, 0].mean()


def check_figures(faults: DeckFaults, result: LineupResult) -> None:
    figures = result.figures
    assert figures.time_base == "uncorrected"
    assert figures.skew_ns is not None
    assert figures.scallop_ns is not None
    assert figures.quadrature_ns is not None
    assert figures.skew_ns.value == pytest.approx(faults.skew_ns, abs=1.0)
    assert figures.scallop_ns.value == pytest.approx(faults.scallop_ns, abs=1.0)
    assert figures.quadrature_ns.values == pytest.approx(faults.quadrature_ns, abs=1.0)
    assert figures.saturation_pct is not None
    saturation = np.array(faults.saturation_pct)
    expected = 100 * ((100 + saturation) / (100 + saturation.mean()) - 1)
    assert figures.saturation_pct.values == pytest.approx(expected.tolist(), abs=0.2)
    if faults.standard == "525":
        assert figures.hue_of_nominal_deg is not None
        assert figures.hue_of_nominal_deg.values == pytest.approx(faults.hue_deg, abs=0.2)
        assert figures.saturation_of_nominal_pct is not None
        assert figures.saturation_of_nominal_pct.values == pytest.approx((100 + saturation).tolist(), abs=0.2)
    response = figures.response
    assert response is not None
    low = [k for k, f in enumerate(response.mhz) if f <= TO_MHZ]
    assert len(low) >= 4
    truth = response_of(faults, response.mhz)
    assert np.array(response.db, float)[:, low] == pytest.approx(truth[:, low], abs=0.15)


@pytest.mark.parametrize("standard", ["525", "625"])
def test_a_line_up_reads_every_figure_as_finely_as_promised(standard: str) -> None:
    check_figures(*line_up(standard, 11, 1.6))


@pytest.mark.long
@pytest.mark.parametrize("standard", ["525", "625"])
@pytest.mark.parametrize("seed", range(40, 52))
def test_ten_seconds_read_every_figure_as_finely_as_promised(standard: str, seed: int) -> None:
    check_figures(*line_up(standard, seed, 10.0))


@pytest.mark.long
@pytest.mark.parametrize("standard", ["525", "625"])
def test_timing_errors_scatter_as_their_sigmas_say(standard: str) -> None:
    off = []
    for seed in range(60, 72):
        faults, result = line_up(standard, seed, 4.0)
        for name, truth in (("skew_ns", faults.skew_ns), ("scallop_ns", faults.scallop_ns)):
            value = getattr(result.figures, name)
            off.append((value.value - truth) / value.sigma)
    assert np.abs(off).max() < 4.0


def test_packets_are_found_at_the_published_frequencies() -> None:
    # FCC multiburst: 0.5, 1, 2, 3, 3.58, 4.1 MHz against a white flag (FCC VITS, from a test-signal page)
    response = line_up("525", 11, 1.6)[1].figures.response
    assert response is not None
    assert response.reference == "white flag"
    assert response.mhz == pytest.approx([0.5, 1.0, 2.0, 3.0, 3.58, 4.1], abs=0.02)


def test_a_reference_bar_is_no_packet() -> None:
    # 625 line 18: 0.5, 1, 2, 4, 4.8, 5.8 MHz of 60 % after a reference bar (CCIR 473, 569); no figure above 5.5 MHz
    scene = multiburst("625", mhz=(0.5, 1.0, 2.0, 4.0, 4.8, 5.8), pedestal_ire=50)
    result = measured(scene, drawn("625", 5), seconds=1.2, seed=5)
    assert result.figures.response is not None
    assert result.figures.response.mhz == pytest.approx([0.5, 1.0, 2.0, 4.0, 4.8], abs=0.03)


def test_a_corrected_line_up_hides_quadrature_and_widens_its_errors() -> None:
    faults = drawn("525", 200, regime="line-corrected")
    scene = Sequence_(((0.8, bars("525")), (99.0, burst("525"))))
    figures = measured(scene, faults, seconds=1.6, seed=7).figures
    assert figures.time_base == "line-corrected"
    assert figures.quadrature_ns is None or all(v is None for v in figures.quadrature_ns.values)
    assert figures.skew_ns is not None
    assert figures.skew_ns.sigma > 0.3
    assert figures.skew_ns.value == pytest.approx(faults.skew_ns, abs=4 * figures.skew_ns.sigma)


def test_a_good_deck_behind_a_corrector_is_not_given_a_finer_error_than_it_has() -> None:
    faults = drawn("525", 3, regime="line-corrected", skew_ns=4.0, scallop_ns=-1.0, response_db=(1.0, 0.0, -1.0, 0.0))
    scene = Sequence_(((0.8, bars("525")), (99.0, burst("525"))))
    figures = measured(scene, faults, seconds=1.6, seed=8).figures
    assert figures.skew_ns is None or abs(figures.skew_ns.value - 4.0) < 4 * figures.skew_ns.sigma
    assert figures.quadrature_ns is None or all(v is None for v in figures.quadrature_ns.values)


@pytest.mark.parametrize("standard", ["525", pytest.param("625", marks=pytest.mark.long)])
def test_velocity_compensation_hides_the_guide_and_no_figure_is_made_up(standard: str) -> None:
    scene = Sequence_(((0.6, bars(standard)), (99.0, burst(standard))))
    result = measured(scene, drawn(standard, 1, regime="velocity-corrected"), seconds=1.2, seed=1)
    assert result.figures.time_base == "undetermined"
    assert result.figures.skew_ns is None
    assert result.figures.scallop_ns is None
    assert any("velocity compensation hides it" in w for w in result.warnings)
    with pytest.raises(NotMeasurable, match="displaced heads"):
        compare_lineups(line_up(standard, 11, 1.6)[1], result)


def test_a_turn_that_leaves_no_time_error_is_the_last_one() -> None:
    before = line_up("525", 11, 1.6)[1]
    before = before.model_copy(update={"figures": before.figures.model_copy(update={"quadrature_ns": None})})
    none = {"time_base": "undetermined", "left_share": None, "skew_ns": None, "scallop_ns": None}
    after = before.model_copy(update={"figures": before.figures.model_copy(update=none)})
    found = compare_lineups(before, after, figure="skew")
    assert found.settled
    assert found.main is None
    assert any("time to stop" in note for note in found.notes)


@pytest.mark.long
@pytest.mark.parametrize("residual", [0.2, 0.5, 0.7])
def test_a_corrector_that_leaves_a_share_is_told_and_allowed_for(residual: float) -> None:
    scene = Sequence_(((1.0, bars("525")), (99.0, burst("525"))))
    for seed in (1, 2, 3):
        faults = drawn("525", seed, regime="line-corrected", residual=residual)
        result = measured(scene, faults, seconds=2.0, seed=seed)
        figures = result.figures
        assert figures.left_share == pytest.approx(residual, abs=0.03)
        assert figures.skew_ns is not None
        assert figures.quadrature_ns is not None
        assert figures.skew_ns.value == pytest.approx(faults.skew_ns, abs=1.0)
        assert figures.quadrature_ns.values == pytest.approx(faults.quadrature_ns, abs=1.0)
        assert not any("switched" in w for w in result.warnings)


def test_a_packet_beyond_the_codes_is_left_out_and_told() -> None:
    # 60 IRE about 40 raised by 6 dB at 3 MHz leaves the codes of BT.601 below black
    faults = drawn("525", 2, response_db=(6.0, 0.0, 0.0, 0.0), response_shape="bump")
    result = measured(multiburst("525"), faults, seconds=1.2, seed=2)
    assert result.figures.response is not None
    assert not any(abs(f - 3.0) < 0.1 for f in result.figures.response.mhz)
    assert any("3.00 MHz packet meets the end" in w for w in result.warnings)


def test_differential_phase_is_read_off_a_staircase() -> None:
    # NTC-7 staircase: steps of 18 IRE with 40 IRE of chroma (NTC Report 7)
    asked = (3.0, -1.0, 0.0, -2.0)
    faults = drawn("525", 6, differential_phase_deg=asked, response_db=(0.0,) * 4)
    found = measured(staircase("525"), faults, seconds=1.4, seed=6).figures.differential_phase_deg
    assert found is not None
    # hue at white against black: the staircase's steps are 90 IRE apart
    assert np.array(found.values) - np.mean(found.values) == pytest.approx(0.9 * np.array(asked), abs=0.4)


def test_signals_and_their_times_are_told() -> None:
    scene = Sequence_(((0.5, eg1_bars()), (0.5, grille()), (99.0, flat())))
    result = measured(scene, drawn("525", 9), seconds=1.5, seed=9)
    assert [s.name for s in result.signals] == ["bars 75 % split", "grille", "flat field"]
    assert [s.start_s for s in result.signals] == pytest.approx([0.0, 0.5, 1.0], abs=0.1)


def library_frames(source: str, count: int, *, size: str) -> Iterator[Frame]:
    """Frames of a picture source of libavfilter, 8 bit, as interlaced fields; bottom field first in 525."""
    graph = av.filter.Graph()
    made = graph.add(source, f"size={size}:rate=25")
    form = graph.add("format", "pix_fmts=yuv422p")
    sink = graph.add("buffersink")
    made.link_to(form)
    form.link_to(sink)
    graph.configure()
    frame = graph.vpull()
    planes = []
    for plane in frame.planes:
        flat_ = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
        planes.append(flat_[:, : plane.width].copy())
    for number in range(count):
        yield frame_of((planes[0], planes[1], planes[2]), number, top_first=size.endswith("576"))


@pytest.mark.parametrize(
    ("source", "size", "name", "white"),
    [
        ("pal75bars", "720x576", "bars 100/0/75/0", 100.0),
        ("pal100bars", "720x576", "bars 100 %", 100.0),
        ("smptebars", "720x486", "bars 75 % split", 75.0),
    ],
)
def test_bars_of_a_general_library_read_nominal(source: str, size: str, name: str, white: float) -> None:
    # libavfilter's bars agree with the BT.601 equations to a code (sources of the values: BT.601, BT.471, EG 1)
    standard = STD_625 if size.endswith("576") else STD_525
    result = measure_frames(library_frames(source, 26, size=size), samples=EIGHT_BIT, standard=standard, frame_rate=Fraction(25))
    assert [s.name for s in result.signals] == [name]
    figures = result.figures
    assert figures.white_ire is not None
    assert figures.white_nominal_ire == white
    # half a code of 8 bits is 0.23 IRE
    assert figures.white_ire.values == pytest.approx([white] * 4, abs=0.25)
    assert figures.saturation_of_nominal_pct is not None
    assert figures.saturation_of_nominal_pct.values == pytest.approx([100.0] * 4, abs=0.5)
    if standard is STD_525:
        assert figures.hue_of_nominal_deg is not None
        assert figures.hue_of_nominal_deg.values == pytest.approx([0.0] * 4, abs=0.3)
    assert result.steps == []


def test_black_alone_is_refused_with_a_way_out() -> None:
    with pytest.raises(NotMeasurable, match="capture ten seconds of bars") as error:
        measured(flat(ire=0.0), drawn("525", 1), seconds=0.2, seed=1)
    assert "\n" not in str(error.value)


# --- shapes -----------------------------------------------------------------------------------------------------------

HEAD_SHAPES = [("bump", 1.0, "peaked"), ("bump", -1.0, "dipped"), ("tilt", -1.0, "rolled off"), ("roll-off", -1.0, "rolled off")]


@pytest.mark.parametrize("size_db", [0.5, 1.0, 3.0])
@pytest.mark.parametrize(("shape", "sign", "word"), HEAD_SHAPES)
def test_the_shape_of_a_channel_is_named(shape: str, sign: float, word: str, size_db: float) -> None:
    mhz = np.array(FCC_MHZ)
    taps = response_taps(shape, sign * size_db, "linear")  # type: ignore[arg-type]
    db = np.array([20 * np.log10(gain_at(taps, 1e6 * f)) for f in mhz])
    wrong = 0
    for seed in range(50):
        noisy = db + np.random.default_rng(seed).normal(0, 0.03, db.size)
        wrong += shape_of(mhz, noisy, np.full(db.size, 0.03)).word != word
    assert wrong == 0


def test_a_flat_channel_is_flat() -> None:
    mhz = np.array(FCC_MHZ)
    for seed in range(200):
        noisy = np.random.default_rng(seed).normal(0, 0.03, mhz.size)
        assert shape_of(mhz, noisy, np.full(mhz.size, 0.03)).word == "flat"


@pytest.mark.long
@pytest.mark.parametrize("standard", ["525", "625"])
@pytest.mark.parametrize(("shape", "sign", "word"), HEAD_SHAPES)
@pytest.mark.parametrize("size_db", [0.5, 2.0])
def test_shapes_are_right_on_rendered_captures(standard: str, shape: str, sign: float, word: str, size_db: float) -> None:
    faults = drawn(standard, 77, response_shape=shape, response_db=(0.0, sign * size_db, 0.0, 0.0))
    response = measured(burst(standard), faults, seconds=4.0, seed=78).figures.response
    assert response is not None
    assert [s.word for s in response.shapes] == ["flat", word, "flat", "flat"]


# --- numbering by a muted channel -------------------------------------------------------------------------------------


def muted_result(standard: str, letter: int, number: int, seed: int) -> LineupResult:
    rate = STANDARDS[standard][1]
    first = round(rate / 3)
    faults = drawn(standard, seed, losses=(HeadLoss(letter, first, first + round(rate)),))
    return measured(bars(standard), faults, seconds=1.8, seed=seed, muted=number)


@pytest.mark.parametrize(("standard", "letter", "number"), [("525", 2, 1), ("625", 1, 4)])
def test_a_muted_channel_numbers_the_heads(standard: str, letter: int, number: int) -> None:
    numbers = muted_result(standard, letter, number, 21).wheel.head_numbers
    # heads scan in the order of their numbers
    assert numbers == [(number - 1 + k - letter) % 4 + 1 for k in range(4)]


@pytest.mark.long
@pytest.mark.parametrize("standard", ["525", "625"])
@pytest.mark.parametrize("letter", range(4))
@pytest.mark.parametrize("number", [1, 3])
def test_every_muted_channel_is_found(standard: str, letter: int, number: int) -> None:
    numbers = muted_result(standard, letter, number, 30 + letter).wheel.head_numbers
    assert numbers is not None
    assert numbers[letter] == number


@pytest.mark.long
@pytest.mark.parametrize("standard", ["525", "625"])
def test_later_captures_are_numbered_by_signature_or_refused_never_wrong(standard: str) -> None:
    right = 0
    for seed in range(8):
        rate = STANDARDS[standard][1]
        rng = np.random.default_rng(seed)
        letter, number, turn = (int(v) for v in (rng.integers(4), rng.integers(1, 5), rng.integers(4)))
        size = 1.5 if seed % 2 == 0 else 0.05  # every other wheel has heads nearly alike
        response = tuple(rng.normal(0, size, 4).clip(-3, 2.5).tolist())
        heads = {
            "response_db": response, "response_shape": "tilt", "quadrature_ns": (3.0, -3.0, 1.0, -1.0),
            "saturation_pct": tuple(rng.normal(0, 2 * size, 4).tolist()), "noise_db": tuple(rng.normal(0, size, 4).tolist()),
        }  # fmt: skip
        lost = HeadLoss(letter, 10, 10 + round(rate))
        scene = Sequence_(((1.9, bars(standard)), (99.0, burst(standard))))
        known = measured(scene, drawn(standard, seed, **heads, losses=(lost,)), seconds=2.6, seed=seed, muted=number)
        assert known.wheel.head_numbers is not None
        assert known.wheel.head_numbers[letter] == number
        rolled = {k: tuple(np.roll(v, -turn).tolist()) if isinstance(v, tuple) else v for k, v in heads.items()}
        scene = Sequence_(((0.7, bars(standard)), (99.0, burst(standard))))
        later = measured(scene, drawn(standard, 50 + seed, **rolled), seconds=1.4, seed=90 + seed)
        found = number_heads(signature_of(entry_of(later)), signature_of(entry_of(known)))
        expected = np.roll(known.wheel.head_numbers, -turn).tolist()
        assert found.numbers in (None, expected), seed
        right += found.numbers == expected
    assert right >= 4


def test_no_muted_channel_is_refused() -> None:
    with pytest.raises(NotMeasurable, match="no band is lost"):
        measured(bars("525"), drawn("525", 4), seconds=1.2, seed=4, muted=2)
