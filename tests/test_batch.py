"""A batch from outside: killed at any instant, bad files, full disks, changes; nothing lost, nothing twice."""

from __future__ import annotations

import contextlib
import csv
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import psutil
import pytest

from cli.batch import run
from detect.archive.ledger import Ledger, LedgerTrouble, only_one
from detect.archive.plan import Batch
from detect.archive.run import NoSpace, run_batch
from detect.archive.status import read_status
from detect.errors import BadSettings, OutputClash
from detect.judge.limits import default_limits
from detect.output.files import add_signoff, outputs_beside

ROOT = Path(__file__).resolve().parents[1]
FILES = 30


def tapes(folder: Path, count: int, *, name: str = "tape") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(count):
        (folder / f"{name}_{number:02d}.mkv").write_bytes(f"tape {number}".encode() * 20)
    return folder


def batch(folder: Path, out: Path, **more) -> Batch:
    given = {"page": False, "workers": 2, "scanner": "tests.batch_worker", **more}
    return Batch([folder] if isinstance(folder, Path) else folder, out, **given)


def outputs(out: Path) -> dict[str, bytes]:
    """Everything that does not say when: the lists and the outputs of each file."""
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file() and not path.name.startswith("headpass-batch") and path.suffix not in (".zip", ".html")
    }


def table(path: Path) -> list[dict[str, str]]:
    with open(path, encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def log(out: Path, *, event: str = "") -> list[dict]:
    """Lines of the log, those of one event; one that a kill cut off is left out."""
    path = out / "headpass-batch.jsonl"
    lines = []
    for line in path.read_text("utf-8").splitlines() if path.exists() else []:
        with contextlib.suppress(ValueError):
            lines.append(json.loads(line))
    return [line for line in lines if event in ("", line["event"])]


def rows(out: Path) -> dict[str, object]:
    ledger = Ledger(out, write=False)
    try:
        return {row.place: row for row in ledger.rows()}
    finally:
        ledger.close()


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory) -> tuple[Path, dict[str, bytes]]:
    """The archive of 30 files and what an undisturbed run leaves."""
    place = tmp_path_factory.mktemp("undisturbed")
    folder = tapes(place / "in", FILES, name="slow")
    ending = run_batch(batch(folder, place / "out"))
    assert (ending.done, ending.failed) == (FILES, [])
    return folder, outputs(place / "out")


def killed_run(
    folder: Path, out: Path, rng: random.Random, *, worker_first: bool, longest_s: float, after_a_file: bool
) -> bool:
    """Start a batch and kill -9 it some time after it began; True when it was still at work.

    With ``worker_first`` one of its workers is killed before, as a sudden lack of memory would; with ``after_a_file``
    the time counts from the first file done.
    """
    began = log(out, event="batch began") if out.exists() else []
    command = [sys.executable, "-m", "tests.batch_worker", str(folder), str(out)]
    process = subprocess.Popen(command, cwd=ROOT, stderr=subprocess.DEVNULL)
    while process.poll() is None and not (out.exists() and len(log(out, event="batch began")) > len(began)):
        time.sleep(0.01)
    while after_a_file and process.poll() is None and not log(out, event="done"):
        time.sleep(0.01)
    time.sleep(rng.uniform(0, longest_s))
    try:
        workers = psutil.Process(process.pid).children()
    except psutil.NoSuchProcess:
        workers = []
    if worker_first and workers:
        rng.choice(workers).kill()
        time.sleep(rng.uniform(0, longest_s))
        with contextlib.suppress(psutil.NoSuchProcess):
            workers += psutil.Process(process.pid).children()
    running = process.poll() is None
    process.kill()
    process.wait()
    _, alive = psutil.wait_procs(workers, timeout=10)
    assert alive == [], "a worker outlived its batch"
    return running


def check_kills(
    folder: Path, expected: dict[str, bytes], out: Path, *, kills: int, seed: int, longest_s: float
) -> None:
    rng = random.Random(seed)
    caught = [
        killed_run(folder, out, rng, worker_first=n % 3 == 1, longest_s=longest_s, after_a_file=n == kills - 1)
        for n in range(kills)
    ]
    part_done = len(log(out, event="done"))
    ending = run_batch(batch(folder, out))
    print(f"\n{sum(caught)} of {kills} kills met the batch at work; {part_done} files were done before the last run")
    assert sum(caught) >= 0.6 * kills
    assert part_done > 0
    assert (ending.done, ending.failed) == (FILES, [])
    assert outputs(out) == expected
    assert not list(out.rglob("*.part"))
    ended = Counter(line["file"] for line in log(out, event="done"))
    assert max(ended.values()) == 1, "a complete file was measured twice"


def test_a_batch_killed_at_random_instants_ends_as_an_undisturbed_one(undisturbed, tmp_path: Path) -> None:
    check_kills(*undisturbed, tmp_path / "out", kills=3, seed=5, longest_s=0.3)


@pytest.mark.long
def test_a_batch_killed_twenty_times_ends_as_an_undisturbed_one(tmp_path: Path) -> None:
    folder = tapes(tmp_path / "in", FILES, name="slower")
    run_batch(batch(folder, tmp_path / "undisturbed"))
    check_kills(folder, outputs(tmp_path / "undisturbed"), tmp_path / "out", kills=20, seed=11, longest_s=0.9)


def bad_folder(folder: Path) -> dict[str, str]:
    """A folder of everything that goes wrong; by name, a word that its reason must hold."""
    tapes(folder, 3)
    tapes(folder / "shelf 2", 1)
    for name in ("with space.mkv", 'quote"\'.mkv', "new\nline.mkv", "Größe-テープ.mkv", "=cmd.mkv", "u" * 200 + ".mkv"):
        (folder / name).write_bytes(b"odd " + name.encode())
    for name in ("chatty.mkv", "cut.mkv", "once.mkv"):
        (folder / name).write_bytes(b"abc" + name.encode())
    (folder / os.fsdecode(b"latin-\xe9.mkv")).write_bytes(b"not text")
    (folder / ".hidden.mkv").write_bytes(b"x")
    (folder / "._tape_00.mkv").write_bytes(b"x")
    (folder / "tape_00.xml").write_bytes(b"sidecar")
    (folder / "loop").symlink_to(folder)
    (folder / "shelf 2" / "up").symlink_to(folder)
    (folder / "gone.mkv").symlink_to(folder / "nowhere")
    for name in ("crash", "hang", "greedy", "growing"):
        (folder / f"{name}.mkv").write_bytes(b"bad")
    (folder / "empty.mkv").write_bytes(b"")
    (folder / ("v" * 250 + ".mkv")).write_bytes(b"long")
    return {
        "crash": "SIGABRT", "hang": "not done after", "greedy": "MB of memory", "growing": "changed while",
        "empty": "no frame", "gone": "No such file", "v" * 250: "too long",
    }  # fmt: skip


def test_a_bad_file_stops_only_itself_and_is_named_with_its_reason(tmp_path: Path, capsys) -> None:
    wrong = bad_folder(tmp_path / "in")
    out = tmp_path / "out"
    given = batch(tmp_path / "in", out, time_base_s=0.7, memory_mb=400, workers=3)
    assert run(given, quiet=True) == 2
    told = capsys.readouterr().err
    found = rows(out)
    failed = {place: row for place, row in found.items() if row.state == "failed"}
    assert {place.removesuffix(".mkv") for place in failed} == set(wrong)
    for name, word in wrong.items():
        row = failed[f"{name}.mkv"]
        assert word in row.reason
        assert word in told
        assert row.attempts == (0 if name.startswith("v") else 2)
    assert len(found) - len(failed) == 14
    assert all(row.state == "done" for place, row in found.items() if place not in failed)
    assert found["once.mkv"].attempts == 2
    assert found["cut.mkv"].warnings == 1
    assert (out / "tape_00.mkv.findings.json").exists()
    assert (out / "shelf 2" / "tape_00.mkv.findings.json").exists()
    listed = table(out / "batch.csv")
    assert len(listed) == len(found)
    assert all("\n" not in row["file"] for row in listed)
    again = run(given, quiet=True)
    assert again == 2
    starts = Counter(line["file"] for line in log(out, event="began"))
    assert max(starts.values()) == 2, "what failed twice is not tried again unasked"


def test_lists_hold_the_worst_first_and_only_what_is_to_be_transferred_again(undisturbed, tmp_path: Path) -> None:
    _, expected = undisturbed
    for name, data in expected.items():
        if name.endswith(".csv") and "findings" not in name:
            (tmp_path / name).write_bytes(data)
    every, again = table(tmp_path / "batch.csv"), table(tmp_path / "transfer_again.csv")
    assert len(every) == FILES
    assert again == [row for row in every if row["transfer_again"] == "yes"]
    assert 0 < len(again) < FILES
    assert every[: len(again)] == again


def test_changes_of_files_limits_and_outputs_are_noticed_and_nothing_else_is_done_again(tmp_path: Path) -> None:
    folder, out = tapes(tmp_path / "in", 4), tmp_path / "out"
    first = batch(folder, out, workers=1)
    assert run_batch(first).scanned_now == 4
    still = run_batch(first)
    assert (still.scanned_now, still.judged_now) == (0, 0)

    paths = outputs_beside(out / "tape_00.mkv.findings.json")
    add_signoff(paths, decision="accept", by="A. Person", reason="seen", date="2026-01-02")
    signed = paths.signoff.read_bytes()
    limits = tmp_path / "limits.toml"
    limits.write_text("")
    same = run_batch(replace(first, limits=limits))
    assert (same.scanned_now, same.judged_now) == (0, 0), "limits that say the same are no other limits"
    limits.write_text(f"[{next(iter(default_limits().table))}]\nflag = 3.5\n")
    other = run_batch(replace(first, limits=limits))
    assert (other.scanned_now, other.judged_now, other.transfer_again) == (0, 4, 4)
    assert paths.signoff.read_bytes() == signed
    assert run_batch(first).judged_now == 4

    (folder / "tape_01.mkv").write_bytes(b"a new transfer")
    kept = os.stat(folder / "tape_02.mkv")
    (folder / "tape_02.mkv").write_bytes(b"TAPE 2" * 20)
    os.utime(folder / "tape_02.mkv", ns=(kept.st_atime_ns, kept.st_mtime_ns))
    (out / "tape_00.mkv.findings.csv").unlink()
    (out / "tape_03.mkv.readings.zip").write_bytes(b"PK damaged")
    tapes(folder / "new", 1)
    changed = run_batch(first)
    assert (changed.scanned_now, changed.judged_now) == (4, 1)
    assert run_batch(replace(first, options={"every": 2})).scanned_now == 5


def test_again_forces_a_file_a_kind_or_what_failed(tmp_path: Path) -> None:
    folder, out = tapes(tmp_path / "in", 6), tmp_path / "out"
    (folder / "empty.mkv").write_bytes(b"")
    given = batch(folder, out, workers=1)
    first = run_batch(given)
    assert run_batch(replace(given, again=(str(folder / "tape_01.mkv"), "tape_02.mkv"))).scanned_now == 2
    assert first.transfer_again > 0
    assert run_batch(replace(given, again=("saturation_banding",))).scanned_now == first.transfer_again
    began = len(log(out, event="began"))
    assert run_batch(replace(given, again=("failed",))).scanned_now == 0
    assert len(log(out, event="began")) == began + 2
    with pytest.raises(BadSettings, match="wow"):
        run_batch(replace(given, again=("wow",)))


def test_a_full_disk_stops_the_batch_cleanly_and_it_goes_on_afterwards(tmp_path: Path) -> None:
    folder, out = tapes(tmp_path / "in", 3), tmp_path / "out"
    (folder / "b_full.mkv").write_bytes(b"x")
    with pytest.raises(NoSpace, match="no space left"):
        run_batch(batch(folder, out, workers=1))
    assert all(row.state in ("waiting", "done") for row in rows(out).values())
    (folder / ".room").touch()
    ending = run_batch(batch(folder, out))
    assert (ending.done, ending.failed) == (4, [])


@pytest.mark.long
def test_a_really_full_disk_stops_the_batch_and_it_goes_on_afterwards(tmp_path: Path) -> None:
    out = tmp_path / "small"
    out.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", str(out)]
    mounted = subprocess.run(mount, capture_output=True, check=False)
    if mounted.returncode != 0:
        pytest.skip("mounting a small file system is not allowed here")
    try:
        folder = tapes(tmp_path / "in", 20)
        with pytest.raises(NoSpace, match="no space left"):
            run_batch(batch(folder, out))
        left = rows(out)
        assert len(left) == 20
        assert all(row.state != "failed" for row in left.values())
        subprocess.run(["mount", "-o", "remount,size=20m", str(out)], check=True)
        ending = run_batch(batch(folder, out))
        assert (ending.done, ending.failed) == (20, [])
    finally:
        subprocess.run(["umount", str(out)], check=True)


def test_one_folder_has_one_batch_at_a_time(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    with only_one(out), pytest.raises(LedgerTrouble, match="another batch"), only_one(out, patience_s=0.0):
        pass


def test_two_folders_with_the_same_file_are_refused_before_anything_is_measured(tmp_path: Path) -> None:
    one, two, out = tapes(tmp_path / "one", 1), tapes(tmp_path / "two", 1), tmp_path / "out"
    with pytest.raises(OutputClash, match="both write"):
        run_batch(batch([one, two], out))
    run_batch(batch(one, out))
    with pytest.raises(OutputClash, match="both write"):
        run_batch(batch(two, out))
    one.rename(tmp_path / "mounted elsewhere")
    assert run_batch(batch(tmp_path / "mounted elsewhere", out)).scanned_now == 0


def test_status_tells_of_done_failed_and_speed(tmp_path: Path, capsys) -> None:
    from typer.testing import CliRunner

    from cli.main import app

    folder, out = tapes(tmp_path / "in", 3), tmp_path / "out"
    (folder / "empty.mkv").write_bytes(b"")
    assert run(batch(folder, out, workers=1), quiet=False) == 2
    found = read_status(out)
    assert found.counts == {"done": 3, "running": 0, "waiting": 0, "failed": 1}
    assert found.recorded_s == pytest.approx(36.0)
    assert found.speed is not None
    assert found.speed > 0
    shown = CliRunner().invoke(app, ["batch", "--status", str(out)])
    assert shown.exit_code == 0
    assert "3 done" in shown.output
    assert "empty.mkv" in shown.output
    assert CliRunner().invoke(app, ["batch", "--status", str(folder)]).exit_code == 2
    assert CliRunner().invoke(app, ["batch"]).exit_code == 2


@pytest.mark.long
def test_ctrl_c_leaves_a_ledger_that_goes_on(tmp_path: Path) -> None:
    folder, out = tapes(tmp_path / "in", 6, name="slow"), tmp_path / "out"
    command = [sys.executable, "-m", "tests.batch_worker", str(folder), str(out)]
    process = subprocess.Popen(command, cwd=ROOT, stderr=subprocess.DEVNULL)
    while process.poll() is None and not list(out.glob("*.findings.json")):
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    process.wait()
    assert {row.state for row in rows(out).values()} <= {"waiting", "done"}
    assert run_batch(batch(folder, out)).done == 6
