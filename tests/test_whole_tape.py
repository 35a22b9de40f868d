"""A whole tape: bars and tone, black, run-up, programme with one edit, black. Only the programme decides."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from lineup_material import bars

from detect.findings import Findings
from detect.scan import ScanOptions, scan_file
from synthetic_clips.deck import DeckFaults, Onset, Relock
from synthetic_clips.files import Tone, write_clip
from synthetic_clips.pictures import FlatScene, Programme, Scene, StillScene, shot, varied_programme
from synthetic_clips.plates import drawn_plate
from synthetic_clips.render import render

RATE = 30_000 / 1001
BORDER_FRAMES = 15
"""Half a second."""


@dataclass(frozen=True)
class Layout:
    """Lengths of the parts, seconds; ``edit_s`` counts from the start of the programme."""

    bars_s: float
    black_s: float
    unlocked_s: float
    programme_s: float
    tail_s: float
    edit_s: float
    seed: int
    suffix: str
    codec: str
    montage: bool = False

    @property
    def borders(self) -> list[int]:
        """First frame of each part, and the end of the file."""
        lengths = [0.0, self.bars_s, self.black_s, self.unlocked_s, self.programme_s, self.tail_s]
        return [round(s * RATE) for s in np.cumsum(lengths)]


WHOLE = Layout(20, 5, 6, 120, 10, 63.0, seed=5, suffix=".mkv", codec="ffv1")
"""The lengths usual on broadcast tapes: common practice, no single source."""
SHORT = Layout(2.5, 1.2, 1.5, 9.0, 1.2, 4.5, seed=5, suffix=".mov", codec="v210", montage=True)


def programme(seed: int, seconds: float, *, montage: bool) -> tuple[tuple[Scene, float], ...]:
    """Varied shots of 1 to 4 s; or, where seconds are few, a cut every two seconds with plenty of detail in each shot."""
    if not montage:
        return varied_programme(seed, seconds).shots
    plates = [drawn_plate(kind, 5) for kind in ("buildings", "graphics")]
    rng = np.random.default_rng(seed)
    return tuple((shot(rng, "pan", "525", plate=plates[k % len(plates)]), 2.0) for k in range(round(seconds)))


def shots(layout: Layout) -> Programme:
    """Bars, black, a picture for the run-up, programme with a cut at the edit, black."""
    make = partial(programme, montage=layout.montage)
    first = make(layout.seed, layout.edit_s)
    second = make(layout.seed + 100, layout.programme_s - layout.edit_s)
    run_up = make(layout.seed + 200, layout.unlocked_s)
    b = [f / RATE for f in layout.borders]
    edit_s = b[3] + layout.edit_s
    parts: list[tuple[Scene, float]] = [(StillScene(bars()), b[1]), (FlatScene(), b[2] - b[1])]
    parts += [*cut_to(run_up, b[3] - b[2]), *cut_to(first, edit_s - b[3]), *cut_to(second, b[4] - edit_s)]
    return Programme((*parts, (FlatScene(), 1e9)), "whole tape")


def cut_to(parts: tuple[tuple[Scene, float], ...], seconds: float) -> list[tuple[Scene, float]]:
    """Shots that fill ``seconds``, the last one cut short."""
    out: list[tuple[Scene, float]] = []
    left = seconds
    for scene, length in parts:
        if left <= 0:
            break
        out.append((scene, min(length, left)))
        left -= length
    return [*out[:-1], (out[-1][0], out[-1][1] + max(left, 0.0))]


def tape(path: Path, layout: Layout) -> Findings:
    """Rendered, stored with its sound, and scanned. Head C is low in colour in the bars only, head B out
    of quadrature in the programme only."""
    bars_end, _, run_up, start, end, frames = layout.borders
    edit = start + round(layout.edit_s * RATE)
    faults = DeckFaults(
        phase_lines=4.0,
        saturation_pct=(0.0, 0.0, -12.0, 0.0),
        saturation_follows_response=False,
        quadrature_ns=(0.0, 60.0, -40.0, 20.0),
        blanking="reinserted",
        onsets=(Onset("saturation_pct", 0, bars_end), Onset("quadrature_ns", start, end)),
        relocks=(Relock(edit, 11.5),),
        unlocked=((run_up, start),),
    )
    clip = render(shots(layout), faults, frames=frames, rng=np.random.default_rng(layout.seed))
    path = path.with_suffix(layout.suffix)
    write_clip(path, clip, codec=layout.codec, start_timecode="00:59:29;00", tone=Tone(until_s=layout.bars_s))
    return scan_file(path, options=ScanOptions(stills=False), readings_path=path.with_suffix(".readings.zip"))


@pytest.mark.parametrize("layout", [pytest.param(SHORT, id="short"), pytest.param(WHOLE, id="whole", marks=pytest.mark.long)])
def test_a_whole_tape_is_told_part_by_part_and_judged_by_its_programme(layout: Layout, tmp_path: Path) -> None:
    """One test, so that a tape is made once however many workers run the tests."""
    findings = tape(tmp_path / "tape", layout)
    each_part_is_named_and_bordered_to_half_a_second(layout, findings)
    the_verdict_is_on_the_programme_alone(layout, findings)
    no_re_lock_is_found_but_at_the_edit(layout, findings)
    if layout is WHOLE:  # three windows of 1.2 s on either side of an edit are too few to tell its phase from the picture's
        the_edit_is_found_as_a_re_lock(findings)
    the_tone_beside_the_bars_is_reported_on_both_channels(layout, findings)


def each_part_is_named_and_bordered_to_half_a_second(layout: Layout, findings: Findings) -> None:
    assert [s.kind for s in findings.sections] == ["bars", "black", "unlocked", "programme", "black"]
    for section, start, end in zip(findings.sections, layout.borders, layout.borders[1:], strict=False):
        assert abs(section.start_frame - start) <= BORDER_FRAMES
        assert abs(section.end_frame - end) <= BORDER_FRAMES


def the_verdict_is_on_the_programme_alone(layout: Layout, findings: Findings) -> None:
    start, end = layout.borders[3:5]
    assert "quadrature" in {f.kind for f in findings.findings}
    assert "saturation_banding" not in {f.kind for f in findings.findings}
    for finding in findings.findings:
        assert finding.start_frame >= start - BORDER_FRAMES
        assert finding.end_frame <= end + BORDER_FRAMES
    assert findings.verdict.outcome == "adjust_and_replay"
    assert findings.verdict.judged_s == pytest.approx(layout.programme_s, abs=0.5)


def no_re_lock_is_found_but_at_the_edit(layout: Layout, findings: Findings) -> None:
    edit = layout.borders[3] + round(layout.edit_s * RATE)
    relocks = [f for f in findings.findings if f.kind == "relock"]
    assert len(relocks) <= 1
    assert all(abs(f.start_frame - edit) <= RATE for f in relocks)


def the_edit_is_found_as_a_re_lock(findings: Findings) -> None:
    (relock,) = [f for f in findings.findings if f.kind == "relock"]
    assert relock.value == pytest.approx(7.5, abs=0.3)
    first, second = [w.phase_lines for w in findings.wheel if w.locked]
    assert first == pytest.approx(4.0, abs=0.3)
    assert second == pytest.approx(11.5, abs=0.3)


def the_tone_beside_the_bars_is_reported_on_both_channels(layout: Layout, findings: Findings) -> None:
    assert [tone.channel for tone in findings.audio] == [1, 2]
    for tone in findings.audio:
        assert tone.tone_hz == pytest.approx(1000.0, abs=0.1)
        assert tone.tone_dbfs == pytest.approx(-20.0, abs=0.05)
        assert tone.start_frame == pytest.approx(0, abs=BORDER_FRAMES)
        assert tone.end_frame == pytest.approx(layout.borders[1], abs=BORDER_FRAMES)
