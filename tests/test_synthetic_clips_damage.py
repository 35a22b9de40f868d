"""Losses: the list of them is what the pixels show, and their patterns are those of the tape."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from synthetic_clips.damage import Damage, Dropout, Losses, draw_lengths_us, plan_dropouts
from synthetic_clips.deck import DeckFaults, Relock
from synthetic_clips.pictures import single_shot
from synthetic_clips.rasters import LINES, raster
from synthetic_clips.render import render

QUIET = DeckFaults(snr_db=200.0, chroma_snr_db=200.0, jitter_ns=0.0)


def planned(losses: Losses, *, faults: DeckFaults = QUIET, frames: int = 60, height: int = 486) -> list[Dropout]:
    return plan_dropouts(Damage((losses,)), faults, raster(height), frames, np.random.default_rng(3))


@pytest.mark.parametrize(
    "kinds",
    [
        {"white": 1.0},
        {"black": 1.0},
        {"noise": 1.0},
        {"compensated": 1.0},
        {"compensated": 1.0, "line_above": 0.0, "two_above": 1.0},
        {"compensated": 1.0, "line_above": 0.0, "previous_field": 1.0},
    ],
)
def test_pixels_change_where_the_truth_says_and_nowhere_else(kinds: dict[str, float]) -> None:
    damage = Damage((Losses(per_minute=6000.0),), **{"white": 0.0, "black": 0.0, "noise": 0.0, **kinds})
    programme = single_shot(1, "pan", kind="abstract")
    hurt = render(programme, QUIET, frames=3, rng=np.random.default_rng(1), damage=damage)
    clean = render(programme, QUIET, frames=3, rng=np.random.default_rng(1))
    allowed = np.zeros((3, 486, 720), bool)
    for d in hurt.truth.dropouts:
        row = (1, 0)[d["field"]] + 2 * d["line"]
        allowed[d["frame"], row, d["x0"] : d["x1"]] = True
    assert len(hurt.truth.dropouts) > 5
    difference = np.stack([h[0].astype(int) - c[0] for h, c in zip(hurt, clean, strict=True)])
    assert not difference[~allowed].any()
    changed = [
        np.abs(difference[d["frame"], (1, 0)[d["field"]] + 2 * d["line"], d["x0"] : d["x1"]]).mean()
        for d in hurt.truth.dropouts
    ]
    assert np.median(changed) > (4 if "compensated" in kinds else 100)


def test_a_compensated_loss_repeats_the_line_above_exactly() -> None:
    damage = Damage((Losses(per_minute=12000.0),), white=0, black=0, noise=0, compensated=1)
    tape = render(
        single_shot(1, "pan", kind="abstract"), DeckFaults(), frames=2, rng=np.random.default_rng(1), damage=damage
    )
    truth = tape.truth.dropouts
    hurt_rows = {(d["frame"], (1, 0)[d["field"]] + 2 * d["line"]) for d in truth}
    frames = list(tape)
    checked = 0
    for d in truth:
        row = (1, 0)[d["field"]] + 2 * d["line"]
        if (d["frame"], row - 2) in hurt_rows or row < 2:
            continue
        y = frames[d["frame"]][0]
        assert np.array_equal(y[row, d["x0"] : d["x1"]], y[row - 2, d["x0"] : d["x1"]])
        checked += 1
    assert checked > 3


def test_lengths_are_most_often_one_to_two_microseconds_and_never_below_a_half() -> None:
    """An article on the origin of dropouts: the count rises as length falls, to 1-2 us, then fades; none under 0.5
    us."""
    lengths = draw_lengths_us(np.random.default_rng(0), 20_000)
    assert lengths.min() >= 0.5
    assert lengths.max() <= 60
    count, edges = np.histogram(lengths, bins=np.arange(0.5, 10.1, 0.5))
    assert 1.0 <= edges[count.argmax()] < 2.0
    assert (lengths > 20).sum() > 10


def test_the_rate_is_as_stated() -> None:
    found = len(planned(Losses(per_minute=1200.0), frames=1800))
    # one in five falls into blanking (720 - 10 of 858 samples are seen) and a few go on to a second line
    assert found == pytest.approx(1200 * 0.85, rel=0.12)


def test_a_rising_rate_rises() -> None:
    frames = np.array([d.frame for d in planned(Losses(per_minute=0.0, end_per_minute=2400.0), frames=1800)])
    assert (frames >= 900).mean() == pytest.approx(0.75, abs=0.06)


@pytest.mark.parametrize(("height", "lines_per_pass"), [(486, 16.40625), (576, 15.625)])
def test_a_scratch_recurs_with_the_period_of_the_passes(height: int, lines_per_pass: float) -> None:
    """Armstrong, Rayner, Kokaram 1998: the known period of the degradation. 16.40625 or 15.625 field lines."""
    standard = "525" if height == 486 else "625"
    scratch = Losses("scratch", position=0.3, share_of_passes=1.0, spread=0.0)
    found = planned(scratch, faults=replace(QUIET, standard=standard), frames=2, height=height)
    lines = LINES[standard]
    row0 = raster(height).first_row_of_field
    at = sorted(
        row0[d.field] / 2 + d.line + (d.x0 + lines.active_start) / lines.samples_per_line
        for d in found
        if d.field == 0 and d.frame == 0
    )
    turns = np.diff(at) / lines_per_pass
    assert turns == pytest.approx(np.round(turns), abs=0.01)
    assert {d.head for d in found} == {0, 1, 2, 3}
    assert np.array([d.pass_position for d in found]) == pytest.approx(np.full(len(found), 0.3), abs=0.006)


def test_losses_of_one_head_stay_with_it_through_a_relock() -> None:
    faults = replace(QUIET, relocks=(Relock(30, 11.0, 3),))
    found = planned(Losses("head", per_minute=3000.0, head=2), faults=faults)
    assert len(found) > 50
    assert {d.head for d in found} == {2}


def test_edge_damage_lies_near_the_end_of_the_passes_and_of_the_stripe() -> None:
    """Derived: 90 degrees of a wheel of 26.2 mm radius are 41.2 mm, so the ends lie at +-20.6 mm."""
    found = planned(Losses("edge", per_minute=3000.0, side="end"))
    assert np.median([d.pass_position for d in found]) > 0.9
    assert np.median([d.tape_mm_across for d in found]) > 16
    assert max(d.tape_mm_across for d in found) < 20.6 * 1.07
    start = planned(Losses("edge", per_minute=3000.0, side="start"))
    assert np.median([d.tape_mm_across for d in start]) < -16


def test_a_cluster_is_short_in_time_and_at_one_place() -> None:
    found = planned(Losses("cluster", start_frame=20, position=0.7, count=40))
    assert {d.frame for d in found} <= set(range(18, 24))
    along = np.array([d.tape_m_along for d in found])
    assert np.ptp(along) < 0.05
    assert np.mean([d.pass_position for d in found]) == pytest.approx(0.7, abs=0.05)


def test_metres_along_the_tape_follow_the_speed() -> None:
    """15 in/s at 60.00 Hz scaled with the field rate: 380.62 mm/s (ANSI C98.4, RP 36); 625: 396.875 mm/s."""
    assert LINES["525"].tape_mm_per_s == pytest.approx(380.62, abs=0.01)
    assert LINES["625"].tape_mm_per_s == pytest.approx(396.875)
    last = planned(Losses(per_minute=3000.0), frames=1800)[-1]
    assert last.tape_m_along == pytest.approx(0.38062 * 60.06, abs=0.1)


def test_a_loss_ends_with_its_pass_and_is_split_at_line_ends() -> None:
    found = planned(Losses(per_minute=6000.0, length_us=60.0), frames=120)
    assert all(d.x1 <= 716 and d.x0 >= 4 for d in found)
    pairs = [(a, b) for a, b in pairwise(found) if a.x1 > 705 and b.x0 < 15 and b.line == a.line + 1]
    assert len(pairs) > 10
    assert all(a.head == b.head for a, b in pairs if a.frame == b.frame and a.field == b.field)
