"""The moving excerpt: which seconds, every field once and in order, out of the right file only."""

from __future__ import annotations

import io
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from typer.testing import CliRunner

from cli.main import app
from detect.excerpt import worst_seconds
from detect.findings import Evidence, Findings
from detect.measure.decoding import read_frames
from detect.measure.excerpt import doubled
from detect.measure.fields import Field, SampleFormat
from detect.measure.media import open_transfer
from detect.measure.stills import make_stills
from detect.output.files import OutputPaths, write_outputs
from detect.readings import Header, Readings, ReadingsWriter, add_stills
from tests import fabricated as fab

runner = CliRunner()
FRAMES = 12
STEP = 6
"""Codes of level from field to field: further apart than the encoder errs."""


def level(field: int) -> int:
    return 60 + STEP * field


@pytest.fixture(scope="module")
def clip(tmp_path_factory) -> Path:
    """525 lines, bottom field first (BT.601), each field flat at a level of its own; lossless."""
    path = tmp_path_factory.mktemp("clip") / "reel_07.mkv"
    write_fields(path, [level(n) for n in range(2 * FRAMES)])
    return path


def write_fields(path: Path, levels: list[int]) -> None:
    with av.open(str(path), "w") as out:
        stream = out.add_stream("ffv1", rate=Fraction(30_000, 1001))
        stream.width, stream.height, stream.pix_fmt = 720, 486, "yuv422p"
        for number in range(len(levels) // 2):
            frame = av.VideoFrame(720, 486, "yuv422p")
            for index, plane in enumerate(frame.planes):
                rows = np.full((plane.height, plane.line_size), 128, np.uint8)
                if index == 0:
                    rows[1::2], rows[0::2] = levels[2 * number], levels[2 * number + 1]
                    rows[:, 300:310] = 200  # something upright, as pictures have
                plane.update(rows.tobytes())
            frame.pts = number
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))


@dataclass
class Scanned:
    paths: OutputPaths
    findings: Findings


@pytest.fixture
def scanned(clip, tmp_path) -> Scanned:
    """What a scan of the clip leaves behind, with one finding about its middle."""
    base = fab.one_fault_tape(minutes=1)
    transfer = base.transfer.model_copy(
        update={
            "path": str(clip),
            "size_bytes": clip.stat().st_size,
            "frames": FRAMES,
            "duration_s": FRAMES * 1001 / 30_000,
        }
    )
    found = base.findings[0].model_copy(
        update={"start_frame": 0, "end_frame": FRAMES, "evidence": Evidence(frame=5, lines=[(10, 42), (141, 173)])}
    )
    findings = base.model_copy(update={"transfer": transfer, "findings": [found]})
    paths = OutputPaths(tmp_path, clip.name)
    writer = ReadingsWriter(paths.readings)
    writer.close(
        Header(transfer={"path": str(clip), "size_bytes": clip.stat().st_size}), losses={}, cuts=np.array([], np.int64)
    )
    source = open_transfer(clip, standard="525", field_order="bottom")
    for frame in read_frames(source, start=5, stop=6):
        add_stills(
            paths.readings, {(5, style): jpeg for style, jpeg in make_stills(frame, source.samples, rows=[]).items()}
        )
    write_outputs(findings, paths)
    return Scanned(paths, findings)


def asked(scanned: Scanned, video: Path):
    return runner.invoke(app, ["report", str(scanned.paths.readings), "--excerpt", str(video)])


def test_every_field_is_one_picture_in_order_of_time_at_field_rate(scanned, clip):
    assert asked(scanned, clip).exit_code == 0
    excerpt = Readings(scanned.paths.readings).excerpt()
    assert excerpt is not None
    assert (excerpt.start_frame, excerpt.end_frame) == (0, FRAMES)
    with av.open(io.BytesIO(excerpt.data)) as container:
        stream = container.streams.video[0]
        assert stream.average_rate == Fraction(60_000, 1001)
        assert stream.display_aspect_ratio == Fraction(4, 3), "of the screen (BT.601, BT.1700)"
        pictures = [frame.to_ndarray()[:486] for frame in container.decode(stream)]
    assert len(pictures) == 2 * FRAMES
    levels = [float(np.median(picture)) for picture in pictures]
    assert levels == pytest.approx([level(n) for n in range(2 * FRAMES)], abs=STEP / 2.5), "none woven or blended"
    assert max(float(picture[:, 20:280].std()) for picture in pictures) < 1


def test_the_page_carries_it_and_keeps_it_through_a_signature_and_a_new_page(scanned, clip):
    asked(scanned, clip.parent)
    assert "data:video/mp4;base64," in scanned.paths.report.read_text("utf-8")
    signed = ["signoff", str(scanned.paths.findings_json), "--decision", "refer", "--by", "A", "--reason", "b"]
    for again in (signed, ["report", str(scanned.paths.readings)]):
        assert runner.invoke(app, again).exit_code == 0
        text = scanned.paths.report.read_text("utf-8")
        assert "data:video/mp4;base64," in text
        assert f"Frames 0 to {FRAMES - 1}" in text


def test_asking_twice_leaves_one_excerpt(scanned, clip):
    for _ in range(2):
        assert asked(scanned, clip).exit_code == 0
    names = [name for name in Readings(scanned.paths.readings)._names if name.startswith("excerpt/")]
    assert names == [f"excerpt/0-{FRAMES}.mp4"]
    assert len(Readings(scanned.paths.readings).stills()) == 3, "the stills are still there"


@pytest.mark.parametrize("wrong", ["missing", "other size", "other picture"])
def test_another_file_is_refused_in_one_line_and_the_page_stays(scanned, clip, tmp_path, wrong):
    other = tmp_path / "other" / clip.name
    other.parent.mkdir()
    if wrong == "other size":
        other.write_bytes(clip.read_bytes() + b"\0")
    elif wrong == "other picture":
        write_fields(other, [220] * 2 * FRAMES)
        assert other.stat().st_size < clip.stat().st_size
        other.write_bytes(other.read_bytes() + bytes(clip.stat().st_size - other.stat().st_size))
    before = scanned.paths.report.read_bytes()
    result = asked(scanned, other)
    assert result.exit_code == 2
    (line,) = result.stderr.splitlines()
    assert str(other) in line
    assert {"missing": "no such file", "other size": "not the file", "other picture": "frame 5"}[wrong] in line
    assert scanned.paths.report.read_bytes() == before
    assert Readings(scanned.paths.readings).excerpt() is None


def test_a_clean_transfer_has_nothing_to_show(scanned, clip):
    write_outputs(scanned.findings.model_copy(update={"findings": []}), scanned.paths)
    result = asked(scanned, clip)
    assert result.exit_code == 2
    assert "no finding" in result.stderr


@pytest.mark.parametrize(
    ("finding", "evidence", "frames", "expected"),
    [
        ((0, 1000), 500, 1000, (455, 545)),
        ((0, 1000), 3, 1000, (0, 90)),
        ((0, 1000), 998, 1000, (910, 1000)),
        ((400, 520), 415, 1000, (400, 490)),
        ((400, 420), 410, 1000, (400, 490)),
        ((0, 40), 20, 40, (0, 40)),
    ],
)
def test_the_worst_three_seconds_lie_about_the_evidence_within_finding_and_file(finding, evidence, frames, expected):
    base = fab.clean_tape(minutes=1)
    transfer = base.transfer.model_copy(update={"frames": frames, "duration_s": frames * 1001 / 30_000})
    worst = fab.finding(1, "skew", *finding).model_copy(update={"evidence": Evidence(frame=evidence, lines=[])})
    assert worst_seconds(worst, findings=base.model_copy(update={"transfer": transfer})) == expected


def test_a_still_line_keeps_its_height_in_both_fields():
    """A level edge on rows 0 to 99 of the frame, sampled by either field, stays within a row of where it was."""
    rows = np.where(np.arange(486) < 100, 200, 50).astype(np.uint8)
    frame = np.repeat(rows[:, None], 64, axis=1)
    samples = SampleFormat(8, 2, 1, False, True)
    centres = []
    for row0 in (0, 1):
        chroma = np.full((243, 32), 128, np.uint8)
        field = Field(0, row0, row0, frame[row0::2], chroma, chroma)
        picture = doubled(field, samples)[:486]
        centres.append(int((picture[:, 10] > 125).sum()))
    assert [abs(c - 100) <= 1 for c in centres] == [True, True]
