"""The ledger of a batch: one SQLite file in the output folder, one row per transfer, each step one transaction.

Rows are keyed by ``place``, the transfer's path below the output folder, so that a moved mount point is no new archive.
The rollback journal is used, not the write-ahead log, which does not work on network file systems
(SQLite documentation, "Write-Ahead Logging").
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from detect.errors import HeadpassError

LEDGER_NAME = "headpass-batch.sqlite"
LOCK_NAME = "headpass-batch.lock"
LEDGER_SCHEMA = 1
BUSY_S = 30.0
"""How long one reader or writer waits for another (no commit here takes more than a fraction of it)."""

State = Literal["waiting", "running", "done", "failed"]
Work = Literal["scan", "judge"]

_TABLES = """
CREATE TABLE IF NOT EXISTS about (key TEXT PRIMARY KEY, value TEXT);
CREATE TABLE IF NOT EXISTS files (
  place BLOB PRIMARY KEY, path BLOB NOT NULL,
  size_bytes INTEGER, mtime_ns INTEGER, edges TEXT,
  state TEXT NOT NULL, work TEXT NOT NULL DEFAULT 'scan', attempts INTEGER NOT NULL DEFAULT 0,
  interrupted INTEGER NOT NULL DEFAULT 0, reason TEXT,
  began REAL, ended REAL, seconds REAL, frames_done INTEGER, peak_mb REAL,
  headpass TEXT, settings TEXT, limits TEXT, readings_bytes INTEGER,
  duration_s REAL, outcome TEXT, transfer_again INTEGER, sentence TEXT, kinds TEXT, heads TEXT,
  worst_in TEXT, worst_out TEXT, affected_pct REAL, warnings INTEGER, deck TEXT, operator TEXT
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS by_state ON files (state, interrupted, place);
"""
COLUMNS = (
    "place", "path", "size_bytes", "mtime_ns", "edges", "state", "work", "attempts", "interrupted", "reason", "began",
    "ended", "seconds", "frames_done", "peak_mb", "headpass", "settings", "limits", "readings_bytes", "duration_s",
    "outcome", "transfer_again", "sentence", "kinds", "heads", "worst_in", "worst_out", "affected_pct", "warnings",
    "deck", "operator",
)  # fmt: skip


class LedgerTrouble(HeadpassError):
    """The ledger is missing, damaged, of another schema, or in use by another batch."""


@dataclass(frozen=True, slots=True)
class Row:
    """One transfer. Times are seconds since 1970; ``seconds`` is what the last attempt took."""

    place: str
    path: Path
    size_bytes: int | None = None
    mtime_ns: int | None = None
    edges: str | None = None
    state: State = "waiting"
    work: Work = "scan"
    attempts: int = 0
    interrupted: int = 0
    reason: str | None = None
    began: float | None = None
    ended: float | None = None
    seconds: float | None = None
    frames_done: int | None = None
    peak_mb: float | None = None
    headpass: str | None = None
    settings: str | None = None
    limits: str | None = None
    readings_bytes: int | None = None
    duration_s: float | None = None
    outcome: str | None = None
    transfer_again: int | None = None
    sentence: str | None = None
    kinds: str | None = None
    heads: str | None = None
    worst_in: str | None = None
    worst_out: str | None = None
    affected_pct: float | None = None
    warnings: int | None = None
    deck: str | None = None
    operator: str | None = None


def _row(raw: tuple[Any, ...]) -> Row:
    return Row(os.fsdecode(raw[0]), Path(os.fsdecode(raw[1])), *raw[2:])


def _stored(name: str, value: Any) -> Any:
    """Paths as the bytes the system has, since not every file name is text; other text without half characters."""
    if name in ("place", "path"):
        return os.fsencode(value)
    return value.encode("utf-8", "replace").decode() if isinstance(value, str) else value


class Ledger:
    """An open ledger. ``write=False`` opens an existing one for reading while a batch runs."""

    def __init__(self, folder: Path, *, write: bool = True) -> None:
        self.path = folder / LEDGER_NAME
        if not write and not self.path.is_file():
            raise LedgerTrouble(f"{folder}: no batch was run here (no {LEDGER_NAME}); give the --out folder of one")
        try:
            where = f"{self.path.resolve().as_uri()}?mode={'rwc' if write else 'ro'}"
            self._db = sqlite3.connect(where, timeout=BUSY_S, isolation_level=None, uri=True)
            if write:
                self._db.execute("PRAGMA synchronous = FULL")
                self._db.executescript(_TABLES)
            found = self.about("schema")
        except sqlite3.DatabaseError as error:
            if is_full(error):
                raise
            raise LedgerTrouble(f"{self.path}: cannot be used as a ledger ({error}); move it away to begin a new one") from error
        if found is None and write:
            self.set_about(schema=str(LEDGER_SCHEMA))
        elif found != str(LEDGER_SCHEMA):
            self._db.close()
            raise LedgerTrouble(f"{self.path}: ledger schema {found}, expected {LEDGER_SCHEMA}; use another --out")

    def close(self) -> None:
        self._db.close()

    @contextmanager
    def together(self) -> Iterator[None]:
        """Several changes as one: all of them or none."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")

    def about(self, key: str) -> str | None:
        found = self._db.execute("SELECT value FROM about WHERE key = ?", (key,)).fetchone()
        return None if found is None else str(found[0])

    def set_about(self, **values: str) -> None:
        self._db.executemany("INSERT OR REPLACE INTO about VALUES (?, ?)", values.items())

    def add(self, rows: Iterable[Row]) -> None:
        """Put rows in; one with the same place is replaced."""
        marks = ", ".join("?" * len(COLUMNS))
        values = (tuple(_stored(name, getattr(row, name)) for name in COLUMNS) for row in rows)
        self._db.executemany(f"INSERT OR REPLACE INTO files ({', '.join(COLUMNS)}) VALUES ({marks})", values)

    def update(self, place: str, **values: Any) -> None:
        names = ", ".join(f"{name} = ?" for name in values)
        stored = [_stored(name, value) for name, value in values.items()]
        self._db.execute(f"UPDATE files SET {names} WHERE place = ?", (*stored, os.fsencode(place)))

    def get(self, place: str) -> Row | None:
        return next(self._select("WHERE place = ?", os.fsencode(place)), None)

    def rows(self, *, state: State | None = None) -> Iterator[Row]:
        """Rows in order of place."""
        return self._select("WHERE state = ? ORDER BY place", state) if state else self._select("ORDER BY place")

    def next_waiting(self, *, most: int) -> list[Row]:
        """What to do next: those whose work was cut short before come last, lest one file hold up all the others."""
        return list(self._select("WHERE state = 'waiting' ORDER BY interrupted, place LIMIT ?", most))

    def _select(self, where: str, *values: Any) -> Iterator[Row]:
        return map(_row, self._db.execute(f"SELECT {', '.join(COLUMNS)} FROM files {where}", values))

    def tuples(self, columns: tuple[str, ...], *, order: str, most: int = -1) -> Iterator[tuple[Any, ...]]:
        """Some columns of all rows as they are stored, for long lists; ``order`` is an SQL expression of ours."""
        return self._db.execute(f"SELECT {', '.join(columns)} FROM files ORDER BY {order} LIMIT ?", (most,))

    def sums(self) -> list[tuple[Any, ...]]:
        """Per state: files, bytes, recorded seconds, seconds of work, bytes with known work."""
        return self._db.execute(
            "SELECT state, COUNT(*), COALESCE(SUM(size_bytes), 0), COALESCE(SUM(duration_s), 0), "
            "COALESCE(SUM(seconds), 0), COALESCE(SUM(transfer_again), 0) FROM files GROUP BY state"
        ).fetchall()

    def since(self, began: float) -> tuple[int, float, int]:
        """Files measured since a time, their recorded seconds, and their bytes."""
        found = self._db.execute(
            "SELECT COUNT(*), COALESCE(SUM(duration_s), 0), COALESCE(SUM(size_bytes), 0) FROM files "
            "WHERE state = 'done' AND work = 'scan' AND ended >= ?",
            (began,),
        ).fetchone()
        return int(found[0]), float(found[1]), int(found[2])

    def release_running(self) -> list[Row]:
        """What was under way when a batch ended without notice waits again. Returns those rows."""
        with self.together():
            found = list(self.rows(state="running"))
            self._db.execute(
                "UPDATE files SET state = 'waiting', interrupted = interrupted + 1, frames_done = NULL WHERE state = 'running'"
            )
        return found


def is_full(error: BaseException) -> bool:
    """Whether SQLite says that the disk is full."""
    return isinstance(error, sqlite3.Error) and getattr(error, "sqlite_errorname", "") in ("SQLITE_FULL",)


@contextmanager
def only_one(folder: Path, *, patience_s: float = 3.0) -> Iterator[None]:
    """Hold the folder's lock; the system lets go of it when the process ends, however it ends. Raises LedgerTrouble."""
    lock = sqlite3.connect(folder / LOCK_NAME, timeout=patience_s, isolation_level=None)
    try:
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            raise LedgerTrouble(
                f"{folder}: another batch is at work here ({error}); wait for it, or look with --status"
            ) from error
        yield
    finally:
        lock.close()


def is_running(folder: Path) -> bool:
    """Whether a batch holds the folder's lock now."""
    if not (folder / LOCK_NAME).is_file():
        return False
    try:
        with only_one(folder, patience_s=0.0):
            return False
    except LedgerTrouble:
        return True


def now() -> float:
    return time.time()
