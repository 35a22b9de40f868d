"""One file of a batch, from its path to its outputs: what runs inside a worker process, here or on another machine."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from detect.archive.worklist import fingerprint
from detect.errors import BadReadings, CannotRead, HeadpassError

if TYPE_CHECKING:
    from detect.findings import Finding, Findings
    from detect.output.files import OutputPaths

End = Literal["done", "failed", "interrupted", "disk_full", "no_readings", "stopped"]
FULL = (errno.ENOSPC, errno.EDQUOT)


@dataclass(frozen=True, slots=True)
class Task:
    """Everything a worker needs, as plain values. A slice of a long file would add first and last frame here."""

    path: str
    folder: str
    name: str
    work: Literal["scan", "judge"] = "scan"
    options: dict[str, Any] = field(default_factory=dict)
    limits: str | None = None
    deck: str | None = None
    page: bool = True
    premis: bool = False
    scanner: str = "detect.scan"
    """Module that gives ScanOptions, scan_file and judge_file."""
    time_base_s: float = 600.0
    """Granted to any file, for what comes after the decoding."""
    time_factor: float = 20.0
    """And so many times its duration."""
    memory_mb: float = 4000.0


@dataclass(frozen=True, slots=True)
class Result:
    """How a task ended; ``facts`` are columns of the ledger, ``detail`` is for the log."""

    end: End
    reason: str | None = None
    facts: dict[str, Any] = field(default_factory=dict)
    detail: str | None = None


Tell = Callable[[dict[str, Any]], None]


def perform(task: Task, tell: Tell) -> Result:
    """Do the work in this process. Never raises for what a file can cause; outputs are on disk when it returns."""
    try:
        return Result("done", facts=_measure_or_judge(task, tell))
    except BadReadings as error:
        return Result("no_readings" if task.work == "judge" else "failed", str(error))
    except MemoryError:
        return Result("failed", f"{task.path}: not enough memory")
    except Exception as error:
        if disk_full(error):
            return Result("disk_full", f"{task.folder}: no space left")
        return Result("failed", _reason(error, task.path), detail=f"{type(error).__name__}: {error}")


def disk_full(error: BaseException | None) -> bool:
    """Whether the error, or one that led to it, says that a disk or a quota is full."""
    while error is not None:
        if isinstance(error, OSError) and error.errno in FULL:
            return True
        error = error.__cause__ or error.__context__
    return False


def _reason(error: Exception, path: str) -> str:
    if isinstance(error, HeadpassError):
        return str(error)
    if isinstance(error, OSError) and error.strerror:
        return f"{path}: {error.strerror}"
    return f"{path}: internal error, {type(error).__name__}: {error}"


def _measure_or_judge(task: Task, tell: Tell) -> dict[str, Any]:
    from detect.output.files import OutputPaths, write_outputs
    from detect.readings import Readings

    scanner = import_module(task.scanner)
    paths = OutputPaths(Path(task.folder), task.name)
    path = Path(task.path)
    limits, deck = (Path(p) if p else None for p in (task.limits, task.deck))
    facts: dict[str, Any] = {}
    if task.work == "scan":
        before = fingerprint(path)
        tell({"duration_s": getattr(scanner, "stated_duration_s", stated_duration_s)(path)})
        paths.folder.mkdir(parents=True, exist_ok=True)
        options = scanner.ScanOptions(**task.options, limits=limits, deck=deck)
        findings = scanner.scan_file(
            path, options=options, readings_path=paths.readings, progress=lambda done, of: tell({"frames": done})
        )
        if fingerprint(path) != before:
            raise CannotRead(f"{path}: the file changed while it was measured; is it still being copied?")
        facts |= asdict(before)
    else:
        findings = scanner.judge_file(paths.readings, limits=limits, deck=deck)
    stills = Readings(paths.readings).stills() if task.page else {}
    write_outputs(findings, paths, stills=stills, page=task.page, assets="shared")
    if task.premis:
        from detect.archive.premis import write_event

        write_event(findings, paths)
    _to_disk(paths)
    return facts | {"readings_bytes": paths.readings.stat().st_size} | summary_facts(findings)


def _to_disk(paths: OutputPaths) -> None:
    """A power cut after this loses none of the outputs. Raises OSError, also where a full disk only shows now."""
    for path in [p for p in paths.all() if p.exists()] + [paths.folder]:
        try:
            handle = os.open(path, os.O_RDONLY)
        except OSError:
            continue
        try:
            os.fsync(handle)
        except OSError as error:
            if error.errno in (*FULL, errno.EIO):
                raise
        finally:
            os.close(handle)


def stated_duration_s(path: Path) -> float | None:
    """What the container states, for the time limit only."""
    try:
        import av

        with av.open(str(path)) as container:
            return container.duration / 1e6 if container.duration else None
    except Exception:
        return None


def summary_facts(findings: Findings) -> dict[str, Any]:
    """The columns of a transfer in the lists."""
    from detect.output.words import affected_pct, one_line, ranked, span_words

    flags = ranked(findings)
    worst = flags[0] if flags else None
    span = span_words(worst) if worst else (None, None)
    return {
        "headpass": findings.headpass,
        "duration_s": findings.transfer.duration_s,
        "outcome": findings.verdict.outcome,
        "transfer_again": int(findings.verdict.transfer_again),
        "sentence": one_line(findings.verdict.text),
        "kinds": " ".join(sorted({f.kind for f in findings.findings})),
        "heads": _numbered(worst, findings) if worst else None,
        "worst_in": span[0],
        "worst_out": span[1],
        "affected_pct": affected_pct(findings),
        "warnings": len(findings.warnings),
    }


def _numbered(finding: Finding, findings: Findings) -> str | None:
    """Heads by number where they are known; letters mean nothing from one file to the next."""
    for wheel in findings.wheel:
        if wheel.head_numbers and wheel.start_frame <= finding.start_frame < wheel.end_frame:
            return " ".join(str(wheel.head_numbers["ABCD".index(letter)]) for letter in finding.heads) or None
    return None
