"""The commands lineup and compare as a user meets them: files written, one line and status 2 for bad input."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from fabricated import clean_tape, one_fault_tape
from lineup_material import Sequence_, bars, multiburst
from typer.testing import CliRunner

from cli.main import app
from detect.lineup.result import LineupResult
from synthetic_clips.deck import DeckFaults
from synthetic_clips.files import Tone, write_clip
from synthetic_clips.render import render

FAULTS = {"quadrature_ns": (12.0, -8.0, 3.0, -7.0), "response_db": (1.5, 0.0, -1.0, -0.5)}


NARROW = {"COLUMNS": "80"}


def too_wide(output: str) -> list[str]:
    """Lines that do not fit a terminal of 80 columns; where files were written may be longer, so that it can be copied."""
    return [line for line in output.splitlines() if len(line) > 80 and "written:" not in line]


def capture(path: Path, *, skew_ns: float, seed: int) -> Path:
    scene = Sequence_(((0.6, bars()), (9.0, multiburst())))
    faults = DeckFaults(skew_ns=skew_ns, **FAULTS)  # type: ignore[arg-type]
    tape = render(scene, faults, frames=36, rng=np.random.default_rng(seed))
    return write_clip(path, tape, tone=Tone(1000.0, -19.4))


@pytest.fixture(scope="module")
def captures(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("lineup")
    return capture(folder / "before.mkv", skew_ns=40.0, seed=1), capture(folder / "after.mkv", skew_ns=22.0, seed=2)


def refused(*arguments: object) -> str:
    """The one line of complaint; status 2."""
    done = CliRunner().invoke(app, [str(a) for a in arguments])
    assert done.exit_code == 2
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1
    return lines[0]


def test_a_line_up_and_a_turn_from_file_to_advice(captures: tuple[Path, Path], tmp_path: Path) -> None:
    before, after = captures
    deck = tmp_path / "deck.toml"
    for file in captures:
        done = CliRunner().invoke(app, ["lineup", str(file), "--out", str(tmp_path), "--deck", str(deck)], env=NARROW)
        assert done.exit_code == 0, done.output
    assert too_wide(done.output) == []
    assert "Touch first: guide position" in " ".join(done.output.split())
    result = LineupResult.model_validate_json((tmp_path / "before.mkv.lineup.json").read_bytes())
    assert result.audio is not None
    # tone of -19.4 dBFS (AES17) against -20 (SMPTE RP 155), both channels
    assert [t.level_dbfs for t in result.audio.tones] == pytest.approx([-19.4, -19.4], abs=0.1)
    assert [t.above_reference_db for t in result.audio.tones] == pytest.approx([0.6, 0.6], abs=0.1)
    told = CliRunner().invoke(app, ["compare", "--json", *(str(tmp_path / f"{f.name}.lineup.json") for f in (before, after))])
    assert told.exit_code == 0, told.output
    comparison = json.loads(told.output)
    main_change = comparison["changes"][comparison["main"]]
    assert main_change["figure"] == "skew_ns"
    # 18 ns a turn, 22 ns left
    assert main_change["advice"]["further_turns"] == pytest.approx(22 / 18, abs=0.1)
    history = CliRunner().invoke(app, ["lineup", "--history", str(deck), "--out", str(tmp_path)], env=NARROW)
    assert history.exit_code == 0, history.output
    assert too_wide(history.output) == []
    assert (tmp_path / "deck.history.html").exists()


def test_two_transfers_are_told_apart(tmp_path: Path) -> None:
    paths = []
    for name, tape in (("old", one_fault_tape(minutes=1.0)), ("new", clean_tape(minutes=1.0))):
        paths.append(tmp_path / f"{name}.mkv.findings.json")
        paths[-1].write_text(tape.model_dump_json(by_alias=True))
    told = CliRunner().invoke(app, ["compare", "--json", *map(str, paths)])
    assert told.exit_code == 0, told.output
    rows = {r["figure"]: r["outcome"] for r in json.loads(told.output)["rows"]}
    assert "better" in rows.values()
    shown = CliRunner().invoke(app, ["compare", *map(str, paths)])
    assert "Gone: " in shown.output


def test_bad_input_is_one_line_and_status_two(tmp_path: Path) -> None:
    assert "no such file" in refused("lineup", tmp_path / "none.mkv")
    text = tmp_path / "text.mkv"
    text.write_text("no video")
    assert "cannot be read" in refused("lineup", text)
    assert "name a capture" in refused("lineup")
    assert "no such deck file" in refused("lineup", "--history", tmp_path / "none.toml")
    assert "given twice" in refused("compare", text, text)
    broken = tmp_path / "a.lineup.json"
    broken.write_text("{}")
    assert "not a line-up result" in refused("compare", broken, text)
    found = tmp_path / "a.findings.json"
    found.write_text(clean_tape(minutes=1.0).model_dump_json(by_alias=True))
    assert "two of a kind" in refused("compare", found, text)


def test_a_channel_that_does_not_exist_is_one_line(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "cli.main", "lineup", "--muted", "7", str(tmp_path / "x.mov")], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert done.stderr.strip().splitlines() == ["headpass: --muted 7: there are channels 1 to 4"]
