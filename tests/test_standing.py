"""Dashes that come back in every pass: in one field, and over the frames of a shot. Passes of 525/32 and 125/8 lines (derived)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import cv2
import numpy as np
import pytest

from detect.judge.loss_choice import choose_losses
from detect.judge.standing import with_standing
from detect.measure import standing_losses
from detect.measure.fields import Field, Frame, SampleFormat
from detect.measure.loss_candidates import OUTPUT
from detect.measure.losses import LossFinder
from detect.measure.standing_losses import BRIGHT, DARK, StandingFinder
from detect.standards import STANDARDS
from tests import losses_material as m

IRE = 8.76
"""Codes of ten bits: 876 from black to white (BT.601)."""
LEFT, RIGHT, BLANKING = 6, 714, 122


def field(standard: str, *, seed: int = 0) -> np.ndarray:
    """Noise on grey; lines by 720 samples."""
    lines = 243 if standard.startswith("525") else 288
    return np.random.default_rng(seed).normal(500, 8, (lines, 720)).astype(np.int16)


def dashed(y: np.ndarray, at: list[tuple[int, int]], *, length: int = 24, ire: float = 60.0) -> np.ndarray:
    for line, x in at:
        if 0 <= line < len(y):
            y[line, max(x, 0) : max(x + length, 0)] += np.int16(ire * IRE)
    return y


def stacked(y: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A field as the finder has it: as it is, and widened along the line."""
    widen = np.ones((1, 7), np.uint8)
    return y[None], cv2.dilate(y, widen)[None], cv2.erode(y, widen)[None]


def recurring(y: np.ndarray, standard: str) -> int:
    """How many dashes the finder gives of one field alone."""
    return len(StandingFinder(STANDARDS[standard], (1, len(y), LEFT, RIGHT), ire=IRE).find(*stacked(y), 0, 0, 0))


def in_the_signal(standard: str, place: float) -> list[tuple[int, int]]:
    """Lines and samples of one place of every pass of a field, counted through the blanking."""
    about = STANDARDS[standard]
    times = (place + np.arange(22)) * float(about.lines_per_pass)
    x = (times % 1.0) * float(about.samples_per_line) - BLANKING
    return [(int(t), int(s)) for t, s in zip(times, x, strict=True)]


@pytest.mark.parametrize("standard", ["525/59.94", "625/50"])
@pytest.mark.parametrize("place", [0.05, 0.31, 0.55, 0.8])
@pytest.mark.parametrize("ire", [60.0, -50.0])
def test_a_scratch_is_found_in_one_field(standard: str, place: float, ire: float) -> None:
    at = in_the_signal(standard, place)
    y = dashed(field(standard), at, ire=ire)
    seen = sum(0 < line < len(y) - 1 and LEFT + 60 < x < RIGHT - 84 for line, x in at)
    assert seen - 1 <= recurring(y, standard) <= seen + 3


@pytest.mark.parametrize("standard", ["525/59.94", "625/50"])
def test_so_is_one_on_whole_lines(standard: str) -> None:
    """A player that counts passes by whole lines puts the dashes below each other."""
    period = float(STANDARDS[standard].lines_per_pass)
    at = [(int(5.3 + k * period), 300) for k in range(20)]
    y = dashed(field(standard), at)
    assert recurring(y, standard) >= sum(1 < line < len(y) - 2 for line, _ in at) - 1


@pytest.mark.parametrize("standard", ["525/59.94", "625/50"])
def test_no_other_period_is_a_pass(standard: str) -> None:
    true = float(STANDARDS[standard].lines_per_pass)
    for period in [p for p in (13.0, 14.3, 15.0, 16.0, 17.0, 18.2, 20.0) if abs(p - true) > 0.3]:
        at = [(int(4.6 + k * period), 300) for k in range(22)]
        assert recurring(dashed(field(standard), at), standard) == 0, period


def test_dashes_anywhere_are_none() -> None:
    found = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        at = [(int(rng.integers(2, 240)), int(rng.integers(60, 640))) for _ in range(60)]
        found += recurring(dashed(field("525/59.94", seed=seed), at), "525/59.94")
    assert found == 0


def test_a_wall_of_bricks_a_pass_high_is_none() -> None:
    period = float(STANDARDS["525/59.94"].lines_per_pass)
    at = [(int(5.3 + k * period), 40 * j) for k in range(20) for j in range(2, 16)]
    assert recurring(dashed(field("525/59.94"), at), "525/59.94") == 0


def over_frames(pictures: Iterable[np.ndarray], standard: str) -> list[np.ndarray]:
    """What the finder gives of each: field 0 of one frame after another."""
    lines = 243 if standard.startswith("525") else 288
    finder = StandingFinder(STANDARDS[standard], (1, lines, LEFT, RIGHT), ire=IRE)
    return [finder.find(*stacked(y), 0, frame, 0).copy() for frame, y in enumerate(pictures)]


@pytest.mark.parametrize("standard", ["525/59.94", "625/50"])
@pytest.mark.parametrize("share", [0.3, 0.5])
def test_a_scratch_of_some_passes_that_is_white_or_black_is_found_over_frames(standard: str, share: float) -> None:
    """Three or four dashes of one sign in a field prove nothing; in eight frames nearly all passes have had one."""
    rng, made, pictures = np.random.default_rng(5), [], []
    for frame in range(40):
        wander = int(8 * np.sin(frame / 9))
        at = [(line, x + wander) for line, x in in_the_signal(standard, 0.55) if rng.random() < share]
        y = field(standard, seed=frame)
        for place in at:
            dashed(y, [place], ire=60.0 if rng.random() < 0.5 else -50.0)
        made.append(sum(1 < line < len(y) - 2 and LEFT + 60 < x < RIGHT - 84 for line, x in at))
        pictures.append(y)
    kept = [len(found) for found in over_frames(pictures, standard)]
    assert sum(kept[8:]) > 0.95 * sum(made[8:])


@pytest.mark.parametrize("moves", [True, False])
def test_dashes_anywhere_in_a_picture_that_moves_or_stands_are_none(moves: bool) -> None:
    def pictures(seed: int) -> Iterator[np.ndarray]:
        for frame in range(25):
            rng = np.random.default_rng([seed, frame if moves else 0])
            at = [(int(rng.integers(2, 240)), int(rng.integers(60, 640))) for _ in range(40)]
            yield dashed(field("525/59.94", seed=frame), at)

    assert sum(len(found) for seed in range(8) for found in over_frames(pictures(seed), "525/59.94")) == 0


def test_a_wall_that_slides_by_is_none() -> None:
    """Bricks of many heights: their rows are as far apart in every pass as lines below each other are."""
    for height in (8.0, 15.0, 16.0, 16.40625, 17.0):
        bricks = [(int(5.3 + n * height), 60 * j + 30 * (n % 2)) for n in range(28) for j in range(11)]
        walls = (dashed(field("525/59.94", seed=k), [(line, (x + 7 * k) % 640) for line, x in bricks]) for k in range(20))
        assert sum(len(found) for found in over_frames(walls, "525/59.94")) == 0, height


FRAMES, PERIOD = 150, 525 / 32


def candidates(present: np.ndarray, *, first: int = 0, contrast: float = 60.0, kind: int = BRIGHT) -> dict[str, np.ndarray]:
    """``present`` (frames, passes): which of the dashes 16 and 17 lines apart are there."""
    frame, k = np.nonzero(present)
    values = {
        "frame": frame + first, "field": 0 * k, "line": (8 + 16.40625 * k).astype(int), "x0": 0 * k + 300, "x1": 0 * k + 324,
        "kind": 0 * k + kind, "score": 0.0 * k - 3, "run": np.arange(len(k)), "neighbours": 0 * k + 4, "contrast_ire": 0.0 * k + contrast,
        "crowd": 0 * k, "leak": 0.0 * k, "stack": 0 * k + 1,
    }  # fmt: skip
    return {name: values[name].astype(dtype) for name, dtype in OUTPUT.items()}


def proven(losses: dict[str, np.ndarray], cuts: list[int]) -> int:
    out = with_standing(losses, np.array(cuts, np.int64), FRAMES, PERIOD)
    assert (out["kind"] < 2).all()  # those that are not proven are left out
    return int(out["sure"].sum())


def test_a_scratch_that_misses_a_pass_now_and_then_is_no_picture() -> None:
    there = np.random.default_rng(1).random((FRAMES, 14)) < 0.8
    assert proven(candidates(there), []) == there.sum()
    assert proven(candidates(there, kind=DARK), []) == there.sum()


def test_so_is_one_that_is_white_in_one_pass_and_black_in_the_next() -> None:
    """Of either sign a line shows one in a quarter of the frames; of both, in half of them."""
    rng = np.random.default_rng(3)
    there, white = rng.random((FRAMES, 14)) < 0.5, rng.random((FRAMES, 14)) < 0.5
    losses = candidates(there)
    losses["kind"] = np.where(white[np.nonzero(there)], BRIGHT, DARK).astype(losses["kind"].dtype)
    assert proven(losses, []) == there.sum()


def test_what_is_in_every_frame_of_a_shot_is_the_picture_s() -> None:
    assert proven(candidates(np.ones((60, 14), bool), first=40), [40, 100]) == 0
    assert proven(candidates(np.ones((FRAMES, 14), bool)), []) == 0


def test_weak_dashes_that_come_and_go_are_the_picture_s() -> None:
    there = np.random.default_rng(2).random((FRAMES, 14)) < 0.8
    assert proven(candidates(there, contrast=12.0), []) == 0


def test_what_goes_on_over_a_cut_is_on_the_tape() -> None:
    assert proven(candidates(np.ones((FRAMES, 14), bool)), [70]) == FRAMES * 14


def test_so_is_what_begins_and_ends_without_one() -> None:
    assert proven(candidates(np.ones((60, 14), bool), first=40), []) == 60 * 14


def test_what_fades_in_and_out_is_the_picture_s() -> None:
    losses = candidates(np.ones((60, 14), bool), first=40)
    away = np.minimum(losses["frame"] - 40, 99 - losses["frame"])
    losses["contrast_ire"] = np.clip(10.0 + 5.0 * away, 0, 60).astype(np.float32)
    assert proven(losses, []) == 0


def test_what_a_proven_dash_leaves_beside_it_is_no_light_of_the_picture() -> None:
    losses = candidates(np.ones((FRAMES, 14), bool))
    count = len(losses["frame"])
    both = {name: np.concatenate([values, values]) for name, values in losses.items()}
    both["line"][count:] += np.int16(1)
    both["kind"][count:] = 0
    both["leak"][count:] = 0.3
    far = {name: values.copy() for name, values in both.items()}
    far["x0"][count:] += np.int16(40)
    far["x1"][count:] += np.int16(40)
    assert len(with_standing(both, np.array([70]), FRAMES, PERIOD)["frame"]) == count
    assert len(with_standing(far, np.array([70]), FRAMES, PERIOD)["frame"]) == 2 * count


def test_dashes_that_move_through_the_picture_are_its_own() -> None:
    losses = candidates(np.ones((FRAMES, 14), bool))
    losses["line"] = (losses["line"] + losses["frame"] * 2 % 16).astype(np.int16)
    assert proven(losses, [70]) == 0


def test_what_a_pan_carries_along_its_lines_is_the_picture_s() -> None:
    there = np.random.default_rng(1).random((FRAMES, 14)) < 0.8
    losses = candidates(there)
    for x in ("x0", "x1"):
        losses[x] = (losses[x] + 2 * losses["frame"]).astype(np.int16)
    assert proven(losses, [70]) == 0


def test_a_scratch_that_wanders_is_none_of_these() -> None:
    there = np.random.default_rng(1).random((FRAMES, 14)) < 0.8
    losses = candidates(there)
    to_and_fro = np.random.default_rng(2).normal(0, 20, FRAMES)[losses["frame"]]
    wander = np.round(to_and_fro + np.random.default_rng(3).normal(0, 5, len(losses["frame"])))
    for x in ("x0", "x1"):
        losses[x] = (losses[x] + wander).astype(np.int16)
    assert proven(losses, []) == there.sum()


@pytest.mark.parametrize("first", [2.0, 5.3, 8.125, 8.75, 12.6, 16.0])
def test_dashes_below_each_other_in_every_pass_are_a_scratch_s_wherever_the_first_lies(first: float) -> None:
    there = np.random.default_rng(1).random((FRAMES, 14)) < 0.8
    losses = candidates(there)
    losses["line"] = (first + PERIOD * np.nonzero(there)[1]).astype(np.int16)
    assert proven(losses, []) == there.sum()


@pytest.mark.parametrize("along", [0, 60])
def test_things_below_each_other_that_leave_out_passes_are_the_picture_s(along: int) -> None:
    """A wall of screens whose copies lie a turn of the wheel apart, with a gap in every copy. On tape dashes would lie along lines too."""
    there = np.random.default_rng(1).random((FRAMES, 14)) < 0.8
    there[:, np.arange(14) % 4 >= 2] = False
    losses = candidates(there)
    for x in ("x0", "x1"):
        losses[x] = (losses[x] + along * (losses["line"] // 32)).astype(np.int16)
    assert proven(losses, []) == (there.sum() if along else 0)


def test_a_moment_is_not_judged() -> None:
    assert proven(candidates(np.ones((6, 14), bool), first=40), []) == 0


def test_of_a_long_scratch_some_frames_are_kept_and_the_others_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(standing_losses, "MOST_KEPT", 100)
    monkeypatch.setattr(standing_losses, "KEPT_EVERY", 4)
    finder = LossFinder(SampleFormat(10, 2, 1, False, True), height=486, width=720, standard=STANDARDS["525/59.94"])
    places = [(line, x) for line, x in in_the_signal("525/59.94", 0.55) if 1 < line < 241 and LEFT + 60 < x < RIGHT - 84]
    y = dashed(field("525/59.94"), places)
    for number in range(60):
        grey = np.full((243, 360), 512, np.uint16)
        fields = [Field(number, k, k, y.astype(np.uint16), grey, grey) for k in (0, 1)]
        finder.push(Frame(number, (fields[0], fields[1])), cut=False)
    kept = finder.finish()
    standing = kept["frame"][kept["kind"] == BRIGHT]
    assert len(standing) + finder.dropped == 2 * 60 * len(places)
    assert set(standing[standing > 20] % 4) == {0}


@pytest.mark.parametrize("kind", ["white", "black"])
def test_a_scratch_in_every_pass_of_a_moving_picture_is_found_with_its_ends(kind: str) -> None:
    raster, fields, first, after = m.raster_of(486), 120, 40, 100
    places = [(line, x) for line, x in in_the_signal("525/59.94", 0.55) if 1 < line < 241 and LEFT + 60 < x < RIGHT - 84]
    damage = [m.Damage(field, line, x, x + 24, kind) for field in range(first, after) for line, x in places]
    scene = m.pan(m.still("coffee"), raster.height, vx=4.3, vy=0.7)
    finder = LossFinder(SampleFormat(10, 2, 1, False, True), height=486, width=720, standard=STANDARDS["525/59.94"])
    for frame, _ in m.render([(scene, fields)], raster, m.Recipe(), damage, seed=5):
        finder.push(frame, cut=False)
    out = with_standing(finder.finish(), np.array([], np.int64), fields // 2, PERIOD)
    taken = choose_losses(out, cuts=np.array([], np.int64), frame_rate=29.97)
    true = {(d.field, d.line): d for d in damage}
    mine = [true.get((2 * int(f) + int(h), int(n))) for f, h, n in zip(*(out[k][taken] for k in ("frame", "field", "line")), strict=True)]
    assert len(mine) <= len(damage)
    assert None not in mine
    assert len({(d.field, d.line) for d in mine if d is not None}) > 0.8 * len(damage)  # white over white is not seen
    off = [abs(int(a) - d.x0) + abs(int(b) - d.x1) for d, a, b in zip(mine, out["x0"][taken], out["x1"][taken], strict=True) if d]
    assert np.median(off) <= 4
