"""The run of a batch: compare folders with the ledger, have done what is left, write the lists."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any, get_args

import psutil

from detect.archive import ledger as books
from detect.archive.crew import Crew, LocalCrew
from detect.archive.ledger import Ledger, Row
from detect.archive.log import Log
from detect.archive.summary import write_lists
from detect.archive.task import Result, Task, disk_full
from detect.archive.worklist import Fingerprint, Found, Origin, fingerprint, read_origins, search
from detect.errors import BadSettings, HeadpassError, OutputClash
from detect.findings import FindingKind, Outcome
from detect.judge.limits import default_limits, parse_limits
from detect.output.files import OutputPaths

ATTEMPTS = 2
"""A failed file is tried once more."""
INTERRUPTIONS = 5
"""So often may a file lose its worker to something outside, before that counts as its own doing."""
MEMORY_SHARE = 0.8
LOOK_S = 0.5
LISTS_EVERY_S = 60.0
"""How often the lists are renewed while files are being measured."""
_TEMPORARY = ".part"
NOTED_S = 5.0
"""How often progress of a file goes to the ledger."""


class NoSpace(HeadpassError):
    """The disk with the outputs is full."""


@dataclass(frozen=True, slots=True)
class Batch:
    """What to do. ``options`` are keyword values of ScanOptions; ``memory_mb`` and times bound one worker."""

    folders: list[Path]
    out: Path
    patterns: tuple[str, ...] = ()
    options: dict[str, Any] = field(default_factory=dict)
    limits: Path | None = None
    deck: Path | None = None
    origins: Path | None = None
    again: tuple[str, ...] = ()
    page: bool = True
    premis: bool = False
    workers: int = 1
    cluster: str | None = None
    time_base_s: float = 600.0
    time_factor: float = 20.0
    memory_mb: float = 4000.0
    scanner: str = "detect.scan"


@dataclass(frozen=True, slots=True)
class Ending:
    """What a run leaves: counts over the files found this time, and what failed with reasons."""

    done: int
    scanned_now: int
    judged_now: int
    transfer_again: int
    failed: list[tuple[str, str]]
    unreadable: dict[Path, str]


Report = Callable[[str, Row, str | None], None]
"""Called as ``report(event, row, reason)`` for each file that ends."""


def run_batch(batch: Batch, *, report: Report = lambda event, row, reason: None) -> Ending:
    """Do everything that is left to do. Raises HeadpassError; what was finished before is kept in every case."""
    runner = _Runner(batch, report)
    try:
        batch.out.mkdir(parents=True, exist_ok=True)
        with books.only_one(batch.out):
            return runner.run()
    except (OSError, sqlite3.Error, OutputClash) as error:
        if disk_full(error) or books.is_full(error):
            raise _no_space(batch.out) from error
        if isinstance(error, HeadpassError):
            raise
        raise OutputClash(f"{batch.out}: cannot be used ({error}); choose another folder (--out)") from error


def _no_space(out: Path) -> NoSpace:
    return NoSpace(f"{out}: no space left on the disk; make room and run the same command again, it goes on from here")


def digest(value: Any) -> str:
    return hashlib.blake2b(json.dumps(value, sort_keys=True).encode(), digest_size=8).hexdigest()


class _Runner:
    def __init__(self, batch: Batch, report: Report) -> None:
        self.batch = batch
        self.report = report
        self.settings = digest({k: v for k, v in batch.options.items() if k != "workers"})
        self.limits = _limits_digest(batch)
        self.origins = read_origins(batch.origins)
        self.version = version("headpass")
        self.scanned = self.judged = 0
        self.cut_short: dict[str, int] = {}
        self.noted: dict[str, float] = {}
        self.ended_now: set[str] = set()
        self.littered: set[Path] = set()

    def run(self) -> Ending:
        self.ledger = Ledger(self.batch.out)
        self.log = Log(self.batch.out)
        try:
            return self._run()
        finally:
            self.log.close()
            self.ledger.close()

    def _run(self) -> Ending:
        began = books.now()
        for row in self.ledger.release_running():
            self.littered.add(_paths(row, self.batch.out).folder)
        self._sweep()
        found = self._look()
        self._mark_again(found.values())
        self.ledger.set_about(began=repr(began), slots=str(self.batch.workers), headpass=self.version)
        self.log.write(
            "batch began", headpass=self.version, folders=[str(f) for f in self.batch.folders], files=len(found)
        )
        if self.ledger.next_waiting(most=1):
            self._work()
        again = self._look()  # added or changed meanwhile
        while self.ledger.next_waiting(most=1):
            found |= again
            self._work()
            again = self._look()
        found |= again
        write_lists(self.ledger, self.batch.out)
        outcome = self._outcome(found)
        self.log.write(
            "batch ended", done=outcome.done, failed=len(outcome.failed), transfer_again=outcome.transfer_again,
            seconds=round(books.now() - began, 1),
        )  # fmt: skip
        return outcome

    def _outcome(self, found: dict[str, Found]) -> Ending:
        rows = [row for row in self.ledger.rows() if row.place in found]
        return Ending(
            done=sum(row.state == "done" for row in rows),
            scanned_now=self.scanned,
            judged_now=self.judged,
            transfer_again=sum(bool(row.transfer_again) for row in rows if row.state == "done"),
            failed=[(str(row.path), row.reason or "") for row in rows if row.state == "failed"],
            unreadable=self.unreadable,
        )

    # what there is to do

    def _look(self) -> dict[str, Found]:
        """Bring the ledger up to what lies in the folders now."""
        seen = search(self.batch.folders, out=self.batch.out, patterns=self.batch.patterns)
        self.unreadable = seen.unreadable
        known = {row.place: row for row in self.ledger.rows()}
        changes = []
        for found in seen.found:
            row = self._row_now(found, known.get(found.place))
            if row is not None:
                changes.append(row)
        places = {found.place for found in seen.found}
        for row in known.values():
            if row.place not in places and row.state == "waiting":
                changes.append(replace(row, state="failed", reason=f"{row.path}: no longer there"))
        with self.ledger.together():
            self.ledger.add(changes)
        return {found.place: found for found in seen.found}

    def _row_now(self, found: Found, row: Row | None) -> Row | None:
        """The row as it should be, or None where it is right already."""
        origin = self._origin(found)
        fresh = Row(found.place, found.path, deck=origin.deck, operator=origin.operator)
        if found.trouble is not None:
            failed = replace(fresh, state="failed", reason=found.trouble)
            return failed if row is None or row.reason != found.trouble else None
        if row is not None and found.place in self.ended_now:
            return None  # one that changes all the time is for the next run
        if row is None:
            return replace(fresh, size_bytes=_size(found.path))
        if row.path != found.path and _other_file(row.path, found.path):
            raise OutputClash(
                f"{row.path} and {found.path} would both write {found.paths.findings_json}; use another --out for one"
            )
        changed = self._changed(found, row)
        if changed is not None:
            self.log.write("to do again", file=str(found.path), reason=changed[1])
            kept = row if changed[0] == "judge" else fresh
            return replace(
                kept, path=found.path, state="waiting", work=changed[0], attempts=0, reason=None,
                size_bytes=_size(found.path), deck=origin.deck, operator=origin.operator,
            )  # fmt: skip
        if (row.path, row.deck, row.operator) != (found.path, origin.deck, origin.operator):
            return replace(row, path=found.path, deck=origin.deck, operator=origin.operator)
        return None

    def _changed(self, found: Found, row: Row) -> tuple[books.Work, str] | None:
        """Whether, and why, a known file needs work again."""
        if row.state == "waiting":
            # waiting to be judged only: it may have changed since
            if row.work == "judge" and self._file_changed(found, row):
                return "scan", "the file changed"
            return None
        if row.state == "failed":
            return ("scan", "the file changed") if self._file_changed(found, row) else None
        if row.state == "running":
            return None
        if self._file_changed(found, row):
            return "scan", "the file changed"
        if row.settings != self.settings:
            return "scan", "other options"
        if _readings_bytes(found.paths) != row.readings_bytes:
            return "scan", "its readings are missing or not the ones it left"
        if row.limits != self.limits:
            return "judge", "other limits"
        if not all(_present(path) for path in self._expected(found.paths)):
            return "judge", "an output is missing"
        return None

    def _file_changed(self, found: Found, row: Row) -> bool:
        try:
            now = fingerprint(found.path)
        except OSError:
            return False  # unreadable for now: what is known of it stands
        return now != Fingerprint(row.size_bytes or 0, row.mtime_ns or 0, row.edges or "")

    def _expected(self, paths: OutputPaths) -> list[Path]:
        expected = [paths.findings_json, paths.findings_csv, paths.findings_vtt]
        if self.batch.page:
            expected.append(paths.report)
        if self.batch.premis:
            from detect.archive.premis import ENDING

            expected.append(paths.folder / f"{paths.name}{ENDING}")
        return expected

    def _origin(self, found: Found) -> Origin:
        for name in (found.place, str(found.path), found.path.name):
            if name in self.origins:
                return self.origins[name]
        return Origin()

    def _mark_again(self, found: Iterable[Found]) -> None:
        """Put rows named by ``--again`` to be measured once more. Raises BadSettings for a word that names nothing."""
        if not self.batch.again:
            return
        kinds = {*get_args(FindingKind), *get_args(Outcome), "failed"}
        by_path = {str(item.path.resolve()): item.place for item in found}
        chosen: set[str] = set()
        for word in self.batch.again:
            if word in kinds:
                chosen |= {row.place for row in self.ledger.rows() if _is(row, word)}
            elif (place := by_path.get(str(Path(word).resolve()))) is not None:
                chosen.add(place)
            elif self.ledger.get(word) is not None:
                chosen.add(word)
            else:
                raise BadSettings(
                    f"--again {word}: no file of this batch, no kind and no outcome; give one of them, or failed"
                )
        with self.ledger.together():
            for place in chosen:
                self.ledger.update(place, state="waiting", work="scan", attempts=0, reason=None)

    # having it done

    def _work(self) -> None:
        crew = self._crew()
        busy: dict[str, Row] = {}
        listed = books.now()
        try:
            while True:
                self._hand_out(crew, busy)
                if not busy:
                    return
                for place, result in crew.finished(timeout_s=LOOK_S):
                    self._ended(busy.pop(place), result)
                if books.now() - listed > LISTS_EVERY_S:
                    write_lists(self.ledger, self.batch.out)
                    listed = books.now()
        finally:
            crew.close()
            self.littered |= {_paths(row, self.batch.out).folder for row in busy.values()}
            self._sweep()
            with suppress(sqlite3.Error):
                self.ledger.release_running()

    def _crew(self) -> Crew:
        if self.batch.cluster:
            from detect.archive.cluster import ClusterCrew

            return ClusterCrew(self.batch.cluster)
        return LocalCrew(self.batch.workers, told=self._told)

    def _told(self, place: str, what: dict[str, Any]) -> None:
        """A worker said how far it is."""
        now = books.now()
        if "duration_s" in what:
            self.ledger.update(place, duration_s=what["duration_s"])
        elif now - self.noted.get(place, 0.0) >= NOTED_S:
            self.noted[place] = now
            self.ledger.update(place, frames_done=what.get("frames"))

    def _hand_out(self, crew: Crew, busy: dict[str, Row]) -> None:
        room = crew.slots - len(busy)
        if room <= 0:
            return
        for row in self.ledger.next_waiting(most=room):
            busy[row.place] = row
            self.ledger.update(row.place, state="running", began=books.now(), frames_done=None)
            crew.start(row.place, self._task(row))
            self.log.write("began", file=str(row.path), work=row.work, attempt=row.attempts + 1)

    def _task(self, row: Row) -> Task:
        batch = self.batch
        paths = _paths(row, batch.out)
        return Task(
            path=str(row.path), folder=str(paths.folder), name=paths.name, work=row.work, options=batch.options,
            limits=_text(batch.limits), deck=_text(batch.deck), page=batch.page, premis=batch.premis,
            scanner=batch.scanner, time_base_s=batch.time_base_s, time_factor=batch.time_factor, memory_mb=batch.memory_mb,
        )  # fmt: skip

    def _ended(self, row: Row, result: Result) -> None:
        if result.end == "disk_full":
            self._note(row, result)
            raise _no_space(self.batch.out)
        if result.end == "done":
            self.scanned += row.work == "scan"
            self.judged += row.work == "judge"
            facts = dict(result.facts)
            if row.work == "judge":
                facts.pop("seconds", None)
                facts.pop("peak_mb", None)
            self.ledger.update(
                row.place, state="done", ended=books.now(), reason=None, settings=self.settings, limits=self.limits,
                frames_done=None, attempts=row.attempts + 1, **facts,
            )  # fmt: skip
            self.ended_now.add(row.place)
            self._note(row, result)
            now = self.ledger.get(row.place)
            assert now is not None
            self.report("done", now, None)
            return
        self._note(row, result)
        self.littered.add(_paths(row, self.batch.out).folder)
        if result.end == "no_readings":
            self.ledger.update(row.place, state="waiting", work="scan")
            return
        if result.end in ("interrupted", "stopped"):
            self.cut_short[row.place] = self.cut_short.get(row.place, 0) + 1
            if self.cut_short[row.place] < INTERRUPTIONS:
                self.ledger.update(row.place, state="waiting", interrupted=row.interrupted + 1)
                return
        self._failed(row, result)

    def _note(self, row: Row, result: Result) -> None:
        costs = {k: result.facts[k] for k in ("seconds", "peak_mb") if k in result.facts}
        why = {"reason": result.reason, "detail": result.detail}
        self.log.write(result.end, file=str(row.path), work=row.work, **why, **costs)

    def _failed(self, row: Row, result: Result) -> None:
        attempts = row.attempts + 1
        if attempts < ATTEMPTS:
            self.ledger.update(row.place, state="waiting", attempts=attempts, reason=result.reason)
            return
        self.ended_now.add(row.place)
        facts: dict[str, Any] = {}
        with suppress(OSError):
            facts = asdict(fingerprint(row.path))
        self.ledger.update(
            row.place,
            state="failed",
            attempts=attempts,
            reason=result.reason,
            ended=books.now(),
            frames_done=None,
            **facts,
        )
        self.report("failed", row, result.reason)

    def _sweep(self) -> None:
        """Remove what workers that were cut short left under temporary names; nobody is at work when this is called."""
        while self.littered:
            with suppress(OSError):
                for path in self.littered.pop().iterdir():
                    if path.name.startswith(".") and path.name.endswith(_TEMPORARY):
                        path.unlink(missing_ok=True)


def _is(row: Row, word: str) -> bool:
    return row.state == word or (row.state == "done" and (row.outcome == word or word in (row.kinds or "").split()))


def _text(path: Path | None) -> str | None:
    return None if path is None else str(path.resolve())


def _paths(row: Row, out: Path) -> OutputPaths:
    whole = (out / row.place).resolve()
    return OutputPaths(whole.parent, whole.name)


def _limits_digest(batch: Batch) -> str:
    """Of what the limits say, not of how the file is laid out. Raises BadSettings."""
    try:
        text = batch.limits.read_text("utf-8") if batch.limits else None
        deck = batch.deck.read_text("utf-8") if batch.deck else None
    except (OSError, UnicodeDecodeError) as error:
        raise BadSettings(f"{batch.limits or batch.deck}: cannot be read ({error}); give a TOML file") from error
    limits = default_limits() if text is None else parse_limits(text, where=str(batch.limits))
    return digest([limits.as_dict(), deck])


def _size(path: Path) -> int | None:
    try:
        return path.stat().st_size
    except OSError:
        return None


def _other_file(old: Path, new: Path) -> bool:
    try:
        return old.exists() and not old.samefile(new)
    except OSError:
        return False


def _present(path: Path) -> bool:
    return bool(_size(path))


def _readings_bytes(paths: OutputPaths) -> int | None:
    return _size(paths.readings)


def default_workers() -> int:
    """One per core."""
    return max(1, psutil.cpu_count(logical=True) or 1)


def default_memory_mb(workers: int) -> float:
    """An even share of the memory of this machine, a fifth kept back for the system and its file cache."""
    return float(psutil.virtual_memory().total) / 1e6 * MEMORY_SHARE / workers
