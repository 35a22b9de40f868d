"""``python -m tests.bench_scan``: time to scan over time to decode alone, one thread, both in one run on the same file."""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from detect.scan import ScanOptions, scan_file
from synthetic_clips.deck import DeckFaults
from synthetic_clips.files import write_clip
from synthetic_clips.pictures import varied_programme
from synthetic_clips.render import render
from tests.bench_decode import decoding_alone_s

CARRIERS = {"ffv1": (".mkv", 486), "v210": (".mov", 486), "mpeg2_intra": (".mxf", 486), "dv25": (".mov", 480)}
FRAME_RATE = 30000 / 1001


def clip(folder: Path, carrier: str, *, frames: int, seed: int) -> Path:
    suffix, height = CARRIERS[carrier]
    programme = varied_programme(seed, frames / FRAME_RATE, "525")
    faults = DeckFaults(standard="525", skew_ns=40.0, saturation_pct=(0.0, 0.0, -6.0, 0.0))
    tape = render(programme, faults, frames=frames, height=height, rng=np.random.default_rng(seed))
    return write_clip(folder / f"{carrier}{suffix}", tape, codec=carrier)


def scanning_s(path: Path) -> float:
    """A whole scan: decoding, measuring, judging and the stills."""
    start = time.perf_counter()
    scan_file(path, options=ScanOptions(), readings_path=path.with_suffix(".readings.zip"))
    return time.perf_counter() - start


def best(run: Callable[[Path], float], path: Path, rounds: int) -> float:
    return min(run(path) for _ in range(rounds))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=300)
    parser.add_argument("--rounds", type=int, default=3)
    given = parser.parse_args()
    print(f"{'carrier':14}{'decode ms':>11}{'scan ms':>10}{'scan/decode':>13}{'x real time':>13}   (a frame, best of {given.rounds})")
    with tempfile.TemporaryDirectory() as folder:
        for carrier in CARRIERS:
            path = clip(Path(folder), carrier, frames=given.frames, seed=3)
            scanning_s(path)  # the first one compiles
            alone = best(decoding_alone_s, path, given.rounds) / given.frames * 1000
            whole = best(scanning_s, path, given.rounds) / given.frames * 1000
            print(f"{carrier:14}{alone:11.2f}{whole:10.2f}{whole / alone:13.2f}{1000 / FRAME_RATE / whole:13.2f}", flush=True)
            path.unlink()


if __name__ == "__main__":
    main()
