"""The commands from outside: exit codes, one line for an error, nothing left behind, one screen of summary."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import types
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from cli.main import app
from detect.errors import CannotRead
from detect.output.files import OutputPaths
from detect.readings import Header, ReadingsWriter
from tests import fabricated as fab

runner = CliRunner()


@dataclass(frozen=True)
class FakeOptions:
    every: int = 1
    standard: str = "auto"
    field_order: str = "auto"
    start_timecode: str | None = None
    tape_speed: str = "15"
    workers: int = 1
    limits: Path | None = None
    deck: Path | None = None


@pytest.fixture
def scanned(monkeypatch, tmp_path):
    """A scan that decides by the file's name, so that commands are tested without decoding; returns what was asked."""
    asked: list[tuple[Path, Any]] = []

    def judge_file(readings_path, *, limits=None, deck=None):
        asked.append((readings_path, limits))
        name = readings_path.name
        made = fab.one_fault_tape(minutes=1) if "bad" in name or limits else fab.clean_tape(minutes=1)
        return made.model_copy(
            update={"transfer": made.transfer.model_copy(update={"path": name.removesuffix(".readings.zip")})}
        )

    def scan_file(path, *, options, readings_path, progress=None):
        asked.append((path, options))
        if "broken" in path.name:
            raise CannotRead(f"{path}: no video in this file; give a transfer")
        if "bug" in path.name:
            raise ZeroDivisionError("oh")
        if "stop" in path.name:
            raise KeyboardInterrupt
        if progress:
            progress(5, 10)
            progress(10, None)
        writer = ReadingsWriter(readings_path)
        writer.add_still(100, "frame", b"\xff\xd8jpeg")
        writer.close(Header(transfer={}), losses={}, cuts=np.array([], np.int64))
        return judge_file(readings_path)

    fake = types.ModuleType("detect.scan")
    vars(fake).update(ScanOptions=FakeOptions, scan_file=scan_file, judge_file=judge_file)
    monkeypatch.setitem(sys.modules, "detect.scan", fake)
    monkeypatch.chdir(tmp_path)
    for name in ("good.mkv", "bad.mkv", "broken.mkv", "bug.mkv", "stop.mkv", "good2.mkv"):
        (tmp_path / name).touch()
    return asked


def left(tmp_path: Path) -> set[str]:
    return {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file() and p.suffix != ".mkv"}


@pytest.mark.parametrize(
    ("names", "status"),
    [
        (["good.mkv"], 0),
        (["bad.mkv"], 1),
        (["good.mkv", "bad.mkv"], 1),
        (["broken.mkv"], 2),
        (["bad.mkv", "broken.mkv", "good.mkv"], 2),
        (["missing.mkv", "good.mkv"], 2),
        (["bug.mkv", "good.mkv"], 2),
    ],
)
def test_exit_status_two_wins_over_one_and_the_others_are_still_done(scanned, tmp_path, names, status):
    result = runner.invoke(app, ["scan", *names])
    assert result.exit_code == status, result.output
    for name in names:
        fine = name in ("good.mkv", "bad.mkv")
        assert (tmp_path / f"headpass-out/{name}.findings.json").exists() == fine
        assert (f"{name}: " in result.stderr) != fine
    assert len(result.stderr.splitlines()) == sum(name not in ("good.mkv", "bad.mkv") for name in names)


def test_a_file_that_cannot_be_scanned_leaves_nothing_behind(scanned, tmp_path):
    assert runner.invoke(app, ["scan", "broken.mkv", "--out", "new/deep"]).exit_code == 2
    assert not (tmp_path / "new").exists()


def test_scan_writes_every_output_and_takes_the_stills_to_the_page(scanned, tmp_path):
    assert runner.invoke(app, ["scan", "bad.mkv", "--out", "o"]).exit_code == 1
    ends = ("findings.json", "findings.csv", "findings.vtt", "report.html", "readings.zip")
    assert left(tmp_path) == {f"o/bad.mkv.{end}" for end in ends}
    assert "Frame 100" in (tmp_path / "o/bad.mkv.report.html").read_text("utf-8")


def test_no_report_writes_no_page(scanned, tmp_path):
    runner.invoke(app, ["scan", "good.mkv", "--no-report"])
    assert not (tmp_path / "headpass-out/good.mkv.report.html").exists()


def test_options_reach_the_scan(scanned, tmp_path):
    (tmp_path / "l.toml").touch()
    words = "scan good.mkv --every 3 --standard 625 --field-order top --start-timecode 10:00:00:00"
    words += " --tape-speed 7.5 --workers 2 --limits l.toml"
    runner.invoke(app, words.split())
    options = scanned[0][1]
    assert (options.every, options.standard, options.field_order, options.start_timecode) == (
        3,
        "625",
        "top",
        "10:00:00:00",
    )
    assert (options.tape_speed, options.workers, options.limits) == ("7.5", 2, Path("l.toml"))


@pytest.mark.parametrize(
    "words",
    [
        "scan",
        "scan good.mkv --every 0",
        "scan good.mkv --standard 405",
        "scan good.mkv --limits nowhere.toml",
        "frobnicate",
        "judge",
    ],
)
def test_wrong_use_is_status_two_before_anything_is_decoded(scanned, tmp_path, words):
    assert runner.invoke(app, words.split()).exit_code == 2
    assert not scanned
    assert not left(tmp_path)


def test_a_clash_is_told_before_anything_is_decoded(scanned, tmp_path):
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "x.mkv").touch()
    result = runner.invoke(app, ["scan", "a", "b"])
    assert result.exit_code == 2
    assert "would both write" in result.stderr
    assert not scanned


def test_a_folder_is_searched_and_keeps_its_shape(scanned, tmp_path):
    (tmp_path / "in" / "sub").mkdir(parents=True)
    (tmp_path / "in" / "sub" / "x.mkv").touch()
    assert runner.invoke(app, ["scan", "in", "--quiet"]).exit_code == 0
    assert (tmp_path / "headpass-out/sub/x.mkv.findings.json").exists()


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("a.mkv.readings.zip", "use headpass judge"),
        ("a.mkv.findings.json", "give the video file"),
        ("a.mkv.report.html", "give the video file"),
        ("limits.toml", "--limits"),
        ("nothing.mkv", "no such file"),
    ],
)
def test_a_wrong_kind_of_file_is_told_with_the_way_out(scanned, tmp_path, name, says):
    if name != "nothing.mkv":
        (tmp_path / name).touch()
    result = runner.invoke(app, ["scan", name])
    assert result.exit_code == 2
    assert says in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_control_c_ends_with_130_and_one_line(scanned, tmp_path):
    result = runner.invoke(app, ["scan", "good.mkv", "stop.mkv", "good2.mkv"])
    assert result.exit_code == 130
    assert len(result.stderr.splitlines()) == 1
    assert "nothing is half-written" in result.stderr
    assert all(name.startswith("headpass-out/good.mkv.") for name in left(tmp_path)), (
        "what was done stays, the rest leaves nothing"
    )


def test_an_internal_error_is_one_line_that_says_how_to_see_more(scanned, monkeypatch):
    result = runner.invoke(app, ["scan", "bug.mkv"])
    assert result.stderr.splitlines() == [
        "headpass: bug.mkv: internal error, ZeroDivisionError: oh (set HEADPASS_TRACE=1 to see where, and report it)"
    ]
    monkeypatch.setenv("HEADPASS_TRACE", "1")
    assert "Traceback" in runner.invoke(app, ["scan", "bug.mkv"]).stderr


def test_json_is_an_object_for_one_file_and_an_array_for_several(scanned):
    one = runner.invoke(app, ["scan", "bad.mkv", "--json"])
    assert json.loads(one.stdout)["verdict"]["outcome"] == "adjust_and_replay"
    assert one.exit_code == 1
    two = runner.invoke(app, ["scan", "bad.mkv", "good.mkv", "--json"])
    assert [f["transfer"]["path"] for f in json.loads(two.stdout)] == ["bad.mkv", "good.mkv"]
    half = runner.invoke(app, ["scan", "broken.mkv", "good.mkv", "--json"])
    assert len(json.loads(half.stdout)) == 1


def test_quiet_prints_nothing_when_all_is_well(scanned):
    result = runner.invoke(app, ["scan", "good.mkv", "bad.mkv", "--quiet"])
    assert result.output == ""


def test_several_files_give_a_line_each_and_a_total(scanned):
    lines = runner.invoke(app, ["scan", "good.mkv", "bad.mkv", "broken.mkv"]).stdout.splitlines()
    assert [("good.mkv" in lines[0]), ("bad.mkv" in lines[1])] == [True, True]
    assert lines[2].startswith("2 files: 1 × accept, 1 × adjust the deck")  # noqa: RUF001
    assert "1 could not be scanned" in lines[2]
    assert len(lines) == 3


TAPES = {
    "clean": lambda: fab.clean_tape(minutes=1),
    "one fault": lambda: fab.one_fault_tape(minutes=2),
    "long": lambda: fab.long_tape(minutes=6),
    "ruined": lambda: fab.ruined_tape(minutes=8, count=60, lost=300),
    "unmeasured": fab.unmeasured_tape,
}


@pytest.mark.parametrize("name", list(TAPES))
def test_the_summary_fits_one_screen_of_80_by_24_and_begins_with_the_outcome(name, capsys, monkeypatch, tmp_path):
    from cli.summary import print_summary
    from detect.output.words import OUTCOME_WORDS

    monkeypatch.setenv("COLUMNS", "80")
    findings = TAPES[name]()
    findings = findings.model_copy(update={"warnings": [*findings.warnings, "w " * 200]})
    print_summary(
        findings, OutputPaths(tmp_path.relative_to(tmp_path), "a_rather_long_name_of_a_reel_from_the_vault_0007.mkv")
    )
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) <= 23, "one row is left for the prompt"
    assert max(map(len, lines)) <= 80
    assert OUTCOME_WORDS[findings.verdict.outcome].upper() in lines[1]
    assert findings.verdict.text[:40] in lines[2]
    assert "\x1b" not in "".join(lines), "no colour when piped"


def test_judge_applies_other_limits_to_saved_readings(scanned, tmp_path):
    (tmp_path / "tight.toml").touch()
    runner.invoke(app, ["scan", "good.mkv", "--quiet"])
    out = tmp_path / "headpass-out"
    before = json.loads((out / "good.mkv.findings.json").read_text("utf-8"))
    result = runner.invoke(app, ["judge", "headpass-out/good.mkv.readings.zip", "--limits", "tight.toml"])
    after = json.loads((out / "good.mkv.findings.json").read_text("utf-8"))
    assert result.exit_code == 1, result.output
    assert (len(before["findings"]), len(after["findings"])) == (0, 2)


@pytest.mark.parametrize("command", ["judge", "report"])
def test_judge_and_report_take_folders_and_refuse_strangers(scanned, tmp_path, command):
    runner.invoke(app, ["scan", "good.mkv", "good2.mkv", "--quiet"])
    assert runner.invoke(app, [command, "headpass-out"]).exit_code == 0
    for stranger, says in (
        ("good.mkv", "give the NAME.readings.zip"),
        ("headpass-out/good.mkv.findings.json", "its readings are"),
    ):
        result = runner.invoke(app, [command, stranger])
        assert result.exit_code == 2
        assert says in result.stderr


def test_report_shows_the_findings_beside_the_readings_and_decodes_nothing(scanned, tmp_path):
    (tmp_path / "tight.toml").touch()
    runner.invoke(app, ["scan", "good.mkv", "--quiet"])
    runner.invoke(app, ["judge", "headpass-out/good.mkv.readings.zip", "--limits", "tight.toml", "--quiet"])
    page = tmp_path / "headpass-out/good.mkv.report.html"
    page.unlink()
    scanned.clear()
    assert runner.invoke(app, ["report", "headpass-out/good.mkv.readings.zip"]).exit_code == 0
    assert "Adjust the deck and transfer again" in page.read_text("utf-8")
    assert not scanned, "the saved findings are shown, nothing is judged anew"


def test_signoff_writes_beside_the_findings_shows_on_the_page_and_survives_judging(scanned, tmp_path):
    runner.invoke(app, ["scan", "bad.mkv", "--quiet"])
    words = [
        "signoff",
        "headpass-out/bad.mkv.findings.json",
        "--decision",
        "refer",
        "--by",
        "A. Operator",
        "--reason",
        "odd <b>",
    ]
    assert runner.invoke(app, words).exit_code == 0
    page = tmp_path / "headpass-out/bad.mkv.report.html"
    assert "odd &lt;b&gt;" in page.read_text("utf-8")
    runner.invoke(app, ["judge", "headpass-out/bad.mkv.readings.zip", "--quiet"])
    assert "A. Operator" in page.read_text("utf-8")
    assert (
        json.loads((tmp_path / "headpass-out/bad.mkv.signoff.json").read_text())["signoffs"][0]["decision"] == "refer"
    )


@pytest.mark.parametrize(
    "change",
    [
        {"--decision": "perhaps"},
        {"--by": " "},
        {"--reason": ""},
        {"file": "missing.findings.json"},
        {"file": "good.mkv"},
    ],
)
def test_a_sign_off_without_its_parts_is_refused(scanned, tmp_path, change):
    runner.invoke(app, ["scan", "good.mkv", "--quiet"])
    parts = {
        "--decision": "accept",
        "--by": "A",
        "--reason": "R",
        "file": "headpass-out/good.mkv.findings.json",
        **change,
    }
    file = parts.pop("file")
    result = runner.invoke(app, ["signoff", file, *[word for pair in parts.items() for word in pair]])
    assert result.exit_code == 2
    assert not list(tmp_path.rglob("*.signoff.json"))


def test_help_imports_none_of_the_heavy_libraries():
    """The claim is that help comes at once; what would make it slow is an import, so that is what is looked for."""
    code = (
        "import sys; sys.argv = ['headpass', '--help']\n"
        "from cli.main import run\n"
        "try: run()\n"
        "except SystemExit as end: assert not end.code\n"
        "print(*sorted(m for m in sys.modules if '.' not in m), file=sys.stderr)"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=Path(__file__).parent.parent
    )
    assert "scan" in result.stdout
    heavy = {"numpy", "scipy", "numba", "cv2", "av", "pydantic", "plotly", "jinja2", "skimage"}
    assert not heavy & set(result.stderr.split())


def test_every_command_of_the_contract_that_is_there_has_help_and_one_that_is_not_is_not_listed():
    listed = runner.invoke(app, ["--help"]).stdout
    for command in ("scan", "judge", "report", "demo", "signoff", "schema"):
        assert re.search(rf"^\s+{command}\b", listed, re.M), command
        assert runner.invoke(app, [command, "--help"]).exit_code == 0


def test_schema_prints_the_published_schema():
    result = runner.invoke(app, ["schema"])
    assert json.loads(result.stdout)["properties"]["schema"] == {"const": 1, "title": "Schema"}


@pytest.mark.parametrize(
    ("onsets", "rows"),
    [
        ([], [r"saturation, %\s+A\s+\+2\.50\s+\+3\.", r"B\s+−7\.50\s+−10\."]),  # noqa: RUF001
        (
            [{"parameter": "saturation_pct", "start_frame": 2000}],
            [r"saturation, %\s+B\s+−7\.50\s+−10\.1", r"from frame\s+2000\s+2098"],  # noqa: RUF001
        ),
    ],
)
def test_demo_prints_measured_beside_true(scanned, monkeypatch, tmp_path, onsets, rows):
    truth = types.SimpleNamespace(
        faults={"regime": "uncorrected", "skew_ns": 2.0, "scallop_ns": 0.0, "onsets": onsets},
        relative={
            key: [2.5, -7.5, 2.5, 2.5] if key == "saturation_pct" else [0.0] * 4
            for key in ("quadrature_ns", "saturation_pct", "hue_deg", "level_ire", "noise_db", "response_db")
        },
        dropouts=[1, 2, 3],
    )
    fake = types.ModuleType("synthetic_clips.demo")
    vars(fake).update(make_demo=lambda folder: [(tmp_path / "bad.mkv", truth)])
    monkeypatch.setitem(sys.modules, "synthetic_clips.demo", fake)
    result = runner.invoke(app, ["demo", "d"])
    assert result.exit_code == 0, result.output
    assert all(re.search(row, result.stdout) for row in rows), result.stdout
    assert (tmp_path / "d/bad.mkv.report.html").exists()


class Terminal:
    """A console that takes itself for a terminal 100 columns wide; ``text`` is what it was sent."""

    def __init__(self) -> None:
        import io

        from rich.console import Console

        self.file = io.StringIO()
        self.console = Console(file=self.file, force_terminal=True, width=100)

    @property
    def text(self) -> str:
        return self.file.getvalue()


def test_progress_shows_speed_against_real_time_and_time_left_on_a_terminal(monkeypatch):
    from cli import progress

    terminal, now = Terminal(), [0.0]
    monkeypatch.setattr(progress, "progress_console", lambda: terminal.console)
    monkeypatch.setattr(progress, "_pictures_per_s", lambda path: 25.0)
    monkeypatch.setattr(progress.time, "monotonic", lambda: now[0])
    with progress.Progress(quiet=False, files=1) as bar:
        advance = bar.start(Path("reel.mkv"))
        now[0] = 10.0
        advance(500, 1000)
        bar._bar.refresh()
    assert "reel.mkv" in terminal.text
    assert "50 %" in terminal.text
    assert "2.0 × real time" in terminal.text, "500 frames of 25 a second in 10 s"  # noqa: RUF001


def test_progress_is_silent_when_quiet_or_piped(monkeypatch, capsys):
    from cli import progress

    terminal = Terminal()
    with progress.Progress(quiet=False, files=1) as bar:
        bar.start(Path("reel.mkv"))(5, 10)
    monkeypatch.setattr(progress, "progress_console", lambda: terminal.console)
    with progress.Progress(quiet=True, files=1) as bar:
        bar.start(Path("reel.mkv"))(5, 10)
    assert (terminal.text, *capsys.readouterr()) == ("", "", "")


def test_no_color_is_honoured(monkeypatch, capsys):
    """no-color.org: with NO_COLOR set there is no ANSI colour (SGR 30 to 38); bold may stay."""
    from cli.summary import print_summary

    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm-256color")
    coloured = re.compile(r"\x1b\[(?:\d+;)*3[0-8]")
    print_summary(fab.one_fault_tape(minutes=1), OutputPaths(Path("o"), "reel.mkv"))
    assert coloured.search(capsys.readouterr().out)
    monkeypatch.setenv("NO_COLOR", "1")
    print_summary(fab.one_fault_tape(minutes=1), OutputPaths(Path("o"), "reel.mkv"))
    assert not coloured.search(capsys.readouterr().out)


def test_a_reader_that_goes_away_is_no_fault(scanned):
    """``headpass schema | head -1``: no trace, no message."""
    command = f"{sys.executable} -c 'from cli.main import run; run()' schema | head -c 10"
    result = subprocess.run(
        command, shell=True, capture_output=True, text=True, check=False, cwd=Path(__file__).parent.parent
    )
    assert result.stderr == ""


SLOW_SCAN = """
import signal, sys, time, types
signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell starts background jobs, and so these tests, without it
fake = types.ModuleType("detect.scan")
class ScanOptions:
    def __init__(self, **_): pass
def scan_file(path, *, options, readings_path, progress=None):
    from detect.readings import ReadingsWriter
    writer = ReadingsWriter(readings_path)
    try:
        print("measuring", flush=True)
        time.sleep(60)
    finally:
        writer.abandon()
fake.ScanOptions, fake.scan_file = ScanOptions, scan_file
sys.modules["detect.scan"] = fake
sys.argv = ["headpass", "scan", "reel.mkv"]
from cli.main import run
run()
"""


@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_scan_stopped_from_outside_leaves_nothing_behind(tmp_path, number, status):
    (tmp_path / "reel.mkv").touch()
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent)}
    with subprocess.Popen(
        [sys.executable, "-c", SLOW_SCAN],
        cwd=tmp_path,
        env=env,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout.readline() == "measuring\n"
        process.send_signal(number)
        _, said = process.communicate(timeout=20)
    assert process.returncode == status
    assert len(said.splitlines()) == (1 if number == signal.SIGINT else 0)
    assert [p.name for p in tmp_path.rglob("*")] == ["reel.mkv"], "no half-written file, no empty folder"
