"""Why a finding is not confirmed: one picture, a phase that nothing sure shows, a step that no head makes."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from detect.findings import HeadValues, WheelState, WindowReadings
from detect.judge import found, states
from detect.judge.evidence import Proof
from detect.judge.found import ALONE_Z, Context, _of_all_boundaries, _off_as_well, _timed_in_part, _why_not
from detect.judge.kinds import KINDS
from detect.judge.limits import default_limits
from detect.judge.rows import RELATIONS, Rows
from detect.judge.wheel import fit_wheel
from detect.standards import STD_525
from tests.drawn_rows import HEIGHT, PHASE, VIEW, error_at, put
from tests.fabricated import finding

LEVEL = next(kind for kind in KINDS if kind.relation == "level")
HEADS, NO_HEADS = np.array([1.0, -0.4, 0.2, -0.8]), np.zeros(4)


def part(shared: float, heads: np.ndarray, seed: int, *, one_line: bool = False) -> Any:
    """A stretch whose level has a saw-tooth of one pass, and steps from head to head."""
    rows = Rows(np.zeros((len(RELATIONS), HEIGHT)), np.zeros((len(RELATIONS), HEIGHT)))
    put(rows, "level", error_at(shared, 0.0, heads, 0.5), np.random.default_rng(seed).normal(0, 0.2, HEIGHT - 6))
    return SimpleNamespace(fit=fit_wheel(rows, VIEW, STD_525, phase=PHASE), timing=SimpleNamespace(one_line=one_line))


def about(phase_shown: bool = True) -> Any:
    return SimpleNamespace(phase_shown=phase_shown)


@pytest.mark.parametrize("seed", range(4))
def test_levels_of_heads_are_confirmed(seed: int) -> None:
    assert _why_not(LEVEL, part(0.0, HEADS, seed), True, about()) == ""


@pytest.mark.parametrize("seed", range(4))
def test_bands_of_a_picture_step_at_every_head_change_and_are_not(seed: int) -> None:
    """Offsets of four heads add up to no step that all their changes share; stripes that are shaded from one end to the other do."""
    assert "share a step" in _why_not(LEVEL, part(4.0, 0.3 * HEADS, seed), True, about())


@pytest.mark.parametrize("seed", range(4))
def test_a_little_of_such_a_step_beside_large_ones_of_heads_does_not_matter(seed: int) -> None:
    assert _why_not(LEVEL, part(1.0, 2 * HEADS, seed), True, about()) == ""


def test_one_picture_and_a_phase_that_nothing_sure_shows_are_said_as_such() -> None:
    assert "still picture" in _why_not(LEVEL, part(0.0, HEADS, 1), False, about())
    assert "wheel" in _why_not(LEVEL, part(0.0, HEADS, 1), True, about(phase_shown=False))


def test_what_a_line_that_a_velocity_corrector_left_may_imitate_is_not_confirmed() -> None:
    noise = next(kind for kind in KINDS if kind.relation == "noise")
    assert "velocity corrector" in _why_not(noise, part(0.0, HEADS, 1, one_line=True), True, about())
    assert _why_not(noise, part(0.0, HEADS, 1), True, about()) == ""
    assert _why_not(LEVEL, part(0.0, HEADS, 1, one_line=True), True, about()) == ""


@pytest.mark.parametrize(("kind", "value", "start", "end", "in_part"), [
    ("skew", 80.0, 90, 200, True), ("quadrature", -40.0, 0, 200, True), ("skew", 80.0, 10, 300, False), ("skew", 10.0, 90, 200, False),
    ("level_banding", 80.0, 90, 200, False),
])  # fmt: skip
def test_large_displacement_for_part_of_a_stretch_is_known_as_such(kind: str, value: float, start: int, end: int, in_part: bool) -> None:
    """All rows together then mix two states of the tape, and are not asked for more of its kind."""
    jumps: Any = SimpleNamespace(index=np.arange(10))
    windows: Any = SimpleNamespace(start_frame=30 * np.arange(10), end_frame=30 * np.arange(1, 11))
    assert _timed_in_part([finding(1, kind, start, end, value=value)], jumps, windows) is in_part


@pytest.mark.parametrize(("z", "others", "shown"), [
    ([ALONE_Z + 0.1], frozenset(), True), ([ALONE_Z - 0.1], frozenset(), False), ([ALONE_Z - 0.1], frozenset({"skew"}), True),
    ([ALONE_Z - 0.1, ALONE_Z + 0.1], frozenset(), True), ([ALONE_Z - 0.1, ALONE_Z - 0.1], frozenset(), False),
])  # fmt: skip
def test_a_kind_that_shows_the_phase_alone_must_stand_out_of_all_phases(
    monkeypatch: pytest.MonkeyPatch, z: list[float], others: frozenset[Any], shown: bool
) -> None:
    """525 phases are tried: one chance in a thousand for all of them is 2e-6 for one (Bonferroni). One that does shows it to the others."""
    kinds = [next(kind for kind in KINDS if kind.relation == relation) for relation in ("noise", "level")]
    proven = {kind: Proof(60.0, 10.0, 0.5, one) for kind, one in zip(kinds, z, strict=False)}
    asked: list[bool] = []
    monkeypatch.setattr(found, "_timing_proven", lambda *_: {})
    monkeypatch.setattr(found, "_heads_proven", lambda *_: proven if not asked else {})
    monkeypatch.setattr(found, "_finding", lambda *about: asked.append(about[4].phase_shown))
    part_of_tape: Any = SimpleNamespace(timing=SimpleNamespace(head_skew=None))
    jumps: Any = SimpleNamespace(index=np.arange(2))
    windows = Context(
        STD_525, VIEW, default_limits(), np.array([0, 30]), np.array([30, 60]), lambda _: None, 60, np.zeros(0, np.int64), {}, {},
        lambda *_: part_of_tape,
    )  # fmt: skip
    _of_all_boundaries(part_of_tape, jumps, windows, others)
    assert asked == [shown] * len(z)
    assert stats.norm.sf(ALONE_Z) * 2 * 525 == pytest.approx(1e-3)


@pytest.mark.parametrize(("cuts", "pictures", "status"), [
    ([100], (False, True), "unconfirmed"), ([100], (True, True), "confirmed"), ([40], (False, False), "confirmed"),
])  # fmt: skip
def test_another_phase_from_a_cut_on_is_confirmed_where_more_than_one_picture_shows_either(
    monkeypatch: pytest.MonkeyPatch, cuts: list[int], pictures: tuple[bool, bool], status: str
) -> None:
    """Bands of the picture change at cuts; within a shot a wheel alone does."""
    monkeypatch.setattr(states, "_change", lambda *_: 100)
    file: Any = SimpleNamespace(readings=SimpleNamespace(cuts=np.array(cuts)), standard=STD_525, frames=200, label=lambda _: None)
    wheel = [
        WheelState(start_frame=a, end_frame=b, phase_lines=phase, phase_sigma_lines=0.1, locked=True, significance=400.0, null_ratio=9.0)
        for a, b, phase in ((0, 100, 4.4), (100, 200, 11.5))
    ]
    pools: Any = [(np.zeros(1, int), SimpleNamespace(confirmed=sure)) for sure in pictures]
    _, (relock,) = states.relocks_of(file, wheel, pools)
    assert relock.status == status
    assert ("unconfirmed" in relock.text) == (status == "unconfirmed")


def test_a_head_whose_colour_goes_with_brightness_is_off_as_well() -> None:
    """Burst lies at black, where differential gain and phase are nought by definition (ITU-T J.61, from memory): what changes by 40 % up to
    white is off by some of it in every picture that has colour."""

    def of(head: float) -> WindowReadings:
        return WindowReadings(saturation_pct=HeadValues(values=[head, 0.0, 0.0, -head], sigmas=[0.2] * 4))

    assert _off_as_well(of(12.0), "differential_gain_pct", 0, 40.0)
    assert not _off_as_well(of(0.1), "differential_gain_pct", 0, 40.0)
    assert _off_as_well(of(0.1), "differential_gain_pct", 0, 6.0)  # a dark picture
    assert _off_as_well(WindowReadings(), "differential_phase_deg", 0, 40.0)  # not measured
