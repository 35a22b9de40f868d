"""What stands out in the fit of all boundaries, on rows written down from the geometry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from detect.judge.evidence import Proof
from detect.judge.head_fit import PLAIN
from detect.judge.row_evidence import heads_evidence, timing_evidence
from detect.judge.wheel import CHROMA_LINES
from detect.standards import STD_525
from tests.drawn_rows import HEIGHT, PERIOD, PHASE, VIEW, lines_of, put, rows_and_fit

NOISE_NS = 4.0
COMB = replace(VIEW, chroma_lines=CHROMA_LINES["three"])
HEADS = np.array([9.0, -3.0, -3.0, -3.0])


def evidence_of(shift: np.ndarray, growth: np.ndarray, seed: int) -> dict[str, Proof]:
    return timing_evidence(*_with_view(shift, growth, seed))


def _with_view(shift: np.ndarray, growth: np.ndarray, seed: int):
    rows, fit = rows_and_fit(shift, growth, seed, NOISE_NS)
    return rows, VIEW, STD_525, fit


@pytest.mark.parametrize("seed", range(3))
def test_each_fault_stands_out_by_itself_and_no_other(seed: int) -> None:
    faults = {"skew": (10.0, 0.0, 0 * HEADS), "scallop": (0.0, 20.0, 0 * HEADS), "quadrature": (0.0, 0.0, HEADS)}
    for name, (skew, scallop, heads) in faults.items():
        proof = evidence_of(*lines_of(skew, scallop, heads, corrected=False), seed)
        assert {k for k, e in proof.items() if e.holds} == {name}


def test_noise_alone_shows_nothing() -> None:
    nothing = np.zeros(HEIGHT)
    for seed in range(8):
        assert not any(e.holds for e in evidence_of(nothing, nothing, seed).values())


@pytest.mark.parametrize("period", [15.9, 16.9, 17.4])
def test_bands_of_another_period_are_no_fault_of_the_heads(period: float) -> None:
    saw = 40.0 * (np.arange(HEIGHT) / 2 / period % 1.0 - 0.5)
    assert abs(period - PERIOD) > 0.4
    assert not any(e.holds for e in evidence_of(saw, np.zeros(HEIGHT), 1).values())


def saturation_of_heads(period: float, later: float, seed: int) -> Proof:
    """Heads that differ by 2 % and change every ``period`` lines, ``later`` than the wheel's phase, colour being means of three lines."""
    rows, fit = rows_and_fit(np.zeros(HEIGHT), np.zeros(HEIGHT), seed)
    number = np.floor((np.arange(HEIGHT) / 2 - PHASE - later) / period + 1e-9).astype(int) % 4
    heads = np.array([2.0, -0.7, -0.7, -0.6])[number]
    combed = (2 * heads + np.roll(heads, 2) + np.roll(heads, -2)) / 4
    put(rows, "saturation", combed, np.random.default_rng(seed).normal(0, 0.1, HEIGHT - 6))
    proof = heads_evidence(rows, COMB, STD_525, fit, "saturation", PLAIN)
    assert proof is not None
    return proof


@pytest.mark.parametrize("later", [-0.5, 0.0, 0.5])
@pytest.mark.parametrize("seed", range(2))
def test_colour_may_change_part_of_a_line_beside_the_wheels_phase(seed: int, later: float) -> None:
    assert saturation_of_heads(PERIOD, later, seed).holds


@pytest.mark.parametrize("beside", [-0.3, -0.15, 0.15, 0.3])
def test_bands_of_colour_of_a_near_period_are_no_fault(beside: float) -> None:
    assert not saturation_of_heads(PERIOD + beside, 0.0, 1).holds
