"""Switch transients: seen where heads change and only there; and what losses become as findings."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, Literal

import numpy as np
import pytest

from detect.findings import Finding, WheelState
from detect.judge.limits import default_limits
from detect.judge.loss_findings import judge_losses
from detect.judge.patterns import exposure
from detect.judge.sections import KINDS
from detect.judge.switch_phase import with_phases_of_dashes
from detect.judge.switching import Switching, ends_by_displacement_ire, find_switching
from detect.judge.tape_map import place_losses
from detect.judge.time_geometry import displacement_rows
from detect.measure.line_ends import STANDING, dashes_at_ends
from detect.measure.losses import ENDS_EVERY
from detect.standards import STD_525
from synthetic_clips.deck import DeckFaults, SwitchTransient
from synthetic_clips.pictures import FlatScene
from synthetic_clips.render import render
from tests.loss_events import PHASE_LINES, draw
from tests.losses_clips import play

FRAMES = 600


def switching_of(
    arrays: dict[str, np.ndarray], *, frames: int, phase: float, cuts: tuple[int, ...] = (), least_ire: float = 0.0
) -> list[Switching]:
    wheel = [SimpleNamespace(start_frame=0, end_frame=frames, phase_lines=phase, locked=True)]
    places = place_losses(arrays, wheel=wheel, standard=STD_525, rows0=(1, 0))
    return find_switching(
        places, contrast_ire=arrays["contrast_ire"], stretch=0, start_frame=0, end_frame=frames,
        seen=exposure(STD_525, phase_lines=phase, rows=range(486)), cuts=np.array(cuts, int), least_ire=least_ire,
    )  # fmt: skip


@pytest.mark.parametrize("place", ["first_line_left", "last_line_right"])
def test_a_dash_at_every_head_change_is_found(place: Literal["first_line_left", "last_line_right"]) -> None:
    """It stands on the same lines of every field, so no comparison with other fields could show it."""
    faults = DeckFaults(phase_lines=6.3, switch_transient=SwitchTransient(place=place))
    found = play(render(FlatScene(120.0), faults, frames=16, rng=np.random.default_rng(1)), "switch")
    told = switching_of(found.arrays, frames=16, phase=6.3)
    assert [t.at_start for t in told] == [place == "first_line_left"]
    assert told[0].hit_rate > 0.8
    assert told[0].heads == "ABCD"
    assert not switching_of(found.arrays, frames=16, phase=6.3, least_ire=told[0].contrast_ire + 1)  # what displacement makes as well
    assert told[0].text.endswith("unconfirmed.")


def test_one_head_that_switches_badly_is_named() -> None:
    faults = DeckFaults(phase_lines=6.3, switch_transient=SwitchTransient(heads=(2,)))
    found = play(render(FlatScene(120.0), faults, frames=16, rng=np.random.default_rng(1)), "switch")
    assert [t.heads for t in switching_of(found.arrays, frames=16, phase=6.3)] == ["C"]


def test_a_clean_deck_leaves_no_dashes() -> None:
    found = play(render(FlatScene(120.0), DeckFaults(phase_lines=6.3), frames=16, rng=np.random.default_rng(1)), "clean")
    assert not np.any(np.asarray(found.arrays["kind"]) == STANDING)


def dashes_anywhere(rng: np.random.Generator, count: int) -> dict[str, np.ndarray]:
    frame = np.sort(ENDS_EVERY * rng.integers(0, FRAMES // ENDS_EVERY, count))
    left = rng.random(count) < 0.5
    x0 = np.where(left, 6, 704)
    return {
        "frame": frame, "field": rng.integers(0, 2, count), "line": rng.integers(2, 241, count), "x0": x0, "x1": x0 + 10,
        "kind": np.full(count, STANDING), "run": np.arange(count), "score": np.full(count, -3.0),
        "contrast_ire": np.full(count, 12.0),
    }  # fmt: skip


@pytest.mark.parametrize("place", ["first_line_left", "last_line_right"])
@pytest.mark.parametrize("phase", [0.2, 6.3, 15.9])
def test_switching_shows_the_wheel_where_nothing_else_does(place: Literal["first_line_left", "last_line_right"], phase: float) -> None:
    faults = DeckFaults(phase_lines=phase, switch_transient=SwitchTransient(place=place))
    found = play(render(FlatScene(120.0), faults, frames=16, rng=np.random.default_rng(1)), "switch")
    state = wheel_of(found.arrays, frames=16)
    assert state.locked
    assert state.phase_lines is not None
    period = 525 / 32
    assert abs((state.phase_lines - phase + period / 2) % period - period / 2) < 0.5


def wheel_of(arrays: dict[str, np.ndarray], *, frames: int) -> WheelState:
    unknown = WheelState(
        start_frame=0, end_frame=frames, phase_lines=None, phase_sigma_lines=None, locked=False, significance=0.0, null_ratio=None,
        head_numbers=None,
    )  # fmt: skip
    return with_phases_of_dashes([unknown], arrays, (1, 0), 486, STD_525)[0]


def test_dashes_anywhere_show_no_wheel() -> None:
    rng = np.random.default_rng(5)
    assert not any(wheel_of(dashes_anywhere(rng, n), frames=FRAMES).locked for n in (0, 1, 20, 200, 2000) for _ in range(20))


def test_dashes_one_pass_of_another_wheel_apart_show_none() -> None:
    """Ends of blinds 16 lines apart, and of a converted tape of 625 lines (13.2): neither stays with head changes down the picture."""
    for apart in (16.0, 13.2):
        line = np.unique(np.round(np.arange(4.0, 240.0, apart)).astype(int))
        arrays = dashes_anywhere(np.random.default_rng(6), 2 * len(line))
        arrays |= {"line": np.repeat(line, 2), "field": np.tile([0, 1], len(line)), "x0": np.full(2 * len(line), 6)}
        assert not wheel_of(arrays, frames=FRAMES).locked


def test_dashes_anywhere_in_the_passes_are_no_switching() -> None:
    rng = np.random.default_rng(4)
    named = sum(bool(switching_of(dashes_anywhere(rng, n), frames=FRAMES, phase=5.0)) for n in (20, 200, 2000) for _ in range(30))
    assert named <= 2


def test_edges_that_go_on_into_the_line_are_no_dashes() -> None:
    """A shutter or a line of text that reaches the end of the picture differs from its neighbours further in too."""
    field = np.full((243, 720), 400, np.int16)
    field[100] = 700
    field[150, 680:] = 700
    field[180, 6:16] = 700
    dashes = dashes_at_ends(field, first=1, left=6, right=714, noise=4.0, ire=8.76)
    assert {int(line) for line in dashes[:, 0]} == {150, 180}


def findings_of(*parts: dict[str, np.ndarray]) -> list[Finding]:
    arrays: dict[str, Any] = {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}
    order = np.lexsort((arrays["line"], arrays["field"], arrays["frame"]))
    arrays = {name: values[order] for name, values in arrays.items()}
    count = len(order)
    arrays |= {
        "kind": np.zeros(count, int), "run": np.arange(count), "score": np.full(count, 9.0), "crowd": np.ones(count, int),
        "contrast_ire": np.full(count, 40.0),
    }  # fmt: skip
    header = SimpleNamespace(measured={"rows0": (1, 0), "first_sample": 0}, transfer={"height": 486})
    readings: Any = SimpleNamespace(losses=arrays, header=header, cuts=np.zeros(0, int))
    wheel: Any = [SimpleNamespace(start_frame=0, end_frame=FRAMES, phase_lines=PHASE_LINES, locked=True)]
    return judge_losses(
        readings, wheel=wheel, standard=STD_525, kind=np.full(FRAMES, KINDS.index("programme"), np.int8), minutes=FRAMES / 1798.2,
        limits=default_limits(), label=lambda _: None, programme_frames=FRAMES, tape_speed_ips=15.0,
    ).findings  # fmt: skip


def test_losses_of_a_pattern_are_not_counted_again_as_spread_ones() -> None:
    """A head that loses its signal must not send anyone to inspect the tape."""
    rng = np.random.default_rng(2)
    assert [f.kind for f in findings_of(draw(rng, 80, kind="one_head", head=1))] == ["head_loss"]
    assert [f.kind for f in findings_of(draw(rng, 80, kind="scratch", at=0.6))] == ["scratch"]
    both = findings_of(draw(rng, 80, kind="scratch", at=0.6), draw(rng, 60))
    assert [f.kind for f in both] == ["scratch", "dropouts"]
    assert both[1].value == pytest.approx(60 / (FRAMES / 1798.2), rel=0.1)


def test_damaged_tape_is_to_be_inspected_not_played_again() -> None:
    rng = np.random.default_rng(3)
    for kind in ("uniform", "edge", "cluster", "scratch"):
        for finding in findings_of(draw(rng, 80, kind=kind, at=0.5)):
            assert any("before it has been looked at" in (c.caution or "") for c in finding.causes), kind


@pytest.mark.parametrize(
    ("kind", "word"), [("edge", "edge of the tape"), ("cluster", "one damaged spot"), ("rising", "sheds")]
)
def test_patterns_of_the_tape_have_their_own_cause(kind: str, word: str) -> None:
    named = findings_of(draw(np.random.default_rng(3), 80, kind=kind, at=0.5))[0]
    assert word in named.causes[0].cause


@pytest.mark.parametrize("skew", [20.0, 300.0])
def test_ends_of_displaced_lines_show_what_displacement_makes_of_them(skew: float) -> None:
    """A ramp of skew snaps back at every head change: the line there lies half of that from the mean of its neighbours."""
    start, _ = displacement_rows(STD_525, phase=6.3, height=486, skew_ns=skew, scallop_ns=0.0, quadrature_ns=np.zeros(4))
    snap = skew * (1 - 1 / float(STD_525.lines_per_pass))  # ns
    assert ends_by_displacement_ire(start.astype(float)) == pytest.approx(100 * snap / 2 / 74.07 / 10, rel=0.1)


def test_ends_of_lines_in_their_place_show_nothing() -> None:
    assert ends_by_displacement_ire(np.zeros(486)) == 0.0
