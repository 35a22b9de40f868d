"""Windows added up by parts, and chunks that need not be unpacked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from detect import readings as module
from detect.judge.rows import RELATIONS
from detect.judge.stretch import Gathering
from detect.judge.wheel import View
from detect.measure.relations import QUANTITIES
from detect.readings import Chunk, Header, Readings, ReadingsWriter, Sums
from detect.standards import STD_525

HEIGHT, WINDOWS, CHUNKS = 486, 6, 4
EACH = 36
VIEW = View(0, HEIGHT)


@pytest.fixture
def saved(tmp_path: Path) -> Readings:
    """Four chunks of six windows of random rows, a cut after every third."""
    rng = np.random.default_rng(5)
    writer = ReadingsWriter(tmp_path / "tape.readings.zip")
    for number in range(CHUNKS):
        start = EACH * (np.arange(WINDOWS) + number * WINDOWS)
        sums = {
            name: Sums(
                rng.normal(0, 0.1, (WINDOWS, HEIGHT, places)).astype(np.float32),
                rng.uniform(1, 2, (WINDOWS, HEIGHT, places)).astype(np.float32),
            )
            for name, places in QUANTITIES.items()
        }
        writer.add_chunk(Chunk(start, start + EACH, np.full(WINDOWS, EACH), sums, {"curve": np.ones((WINDOWS, 2), np.float32)}))
    cuts = np.arange(3 * EACH, CHUNKS * WINDOWS * EACH, 3 * EACH)
    writer.close(Header({}), losses={}, cuts=cuts)
    return Readings(tmp_path / "tape.readings.zip")


def test_parts_add_up_to_the_whole(saved: Readings) -> None:
    """Parts that meet at a cut: their groups are those of the whole."""
    index = np.arange(CHUNKS * WINDOWS)
    whole = Gathering.of(saved, index >= 0, VIEW, STD_525, height=HEIGHT)
    parts = Gathering.of(saved, index < 9, VIEW, STD_525, height=HEIGHT)
    parts.add(Gathering.of(saved, index >= 9, VIEW, STD_525, height=HEIGHT))
    assert np.allclose(parts.rows().ratio, whole.rows().ratio)
    assert np.allclose(parts.rows().weight, whole.rows().weight)
    assert whole.rows().ratio.shape == (len(RELATIONS), HEIGHT)
    assert (parts.groups, parts.shots) == (whole.groups, whole.shots) == (8, 8)
    assert parts.pictures(VIEW) == pytest.approx(whole.pictures(VIEW), rel=1e-9)
    assert whole.pictures(VIEW) > 20  # of 24 windows of noise


def test_chunks_without_chosen_windows_are_not_unpacked_twice(saved: Readings, monkeypatch: pytest.MonkeyPatch) -> None:
    unpacked: list[str] = []
    load = module._load
    monkeypatch.setattr(module, "_load", lambda archive, name: unpacked.append(name) or load(archive, name))
    chosen = np.arange(CHUNKS * WINDOWS) // WINDOWS == 2
    for _ in range(2):
        got = [(int(chunk.start_frame[0]), mask.tolist()) for chunk, mask in saved.chosen(chosen)]
        assert got == [(2 * WINDOWS * EACH, [True] * WINDOWS)]
    assert unpacked == ["chunk_00000.npz", "chunk_00001.npz", "chunk_00002.npz", "chunk_00003.npz", "chunk_00002.npz"]
