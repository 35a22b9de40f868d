"""Finding transfers below folders, telling whether one has changed, and where its outputs go."""

from __future__ import annotations

import csv
import fnmatch
import hashlib
import os
from dataclasses import dataclass, field
from pathlib import Path

from detect.errors import BadSettings, CannotRead, OutputClash
from detect.output.files import VIDEO_SUFFIXES, OutputPaths

EDGE_BYTES = 65_536
"""Read at each end of a file for its fingerprint: the container's header and index, and some picture."""
LONGEST_NAME_BYTES = 255
"""Longest file name of the usual file systems."""
_SYSTEM_FOLDERS = ("$", "@")
"""First signs of folders in which file servers keep copies of their own (common practice, no single source)."""


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """What a file was when it was measured; any difference means that it is measured again."""

    size_bytes: int
    mtime_ns: int
    edges: str


@dataclass(frozen=True, slots=True)
class Found:
    """One transfer: where it is, where its outputs go (``place`` below the output folder), or why that cannot be."""

    path: Path
    paths: OutputPaths
    place: str
    trouble: str | None = None


@dataclass(frozen=True, slots=True)
class Search:
    """All transfers in order of name, and the folders that could not be looked into, with reasons."""

    found: list[Found] = field(default_factory=list)
    unreadable: dict[Path, str] = field(default_factory=dict)


def fingerprint(path: Path) -> Fingerprint:
    """Size, time of change, and a digest of both ends. Raises OSError."""
    with open(path, "rb") as stream:
        facts = os.fstat(stream.fileno())
        digest = hashlib.blake2b(stream.read(EDGE_BYTES), digest_size=16)
        if facts.st_size > EDGE_BYTES:
            stream.seek(max(EDGE_BYTES, facts.st_size - EDGE_BYTES))
            digest.update(stream.read(EDGE_BYTES))
    return Fingerprint(facts.st_size, facts.st_mtime_ns, digest.hexdigest())


def search(folders: list[Path], *, out: Path, patterns: tuple[str, ...] = ()) -> Search:
    """Every transfer below the folders. Linked folders are entered, each real folder once, so that a loop ends.

    ``patterns`` are shell patterns for names, matched without regard to case; without them, the usual video endings.
    Raises CannotRead for a folder that is not there, OutputClash where two transfers would share an output.
    """
    result = Search()
    seen_folders: set[tuple[int, int]] = set()
    seen_files: set[Path] = set()
    owners: dict[str, Path] = {}
    for given in folders:
        if not given.exists():
            raise CannotRead(f"{given}: no such file or folder")
        if given.resolve() == out.resolve():
            raise BadSettings(f"{given}: outputs would lie among the transfers; give another folder with --out")
        for path in _below(given, out=out, patterns=patterns, seen=seen_folders, unreadable=result.unreadable):
            real = Path(os.path.realpath(path))
            if real in seen_files:
                continue
            seen_files.add(real)
            found = _placed(path, given=given, out=out)
            if (other := owners.setdefault(found.place, path)) != path:
                raise OutputClash(
                    f"{other} and {path} would both write {found.paths.findings_json}; give the folder above both, "
                    "or run them into different folders (--out)"
                )
            result.found.append(found)
    return result


def _below(
    given: Path, *, out: Path, patterns: tuple[str, ...], seen: set[tuple[int, int]], unreadable: dict[Path, str]
) -> list[Path]:
    if not given.is_dir():
        return [given]
    skipped = out.resolve()
    files: list[Path] = []
    later = [given]
    while later:
        here = later.pop()
        try:
            facts = os.stat(here)
            if (facts.st_dev, facts.st_ino) in seen or here.resolve() == skipped:
                continue
            seen.add((facts.st_dev, facts.st_ino))
            with os.scandir(here) as listing:
                entries = sorted(listing, key=lambda entry: entry.name)
        except OSError as error:
            unreadable[here] = error.strerror or str(error)
            continue
        inside = []
        for entry in entries:
            if entry.name.startswith("."):
                continue
            if _is_folder(entry):
                if not entry.name.startswith(_SYSTEM_FOLDERS):
                    inside.append(entry)
            elif _wanted(entry.name, patterns):
                files.append(here / entry.name)
        # real folders first, so that a file keeps its own place rather than a link's
        inside.sort(key=lambda entry: (not entry.is_symlink(), entry.name), reverse=True)
        links = [here / entry.name for entry in inside if entry.is_symlink()]
        later = links + later + [here / entry.name for entry in inside if not entry.is_symlink()]
    return sorted(files)


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:
        return False


def _wanted(name: str, patterns: tuple[str, ...]) -> bool:
    if patterns:
        return any(fnmatch.fnmatchcase(name.casefold(), pattern.casefold()) for pattern in patterns)
    return Path(name).suffix.lower() in VIDEO_SUFFIXES


def _placed(path: Path, *, given: Path, out: Path) -> Found:
    below = path.relative_to(given) if path != given else Path(path.name)
    paths = OutputPaths(out / below.parent, path.name)
    longest = max(len(os.fsencode(output.name)) for output in paths.all())
    trouble = None
    if longest > LONGEST_NAME_BYTES:
        trouble = f"{path}: the name is too long for the files that would be written; rename a copy or link to it"
    return Found(path, paths, below.as_posix(), trouble)


@dataclass(frozen=True, slots=True)
class Origin:
    """Who played the tape on what, as a list beside the transfers says."""

    deck: str | None = None
    operator: str | None = None


def read_origins(path: Path | None) -> dict[str, Origin]:
    """A CSV with the columns file, deck, operator (the last two may be missing), by file. Raises BadSettings."""
    if path is None:
        return {}
    try:
        text = path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BadSettings(f"{path}: cannot be read ({error}); give a CSV in UTF-8") from error
    table = csv.DictReader(text.splitlines())
    if "file" not in (table.fieldnames or []):
        raise BadSettings(f"{path}: no column called file; give the columns file, deck, operator")
    return {row["file"]: Origin(row.get("deck") or None, row.get("operator") or None) for row in table if row["file"]}
