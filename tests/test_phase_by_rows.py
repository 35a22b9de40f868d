"""A bow has no step where two heads meet: its phase is that of all rows."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.phase_by_rows import fit_wheel_by_rows
from detect.judge.wheel import fit_wheel
from detect.standards import STD_525
from tests.drawn_rows import HEIGHT, PERIOD, PHASE, VIEW, error_at, lines_of, rows_and_fit


def off(phase: float) -> float:
    return float(abs((phase - PHASE + PERIOD / 2) % PERIOD - PERIOD / 2))


@pytest.mark.parametrize("corrected", [False, True])
@pytest.mark.parametrize("scallop", [-300.0, -150.0, 60.0, 300.0])
def test_a_bow_shows_its_phase_in_all_rows(scallop: float, corrected: bool) -> None:
    for seed in range(3):
        rows, _ = rows_and_fit(*lines_of(0, scallop, np.zeros(4), corrected=corrected), seed)
        assert off(fit_wheel_by_rows(rows, VIEW, STD_525).phase_lines) < 0.1


@pytest.mark.parametrize("scallop", [-300.0, 120.0])
def test_so_does_a_bow_of_whole_lines(scallop: float) -> None:
    """A player that keeps a clock through each line: nothing grows along it."""
    for seed in range(3):
        rows, _ = rows_and_fit(error_at(0.0, scallop, np.zeros(4), 0.25), np.zeros(HEIGHT), seed)
        assert off(fit_wheel_by_rows(rows, VIEW, STD_525).phase_lines) < 0.1


def test_steps_of_heads_keep_the_phase_they_show() -> None:
    heads = np.array([12.0, -20.0, 5.0, 3.0])
    rows, _ = rows_and_fit(*lines_of(25, 0, heads, corrected=False), 1)
    plain, by_rows = fit_wheel(rows, VIEW, STD_525), fit_wheel_by_rows(rows, VIEW, STD_525)
    assert off(plain.phase_lines) < 0.1
    assert by_rows.phase_lines == pytest.approx(plain.phase_lines, abs=0.1)
