"""Line-up signals are recognised whatever the deck does to them, and programme is never taken for one."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from lineup_material import (
    CCIR_MHZ,
    EIGHT_BIT,
    GENERATOR_625_MHZ,
    NTC7_MHZ,
    SIGNALS,
    TEN_BIT,
    Lineup,
    bars,
    eg1_bars,
    flat,
    frame_of,
    grille,
    multiburst,
    staircase,
    stairs,
    stored,
)

from detect.measure.signals import BAR_CHROMA_PCT, BAR_LUMA_IRE, SignalKind, classify, describe

HEIGHTS = {"525": (486, 0), "625": (576, 0)}
ALL_HEIGHTS = {"525": ((486, 0), (480, 4), (512, -27)), "625": ((576, 0), (608, -32))}

BARS: dict[str, tuple[Callable[[str], Lineup], str]] = {
    # names and levels: ITU-R BT.471; EBU bars 100/0/75/0; split bars: SMPTE EG 1-1990
    "75": (lambda s: bars(s), "bars 75 %"),
    "100": (lambda s: bars(s, white=1.0, colour=1.0), "bars 100 %"),
    "EBU": (lambda s: bars(s, white=1.0), "bars 100/0/75/0"),
    "EG 1": (lambda s: eg1_bars(s), "bars 75 % split"),
    "seven": (lambda s: bars(s, count=7), "bars 75 %"),
}


def seen(scene: Lineup, *, seeds: int, height: int = 486, offset: int = 0, **given: object) -> set[SignalKind]:
    """Kinds named over random decks: saturation +-10 %, hue +-10 deg, banding of the same size, 33 to 50 dB, setup or
    not."""
    out = set()
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        deck = {
            "noise_db": rng.uniform(33, 50),
            "setup": bool(rng.integers(2)),
            "saturation": rng.uniform(0.9, 1.1),
            "hue_deg": rng.uniform(-10, 10),
            "band_pct": rng.uniform(-10, 10, 4),
            "band_deg": rng.uniform(-10, 10, 4),
            **given,
        }
        looks = [
            describe(frame_of(stored(scene, height=height, offset=offset, seed=1000 * seed + k, **deck)), TEN_BIT)  # type: ignore[arg-type]
            for k in range(2)
        ]
        out.add(classify(looks[1], looks[0]))
    return out


@pytest.mark.parametrize("standard", ["525", "625"])
@pytest.mark.parametrize("name", list(BARS))
def test_bars_are_named_on_a_faulty_deck(standard: str, name: str) -> None:
    draw, expected = BARS[name]
    height, offset = HEIGHTS[standard]
    assert seen(draw(standard), seeds=3, height=height, offset=offset) == {SignalKind("bars", False, expected)}


@pytest.mark.long
@pytest.mark.parametrize("standard", ["525", "625"])
@pytest.mark.parametrize("name", [*BARS, *(n for n in SIGNALS if n != "bars")])
def test_every_signal_is_named_on_every_raster(standard: str, name: str) -> None:
    draw, expected = BARS[name] if name in BARS else (SIGNALS[name], name)
    for height, offset in ALL_HEIGHTS[standard]:
        assert {k.detail for k in seen(draw(standard), seeds=40, height=height, offset=offset)} == {expected}


@pytest.mark.parametrize("name", [n for n in SIGNALS if n != "bars"])
def test_test_signals_are_named(name: str) -> None:
    kinds = seen(SIGNALS[name]("525"), seeds=2)
    assert {(k.kind, k.detail) for k in kinds} == {("test_signal", name)}


@pytest.mark.parametrize(
    "scene",
    [
        multiburst("525", mhz=NTC7_MHZ, peak_to_peak_ire=50, pedestal_ire=50),  # NTC Report 7
        multiburst("625", mhz=CCIR_MHZ, pedestal_ire=50),  # CCIR 473 line 18
        multiburst("625", mhz=GENERATOR_625_MHZ, pedestal_ire=50),  # common practice, a generator's choice
        multiburst("525", mhz=(0.5, 1.25, 2, 3, 3.58, 4.2), flag_ire=None),  # the same, without a flag
    ],
)
def test_multiburst_is_found_whatever_its_packets(scene: Lineup) -> None:
    assert {k.detail for k in seen(scene, seeds=2)} == {"multiburst"}


def test_a_crosshatch_is_a_grille() -> None:
    scene = grille("525", rules=tuple(np.linspace(0.03, 0.97, 14)))
    assert {k.detail for k in seen(scene, seeds=3)} == {"grille"}


def test_a_staircase_without_colour_is_monochrome() -> None:
    assert seen(staircase("525", chroma_ire=0.0), seeds=3) == {SignalKind("test_signal", True, "staircase")}


def test_bars_without_colour_are_monochrome() -> None:
    assert seen(bars(), seeds=2, saturation=0.0, noise_db=44.0) == {SignalKind("bars", True, "bars without colour")}


@pytest.mark.parametrize("ire", [0.0, 7.5])
def test_black_is_black_with_and_without_setup(ire: float) -> None:
    assert {k.kind for k in seen(flat(ire=ire), seeds=2, setup=False)} == {"black"}


def test_eight_bit_bars_are_read_the_same() -> None:
    look = describe(frame_of(stored(bars(), bit_depth=8)), EIGHT_BIT)
    assert look.bars is not None
    assert look.bars.saturation == pytest.approx(1.0, abs=0.01)
    assert look.mean_ire == pytest.approx(37.5, abs=1.0)


def test_bar_values_are_those_of_bt601() -> None:
    # 10-bit codes of 75 % bars from the BT.601 equations (sources: colour-science 0.4.7, PyAV pal75bars agree)
    y = [721, 646, 525, 450, 335, 260, 139, 64]
    cb = [512, 176, 625, 289, 735, 399, 848, 512]
    cr = [512, 567, 176, 231, 793, 848, 457, 512]
    assert np.round(64 + 8.76 * BAR_LUMA_IRE) == pytest.approx(y, abs=1)
    assert np.round(512 + 8.96 * BAR_CHROMA_PCT.real) == pytest.approx(cb, abs=1)
    assert np.round(512 + 8.96 * BAR_CHROMA_PCT.imag) == pytest.approx(cr, abs=1)


# --- programme that imitates ------------------------------------------------------------------------------------------


def _stripes(edges: list[float], levels: list[tuple[float, float, float]]) -> Lineup:
    def part(i: int) -> Callable[[np.ndarray], np.ndarray]:
        return lambda x: stairs(x, edges, [v[i] for v in levels])

    return Lineup(((1.1, part(0), part(1), part(2)),))


def imitators() -> dict[str, Lineup]:
    rng = np.random.default_rng(3)
    colour = (35.0, -12.0, 20.0)
    flag = _stripes([243, 477], [(30, 15, -10), (95, 0, 0), (28, -8, 42)])
    five = _stripes([144, 288, 432, 576], [(60, -20, 5), (20, 10, 10), (80, 0, 0), (20, 10, 10), (60, -20, 5)])
    wide = _stripes(
        [float(x) for x in range(90, 720, 90)], [(90.0, 0, 0) if k % 2 else (15.0, 5, 10) for k in range(8)]
    )
    uneven = _stripes(
        sorted(rng.uniform(20, 700, 14).tolist()),
        [tuple(v) for v in rng.uniform((10, -20, -20), (90, 20, 20), (15, 3))],
    )
    blinds = Lineup(((1.1, lambda x: 50 + 30 * np.sin(2 * np.pi * x / 37), None, None),))
    sunset = Lineup(((1.1, lambda x: 20 + 60 * x / 720, lambda x: -5 - 10 * x / 720, lambda x: 10 + 15 * x / 720),))
    horizontal = Lineup(
        tuple((k / 6 + 0.1, (lambda v: lambda x: np.full_like(x, v))(15.0 * k), None, None) for k in range(1, 7))
    )
    caption = Lineup(
        (
            (0.55, lambda x: np.full_like(x, colour[0]), None, None),
            (0.8, lambda x: 35 + 60 * (np.sin(x / 5) > 0) * ((x > 200) & (x < 500)), None, None),
            (1.1, lambda x: np.full_like(x, colour[0]), None, None),
        )
    )
    drawing = Lineup(
        tuple(
            (
                e,
                *(
                    _stripes(
                        sorted(rng.uniform(50, 680, 5).tolist()),
                        [tuple(v) for v in rng.uniform((10, -40, -40), (90, 40, 40), (6, 3))],
                    ).zones[0][1:]
                ),
            )
            for e in (0.2, 0.45, 0.7, 1.1)
        )
    )
    return {
        "flag of three stripes": flag,
        "five stripes": five,
        "even stripes": wide,
        "uneven stripes": uneven,
        "blinds": blinds,
        "sunset": sunset,
        "horizontal stripes": horizontal,
        "caption on a flat ground": caption,
        "drawing": drawing,
    }


@pytest.mark.parametrize("name", list(imitators()))
def test_programme_that_imitates_is_still_a_picture(name: str) -> None:
    assert {k.kind for k in seen(imitators()[name], seeds=3)} == {"picture"}


def test_a_fade_is_no_flat_field() -> None:
    looks = [describe(frame_of(stored(flat(ire=10.0 + 3 * k), seed=k)), TEN_BIT) for k in range(12)]
    assert {classify(b, a).kind for a, b in itertools.pairwise(looks)} <= {"picture", "black"}


def test_a_coloured_caption_card_that_fades_up_is_never_bars() -> None:
    scene = imitators()["drawing"]
    for fade in np.linspace(0.1, 1.0, 6):
        planes = stored(scene, saturation=float(fade), seed=int(100 * fade))
        assert classify(describe(frame_of(planes), TEN_BIT)).kind == "picture"


@pytest.mark.parametrize(("height", "width"), [(16, 64), (486, 640), (2, 16)])
def test_small_and_odd_rasters_are_described(height: int, width: int) -> None:
    planes = (
        np.full((height, width), 400, np.uint16),
        *(np.full((height, width // 2), 512, np.uint16) for _ in range(2)),
    )
    assert classify(describe(frame_of(planes), TEN_BIT)).kind == "picture"
