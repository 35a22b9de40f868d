"""When two stretches count as two phases of the wheel."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from detect.judge import states
from detect.judge.rows import INDEX, RELATIONS, Rows
from detect.judge.states import _apart, _parted, _Stretch
from detect.judge.stretch import Gathering
from detect.judge.wheel import View, fit_wheel
from detect.standards import STD_525
from tests.drawn_rows import HEIGHT, PERIOD, error_at, jumps_between


def stretch(phases: dict[float, float], seed: int) -> _Stretch:
    """Rows with jumps of one head, so large (in standard errors) at each of some phases."""
    rng = np.random.default_rng(seed)
    ratio, weight = rng.normal(0, 1, (len(RELATIONS), HEIGHT)), np.ones((len(RELATIONS), HEIGHT))
    for phase, size in phases.items():
        ratio[INDEX["shift"], 2:-4] += jumps_between(error_at(0.0, 0.0, np.array([0.0, size, 0.0, 0.0]), 0.0, phase=phase))
    return _Stretch(np.arange(3), Gathering(HEIGHT), fit_wheel(Rows(ratio, weight), View(0, HEIGHT), STD_525))


@pytest.mark.parametrize("seed", range(4))
def test_stretches_that_are_sure_of_different_phases_differ(seed: int) -> None:
    assert _apart(stretch({3.0: 12.0}, seed), stretch({9.0: 12.0}, seed + 10), STD_525)


@pytest.mark.parametrize("seed", range(4))
def test_a_stretch_that_shows_the_other_phase_about_as_well_does_not_differ(seed: int) -> None:
    torn = stretch({3.0: 40.0, 9.0: 36.0}, seed)
    assert torn.fit.null_ratio > 4
    assert not _apart(torn, stretch({9.0 if abs(torn.fit.phase_lines - 3) < 1 else 3.0: 12.0}, seed + 10), STD_525)


@pytest.mark.parametrize("seed", range(4))
def test_stretches_of_one_phase_do_not_differ(seed: int) -> None:
    assert not _apart(stretch({3.0: 12.0}, seed), stretch({3.0: 12.0}, seed + 10), STD_525)


@pytest.mark.parametrize("seed", range(4))
def test_a_window_that_holds_both_phases_hides_no_re_lock(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The window in which a wheel locks anew may be put to either side; without it both sides are sure, and it is left out."""
    torn, after = stretch({3.0: 40.0, 9.0: 36.0}, seed), stretch({9.0: 12.0}, seed + 10)
    clean = stretch({3.0: 40.0}, seed)

    def within(file: object, members: np.ndarray) -> _Stretch:
        return replace(clean if members[0] == 0 else after, members=members)

    monkeypatch.setattr(states, "_within", within)
    assert not _apart(torn, after, STD_525)
    for second in (after, replace(after, members=np.arange(2))):  # two windows are too few to leave one out
        two = _parted(SimpleNamespace(standard=STD_525), torn, second)  # type: ignore[arg-type]
        assert two is not None
        assert two[0].members.tolist() == [0, 1]
        assert two[1] is second


@pytest.mark.parametrize(("after", "stretches"), [(5.0, 1), (PERIOD + 5.1, 1), (8.0, 2)])
def test_stretches_that_turn_out_to_stand_at_one_phase_are_one(monkeypatch: pytest.MonkeyPatch, after: float, stretches: int) -> None:
    """A re-lock of no lines is none; phases are known modulo a pass."""

    def pool(phase: float) -> Any:
        return SimpleNamespace(fit=SimpleNamespace(phase_lines=phase))

    monkeypatch.setattr(states, "wheel_found", lambda fit: True)
    monkeypatch.setattr(states, "pool_of", lambda file, members, phase: pool(5.0))
    monkeypatch.setattr(states, "seen_in_part", lambda file, members, whole: whole)
    file: Any = SimpleNamespace(standard=STD_525)
    kept = states._joined_where_alike(file, [(np.arange(4), pool(5.0)), (np.arange(4, 9), pool(after))])
    assert len(kept) == stretches
    assert np.concatenate([members for members, _ in kept]).tolist() == list(range(9))
