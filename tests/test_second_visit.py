"""Which displacements are undone before a file is measured again."""

from __future__ import annotations

import numpy as np
import pytest

from detect.findings import Findings, HeadValues, Value
from detect.judge.rows import INDEX, groups_of
from detect.judge.second_visit import LARGE_NS, displacement_to_undo
from detect.judge.time_geometry import displacement_rows
from detect.measure.fields import Field, Frame, SampleFormat
from detect.measure.relations import TO_THE_END, Deshift
from detect.measure.windows import WindowMeasurer
from detect.readings import Chunk
from detect.standards import STD_525, STD_625, Standard
from tests.fabricated import clean_tape, finding

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


def test_what_was_found_for_part_of_the_tape_is_undone_there_alone_as_it_reads_there() -> None:
    """300 ns for a fifth of the tape are 60 ns on average."""
    whole = said(60.0, 0.0, (0.0,) * 4)
    frames = whole.transfer.frames
    windows = [
        w.model_copy(update={"readings": w.readings.model_copy(update={
            "skew_ns": Value(value=300.0 if 150 <= w.start_frame < 500 else 0.0, sigma=1.0), "scallop_ns": None,
            "quadrature_ns": HeadValues(values=[0.0] * 4, sigmas=[1.0] * 4),
        })}) for w in whole.windows
    ]  # fmt: skip
    part = [finding(1, "skew", 200, 500), finding(2, "quadrature", 150, 450), finding(3, "level_banding", 0, frames)]
    doubtful = finding(4, "scallop", 0, frames, status="unconfirmed")
    undo = displacement_to_undo(whole.model_copy(update={"findings": [*part, doubtful], "windows": windows}), STD_525, height=486)
    assert undo is not None
    assert (undo.start_frame, undo.end_frame) == (150, 500)
    everywhere = displacement_to_undo(said(300.0, 0.0, (0.0,) * 4), STD_525, height=486)
    assert everywhere is not None
    assert (everywhere.start_frame, everywhere.end_frame) == (0, TO_THE_END)
    assert undo.start_ns == pytest.approx(everywhere.start_ns)
    throughout = whole.model_copy(update={"findings": [finding(1, "skew", 30, frames)]})
    again = displacement_to_undo(throughout, STD_525, height=486)
    assert again is not None
    assert (again.start_frame, again.end_frame) == (0, TO_THE_END)
    large = [w.model_copy(update={"readings": windows[5].readings}) for w in whole.windows]  # one that reads 300 ns
    late = whole.model_copy(update={"findings": [finding(1, "skew", 900, frames - 3)], "windows": large})  # ends in the last window
    to_the_end = displacement_to_undo(late, STD_525, height=486)
    assert to_the_end is not None
    assert (to_the_end.start_frame, to_the_end.end_frame) == (900, TO_THE_END)


def test_a_last_window_that_is_short_is_moved_back_too() -> None:
    """Windows begin at multiples of their length: 40 frames are one of 36 and one of 4, whose middle would be past the end."""
    undo = displacement_to_undo(said(300.0, 0.0, (0.0,) * 4), STD_525, height=486)
    assert undo is not None
    chunks: list[Chunk] = []
    windows = WindowMeasurer(
        SampleFormat(10, 2, 1, False, False), height=486, width=720, frame_rate=STD_525.frame_rate, sink=chunks.append,
        deshift=Deshift(*undo),
    )  # fmt: skip
    y = np.random.default_rng(3).normal(500, 50, (486, 720)).astype(np.uint16)
    for frame in range(windows.length + 4):
        fields = [Field(frame, i, row, y[row::2], None, None) for i, row in enumerate((1, 0))]
        windows.push(Frame(frame, (fields[0], fields[1])))
    windows.finish()
    assert chunks[0].scalars["undone"].tolist() == [1.0, 1.0]


def test_windows_where_nothing_was_undone_read_as_without_it() -> None:
    """A slow sine along every line, displaced by 80 ns of skew in the middle window of three: its displacement is known by arithmetic."""
    start, growth = displacement_rows(STD_525, phase=5.0, height=486, skew_ns=80.0, scallop_ns=0.0, quadrature_ns=np.zeros(4))
    chunks: list[Chunk] = []
    windows = WindowMeasurer(
        SampleFormat(10, 2, 1, False, False), height=486, width=720, frame_rate=STD_525.frame_rate, sink=chunks.append,
        deshift=Deshift(start, growth, 36, 72),
    )  # fmt: skip
    sample_ns, along = 1e3 / 13.5, np.arange(720)
    for frame in range(108):
        late = (start[:, None] + growth[:, None] * along / 720) / sample_ns if 36 <= frame < 72 else np.zeros((486, 1))
        noise = np.random.default_rng(frame).normal(0, 2, (486, 720))
        y = np.rint(500 + 200 * np.sin(2 * np.pi * 0.05 * (along - late)) + noise).astype(np.uint16)
        fields = [Field(frame, i, row, y[row::2], None, None) for i, row in enumerate((1, 0))]
        windows.push(Frame(frame, (fields[0], fields[1])))
    windows.finish()
    shown = []
    for window in range(3):
        chosen = np.arange(3) == window
        rows = next(groups_of(chunks[0], 0, np.array([], np.int64), chosen)).rows
        shift = rows.ratio[INDEX["shift"]]
        shown.append(float(np.abs(shift).max()))
    assert shown[1] == pytest.approx(80.0, rel=0.1)
    assert max(shown[0], shown[2]) < 5.0


@pytest.mark.parametrize("whole", [True, False])
def test_lines_displaced_as_wholes_are_moved_back_as_wholes(whole: bool) -> None:
    """Nothing grows along them, and no velocity error is told."""
    findings = said(0.0, 300.0, (0.0,) * 4)
    told = None if whole else Value(value=130.0, sigma=1.0)
    findings = findings.model_copy(update={"summary": findings.summary.model_copy(update={"velocity_error_ns": told})})
    undo = displacement_to_undo(findings, STD_525, height=486)
    assert undo is not None
    assert undo.growth_ns.any() != whole
    assert np.ptp(undo.start_ns) > 250.0
