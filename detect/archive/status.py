"""How a batch stands, from its ledger alone."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from detect.archive import ledger as books
from detect.archive.ledger import Ledger

MOST_NAMED = 20


@dataclass(frozen=True, slots=True)
class Status:
    """Counts, rates and the files that fail. Rates are None until something was measured."""

    running: bool
    counts: dict[str, int]
    transfer_again: int
    recorded_s: float
    speed: float | None
    """Recorded seconds measured per second of this run."""
    seconds_left: float | None
    under_way: list[tuple[str, int | None]]
    failing: list[tuple[str, str]]


def read_status(folder: Path, *, now: float | None = None) -> Status:
    """Raises LedgerTrouble where no batch was run."""
    ledger = Ledger(folder, write=False)
    try:
        sums = {row[0]: row[1:] for row in ledger.sums()}
        began = float(ledger.about("began") or 0.0)
        running = books.is_running(folder)
        _files, recorded_s, size = ledger.since(began)
        last = (now or books.now()) if running else _last(ledger)
        elapsed = max(0.0, last - began)
        left = sum(sums[state][1] for state in ("waiting", "running") if state in sums)
        rated = elapsed > 0 and size > 0
        failed = zip(range(MOST_NAMED), ledger.rows(state="failed"), strict=False)
        states = ("done", "running", "waiting", "failed")
        return Status(
            running=running,
            counts={state: sums[state][0] if state in sums else 0 for state in states},
            transfer_again=sum(int(values[4]) for state, values in sums.items() if state == "done"),
            recorded_s=float(sums["done"][2]) if "done" in sums else 0.0,
            speed=recorded_s / elapsed if rated else None,
            seconds_left=elapsed * left / size if rated and left else (0.0 if not left else None),
            under_way=[(row.place, row.frames_done) for row in ledger.rows(state="running")],
            failing=[(str(row.path), row.reason or "") for _, row in failed],
        )  # fmt: skip
    finally:
        ledger.close()


def _last(ledger: Ledger) -> float:
    found = next(ledger.tuples(("MAX(ended)",), order="1"), (None,))[0]
    return float(found or 0.0)
