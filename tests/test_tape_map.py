"""Losses on the tape: against worked bands, the arithmetic of the format, and the simulator's own record."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from detect.judge.patterns import exposure
from detect.judge.tape_map import Places, count_losses, group_defects, place_losses, to_losses
from detect.standards import STD_525, STD_625, Standard, pass_bounds_rows
from synthetic_clips.damage import Damage, Losses
from synthetic_clips.deck import DeckFaults
from synthetic_clips.pictures import FlatScene
from synthetic_clips.render import render


def candidates(
    frame: list[int], row: list[int], x0: list[int], length: int = 20, rows0: tuple[int, int] = (1, 0)
) -> dict:  # type: ignore[type-arg]
    field = [rows0.index(r % 2) for r in row]
    count = len(frame)
    return {
        "frame": np.array(frame),
        "field": np.array(field),
        "line": np.array(row) // 2,
        "x0": np.array(x0),
        "x1": np.array(x0) + length,
        "kind": np.zeros(count, int),
        "run": np.arange(count),
        "score": np.full(count, 9.0),
    }


def place(arrays: dict, standard: Standard = STD_525, *, phase: float | None = 0.0, **more: float) -> Places:  # type: ignore[type-arg]
    rows0 = (1, 0) if standard is STD_525 else (0, 1)
    wheel = [SimpleNamespace(start_frame=0, end_frame=10**6, phase_lines=phase, locked=phase is not None)]
    return place_losses(arrays, wheel=wheel, standard=standard, rows0=rows0, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("standard", "starts"),
    [
        (STD_525, [0, 33, 66, 99, 132, 165, 197, 230, 263, 296, 329, 361, 394, 427, 460]),
        (STD_625, [0, 32, 63, 94, 125, 157, 188, 219, 250, 282, 313, 344, 375, 407, 438, 469, 500, 532, 563]),
    ],
)
def test_heads_change_at_the_worked_rows(standard: Standard, starts: list[int]) -> None:
    """Frame rows where passes start at phase 0, worked by hand from lines per pass."""
    assert [first for _, first, _ in pass_bounds_rows(standard, 0.0, starts[-1] + 1)] == starts
    rows0 = (1, 0) if standard is STD_525 else (0, 1)
    for k, row in enumerate(starts[1:], 1):
        places = place(candidates([0, 0], [row - 1, row], [300, 300], rows0=rows0), standard)
        assert places.head.tolist() == [(k - 1) % 4, k % 4]


@pytest.mark.parametrize(("standard", "period"), [(STD_525, 16.40625), (STD_625, 15.625)])
def test_a_scratch_comes_back_every_pass(standard: Standard, period: float) -> None:
    """One place across the tape, pass after pass, is ``period`` field lines down each time (derived: 262.5/16,
    312.5/20)."""
    k = np.arange(10)
    position = 3.0 + k * period  # in field lines from the top; the loss is wherever the line is then
    row = (2 * np.floor(position)).astype(int)
    x = (position - np.floor(position)) * standard.samples_per_line - standard.active_start_sample
    seen = (x > 0) & (x < 690)
    rows0 = (1, 0) if standard is STD_525 else (0, 1)
    places = place(
        candidates([0] * int(seen.sum()), row[seen].tolist(), np.round(x[seen]).astype(int).tolist(), 2, rows0),
        standard,
    )
    assert seen.sum() >= 6
    assert np.ptp(places.mm_across) < 0.01
    assert np.array_equal(places.stripe - places.stripe[0], k[seen] - k[seen][0])


def test_the_pass_is_41_mm_and_a_microsecond_40_um() -> None:
    """R theta: +-20.6 mm for R = 26.2 mm; 39.5 m/s over the tape in 525 lines."""
    row = np.arange(0, 480, 1)
    places = place(candidates([0] * 480, row.tolist(), [300] * 480))
    assert places.mm_across.min() == pytest.approx(-20.58, abs=1.3)
    assert places.mm_across.max() == pytest.approx(20.58, abs=1.3)
    two = place(candidates([0, 0], [100, 100], [300, 313]))
    assert np.diff(two.mm_across)[0] == pytest.approx(13 / 13.5 * 0.0395, rel=0.01)


@pytest.mark.parametrize(("standard", "frames", "speed_mm_s"), [(STD_525, 1798, 380.62), (STD_625, 1500, 396.875)])
def test_a_minute_of_tape_has_its_length(standard: Standard, frames: int, speed_mm_s: float) -> None:
    """Tape speeds: 15 in/s scaled with the field rate, 15.625 in/s; half speed is half of it."""
    seconds = frames / float(standard.frame_rate)
    rows0 = (1, 0) if standard is STD_525 else (0, 1)
    arrays = candidates([0, frames], [200, 200], [300, 300], rows0=rows0)
    assert np.diff(place(arrays, standard).m_along)[0] == pytest.approx(speed_mm_s * 1e-3 * seconds, rel=1e-4)
    half = np.diff(place(arrays, standard, tape_speed_ips=7.5).m_along)[0]
    assert half == pytest.approx(speed_mm_s * 1e-3 * seconds / 2, rel=1e-4)


def test_without_a_wheel_there_is_no_head_but_a_place_along() -> None:
    places = place(candidates([30], [200], [300]), phase=None)
    loss = to_losses(places)[0]
    assert (loss.head, loss.pass_position, loss.tape_mm_across) == (None, None, None)
    assert loss.tape_m_along == pytest.approx(30 * 32 * 0.396875e-3, abs=0.01)


def test_narrow_files_are_placed_by_their_first_sample() -> None:
    """704 samples are the middle of 720 (BT.601)."""
    wide, narrow = place(candidates([0], [100], [308])), place(candidates([0], [100], [300]), first_sample=8)
    assert narrow.pass_position[0] == wide.pass_position[0]


@pytest.mark.parametrize("standard", ["525", "625"])
def test_places_are_those_of_the_simulator(standard: str) -> None:
    """Head, place in the pass, millimetres and metres of 200 simulated losses, at a phase that is no round number."""
    faults = DeckFaults(standard=standard, phase_lines=7.3)  # type: ignore[arg-type]
    tape = render(
        FlatScene((50.0, 0.0, 0.0)),
        faults,
        frames=60,
        rng=np.random.default_rng(4),
        damage=Damage((Losses(per_minute=6000),)),
    )
    truth = tape.truth.dropouts
    assert len(truth) > 100
    order = np.lexsort(([d["field"] for d in truth], [d["frame"] for d in truth]))
    get = {n: np.array([truth[i][n] for i in order]) for n in ("frame", "field", "line", "x0", "x1")}
    arrays = {**get, "kind": np.zeros(len(order), int), "run": np.arange(len(order)), "score": np.ones(len(order))}
    wheel = [SimpleNamespace(start_frame=0, end_frame=60, phase_lines=7.3, locked=True)]
    rows0 = (0, 1) if tape.truth.top_field_first else (1, 0)
    places = place_losses(arrays, wheel=wheel, standard=STD_525 if standard == "525" else STD_625, rows0=rows0)
    middle = places.duration_us / 2  # they name the start of a loss, we its middle
    assert [truth[i]["head"] for i in order] == places.head.tolist()
    period_us = 1042.7 if standard == "525" else 1000.0
    np.testing.assert_allclose(
        [truth[i]["pass_position"] for i in order], places.pass_position - middle / period_us, atol=2e-3
    )
    np.testing.assert_allclose([truth[i]["tape_m_along"] for i in order], places.m_along, atol=8e-4)


def test_neighbouring_stripes_make_one_defect_with_its_size() -> None:
    k = np.arange(5)
    position = 20.0 + k * 16.40625
    row = (2 * np.floor(position)).astype(int)
    x = np.clip(((position % 1) * 858 - 122).astype(int), 8, 680)
    defects = group_defects(place(candidates([0] * 5, row.tolist(), x.tolist(), 27)), standard=STD_525)
    sizes = sorted(d.losses for d in defects)
    assert sizes[-1] >= 3
    largest = max(defects, key=lambda d: d.losses)
    assert largest.size_along_mm == pytest.approx(0.396875 * largest.losses, rel=0.4)
    assert largest.size_across_mm < 4.0


def test_far_apart_losses_stay_apart() -> None:
    places = place(candidates([0, 0, 50], [40, 240, 40], [100, 500, 100]))
    assert [d.losses for d in group_defects(places, standard=STD_525)] == [1, 1, 1]


def test_defects_of_no_losses_are_none() -> None:
    assert group_defects(place(candidates([], [], [])), standard=STD_525) == []


def test_counts_add_up_and_lines_of_one_loss_count_once() -> None:
    arrays = candidates([0, 0, 1, 2], [40, 42, 100, 300], [100, 100, 200, 300], 27)
    arrays["run"] = np.array([7, 7, 8, 9])
    arrays["kind"] = np.array([0, 0, 1, 3])
    counts = count_losses(place(arrays), minutes=0.5)
    assert (counts.count, counts.visible, counts.compensated, counts.per_minute) == (3, 2, 1, 6.0)
    assert counts.total_us == pytest.approx(4 * 27 / 13.5, abs=1e-3)
    assert sum(counts.by_head) == sum(counts.by_pass_position) == 3


def test_exposure_is_even_but_for_what_the_picture_hides() -> None:
    """486 rows show 14.8 of 16 passes; a line at either end apart (switching waits for blanking), all places are
    seen."""
    share = exposure(STD_525, phase_lines=3.0, rows=range(486)).share
    assert share.sum() == pytest.approx(1.0)
    by_place = share.sum(0)[16:-16]
    assert by_place.max() < 1.5 * by_place.min()
    rows = np.zeros(4)
    for k, first, last in pass_bounds_rows(STD_525, 3.0, 486):
        rows[k % 4] += last - first
    np.testing.assert_allclose(share.sum(1), rows / 486, atol=1e-3)
