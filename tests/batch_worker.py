"""A stand-in for the scanner, quick and without decoding, so that what files do to a batch can be tested.

What a file does follows from its name; what is found in it from its content. Also a small program that runs a batch
with it: ``python -m tests.batch_worker FOLDER OUT``.
"""

from __future__ import annotations

import errno
import hashlib
import os
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from detect.errors import CannotRead
from detect.findings import Findings
from detect.readings import Header, Readings, ReadingsWriter
from tests import fabricated as fab


@dataclass(frozen=True)
class ScanOptions:
    every: int = 1
    standard: str = "auto"
    field_order: str = "auto"
    start_timecode: str | None = None
    tape_speed: str = "15"
    workers: int = 1
    limits: Path | None = None
    deck: Path | None = None
    stills: bool = True


def stated_duration_s(path: Path) -> float:
    return 0.0 if "hang" in path.name else 100.0


def scan_file(path, *, options, readings_path, progress=None) -> Findings:
    content = path.read_bytes()
    name = path.name
    if "slow" in name:
        time.sleep(0.5 if "slower" in name else 0.04)
    if "crash" in name:
        os.abort()
    if "hang" in name:
        time.sleep(1000)
    if "greedy" in name:
        held = np.ones(400_000_000, np.uint8)
        time.sleep(1000)
        del held
    if "chatty" in name:
        print("frame 1\n{}", flush=True)
        os.write(1, b"decoder says hello\n" * 20_000)
    if "once" in name and not (mark := path.with_name(f".{name}.tried")).exists():
        mark.touch()
        os.abort()
    if "growing" in name:
        with open(path, "ab") as stream:
            stream.write(b"more")
    if "full" in name and not (path.parent / ".room").exists():
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    if not content:
        raise CannotRead(f"{path}: no frame could be decoded; check the copy against its checksum")
    writer = ReadingsWriter(readings_path)
    progress(10, 20)
    warnings = ["the file ends early: 10 of 20 frames; measured as far as it goes"] if "cut" in name else []
    seen = {"content": hashlib.blake2b(content, digest_size=4).hexdigest(), "path": str(path)}
    writer.close(Header(transfer=seen, warnings=warnings), losses={}, cuts=np.zeros(0, np.int64))
    return judge_file(readings_path, limits=options.limits, deck=options.deck)


def judge_file(readings_path, *, limits=None, deck=None) -> Findings:
    header = Readings(readings_path).header
    bad = int(header.transfer["content"], 16) % 3 == 0 or limits is not None
    made = fab.one_fault_tape(minutes=0.2) if bad else fab.clean_tape(minutes=0.2)
    info = made.transfer.model_copy(update={"path": header.transfer["path"], "duration_s": 12.0})
    return made.model_copy(update={"transfer": info, "warnings": header.warnings, "created": "2026-01-01T00:00:00Z"})


def main() -> int:
    from cli.batch import run
    from detect.archive.plan import Batch

    folder, out = map(Path, sys.argv[1:3])
    return run(Batch([folder], out, page=False, workers=2, scanner="tests.batch_worker"), quiet=True)


if __name__ == "__main__":
    sys.exit(main())
