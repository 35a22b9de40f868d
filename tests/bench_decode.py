"""``python -m tests.bench_decode``: time of ``read_frames`` over that of decoding alone, on one file in one run."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import av

sys.path.insert(0, str(Path(__file__).parent))
from carriers import Scene, clip

from detect.measure.media import open_transfer, read_frames

CARRIERS = {
    "ffv1-3-10bit-mkv": 60,
    "prores-hq-mov": 100,
    "mpeg2-intra-mxf": 200,
    "dv25-411-mov": 200,
    "h264-10bit-intra-mov": 60,
    "v210-mov": 200,
    "uyvy-mov": 200,
}


def decoding_alone_s(path: Path) -> float:
    with av.open(str(path)) as container:
        container.streams.video[0].codec_context.thread_count = 1
        start = time.perf_counter()
        for _frame in container.decode(video=0):
            pass
        return time.perf_counter() - start


def reading_s(path: Path) -> float:
    transfer = open_transfer(path)
    start = time.perf_counter()
    for _frame in read_frames(transfer):
        pass
    return time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args().rounds
    print(f"{'carrier':24}{'decode ms':>10}{'read ms':>10}{'decode/read':>13}   (best of {rounds}, one thread)")
    with tempfile.TemporaryDirectory() as folder:
        for name, frames in CARRIERS.items():
            height = 480 if name.startswith("dv") else 486
            path = clip(Path(folder), name, Scene(height, top_first=False), frames=frames)
            alone = min(decoding_alone_s(path) for _ in range(rounds)) / frames * 1000
            ours = min(reading_s(path) for _ in range(rounds)) / frames * 1000
            print(f"{name:24}{alone:10.2f}{ours:10.2f}{alone / ours:13.3f}")
            path.unlink()


if __name__ == "__main__":
    main()
