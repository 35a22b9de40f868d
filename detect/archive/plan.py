"""What a batch has to do: the folders as they are now, against what the ledger knows."""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, get_args

from detect.archive import ledger as books
from detect.archive.ledger import Ledger, Row
from detect.archive.log import Log
from detect.archive.worklist import Fingerprint, Found, Origin, fingerprint, read_origins, search
from detect.errors import BadSettings, OutputClash
from detect.findings import FindingKind, Outcome
from detect.judge.limits import default_limits, parse_limits
from detect.output.files import OutputPaths


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


def digest(value: Any) -> str:
    return hashlib.blake2b(json.dumps(value, sort_keys=True).encode(), digest_size=8).hexdigest()


class Plan:
    """Compares folders with the ledger. ``settings`` and ``limits`` are digests of what the present run applies."""

    def __init__(self, batch: Batch) -> None:
        self.batch = batch
        self.settings = digest({k: v for k, v in batch.options.items() if k != "workers"})
        self.limits = _limits_digest(batch)
        self.origins = read_origins(batch.origins)
        self.deck_name = _deck_name(batch.deck)
        self.unreadable: dict[Path, str] = {}

    def use(self, ledger: Ledger, log: Log) -> None:
        self.ledger = ledger
        self.log = log

    def look(self, *, only_new: bool = False) -> dict[str, Found]:
        """Bring the ledger up to what lies in the folders now; with ``only_new``, only add what it does not know."""
        seen = search(self.batch.folders, out=self.batch.out, patterns=self.batch.patterns)
        self.unreadable = seen.unreadable
        known = {row.place: row for row in self.ledger.rows()}
        changes = []
        for found in seen.found:
            if only_new and found.place in known:
                continue  # one that changes all the time is for the next run
            row = self._row_now(found, known.get(found.place))
            if row is not None:
                changes.append(row)
        places = {found.place for found in seen.found}
        for row in known.values():
            if row.place not in places and row.state == "waiting" and not row.path.exists():
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
        return Origin(deck=self.deck_name)

    def mark_again(self, found: Iterable[Found]) -> None:
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
                raise BadSettings(f"--again {word}: no file of this batch, no kind and no outcome; give one of them, or failed")
        with self.ledger.together():
            for place in chosen:
                self.ledger.update(place, state="waiting", work="scan", attempts=0, reason=None)


def _is(row: Row, word: str) -> bool:
    return row.state == word or (row.state == "done" and (row.outcome == word or word in (row.kinds or "").split()))


def paths_of(row: Row, out: Path) -> OutputPaths:
    whole = (out / row.place).resolve()
    return OutputPaths(whole.parent, whole.name)


def _toml_text(path: Path | None) -> str | None:
    try:
        return path.read_text("utf-8") if path else None
    except (OSError, UnicodeDecodeError) as error:
        raise BadSettings(f"{path}: cannot be read ({error}); give a TOML file") from error


def _deck_name(path: Path | None) -> str | None:
    """What the deck file calls the deck; it goes into the lists for files of which nothing else is said."""
    try:
        about = tomllib.loads(_toml_text(path) or "").get("deck")
    except tomllib.TOMLDecodeError as error:
        raise BadSettings(f"{path}: not a TOML file ({error}); give a deck file") from error
    name = about.get("name") if isinstance(about, dict) else None
    return name if isinstance(name, str) else None


def _limits_digest(batch: Batch) -> str:
    """Of what the limits say, not of how the file is laid out. Raises BadSettings."""
    text, deck = (_toml_text(path) for path in (batch.limits, batch.deck))
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
