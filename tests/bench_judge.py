"""``python -m tests.bench_judge``: time to judge readings over the length of the tape, by length, both in one run.

The windows of a short clean tape stand in shuffled order for a long one, with a cut every eight seconds: a deck without faults is what
judging takes longest over, for the wheel is then sought in every part.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from detect.judge.limits import default_limits
from detect.judge.verdict import judge
from detect.readings import CHUNK_WINDOWS, Chunk, Readings, ReadingsWriter, Sums
from tests.bench_material import RATE, clean, kept_files, played

CUT_EVERY_WINDOWS = 7


def lengthened(short: Readings, path: Path, chunks: int) -> Readings:
    """Readings of so many chunks, each about a minute, from the windows of a short tape."""
    base = next(short.chunks())
    each = int(base.end_frame[0] - base.start_frame[0])
    rng = np.random.default_rng(0)
    writer = ReadingsWriter(path)
    for number in range(chunks):
        pick = rng.permutation(np.resize(np.arange(len(base.frames)), CHUNK_WINDOWS))
        start = each * (np.arange(CHUNK_WINDOWS) + number * CHUNK_WINDOWS)
        frames = np.arange(start[0], start[0] + each * CHUNK_WINDOWS).astype(np.float32)
        figures = base.scalars["frame_figures"]
        scalars = {
            "curve": base.scalars["curve"][pick],
            "frame_numbers": frames,
            "frame_figures": np.resize(figures, (len(frames), figures.shape[1])),
        }
        sums = {name: Sums(s.ratio[pick], s.weight[pick]) for name, s in base.sums.items()}
        writer.add_chunk(Chunk(start, start + each, np.full(CHUNK_WINDOWS, each), sums, scalars))
    length = chunks * CHUNK_WINDOWS * each
    header = replace(short.header, transfer={**short.header.transfer, "frames": length})
    none = {name: values[:0] for name, values in short.losses.items()}
    writer.close(header, losses=none, cuts=np.arange(each * CUT_EVERY_WINDOWS, length, each * CUT_EVERY_WINDOWS))
    return Readings(path)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=int, nargs="+", default=[1, 10, 60])
    given = parser.parse_args()
    case = clean(3, seconds=10.0)
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        played(case, home)
        short = Readings(kept_files(case, home)[0])
        print(f"{'minutes':>8}{'judging s':>12}{'judging/length':>16}{'peak MB':>10}")
        for minutes in given.minutes:
            long = lengthened(short, home / f"{minutes}.readings.zip", minutes)
            seconds = long.header.transfer["frames"] / RATE[case.faults.standard]
            start = time.perf_counter()
            judge(long, default_limits())
            took = time.perf_counter() - start
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024  # kB on Linux
            print(f"{seconds / 60:8.1f}{took:12.1f}{took / seconds:16.4f}{peak:10.0f}", flush=True)


if __name__ == "__main__":
    main()
