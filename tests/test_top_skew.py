"""Top skew from the blanking edges."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from detect.judge import verdict
from detect.judge.limits import default_limits
from detect.judge.top_skew import Hook, edge_positions, find_hook, hook_course
from detect.judge.wheel import View
from detect.readings import Chunk, Header, Readings, ReadingsWriter, Sums

VIEW = View(0, 486)


PARTS = 6


def edges(hook_ns: float, decay_lines: float, *, seed: int, noise_ns: float = 1.0, shown: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Places and shares (parts, rows, 2)."""
    rng = np.random.default_rng(seed)
    line = np.arange(486) / 2.0
    place = 370.0 + hook_ns * np.exp(-line / decay_lines) + rng.normal(0, noise_ns, (PARTS, 486))
    share = (rng.random((PARTS, 486)) < shown) * 0.9
    return np.stack([place, place + 52_000], axis=2), np.stack([share, share], axis=2)


@pytest.mark.parametrize(("hook_ns", "decay_lines"), [(800.0, 9.0), (-300.0, 15.0), (120.0, 5.0)])
def test_a_hook_is_read_with_its_decay(hook_ns: float, decay_lines: float) -> None:
    hook = find_hook(*edges(hook_ns, decay_lines, seed=1), VIEW)
    assert hook is not None
    assert abs(hook.value_ns - hook_ns) < 3 * hook.sigma_ns
    assert hook.value_ns == pytest.approx(hook_ns, rel=0.1)
    assert hook.decay_lines == pytest.approx(decay_lines, abs=1.5)


def test_straight_edges_say_nothing_rather_than_zero() -> None:
    assert all(find_hook(*edges(0.0, 9.0, seed=s), VIEW) is None for s in range(50))


def test_too_few_edges_say_nothing() -> None:
    assert find_hook(*edges(800.0, 9.0, seed=2, shown=0.5), VIEW) is None


def test_what_the_wheel_displaces_is_no_hook() -> None:
    place, share = edges(0.0, 9.0, seed=3)
    wheel = 40 * np.sin(np.arange(486) / 33 * np.pi)
    assert find_hook(place + wheel[:, None], share, VIEW, wheel_ns=wheel) is None


def test_leaning_dark_content_that_moves_from_shot_to_shot_is_no_hook() -> None:
    place, share = edges(500.0, 12.0, seed=4)
    moved = np.array([0.0, 250.0, 700.0, 100.0, 900.0, 400.0])[:, None, None]
    assert find_hook(place + moved, share, VIEW) is None


def test_content_that_looks_like_an_edge_in_few_fields_is_no_hook() -> None:
    place, share = edges(500.0, 12.0, seed=5)
    assert find_hook(place, 0.1 * share, VIEW) is None


def test_parts_that_differ_as_much_as_their_hook_are_not_believed() -> None:
    """Six parts of -156 ns on average, scattered so that their mean is five standard errors off: one chance in 240 with five degrees of
    freedom (Student's t)."""
    place, share = edges(0.0, 6.0, seed=6)
    line = np.arange(486) / 2.0
    sizes = np.array([-235.0, -110.0, -190.0, -130.0, -185.0, -85.0])
    place += (sizes[:, None] * np.exp(-line / 6.0))[:, :, None]
    assert find_hook(place, share, VIEW) is None


def test_edges_that_one_part_alone_bends_are_no_hook() -> None:
    place, share = edges(0.0, 9.0, seed=6)
    place[2] += 900.0 * np.exp(-np.arange(486) / 2.0 / 9.0)[:, None]
    assert find_hook(place, share, VIEW) is None


def test_a_hook_at_one_edge_that_the_other_denies_is_content() -> None:
    place, share = edges(300.0, 9.0, seed=7)
    place[:, :, 1] = edges(0.0, 9.0, seed=7)[0][:, :, 1]
    assert find_hook(place, share, VIEW) is None


def test_an_edge_that_two_rows_in_three_show_denies_a_hook_too_but_tells_none() -> None:
    place, share = edges(0.0, 9.0, seed=7)
    place[:, :, 1] = edges(-600.0, 6.0, seed=8)[0][:, :, 1]
    share[:, 324:, 0] = 0.0
    assert find_hook(place, share, VIEW) is None
    place[:, :, 0] = edges(-600.0, 6.0, seed=9)[0][:, :, 0]
    assert find_hook(place, share, VIEW) is not None
    share[:, :, 1] = 0.0
    assert find_hook(place, share, VIEW) is None


def test_a_hook_that_moves_one_edge_out_of_the_picture_is_read_from_the_other() -> None:
    place, share = edges(800.0, 9.0, seed=8)
    share[:, :40, 1] = 0.0
    hook = find_hook(place, share, VIEW)
    assert hook is not None
    assert hook.value_ns == pytest.approx(800.0, rel=0.1)


def test_the_edge_that_a_hook_moves_out_does_not_deny_it_where_the_hook_is_not_yet() -> None:
    """The hook begins after two parts of six: in those the right edge is seen whole, and straight."""
    place, share = edges(800.0, 9.0, seed=8)
    place[:2] = edges(0.0, 9.0, seed=9)[0][:2]
    share[2:, :40, 1] = 0.0
    hook = find_hook(place, share, VIEW)
    assert hook is not None
    assert hook.value_ns == pytest.approx(800.0, rel=0.1)


@pytest.mark.parametrize("seed", range(5))
def test_a_hook_in_the_later_parts_of_a_tape_alone_is_read_from_these(seed: int) -> None:
    place, share = edges(700.0, 9.0, seed=seed)
    without, _ = edges(0.0, 9.0, seed=seed)
    place, share = np.concatenate([without, place]), np.concatenate([share, share])
    hook = find_hook(place, share, VIEW)
    assert hook is not None
    assert hook.value_ns == pytest.approx(700.0, abs=3 * hook.sigma_ns)
    assert hook.sigma_ns < 100


def test_one_part_alone_is_not_enough() -> None:
    place, share = edges(700.0, 9.0, seed=1)
    without, _ = edges(0.0, 9.0, seed=1)
    assert find_hook(np.concatenate([without, place[:1]]), np.concatenate([share, share[:1]]), VIEW) is None


def test_a_hook_is_followed_window_by_window(tmp_path: Path) -> None:
    """It is there in the middle two of four windows; in the last, content hides the top of the edges."""
    hook = Hook(800.0, 20.0, 9.0)
    place, share = edges(800.0, 9.0, seed=12)
    place[[0, 3]] = edges(0.0, 9.0, seed=13)[0][[0, 3]]
    share[3, :40] = 0.0
    writer = ReadingsWriter(tmp_path / "course.readings.zip")
    sums = {"edges": Sums(place[:4].astype(np.float32), 30 * share[:4].astype(np.float32))}
    writer.add_chunk(Chunk(30 * np.arange(4), 30 * np.arange(1, 5), np.full(4, 30), sums, {}))
    writer.close(Header({}), losses={}, cuts=np.array([], np.int64))
    amplitude, sigma = hook_course(Readings(tmp_path / "course.readings.zip"), np.ones(4, bool), VIEW, hook)
    assert amplitude[:3] == pytest.approx([0.0, 1.0, 1.0], abs=0.05)
    assert (sigma[:3] < 0.05).all()
    assert np.isinf(sigma[3])


@pytest.mark.parametrize(("cuts", "status"), [([150], "confirmed"), ([120], "unconfirmed"), ([], "unconfirmed")])
def test_top_skew_of_a_single_window_or_shot_is_not_confirmed(monkeypatch: pytest.MonkeyPatch, cuts: list[int], status: str) -> None:
    """Content at the side of one shot may lean for as long as the shot lasts."""
    monkeypatch.setattr(verdict, "hook_course", lambda *_, **__: (np.array([0.0, 1.0, 0.0, 0.0, 1.0, 1.0]), np.full(6, 0.05)))
    file: Any = SimpleNamespace(
        readings=SimpleNamespace(cuts=np.array(cuts)), programme=np.ones(6, bool), view=VIEW, start=30 * np.arange(6),
        end=30 * np.arange(1, 7), frames=180, programme_frames=180, label=lambda _: None,
    )  # fmt: skip
    told = verdict._hook_findings(file, Hook(-145.0, 21.0, 25.0), None, default_limits(), file.programme, still=False)
    assert [(f.start_frame, f.end_frame, f.status) for f in told] == [(30, 60, "unconfirmed"), (120, 180, status)]


def test_bright_content_beside_the_edge_of_single_lines_bends_nothing() -> None:
    place, share = edges(0.0, 9.0, seed=9)
    place[:, 8:20:5] -= 1500.0
    assert find_hook(place, share, VIEW) is None


def test_a_wheel_that_straight_edges_do_not_show_is_not_taken_off_them() -> None:
    place, share = edges(0.0, 9.0, seed=10)
    wheel = np.where(np.arange(486) // 33 % 4 == 0, 150.0, -50.0)
    assert find_hook(place, share, VIEW, wheel_ns=wheel) is None


def test_straight_edges_stay_straight_when_the_wheel_was_undone_before_measuring(tmp_path: Path) -> None:
    """Lines were moved back by what was known of them, and edges put in afterwards went with them."""
    start = np.where(np.arange(486) // 33 % 4 == 0, 150.0, -50.0).astype(np.float32)
    growth = np.full(486, 4.0, np.float32)
    left, right = np.full(486, 370.0) - start, np.full(486, 52_370.0) - start - growth
    ratio = np.broadcast_to(np.stack([left, right], axis=1), (3, 486, 2)).astype(np.float32)
    every = np.full(3, 30)
    writer = ReadingsWriter(tmp_path / "undone.readings.zip")
    sums = {"edges": Sums(ratio, np.full((3, 486, 2), 30.0, np.float32))}
    writer.add_chunk(Chunk(30 * np.arange(3), 30 * np.arange(1, 4), every, sums, {"deshift": np.stack([start, growth])}))
    writer.close(Header({}), losses={}, cuts=np.array([], np.int64))
    place, _ = edge_positions(Readings(tmp_path / "undone.readings.zip"), np.ones(3, bool))
    assert place[..., 0] == pytest.approx(np.full((3, 486), 370.0), abs=0.5)
    assert place[..., 1] == pytest.approx(np.full((3, 486), 52_370.0), abs=20)  # half floats


@pytest.mark.parametrize(("still", "status"), [(True, "unconfirmed"), (False, "confirmed")])
def test_top_skew_of_a_single_still_picture_is_not_confirmed(monkeypatch: pytest.MonkeyPatch, still: bool, status: str) -> None:
    monkeypatch.setattr(verdict, "hook_course", lambda *_, **__: (np.ones(6), np.full(6, 0.05)))
    file: Any = SimpleNamespace(
        readings=SimpleNamespace(cuts=np.zeros(0, int)), programme=np.ones(6, bool), view=VIEW, start=30 * np.arange(6),
        end=30 * np.arange(1, 7), frames=180, programme_frames=180, label=lambda _: None,
    )  # fmt: skip
    told = verdict._hook_findings(file, Hook(-145.0, 21.0, 25.0), None, default_limits(), file.programme, still=still)
    assert [f.status for f in told] == [status]
