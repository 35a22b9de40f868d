"""Scenes and foolers: band limits, interlaced motion, film cadence, and that foolers carry no fault."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
import skimage.data
from scipy import ndimage, signal

from synthetic_clips.film import FilmScene
from synthetic_clips.foolers import BARS_75, FOOLERS
from synthetic_clips.pictures import (
    MOTIONS,
    PlateScene,
    Programme,
    pan,
    shot,
    single_shot,
    still_view,
    varied_programme,
)
from synthetic_clips.plates import DRAWINGS, STILLS, drawn_plate, still_plate

UPPER = np.arange(0, 486, 2, dtype=np.float32)
LOWER = UPPER + 1


def share_above(plane: np.ndarray, limit_hz: float, rate_hz: float) -> float:
    """Share of the detail (power along the line above 0.3 MHz) that lies above a frequency."""
    frequency, power = signal.welch(plane, fs=rate_hz, nperseg=256, axis=1)
    power = power.mean(axis=0)
    return float(power[frequency > limit_hz].sum() / power[frequency > 0.3e6].sum())


@pytest.mark.parametrize("kind", sorted(DRAWINGS))
def test_drawn_pictures_keep_within_the_band_of_broadcast_video(kind: str) -> None:
    """BT.601 luma passes to 5.75 MHz; chroma of composite video to about 1.3 MHz, in 4:2:2 to 2.75 MHz."""
    y, cb, _ = single_shot(1, "slow pan", kind=kind).field(0.21, UPPER)
    assert share_above(y, 6.0e6, 13.5e6) < 3e-3
    assert share_above(cb, 2.4e6, 6.75e6) < 3e-3
    assert y.dtype == np.float32
    assert y.shape == (243, 720)
    assert cb.shape == (243, 360)
    assert y.min() > 0
    assert y.max() < 255


def test_the_stills_named_are_bundled_and_give_pictures() -> None:
    folder = Path(skimage.data.__file__).parent
    assert [name for name in STILLS if not (folder / name).exists()] == []
    assert all(still_plate(name).y.std() > 5 for name in STILLS[:2])


@pytest.mark.parametrize("motion", MOTIONS)
def test_every_motion_gives_a_margin_that_continues_the_picture(motion: str) -> None:
    scene = shot(np.random.default_rng(4), motion, "525", plate=drawn_plate("abstract", 3))
    narrow, wide = scene.field(0.4, UPPER), scene.field(0.4, UPPER, margin=20)
    for a, b, m in zip(narrow, wide, (20, 10, 10), strict=True):
        assert b.shape[1] == a.shape[1] + 2 * m
        assert np.abs(b[:, m : m + a.shape[1]] - a).max() < 0.02


def test_a_pan_moves_by_the_same_way_from_field_to_field() -> None:
    """Interlaced cameras: motion is sampled at field rate, so a quarter of a sample a field is seen as that.

    Outside reference: scipy.ndimage.shift with splines of the fifth order.
    """
    scene = PlateScene(drawn_plate("texture", 1), pan(540, 380, columns_per_s=0.25 * 60))
    y = [scene.field(i / 60, UPPER)[0].astype(float) for i in (0, 1, 4)]
    assert np.abs(y[2][:, :-1] - y[0][:, 1:]).max() < 0.05
    want, beside = (ndimage.shift(y[0], (0, -step), order=5)[:, 8:-8] for step in (0.25, 0.26))
    slope = (beside - want) / 0.01
    assert ((y[1][:, 8:-8] - want) * slope).sum() / (slope**2).sum() == pytest.approx(0.0, abs=0.01)


def test_both_fields_of_a_still_together_are_the_plate() -> None:
    scene = PlateScene(drawn_plate("foliage", 1), still_view())
    plate = drawn_plate("foliage", 1).y[380 - 243 : 380 + 243, 540 - 360 : 540 + 360]
    for rows in (UPPER, LOWER):
        assert np.abs(scene.field(0.0, rows)[0] - plate[int(rows[0]) :: 2]).max() < 0.01


def test_a_varied_programme_cuts_every_one_to_four_seconds_and_repeats_from_its_seed() -> None:
    programme = varied_programme(7, 20)
    assert all(1 <= seconds <= 4 for _, seconds in programme.shots)
    assert sum(s for _, s in programme.shots) >= 20
    again = varied_programme(7, 20)
    assert again.cut_times_s() == programme.cut_times_s()
    assert np.array_equal(again.field(1.0, UPPER)[0], programme.field(1.0, UPPER)[0])


def test_a_programme_changes_scene_exactly_at_its_cut() -> None:
    a, b = (single_shot(i, "static", kind="graphics").shots[0][0] for i in (1, 2))
    programme = Programme(((a, 1.0), (b, 1.0)))
    assert np.array_equal(programme.field(0.99, UPPER)[0], a.field(0, UPPER)[0])
    assert np.array_equal(programme.field(1.0, UPPER)[0], b.field(0, UPPER)[0])


@pytest.mark.parametrize("name", sorted(FOOLERS))
def test_a_fooler_is_clean_legal_and_moves_only_if_it_does_not_say_static(name: str) -> None:
    programme = FOOLERS[name](3)
    first, later = programme.field(0.5, UPPER, margin=8), programme.field(1.5, UPPER, margin=8)
    for plane, low, high in zip(first, (-30, 0, 0), (290, 256, 256), strict=True):
        assert np.isfinite(plane).all()
        assert plane.min() > low
        assert plane.max() < high
    moved = float(np.abs(later[0] - first[0]).max())
    if name.startswith("static"):
        assert moved == 0
    elif name not in ("flat grey", "black", "caption over still"):
        assert moved > 1


def test_the_bars_have_the_published_codes() -> None:
    """75 % bars: BT.601 equations; the same codes in PyAV's pal75bars source."""
    y, cb, cr = FOOLERS["static bars"](0).field(0, UPPER)
    middle = (np.arange(8) * 90 + 45).astype(int)
    got = np.stack([y[100, middle], cb[100, middle // 2], cr[100, middle // 2]], axis=1)
    assert got == pytest.approx(np.array(BARS_75, float), abs=0.5)


@pytest.fixture(scope="module")
def counting_film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve progressive frames, each a little lighter than the one before."""
    path = tmp_path_factory.mktemp("film") / "count.mkv"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=Fraction(24))
        stream.width, stream.height, stream.pix_fmt = 320, 240, "yuv420p"
        for i in range(12):
            frame = av.VideoFrame(320, 240, "yuv420p")
            for plane, value in zip(frame.planes, (40 + 10 * i, 128, 128), strict=True):
                plane.update(bytes([value]) * plane.buffer_size)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


@pytest.mark.parametrize(("standard", "rate", "cadence"), [("525", 60 / 1.001, [3, 2]), ("625", 50.0, [2, 2])])
def test_film_runs_at_film_rate_over_fields(
    counting_film: Path, standard: str, rate: float, cadence: list[int]
) -> None:
    """2:3 pulldown in 525 (four film frames over ten fields), two fields a frame in 625 (common practice)."""
    film = FilmScene(counting_film, standard)  # type: ignore[arg-type]
    seen = [round(float(film.field(i / rate, UPPER)[0].mean() - 40) / 10) for i in range(20)]
    lengths = [seen.count(v) for v in range(4)]
    assert lengths == cadence * 2
    assert seen == sorted(seen)


def test_a_file_without_pictures_is_refused_as_film(tmp_path: Path) -> None:
    path = tmp_path / "sound.wav"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("pcm_s16le", rate=8000)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 800), np.int16), format="s16", layout="mono")
        frame.sample_rate = 8000
        container.mux(stream.encode(frame))
    with pytest.raises(ValueError, match="no picture"):
        FilmScene(path, "525")
