"""Which displacements are undone before a file is measured again."""

from __future__ import annotations

import numpy as np
import pytest

from detect.findings import Findings, HeadValues, Value
from detect.judge.second_visit import LARGE_NS, displacement_to_undo
from detect.standards import STD_525, STD_625, Standard
from tests.fabricated import clean_tape

HEIGHT = {"525": 486, "625": 576}


def said(skew: float, scallop: float, heads: tuple[float, ...], *, time_base: str = "uncorrected") -> Findings:
    whole = clean_tape(minutes=1.0)
    summary = whole.summary.model_copy(
        update={
            "time_base": time_base,
            "skew_ns": Value(value=skew, sigma=1.0) if time_base == "uncorrected" else None,
            "scallop_ns": Value(value=scallop, sigma=1.0),
            "quadrature_ns": HeadValues(values=list(heads), sigmas=[1.0] * 4) if time_base == "uncorrected" else None,
        }
    )
    wheel = [w.model_copy(update={"locked": True, "phase_lines": 5.0}) for w in whole.wheel[:1]]
    return whole.model_copy(update={"summary": summary, "wheel": wheel})


@pytest.mark.parametrize("standard", [STD_525, STD_625])
@pytest.mark.parametrize(
    "fault", [(300.0, 0.0, (0.0,) * 4), (0.0, -300.0, (0.0,) * 4), (0.0, 0.0, (60.0, -20.0, -20.0, -20.0))]
)
def test_any_large_fault_is_undone_by_its_own_size(standard: Standard, fault: tuple[float, float, tuple[float, ...]]) -> None:
    undo = displacement_to_undo(said(*fault), standard, height=HEIGHT[standard.short_name])
    assert undo is not None
    middle = undo[0] + undo[1] / 2
    assert np.ptp(middle) > LARGE_NS


def test_small_faults_are_left_as_they_are() -> None:
    assert displacement_to_undo(said(10.0, 16.0, (5.0, -5.0, 0.0, 0.0)), STD_525, height=486) is None


def test_behind_a_line_corrector_only_the_growth_along_the_line_is_undone() -> None:
    undo = displacement_to_undo(said(0.0, 300.0, (0.0,) * 4, time_base="line-corrected"), STD_525, height=486)
    assert undo is not None
    assert not undo[0].any()
    assert np.ptp(undo[1]) > LARGE_NS
