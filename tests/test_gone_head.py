"""End to end: a real file in which one head reads nothing for a second and a half."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from detect.scan import ScanOptions, scan_file
from detect.standards import HEADS, STD_525, pass_of_rows
from synthetic_clips.deck import DeckFaults
from synthetic_clips.files import write_clip
from synthetic_clips.pictures import varied_programme
from synthetic_clips.render import Tape, render
from tests.test_noise_bands import snow

PHASE, HEAD, FRAMES, FROM, TO = 7.25, 1, 100, 40, 85


def without_head(tape: Tape) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    for number, (y, cb, cr) in enumerate(tape):
        if FROM <= number < TO:
            y, cb, cr = (np.array(plane) for plane in (y, cb, cr))
            lost = pass_of_rows(STD_525, PHASE, np.arange(len(y))) % HEADS == HEAD
            count = int(lost.sum())
            y[lost] = snow((count, y.shape[1]), number)
            cb[lost], cr[lost] = (512 + np.random.default_rng(number + k).normal(0, 60, (count, cb.shape[1])) for k in (1000, 2000))
        yield y, cb, cr


def test_a_head_that_reads_nothing_is_told_with_its_letter_and_its_frames(tmp_path: Path) -> None:
    programme, rng = varied_programme(5, FRAMES / 29.97, "525"), np.random.default_rng(5)
    tape = render(programme, DeckFaults(standard="525", phase_lines=PHASE, blanking="reinserted"), frames=FRAMES, rng=rng)
    path = tmp_path / "reel.mov"
    write_clip(path, Tape(without_head(tape), tape.truth), codec="v210")
    findings = scan_file(path, options=ScanOptions(stills=False), readings_path=tmp_path / "reel.readings.zip")
    assert [(f.kind, f.heads, f.start_frame, f.end_frame, f.unit) for f in findings.findings] == [("head_loss", ["B"], FROM, TO, "passes")]
    assert findings.verdict.outcome == "adjust_and_replay"
    (wheel,) = findings.wheel
    assert wheel.locked
    assert abs(float(wheel.phase_lines or 0.0) - PHASE) < 0.5
