"""``python -m tests.bench_accuracy``: tapes of fresh seeds against what headpass says of them.

``--write`` makes ``docs/accuracy.md``. With ``--readings DIR`` and the same ``--first-seed`` a second run judges kept readings again,
which takes seconds: what a change of judging does to the same tapes.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from detect.findings import Finding, Findings
from synthetic_clips.foolers import FOOLERS
from synthetic_clips.render import Truth
from tests.bench_accuracy_tables import LOSSES, document
from tests.bench_losses import PARTS
from tests.bench_losses import tables as losses_tables
from tests.bench_material import (
    TARGET,
    Case,
    at_target,
    beginning,
    clean,
    decoded,
    faulty,
    has_delay_line,
    large,
    other,
    played,
    relocking,
    standard_of,
)

DOCUMENT = Path(__file__).parents[1] / "docs" / "accuracy.md"
FILES = ("mpeg2_intra", "dv25", "prores", "h264")
"""Carriers that are really encoded and decoded; one tape in four, after FFV1-like frames in memory."""
LOSSY = ("mpeg2_intra", "dv25")
"""Carriers that are promised something of their own."""
SINGLE = ("skew_ns", "scallop_ns", "velocity_error_ns")
PER_HEAD = (*(k for k in TARGET if k not in SINGLE), "head_skew_ns", "differential_phase_deg", "differential_gain_pct")


def cases(clips: int, first_seed: int, seconds: float) -> Iterator[Case]:
    """Faulty, clean, fooling, re-locking and beginning tapes in turn, so that an early stop still has some of each.

    Then, a third as many again, faulty tapes through a composite signal, and tapes with faults of just the target size; some with a very
    large one, and more that fool.
    """
    yield from _spread(clips, first_seed, seconds)
    for seed in range(first_seed, first_seed + clips // 3):
        yield decoded(faulty(seed + clips, seconds=seconds))
    for seed in range(first_seed, first_seed + clips // 3):
        yield at_target(seed, seconds=seconds)
    for seed in range(first_seed, first_seed + clips // 12):
        yield large(seed, seconds=seconds)
    for seed in range(first_seed, first_seed + clips // 12):
        for carrier in LOSSY:
            yield at_target(seed, seconds=seconds, carrier=carrier)
    for seed in range(first_seed, first_seed + clips // 5):
        yield other(seed, seconds=seconds)
    foolers = list(FOOLERS)
    for k in range(clips // 5):  # the pictures made to fool that _spread has not come to
        carrier = FILES[k // 2 % len(FILES)] if k % 2 else "memory"
        yield clean(first_seed + clips + k, seconds=seconds, content=foolers[(clips // 5 + k) % len(foolers)], carrier=carrier)


def _spread(clips: int, first_seed: int, seconds: float) -> Iterator[Case]:
    foolers = list(FOOLERS)
    for k in range(clips):
        seed = first_seed + k
        turn, again = k % 10, k // 10
        if turn in (0, 1, 2, 4, 6):
            yield faulty(seed, seconds=seconds)
        elif turn == 5:
            yield faulty(seed, seconds=seconds, carrier=FILES[again % len(FILES)])
        elif turn == 3:
            yield clean(seed, seconds=seconds, carrier=FILES[again // 2 % len(FILES)] if again % 2 else "memory")
        elif turn in (7, 9):
            carrier = FILES[again // 2 % len(FILES)] if turn == 9 and again % 2 else "memory"
            yield clean(seed, seconds=seconds, content=foolers[(2 * again + (turn == 9)) % len(foolers)], carrier=carrier)
        else:
            yield (relocking if again % 2 else beginning)(seed, seconds=seconds)


def record(case: Case, keep: Path | None = None) -> dict[str, Any]:
    """What was true and what was said, as one line of JSON."""
    start = time.perf_counter()
    findings, truth = played(case, keep)
    wheel = [w.model_dump(include={"start_frame", "end_frame", "phase_lines", "phase_sigma_lines", "locked"}) for w in findings.wheel]
    shift = _letters_shift(findings, truth)
    kept = {"text", "kind", "status", "severity", "value", "sigma", "heads", "start_frame", "end_frame"}
    return {
        "name": case.name,
        "what": case.name.split()[0],
        "carrier": case.carrier,
        "content": case.content,
        "standard": case.faults.standard,
        "regime": case.faults.regime,
        "decoder": _decoder(case),
        "seconds": case.seconds,
        "frames": case.frames,
        "time_base": findings.summary.time_base,
        "wheel": wheel,
        "true_wheel": truth.wheel,
        "period": truth.lines_per_pass,
        "onsets": [asdict(o) for o in case.faults.onsets],
        "figures": _figures(findings, truth, shift),
        "findings": [{**f.model_dump(include=kept), "cause": _likely_cause(f)} for f in findings.findings],
        "noise_by_position_db": case.faults.noise_by_position_db,
        "letters_shift": shift,
        "outcome": findings.verdict.outcome,
        "took_s": round(time.perf_counter() - start, 1),
    }


def _decoder(case: Case) -> str:
    """How colour was parted from luminance; "none": the two were never in one signal."""
    return " and ".join([case.faults.separation, *(["delay line"] if has_delay_line(case) else [])])


def _likely_cause(finding: Finding) -> str:
    """Its first cause, where that is called likely."""
    return next((c.cause for c in finding.causes[:1] if c.likelihood == "likely"), "")


def _letters_shift(findings: Findings, truth: Truth) -> int:
    """Letters to turn the truth by: 1 or -1 where a phase near an end of the pass was found at the other."""
    found = next((w.phase_lines for w in findings.wheel if w.locked and w.phase_lines is not None), None)
    if found is None:
        return 0
    period = float(standard_of(truth.standard).lines_per_pass)
    return -round((found - truth.wheel[0]["phase_lines"]) / period)


def _figures(findings: Findings, truth: Truth, shift: int) -> dict[str, dict[str, Any]]:
    """Name to true values, values and sigmas (nulls where nothing is given), lists of 1 or 4."""
    out: dict[str, dict[str, Any]] = {}
    for name in SINGLE:
        got = getattr(findings.summary, name)
        true = truth.velocity_error_ns if name == "velocity_error_ns" else truth.faults[name]
        out[name] = {"true": [true], "value": [got.value if got else None], "sigma": [got.sigma if got else None]}
    for name in PER_HEAD:
        got = getattr(findings.summary, name)
        # pass 0 as found is pass -shift of the truth: a phase found a whole pass later begins with the next head
        turned = np.roll(truth.relative[name], shift).tolist()
        none = [None] * 4
        out[name] = {"true": turned, "value": got.values if got else none, "sigma": got.sigmas if got else none}
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clips", type=int, default=80)
    parser.add_argument("--first-seed", type=int, default=None, help="default: a fresh one")
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--readings", type=Path, default=None, help="keep readings here; those already here are judged again only")
    parser.add_argument("--losses", type=int, default=0, metavar="SEEDS", help="also play so many seeds of losses of every kind of picture")
    parser.add_argument("--write", action="store_true", help="write docs/accuracy.md")
    given = parser.parse_args()
    first = int(time.time()) % 1_000_000 if given.first_seed is None else given.first_seed
    if given.readings is not None:
        given.readings.mkdir(parents=True, exist_ok=True)
    records = []
    with ProcessPoolExecutor(given.workers, mp_context=get_context("spawn")) as pool:
        work = partial(record, keep=given.readings)
        for made in pool.map(work, cases(given.clips, first, given.seconds)):
            records.append(made)
            print(f"{made['name']:32} {made['carrier']:12} {made['took_s']:6.1f} s  {_line(made)}", file=sys.stderr, flush=True)
    command = (
        f"python -m tests.bench_accuracy --clips {given.clips} --first-seed {first} --seconds {given.seconds:g}"
        f" --losses {given.losses} --write"
    )
    text = document(records, command, _losses(given.losses, first, given.readings) if given.losses else _losses_as_written())
    print(text)
    if given.write:
        DOCUMENT.write_text(text, encoding="utf-8")


def _losses_as_written() -> str:
    """The tables of losses of the document as it is, which name their own command."""
    written = DOCUMENT.read_text("utf-8").partition(LOSSES)[2] if DOCUMENT.exists() else ""
    return written.rstrip("\n") or "Not played in this run."


def _losses(seeds: int, first_seed: int, keep: Path | None) -> str:
    """The tables of the bench of losses; kept ones are read again."""
    kept = keep / f"losses {seeds} {first_seed}.md" if keep is not None else None
    if kept is not None and kept.exists():
        return kept.read_text("utf-8")
    command = f"python -m tests.bench_losses --first-seed {first_seed} --seeds {seeds} --parts {' '.join(PARTS)}"
    tables = losses_tables(seeds=seeds, first_seed=first_seed, parts=tuple(PARTS)).replace(":\n\n|", "\n\n|")
    text = f"`{command}` printed these.\n\n{tables}"
    if kept is not None:
        kept.write_text(text, encoding="utf-8")
    return text


def _line(made: dict[str, Any]) -> str:
    return " ".join(f"{f['kind']}{'' if f['status'] == 'confirmed' else '?'}={f['value']:.3g}" for f in made["findings"])


if __name__ == "__main__":
    main()
