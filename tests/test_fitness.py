"""Copies whose rows are no longer the tape's lines are recognised; genuine material of every kind is not refused."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest
from carriers import CARRIERS, RATES, Carrier, Picture, Scene, clip, store
from copies import blended, filtered, line_doubled, pulled_down_from_film, repeated
from numpy.typing import NDArray
from scipy import stats

from detect.errors import NotMeasurable
from detect.measure.fields import Field, Frame, Transfer
from detect.measure.fitness import CHANCE, SCALINGS, PictureLook, _beats, _deinterlaced, _scaled, _swing
from detect.measure.media import open_transfer
from detect.standards import RASTERS, pass_of_rows
from synthetic_clips.deck import DeckFaults
from synthetic_clips.files import write_clip
from synthetic_clips.pictures import varied_programme
from synthetic_clips.rasters import StandardName
from synthetic_clips.render import render

LOOKED_AT = 48
"""Frames in the test clips: as many as are looked at in a long file."""


def stored(folder: Path, pictures: Iterable[Picture], height: int, carrier: str = "v210-mov") -> Path:
    how = CARRIERS[carrier]
    return store(folder / f"copy{how.suffix}", pictures, how, rate=RATES[height], flag="top")


def tape(height: int, **more: object) -> Iterable[Picture]:
    return Scene(height, **({"noise_codes": 4.0} | more)).frames(LOOKED_AT)  # type: ignore[arg-type]


# --- copies ----------------------------------------------------------------------------------------------------------


COPIES = {
    "lines doubled": (lambda: line_doubled(tape(576)), 576, "deinterlaced"),
    "adaptive deinterlacer": (lambda: filtered(tape(480), ("yadif", "mode=0")), 480, "deinterlaced"),
    "cubic deinterlacer": (lambda: filtered(tape(576), ("bwdif", "mode=0")), 576, "deinterlaced"),
    "three-field deinterlacer": (lambda: filtered(tape(480), ("w3fdif", "")), 480, "deinterlaced"),
    "frames doubled": (lambda: repeated(tape(480), every=1), 480, "repeat"),
    "24 to 30": (lambda: repeated(tape(480), every=4), 480, "repeat"),
    "25 to 30": (lambda: repeated(tape(480), every=5), 480, "repeat"),
    "480 to 576 by fields": (lambda: scaled(480, 576, "bilinear", 1), 576, "480 rows scaled to 576"),
    "486 to 576 by fields": (lambda: scaled(486, 576, "bicubic", 1), 576, "486 rows scaled to 576"),
    "480 to 576 by frames": (lambda: scaled(480, 576, "lanczos", 0), 576, "480 rows scaled to 576"),
    "576 to 480 by frames": (lambda: scaled(576, 480, "bilinear", 0), 480, "576 rows scaled to 480"),
}


def scaled(before: int, after: int, kernel: str, by_fields: int) -> Iterable[Picture]:
    return filtered(tape(before), ("scale", f"720:{after}:interl={by_fields}:flags={kernel}"))


QUICK_COPIES = ("adaptive deinterlacer", "24 to 30", "480 to 576 by fields")


@pytest.mark.parametrize("name", [pytest.param(n, marks=[] if n in QUICK_COPIES else [pytest.mark.long]) for n in COPIES])
def test_a_copy_that_lost_the_lines_is_refused_with_the_reason(tmp_path: Path, name: str) -> None:
    make, height, words = COPIES[name]
    with pytest.raises(NotMeasurable, match=words) as caught:
        open_transfer(stored(tmp_path, make(), height))
    assert "\n" not in str(caught.value)


def test_in_a_lossy_copy_the_same_only_warns(tmp_path: Path) -> None:
    transfer = open_transfer(stored(tmp_path, line_doubled(tape(576)), 576, "mpeg2-intra-mxf"))
    assert any("deinterlaced" in w and "lossy" in w for w in transfer.warnings)


def test_blended_fields_are_doubted_not_refused(tmp_path: Path) -> None:
    """A film of fine slanted patterns cannot be told from them, so this evidence alone refuses nothing."""
    transfer = open_transfer(stored(tmp_path, blended(tape(576)), 576))
    assert any("filtered together" in w for w in transfer.warnings)


# --- genuine material ------------------------------------------------------------------------------------------------


def no_doubt(transfer: Transfer) -> bool:
    return not any(word in w for w in transfer.warnings for word in ("deinterlaced", "scaled", "repeat", "filtered"))


@pytest.mark.parametrize("motion", ["fields", "frames", "still"])
@pytest.mark.parametrize("noise_codes", [pytest.param(0.0, marks=pytest.mark.long), 4.0, pytest.param(12.0, marks=pytest.mark.long)])
@pytest.mark.parametrize("height", [pytest.param(480, marks=pytest.mark.long), 576])
def test_interlaced_film_and_still_tapes_are_not_refused(tmp_path: Path, height: int, motion: str, noise_codes: float) -> None:
    transfer = open_transfer(stored(tmp_path, tape(height, motion=motion, noise_codes=noise_codes), height))
    assert no_doubt(transfer)
    assert any("one instant" in w for w in transfer.warnings) == (motion == "frames")


def test_film_pulled_down_before_the_tape_is_not_refused(tmp_path: Path) -> None:
    """3:2 pull-down (SMPTE RP 197): fields recur in the picture, but each with the tape's own noise."""
    film = Scene(480, motion="frames", noise_codes=0.0).frames(24)
    assert no_doubt(open_transfer(stored(tmp_path, pulled_down_from_film(film, noise_codes=3.0), 480)))


@pytest.mark.parametrize("level", [64, 300])
def test_black_and_a_flat_field_are_not_refused(tmp_path: Path, level: int) -> None:
    flat = np.full((486, 720), level, np.uint16)
    chroma = np.full((486, 360), 512, np.uint16)
    transfer = open_transfer(stored(tmp_path, [(flat, chroma, chroma)] * 8, 486))
    assert no_doubt(transfer)


def test_a_freeze_in_the_middle_is_no_frame_doubling(tmp_path: Path) -> None:
    live = list(tape(480))
    frozen = [*live[:12], *[live[12]] * 16, *live[13:25]]
    assert no_doubt(open_transfer(stored(tmp_path, frozen, 480)))


@pytest.mark.long
@pytest.mark.parametrize("motion", ["fields", "frames"])
@pytest.mark.parametrize("height", [480, 576])
@pytest.mark.parametrize("name", [n for n in CARRIERS if n not in ("jpeg2000-mxf",)])
def test_no_codec_makes_a_tape_look_like_a_copy(tmp_path: Path, name: str, height: int, motion: str) -> None:
    if name.startswith("dv25-420") and height == 480:
        pytest.skip("DV25 of 525 lines is 4:1:1 (SMPTE ST 314)")
    transfer = open_transfer(clip(tmp_path, name, Scene(height, motion=motion), frames=16, flag="top"))
    assert no_doubt(transfer)


@pytest.mark.parametrize("height", [512, 608])
@pytest.mark.parametrize("codec", ["mpeg2_intra", pytest.param("ffv1", marks=pytest.mark.long)])
def test_data_lines_above_the_picture_are_no_sign_of_deinterlacing(tmp_path: Path, height: int, codec: str) -> None:
    """Time code and blanking lie on one parity only, and are the quietest part of the picture."""
    standard: StandardName = "525" if height == 512 else "625"
    tape_frames = render(
        varied_programme(2, 3, standard),
        DeckFaults(standard=standard),
        frames=50,
        height=height,
        rng=np.random.default_rng(2),
    )
    path = write_clip(tmp_path / ("tape.mxf" if codec == "mpeg2_intra" else "tape.mkv"), tape_frames, codec=codec)
    assert no_doubt(open_transfer(path))


def test_the_chance_given_for_a_lean_is_the_chance_it_happens() -> None:
    """Pictures of one place agree with each other, so places are counted: white leans call no tape deinterlaced."""
    rng = np.random.default_rng(8)
    called = 0
    for _ in range(500):
        look = PictureLook(parity_lean=list(rng.normal(0, 0.3, 8)), turning_lean=list(rng.normal(0, 0.3, 8)))
        called += _deinterlaced(look)
    assert called <= stats.binom.ppf(0.999, 500, CHANCE)


def look_of_heads(height: int, phase_lines: float, noise_db: NDArray[np.float64], rng: np.random.Generator) -> PictureLook:
    """Flat pictures with noise that differs from band to band of the wheel."""
    bands = pass_of_rows(RASTERS[height].standard, phase_lines, np.arange(height)) % 4
    return look_of_rows(4 * 10 ** (noise_db / 20)[bands], rng)


def look_of_rows(sigma: NDArray[np.float64], rng: np.random.Generator) -> PictureLook:
    """Flat pictures with so much noise in each row, codes of 10 bits."""
    height = len(sigma)
    look = PictureLook()
    for place in range(6):
        run = []
        for number in range(3 * place, 3 * place + 3):
            rows = np.rint(500 + sigma[:, None] * rng.normal(size=(height, 360))).astype(np.uint16)
            one, two = (Field(number, i, i, rows[i::2], None, None) for i in (0, 1))
            run.append(Frame(number, (one, two)))
        look.add(run)
    return look


EVERY_HEIGHT = [pytest.param(h, marks=[] if h in (486, 576) else [pytest.mark.long]) for h in RASTERS]


@pytest.mark.parametrize("height", EVERY_HEIGHT)
def test_bands_of_noisy_heads_are_no_beat_of_scaling(tmp_path: Path, height: int) -> None:
    rng = np.random.default_rng(height)
    transfer = open_transfer(clip(tmp_path, "v210-mov", Scene(height), frames=4))
    for _ in range(3):
        noise_db = rng.choice([0.0, 1.0, 3.0, 6.0, 10.0], 4)
        look = look_of_heads(height, float(rng.uniform(0, 15.6)), noise_db, rng)
        assert _scaled(look, transfer) is None


@pytest.mark.parametrize("height", EVERY_HEIGHT)
def test_noise_that_rises_along_every_pass_is_no_beat_of_scaling(tmp_path: Path, height: int) -> None:
    """The third overtone of a pass of 525 lines, 0.1829 cycles a line, lies next to the beat of 486 in 576 rows, 0.1852."""
    rng = np.random.default_rng(height)
    standard = RASTERS[height].standard
    transfer = open_transfer(clip(tmp_path, "v210-mov", Scene(height), frames=4))
    for _ in range(3):
        place = (np.arange(height) / 2 - float(rng.uniform(0, 15.6))) / float(standard.lines_per_pass) % 1
        noise_db = 6 * np.clip(place / 0.3 - 7 / 3, 0, 1)
        look = look_of_rows(4 * 10 ** (noise_db / 20), rng)
        assert _scaled(look, transfer) is None


def test_the_chance_given_for_a_beat_is_the_chance_it_happens() -> None:
    """White profiles: chances must be uniform (Kolmogorov-Smirnov), or the limit on them means nothing."""
    rng = np.random.default_rng(6)
    chances = [_swing(rng.normal(size=(2, 280)), float(SCALINGS[0].beat))[2] for _ in range(300)]
    assert stats.kstest(chances, "uniform").pvalue > 0.01


def test_a_beat_must_be_in_step_in_both_halves() -> None:
    place = np.arange(280)
    rng = np.random.default_rng(7)

    def profile(turn: float) -> NDArray[np.float64]:
        wave = 0.6 * np.cos(2 * np.pi * place / 6 + turn)
        return np.stack([wave, wave]) + rng.normal(0, 0.1, (2, 280))

    assert _beats([profile(0.0), profile(0.0)], SCALINGS[0].beat, turn=62.5)
    assert not _beats([profile(0.0), profile(np.pi)], SCALINGS[0].beat, turn=62.5)


# --- what a carrier takes away ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "height", "words"),
    [
        ("v210-mov", 486, None),
        ("prores-hq-mov", 486, "lossy"),
        ("dv25-411-mov", 480, "4:1:1"),
        ("mpeg2-gop-mkv", 576, "4:2:0"),
        ("h264-8bit-gop-mkv", 576, "compensated dropouts"),
    ],
)
def test_a_carrier_says_what_it_cannot_show(tmp_path: Path, name: str, height: int, words: str | None) -> None:
    limits = open_transfer(clip(tmp_path, name, Scene(height), frames=4)).limits
    assert (limits == ()) if words is None else any(words in text for text in limits)


def test_monochrome_files_say_that_colour_is_missing(tmp_path: Path) -> None:
    gray = Carrier("gray", "ffv1", "gray", ".mkv", {"g": "1"})
    assert any("no colour" in text for text in open_transfer(clip(tmp_path, gray, Scene(480), frames=4)).limits)


def test_grouped_pictures_of_a_lossless_codec_take_nothing_away(tmp_path: Path) -> None:
    """FFV1 with more than one picture in a group carries its coder's state over, not its pictures (RFC 9043, section 4.4, from memory)."""
    grouped = Carrier("grouped", "ffv1", "yuv422p10", ".mkv", {"g": "12", "level": "3"})
    transfer = open_transfer(clip(tmp_path, grouped, Scene(486), frames=4))
    assert not transfer.intra_only
    assert transfer.limits == ()
