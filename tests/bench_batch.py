"""``python -m tests.bench_batch``: what one file costs a batch, by carrier, and what the batch itself costs.

Each carrier is scanned at two lengths by one warm worker process: the difference is the cost of a second of tape, the
rest is paid once a file. Then two at once against one, and a look over many files of which nothing is new.
"""

from __future__ import annotations

import argparse
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

from detect.archive.plan import Batch
from detect.archive.run import run_batch
from detect.archive.task import Task
from detect.archive.workers import Worker
from synthetic_clips.deck import DeckFaults
from synthetic_clips.demo import drawn_programme
from synthetic_clips.files import write_clip
from synthetic_clips.render import render

CARRIERS = {"ffv1": ".mkv", "v210": ".mov", "prores": ".mov", "mpeg2_intra": ".mxf", "dv25": ".dv", "jpeg2000": ".mxf"}
RATE = 30_000 / 1001


def scan(worker: Worker, path: Path, out: Path) -> tuple[float, float]:
    """Seconds and peak MB."""
    result = worker.run(Task(path=str(path), folder=str(out), name=path.name), lambda _: None)
    assert result.end == "done", result.reason
    return result.facts["seconds"], result.facts["peak_mb"]


def clips(folder: Path, short: int, long: int) -> dict[str, tuple[Path, Path]]:
    faults = DeckFaults(standard="525", phase_lines=7.5, regime="uncorrected", skew_ns=60.0)
    tape = render(drawn_programme(3, long / RATE, "525"), faults, frames=long, rng=np.random.default_rng(3))
    frames = [tuple(np.asarray(plane) for plane in frame) for frame in tape]
    made = {}
    for codec, suffix in CARRIERS.items():
        rows = 480 if codec == "dv25" else 486
        top = tape.truth.top_field_first  # an even number of rows is cut below: the order stays
        paths = [folder / f"{codec}_{count}{suffix}" for count in (short, long)]
        for path, count in zip(paths, (short, long), strict=True):
            cut = [tuple(plane[:rows] for plane in frame) for frame in frames[:count]]
            write_clip(path, cut, codec=codec, standard="525", top_field_first=top)
        made[codec] = (paths[0], paths[1])
    return made


def by_carrier(made: dict[str, tuple[Path, Path]], out: Path) -> None:
    worker = Worker()
    first = next(iter(made.values()))[0]
    cold_s, _ = scan(worker, first, out)
    warm_s, _ = scan(worker, first, out)
    print(f"start of a worker process: {cold_s - warm_s:.1f} s")
    heads = ("x real time", "once, s", "tape MB/s", "read MB/s", "peak MB short", "long")
    print(f"{'carrier':14}" + "".join(f"{head:>15}" for head in heads))
    for codec, (short, long) in made.items():
        try:
            (t1, m1), (t2, m2) = scan(worker, short, out), scan(worker, long, out)
        except AssertionError as error:
            print(f"{codec:14}not measured: {error}")
            continue
        n1, n2 = (int(p.stem.rsplit("_", 1)[1]) / RATE for p in (short, long))
        per_s = (t2 - t1) / (n2 - n1)
        rate = (long.stat().st_size - short.stat().st_size) / (n2 - n1) / 1e6
        figures = (1 / per_s, t1 - per_s * n1, rate, rate / per_s, m1, m2)
        print(f"{codec:14}" + "".join(f"{figure:15.2f}" for figure in figures))
    worker.close()


def side_by_side(path: Path, out: Path, *, workers: int) -> None:
    crew = [Worker() for _ in range(workers)]
    for worker in crew:
        scan(worker, path, out)
    alone_s, _ = scan(crew[0], path, out)
    threads = [
        threading.Thread(target=scan, args=(worker, path, out / str(n))) for n, worker in enumerate(crew)
    ]  # fmt: skip
    began = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    together_s = time.perf_counter() - began
    print(f"{workers} workers at once do {workers * alone_s / together_s:.2f} times the work of one")
    for worker in crew:
        worker.close()


def nothing_new(folder: Path, *, files: int) -> None:
    """The stand-in scanner for the first run; what counts is the second, which finds all done."""
    tapes = folder / "tapes"
    for n in range(files):
        path = tapes / f"shelf {n % 20}" / f"tape_{n:05d}.mkv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(f"tape {n}".encode() * 20_000)
    batch = Batch([tapes], folder / "many", page=False, workers=2, scanner="tests.batch_worker")
    began = time.perf_counter()
    assert run_batch(batch).done == files
    first_s = time.perf_counter() - began
    began = time.perf_counter()
    assert run_batch(batch).scanned_now == 0
    again_s = time.perf_counter() - began
    print(f"{files} files that cost next to nothing: {1000 * first_s / files:.1f} ms a file in the ledger's first run,")
    print(f"{1000 * again_s / files:.2f} ms a file to see that nothing is new")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--short", type=int, default=90, help="frames")
    parser.add_argument("--long", type=int, default=270, help="frames")
    parser.add_argument("--files", type=int, default=1000)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        made = clips(folder, given.short, given.long)
        by_carrier(made, folder / "out")
        side_by_side(made["ffv1"][0], folder / "out", workers=2)
        nothing_new(folder, files=given.files)


if __name__ == "__main__":
    main()
