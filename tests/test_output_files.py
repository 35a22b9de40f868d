"""Where outputs go, and that they are written whole."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from detect.errors import BadReadings, CannotRead, OutputClash
from detect.output.files import (
    OutputPaths,
    add_signoff,
    find_videos,
    outputs_beside,
    plan_outputs,
    write_outputs,
    write_whole,
)
from detect.output.signoff import read_signoffs
from tests import fabricated as fab


def touch(*paths: Path) -> None:
    for path in paths:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()


def test_a_single_file_keeps_its_full_name(tmp_path):
    touch(tmp_path / "deep" / "reel_07.mkv")
    plan = plan_outputs([tmp_path / "deep" / "reel_07.mkv"], tmp_path / "out")
    (paths,) = plan.values()
    assert paths.findings_json == tmp_path / "out" / "reel_07.mkv.findings.json"
    assert paths.readings == tmp_path / "out" / "reel_07.mkv.readings.zip"


def test_files_found_through_a_folder_keep_their_place_below_it(tmp_path):
    touch(tmp_path / "in" / "a" / "x.mkv", tmp_path / "in" / "b" / "x.MOV", tmp_path / "in" / "b" / "notes.txt")
    plan = plan_outputs([tmp_path / "in"], tmp_path / "out")
    assert [p.report.relative_to(tmp_path / "out").as_posix() for p in plan.values()] == [
        "a/x.mkv.report.html",
        "b/x.MOV.report.html",
    ]


def test_same_names_with_different_endings_do_not_clash(tmp_path):
    touch(tmp_path / "a.mkv", tmp_path / "a.mov")
    assert len(plan_outputs([tmp_path / "a.mkv", tmp_path / "a.mov"], tmp_path / "out")) == 2


@pytest.mark.parametrize("through", ["files", "folders"])
def test_two_inputs_that_would_share_an_output_are_refused_by_name(tmp_path, through):
    touch(tmp_path / "one" / "x.mkv", tmp_path / "two" / "x.mkv")
    given = [tmp_path / "one", tmp_path / "two"]
    with pytest.raises(OutputClash, match=r"one/x\.mkv and .*two/x\.mkv would both write"):
        plan_outputs(given if through == "folders" else [g / "x.mkv" for g in given], tmp_path / "out")


def test_a_file_given_twice_is_scanned_once(tmp_path):
    touch(tmp_path / "in" / "x.mkv")
    os.symlink(tmp_path / "in" / "x.mkv", tmp_path / "link.mkv")
    given = [tmp_path / "in" / "x.mkv", tmp_path / "in", tmp_path / "link.mkv"]
    assert list(plan_outputs(given, tmp_path / "out")) == [tmp_path / "in" / "x.mkv"]


def test_an_output_that_would_overwrite_an_input_is_refused(tmp_path):
    touch(tmp_path / "a", tmp_path / "a.report.html")
    with pytest.raises(OutputClash, match="would be overwritten"):
        plan_outputs([tmp_path / "a", tmp_path / "a.report.html"], tmp_path)


def test_a_folder_without_video_and_a_name_too_long_are_refused(tmp_path):
    touch(tmp_path / "in" / "notes.txt")
    with pytest.raises(CannotRead, match="no video files"):
        plan_outputs([tmp_path / "in"], tmp_path / "out")
    with pytest.raises(OutputClash, match="too long"):
        plan_outputs([tmp_path / ("é" * 122 + ".mkv")], tmp_path / "out")


def test_hidden_files_and_the_output_folder_are_not_searched(tmp_path):
    touch(tmp_path / "x.mkv", tmp_path / "._x.mkv", tmp_path / ".trash" / "y.mkv", tmp_path / "headpass-out" / "z.mp4")
    assert find_videos(tmp_path, skip=tmp_path / "headpass-out") == [tmp_path / "x.mkv"]


def test_outputs_beside_finds_the_name_from_any_of_them():
    paths = OutputPaths(Path("out"), "reel.mkv")
    for path in paths.all():
        assert outputs_beside(path) == paths


def test_writing_leaves_every_output_and_no_temporary_file(tmp_path):
    paths = OutputPaths(tmp_path / "new" / "deeper", "reel.mkv")
    write_outputs(fab.one_fault_tape(minutes=1), paths)
    names = {p.name for p in paths.folder.iterdir()}
    assert names == {f"reel.mkv.{end}" for end in ("findings.json", "findings.csv", "findings.vtt", "report.html")}


def test_a_failed_write_keeps_the_old_file_and_leaves_nothing_behind(tmp_path, monkeypatch):
    target = tmp_path / "a.json"
    write_whole(target, b"old")

    def broken(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", broken)
    with pytest.raises(OutputClash, match="No space left on device"):
        write_whole(target, b"new")
    assert target.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [target]


def test_a_written_file_has_the_permissions_that_the_user_asked_for(tmp_path):
    mask = os.umask(0o027)
    try:
        write_whole(tmp_path / "a", b"")
    finally:
        os.umask(mask)
    assert (tmp_path / "a").stat().st_mode & 0o777 == 0o640


def test_fewer_losses_than_before_take_the_old_list_away(tmp_path):
    paths = OutputPaths(tmp_path, "reel.mkv")
    findings = fab.clean_tape(minutes=1)
    many = findings.model_copy(update={"dropouts": [findings.dropouts[0]] * 10_001})
    write_outputs(many, paths, page=False)
    assert paths.dropouts_csv.exists()
    write_outputs(findings, paths, page=False)
    assert not paths.dropouts_csv.exists()


def test_sign_offs_are_kept_in_order_and_survive_judging_again(tmp_path):
    paths = OutputPaths(tmp_path, "reel.mkv")
    findings = fab.one_fault_tape(minutes=1)
    write_outputs(findings, paths, page=False)
    add_signoff(paths, decision="refer", by="A. Operator", reason="not sure", date="2025-04-01T10:00:00+00:00")
    write_outputs(findings.model_copy(update={"created": "2025-04-02T00:00:00Z"}), paths)
    add_signoff(paths, decision="transfer-again", by="B. Engineer", reason="head B", date="2025-04-03T10:00:00+00:00")
    assert [(s.decision, s.by, s.judged) for s in read_signoffs(paths.signoff)] == [
        ("refer", "A. Operator", findings.created),
        ("transfer-again", "B. Engineer", "2025-04-02T00:00:00Z"),
    ]
    page = paths.report.read_text("utf-8")
    assert "A. Operator" in page
    assert "judged again since" in page


def test_a_damaged_sign_off_is_not_overwritten(tmp_path):
    paths = OutputPaths(tmp_path, "reel.mkv")
    write_outputs(fab.clean_tape(minutes=1), paths, page=False)
    paths.signoff.write_text("{")
    with pytest.raises(BadReadings, match="not overwritten"):
        add_signoff(paths, decision="accept", by="A", reason="r", date="d")
    assert paths.signoff.read_text() == "{"


def test_the_shared_library_is_written_once_for_a_folder(tmp_path):
    for name in ("a.mkv", "b.mkv"):
        write_outputs(fab.clean_tape(minutes=1), OutputPaths(tmp_path, name), assets="shared")
    assert (tmp_path / "headpass-plotly.min.js").stat().st_size > 1_000_000
    assert (tmp_path / "a.mkv.report.html").stat().st_size < 1_000_000
