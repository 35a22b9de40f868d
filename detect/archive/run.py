"""The run of a batch: compare folders with the ledger, have done what is left, write the lists."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import psutil

from detect.archive import ledger as books
from detect.archive.crew import Crew, LocalCrew
from detect.archive.ledger import Ledger, Row
from detect.archive.log import Log
from detect.archive.plan import Batch, Plan, paths_of
from detect.archive.summary import write_lists
from detect.archive.task import Result, Task, disk_full
from detect.archive.worklist import Found, fingerprint
from detect.errors import HeadpassError, OutputClash

ATTEMPTS = 2
"""A failed file is tried once more."""
INTERRUPTIONS = 5
"""So often may a file lose its worker to something outside, before that counts as its own doing."""
MEMORY_SHARE = 0.8
"""Of this machine's memory, for all workers together; the rest is for the system and its file cache."""
LOOK_S = 0.5
"""Longest wait for news of the workers, before a stop is noticed."""
LISTS_EVERY_S = 60.0
"""How often the lists are renewed while files are being measured."""
_TEMPORARY = ".part"
NOTED_S = 5.0
"""How often progress of a file goes to the ledger."""


class NoSpace(HeadpassError):
    """The disk with the outputs is full."""


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


class _Runner:
    def __init__(self, batch: Batch, report: Report) -> None:
        self.batch = batch
        self.report = report
        self.plan = Plan(batch)
        self.version = version("headpass")
        self.scanned = self.judged = 0
        self.cut_short: dict[str, int] = {}
        self.noted: dict[str, float] = {}
        self.littered: set[Path] = set()

    def run(self) -> Ending:
        self.ledger = Ledger(self.batch.out)
        self.log = Log(self.batch.out)
        self.plan.use(self.ledger, self.log)
        try:
            return self._run()
        finally:
            self.log.close()
            self.ledger.close()

    def _run(self) -> Ending:
        began = books.now()
        for row in self.ledger.release_running():
            self.littered.add(paths_of(row, self.batch.out).folder)
        self._sweep()
        found = self.plan.look()
        self.plan.mark_again(found.values())
        self.ledger.set_about(began=repr(began), slots=str(self.batch.workers), headpass=self.version)
        self.log.write("batch began", headpass=self.version, folders=[str(f) for f in self.batch.folders], files=len(found))
        if self.ledger.next_waiting(most=1):
            self._work()
        again = self.plan.look(only_new=True)  # added or changed meanwhile
        while self.ledger.next_waiting(most=1):
            found |= again
            self._work()
            again = self.plan.look(only_new=True)
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
            unreadable=self.plan.unreadable,
        )

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
            self.littered |= {paths_of(row, self.batch.out).folder for row in busy.values()}
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
        paths = paths_of(row, batch.out)
        return Task(
            path=str(row.path), folder=str(paths.folder), name=paths.name, work=row.work, options=batch.options,
            limits=_text(batch.limits), deck=_text(batch.deck), page=batch.page, premis=batch.premis,
            scanner=batch.scanner, time_base_s=batch.time_base_s, time_factor=batch.time_factor,
            memory_mb=batch.memory_mb,
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
                row.place, state="done", ended=books.now(), reason=None, settings=self.plan.settings,
                limits=self.plan.limits, frames_done=None, attempts=row.attempts + 1, **facts,
            )  # fmt: skip
            self._note(row, result)
            now = self.ledger.get(row.place)
            assert now is not None
            self.report("done", now, None)
            return
        self._note(row, result)
        self.littered.add(paths_of(row, self.batch.out).folder)
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


def _text(path: Path | None) -> str | None:
    return None if path is None else str(path.resolve())


def default_workers() -> int:
    """One per core."""
    return max(1, psutil.cpu_count(logical=True) or 1)


def default_memory_mb(workers: int) -> float:
    """An even share of the memory of this machine, MB of 10^6 bytes."""
    return float(psutil.virtual_memory().total) / 1e6 * MEMORY_SHARE / workers
