"""Losses: found where they were put, with their ends and kinds, and nowhere else; the arithmetic against scipy."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import scipy.ndimage

from detect.measure import loss_kernels as kernels
from detect.measure import loss_score, losses
from detect.measure.fields import Field, Frame, SampleFormat
from detect.measure.loss_candidates import KINDS
from detect.measure.loss_weighing import moves_of
from detect.measure.losses import LIKELY, OVERLAP_FRAMES, LossFinder
from detect.standards import STD_525
from tests import losses_material as m
from tests.losses_clips import match_arrays

RASTER = m.raster_of(486)
FORMAT = SampleFormat(10, 2, 1, False, True)
Arrays = dict[str, np.ndarray]


def frames_of(scene: m.Scene, fields: int, damage: list[m.Damage] = [], **recipe: float) -> list[Frame]:  # noqa: B006
    return [f for f, _ in m.render([(scene, fields)], RASTER, m.Recipe(**recipe), damage, seed=5)]  # type: ignore[arg-type]


def search(
    frames: list[Frame], *, cuts: tuple[int, ...] = (), samples: SampleFormat = FORMAT, codec: str = "ffv1"
) -> Arrays:
    finder = LossFinder(samples, height=486, width=720, standard=STD_525, codec=codec)
    for frame in frames:
        finder.push(frame, cut=frame.number in cuts)
    return finder.finish()


def blanked(frame: Frame) -> Frame:
    """The frame with the first three lines of both fields at 10-bit black."""
    fields = [replace(f, y=np.concatenate([np.full_like(f.y[:3], 64), f.y[3:]])) for f in frame.fields]
    return replace(frame, fields=(fields[0], fields[1]))


def likely(arrays: Arrays) -> Arrays:
    keep = arrays["score"] >= LIKELY
    return {name: values[keep] for name, values in arrays.items()}


@pytest.fixture(scope="module")
def moving() -> m.Scene:
    return m.pan(m.still("coffee"), RASTER.height, vx=4.3, vy=0.7)


DAMAGE = [
    m.Damage(5, 40, 100, 130, "white"),
    m.Damage(6, 120, 300, 400, "black"),
    m.Damage(8, 200, 500, 560, "noise"),
    m.Damage(9, 80, 200, 300, "compensated"),
    m.Damage(11, 150, 350, 365, "white"),
    m.Damage(12, 60, 600, 650, "white", 3),
]


@pytest.fixture(scope="module")
def damaged(moving: m.Scene) -> list[Frame]:
    return frames_of(moving, 20, DAMAGE)


@pytest.fixture(scope="module")
def found(damaged: list[Frame]) -> Arrays:
    return likely(search(damaged))


def test_every_injected_loss_is_found_and_nothing_else(found: Arrays) -> None:
    index = match_arrays(found, DAMAGE)
    assert set(index.tolist()) == set(range(len(DAMAGE)))


def test_ends_are_exact_within_two_samples(found: Arrays) -> None:
    for i, d in enumerate(DAMAGE):
        mine = match_arrays(found, DAMAGE) == i
        slack = 4 if d.kind == "noise" else 2  # noise may begin at the picture's own level
        assert np.all(np.abs(found["x0"][mine] - d.x0) <= slack), d
        assert np.all(np.abs(found["x1"][mine] - d.x1) <= slack), d


def test_kinds_are_told(found: Arrays) -> None:
    index = match_arrays(found, DAMAGE)
    assert {KINDS[k] for i, k in zip(index, found["kind"], strict=True) if i == 3} == {"compensated"}
    for i, k in zip(index, found["kind"], strict=True):
        assert KINDS[k] == DAMAGE[i].kind


def test_adjacent_lines_of_one_loss_share_a_run(found: Arrays) -> None:
    mine = match_arrays(found, DAMAGE) == 5
    assert mine.sum() == 3
    assert len(np.unique(found["run"][mine])) == 1
    assert len(np.unique(found["run"])) == len(DAMAGE)


def test_a_slice_with_its_overlap_gives_what_the_whole_gives(damaged: list[Frame]) -> None:
    whole = search(damaged)
    middle = 5
    first = search(damaged[: middle + OVERLAP_FRAMES])
    second = search(damaged[middle - OVERLAP_FRAMES :])
    for name, values in whole.items():
        joined = np.concatenate([first[name][first["frame"] < middle], second[name][second["frame"] >= middle]])
        np.testing.assert_array_equal(joined, values, err_msg=name)


def test_nothing_is_lost_in_a_whip_pan() -> None:
    whip = m.pan(m.still("brick"), RASTER.height, vx=24, vy=2)
    assert len(likely(search(frames_of(whip, 24)))["frame"]) == 0


def test_nothing_is_lost_at_a_cut() -> None:
    shots = [(m.pan(m.still("brick"), 486, vx=5, vy=1), 10), (m.pan(m.still("coffee"), 486, vx=-4, vy=0), 10)]
    frames = [f for f, _ in m.render(shots, RASTER, m.Recipe(), [], seed=2)]
    assert len(likely(search(frames, cuts=(5,)))["frame"]) == 0


def test_a_loss_next_to_a_cut_is_found() -> None:
    shots = [(m.pan(m.still("coffee"), 486, vx=5, vy=1), 10), (m.pan(m.still("chelsea"), 486, vx=-4, vy=0), 10)]
    damage = [m.Damage(9, 100, 200, 280, "white"), m.Damage(10, 150, 200, 280, "noise")]
    frames = [f for f, _ in m.render(shots, RASTER, m.Recipe(), damage, seed=2)]
    assert set(match_arrays(likely(search(frames, cuts=(5,))), damage).tolist()) == {0, 1}


@pytest.mark.parametrize("known", ["past", "ahead"])
def test_beside_a_cut_the_flow_of_the_other_side_is_used_as_it_is(known: str) -> None:
    """Of the two flows one has a cell for each part of the picture, the other, beyond the cut, none but a zero."""
    rows, columns = 40, 60
    moving = np.zeros((rows, columns, 2), np.float32)
    moving[..., 0], moving[..., 1] = np.arange(columns), np.arange(rows)[:, None]
    nothing = np.zeros((1, 1, 2), np.float32)
    past, ahead = (moving, nothing) if known == "past" else (nothing, moving)
    moves = np.full((3, 4, 2), np.nan, np.float32)
    moves_of(past, ahead, np.array([2, 2], np.float32), 0.0, 120.0, 360.0, 240, 720, moves)
    seen, unseen = ((0, 1), (2, 3)) if known == "past" else ((3, 2), (1, 0))
    np.testing.assert_array_equal(moves[1, seen[0]], [30, 20])
    np.testing.assert_array_equal(moves[1, seen[1]], [15, 10])
    np.testing.assert_array_equal(moves[:, unseen], 0)


def test_skipped_frames_leave_only_the_other_field_to_ask(damaged: list[Frame]) -> None:
    arrays = search(damaged[::2])
    assert set(arrays["neighbours"][arrays["kind"] < 3].tolist()) <= {1}


def test_damaged_frames_are_neither_searched_nor_asked(moving: m.Scene) -> None:
    frames = frames_of(moving, 12, [m.Damage(4, 100, 200, 280, "white")])
    frames[2] = Frame(2, frames[2].fields, damaged=True)
    arrays = search(frames)
    assert 2 not in arrays["frame"]


@pytest.mark.parametrize("count", [0, 1, 2])
def test_very_short_files_are_searched_without_error(moving: m.Scene, count: int) -> None:
    arrays = search(frames_of(moving, 4)[:count])
    assert len(likely(arrays)["frame"]) == 0


def test_black_and_flat_pictures_hold_no_losses() -> None:
    for level in (0.0, 50.0):
        arrays = search(frames_of(lambda t, v=level: np.full((486, 720), v, np.float32), 12))  # type: ignore[misc]
        assert len(likely(arrays)["frame"]) == 0


def test_a_picture_without_noise_holds_no_repeats() -> None:
    frames = frames_of(m.pan(m.still("coffee"), 486, vx=0, vy=0), 12, noise_ire=0.0)
    assert not np.any(likely(search(frames))["kind"] == KINDS.index("compensated"))


def test_blanked_lines_under_a_noisy_picture_hold_no_repeats(moving: m.Scene) -> None:
    """BT.601 blanking is one code, without noise: lines 1 and 2 of a field equal line 0, and nothing was repeated."""
    frames = [blanked(f) for f in frames_of(moving, 6, noise_ire=1.0)]
    assert not np.any(likely(search(frames))["kind"] == KINDS.index("compensated"))


def test_eight_bits_do_as_well(moving: m.Scene) -> None:
    frames = frames_of(moving, 20, DAMAGE, bit_depth=8)
    index = match_arrays(likely(search(frames, samples=SampleFormat(8, 2, 1, False, True))), DAMAGE)
    assert set(index.tolist()) >= {0, 1, 2, 4, 5}
    assert -1 not in index


def test_repeats_are_not_looked_for_where_the_carrier_hides_them(damaged: list[Frame]) -> None:
    finder = LossFinder(FORMAT, height=486, width=720, standard=STD_525, codec="h264")
    assert finder.compensated_share == 0
    assert not np.any(search(damaged, codec="h264")["kind"] == KINDS.index("compensated"))


def test_memory_is_bounded_and_says_so(damaged: list[Frame], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(losses, "MOST_KEPT", 4)
    finder = LossFinder(FORMAT, height=486, width=720, standard=STD_525)
    for frame in damaged:
        finder.push(frame, cut=False)
    arrays = finder.finish()
    assert len(arrays["frame"]) <= 4
    assert finder.dropped > 0


def test_planes_are_copied_so_that_a_decoder_may_reuse_them(damaged: list[Frame], found: Arrays) -> None:
    finder = LossFinder(FORMAT, height=486, width=720, standard=STD_525)
    buffers = [np.empty((243, 720), np.uint16) for _ in range(2)]
    for frame in damaged:
        fields = []
        for field, buffer in zip(frame.fields, buffers, strict=True):
            buffer[:] = field.y
            fields.append(Field(field.frame, field.index, field.row0, buffer, None, None))
        finder.push(Frame(frame.number, (fields[0], fields[1])), cut=False)
    np.testing.assert_array_equal(likely(finder.finish())["run"], found["run"])


def test_the_range_is_that_of_scipy() -> None:
    """Outside check: scipy.ndimage's maximum and minimum filters, one neighbour after the other."""
    rng = np.random.default_rng(3)
    y = np.zeros((7, 24, 64), np.int16)
    y[:6] = rng.integers(0, 1023, (6, 24, 64))
    tall = scipy.ndimage.maximum_filter1d(y, 7, axis=2, mode="nearest").astype(np.int16)
    low = scipy.ndimage.minimum_filter1d(y, 7, axis=2, mode="nearest").astype(np.int16)
    out, top = np.zeros((24, 64), np.int16), np.zeros(24, np.int16)
    kernels.range_excess(y, tall, low, np.array([0, 1, 3, 4]), 2, 0, out, top)
    for i in range(4, 20):
        pairs = [(1, 1), (1, 2), (2, 1), (1, 3), (2, 2), (3, 1)]

        def block(f: np.ndarray, side: int, count: int, least: bool, i: int = i) -> np.ndarray:
            lines = [f[2, i + side * k] for k in range(1, count + 1)]
            return np.min(lines, 0) if least else np.max(lines, 0)

        high = np.min([np.maximum(block(tall, -1, a, True), block(tall, 1, b, True)) for a, b in pairs], 0)
        deep = np.max([np.minimum(block(low, -1, a, False), block(low, 1, b, False)) for a, b in pairs], 0)
        around_high = [tall[0, i], tall[4, i], tall[1, i], tall[1, i + 1], tall[3, i], tall[3, i + 1], high]
        around_deep = [low[0, i], low[4, i], low[1, i], low[1, i + 1], low[3, i], low[3, i + 1], deep]
        expected = np.maximum(0, np.maximum(y[2, i] - np.max(around_high, 0), np.min(around_deep, 0) - y[2, i]))
        np.testing.assert_array_equal(out[i], expected)
        assert top[i] == expected.max()


@pytest.mark.parametrize("noise_ire", [0.3, 1.0, 2.0])
def test_the_noise_floor_is_the_noise_that_was_put_in(noise_ire: float) -> None:
    ramp: m.Scene = lambda t: np.linspace(20, 80, 720, dtype=np.float32)[None].repeat(486, 0)  # noqa: E731
    finder = LossFinder(FORMAT, height=486, width=720, standard=STD_525)
    finder.push(frames_of(ramp, 2, noise_ire=noise_ire)[0], cut=False)
    assert finder._noise(0) / 8.76 == pytest.approx(noise_ire, rel=0.12)


def test_measured_lengths_keep_to_what_is_known_of_dropouts() -> None:
    """Common practice (sources of docs/dropouts.md): none below about 0.5 us, most at 1 to 2 us."""
    rng = np.random.default_rng(8)
    damage = m.random_damage(rng, fields=60, lines=243, per_minute=24000, kinds=("white",), multi_line=0.0)
    flat: m.Scene = lambda t: np.full((486, 720), 40.0, np.float32)  # noqa: E731
    arrays = likely(search(frames_of(flat, 60, damage)))
    lengths_us = (arrays["x1"] - arrays["x0"]) * 0.0740741
    assert len(lengths_us) > 0.9 * len(damage)
    counts, edges = np.histogram(lengths_us, np.arange(0, 8, 0.5))
    assert counts[0] < 0.02 * len(lengths_us)
    assert 1.0 <= edges[int(np.argmax(counts))] < 2.0


def test_the_small_picture_is_what_opencv_makes_of_it() -> None:
    """OpenCV INTER_AREA, whole factors: means of the samples covered, rounded."""
    y = np.random.default_rng(5).integers(0, 1024, (243, 720)).astype(np.int16)
    out = np.empty((121, 240), np.uint8)
    kernels.small_picture(y, 3, 2, out)
    area = cv2.resize(y[:242].astype(np.float64), (240, 121), interpolation=cv2.INTER_AREA)
    np.testing.assert_array_equal(out, np.floor(np.floor(area + 0.5 + 1e-9) / 4))


def test_the_score_reads_its_tables_as_numpy_does() -> None:
    """numpy.interp: straight between knots, held at the ends."""
    rng = np.random.default_rng(6)
    runs = (rng.random((400, len(loss_score.COLUMNS))) * 60 + 1).astype(np.float32)
    runs[:, loss_score.COLUMNS.index("x1")] += runs[:, loss_score.COLUMNS.index("x0")]
    expected = np.full(len(runs), loss_score.CONSTANT)
    for name, values in loss_score.measures(runs).items():
        expected += np.interp(values, loss_score.KNOTS[name], loss_score.TABLES[name])
    np.testing.assert_allclose(loss_score.log_odds(runs), expected, atol=1e-5)
    assert len(loss_score.log_odds(runs[:0])) == 0
