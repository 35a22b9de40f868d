"""A strong fault of a second among windows that show none."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.brief import MOST_WINDOWS, brief_fault
from detect.judge.evidence import Proof
from detect.judge.rows import INDEX, RELATIONS
from detect.judge.stretch import WindowJumps

WINDOWS, AT = 20, 12
HEADS = np.array([3.0, -1.0, -1.0, -1.0])


def jumps(seed: int, size: float) -> WindowJumps:
    """Jumps of level with noise of 1, weight 1; one window has a head that is off by ``size``."""
    rng = np.random.default_rng(seed)
    shape = WINDOWS, len(RELATIONS), 4
    a1 = rng.normal(0, 1, shape)
    a1[AT, INDEX["level"]] += size * (np.roll(HEADS, -1) - HEADS)
    return WindowJumps(np.arange(100, 100 + WINDOWS), a1, np.ones(shape), np.ones(shape[:2]))


def proof_by(told: WindowJumps, asked: list[slice]) -> object:
    """As strong as the windows' own squares are, against a null peak of 3."""
    k = INDEX["level"]

    def prove(windows: slice) -> Proof:
        asked.append(windows)
        mean = told.a1[windows, k].mean(axis=0)
        square = (windows.stop - windows.start) * float((mean**2).sum()) / 3
        return Proof(strength=square, ratio=square / 3, near=0.5, z=9.0)

    return prove


@pytest.mark.parametrize("seed", range(5))
def test_the_window_that_shows_it_is_found(seed: int) -> None:
    told, asked = jumps(seed, 4.0), []  # type: ignore[var-annotated]
    found = brief_fault(told, "level", "heads", proof_by(told, asked))  # type: ignore[arg-type]
    assert found is not None
    assert found[1] == slice(AT, AT + 1)
    assert len(asked) <= 3 * MOST_WINDOWS, "few are asked, however long the tape"


@pytest.mark.parametrize("seed", range(20))
def test_windows_without_one_are_not(seed: int) -> None:
    told = jumps(seed, 0.0)
    assert brief_fault(told, "level", "heads", proof_by(told, [])) is None  # type: ignore[arg-type]


def test_what_is_known_to_be_there_for_another_reason_does_not_count() -> None:
    """A step common to all head changes, as a scallop makes it, is none of the heads'."""
    told = jumps(1, 0.0)
    told.a1[AT, INDEX["shift"]] += 9.0
    asked: list[slice] = []
    brief_fault(told, "shift", "heads", proof_by(told, asked))  # type: ignore[arg-type]
    assert slice(AT, AT + 1) not in asked
    asked.clear()
    brief_fault(told, "shift", "common", proof_by(told, asked))  # type: ignore[arg-type]
    assert asked[0] == slice(AT, AT + 1)
