"""Rows that losses spoil are left out of comparing heads: a scratch is not taken for the wheel, a failing head stays in sight."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from detect.judge.spoiled import LEAST_SHARE, MOST_ROWS, PAIRS, spoiled_rows
from detect.measure.loss_candidates import KINDS
from detect.readings import Chunk, Header, Readings, ReadingsWriter, Sums
from detect.standards import STD_525

HEIGHT, FRAMES = 486, 36
WINDOWS = np.array([0, FRAMES]), np.array([FRAMES, 2 * FRAMES])
Losses = dict[str, np.ndarray]


def losses(frame: np.ndarray, line: np.ndarray, *, length: int = 30, field: int = 0) -> Losses:
    count = len(frame)
    return {
        "frame": frame, "field": np.full(count, field), "line": line, "x0": np.full(count, 100), "x1": np.full(count, 100 + length),
        "score": np.full(count, 9.0), "kind": np.full(count, KINDS.index("white")),
    }  # fmt: skip


def left_out(found: Losses) -> dict[int, np.ndarray]:
    return spoiled_rows(found, rows0=(1, 0), height=HEIGHT, start_frame=WINDOWS[0], end_frame=WINDOWS[1])


def test_a_scratch_costs_its_lines_and_those_compared_with_them() -> None:
    """A pass of 525 is 525/32 lines (derived): one line in each."""
    line = np.floor(3.1 + np.arange(14) * float(STD_525.lines_per_pass)).astype(int)
    found = losses(np.repeat(np.arange(0, FRAMES, 3), len(line)), np.tile(line, FRAMES // 3))
    rows = left_out(found)
    assert list(rows) == [0]
    expected = {1 + 2 * int(a) + k for a in line for k in PAIRS}
    assert set(np.flatnonzero(rows[0])) == {r for r in expected if 0 <= r < HEIGHT}


def test_one_short_loss_spoils_nothing_and_a_long_one_its_line() -> None:
    samples = int(LEAST_SHARE * 720 * FRAMES)
    assert left_out(losses(np.array([40]), np.array([100]), length=samples - 1)) == {}
    assert list(left_out(losses(np.array([40]), np.array([100]), length=samples + 2))) == [FRAMES]


def test_a_failing_head_is_not_hidden() -> None:
    """Losses in every line of one band: these rows are what tells of the head."""
    band = np.arange(100, 116)
    both = [losses(np.arange(0, 16), band, field=f) for f in (0, 1)]
    assert left_out({k: np.concatenate([b[k] for b in both]) for k in both[0]}) == {}


def test_a_tape_that_sheds_keeps_most_of_its_rows() -> None:
    rng = np.random.default_rng(1)
    rows = left_out(losses(rng.integers(0, FRAMES, 100), rng.permutation(243)[:100]))
    assert np.mean(rows[0]) <= MOST_ROWS + 0.02


def test_readings_without_rows_weigh_nothing_there(tmp_path: Path) -> None:
    ones = Sums(np.ones((2, HEIGHT, 1), np.float32), np.ones((2, HEIGHT, 1), np.float32))
    writer = ReadingsWriter(tmp_path / "a.zip")
    writer.add_chunk(Chunk(*WINDOWS, np.full(2, FRAMES), {"level": ones}, {}))
    writer.close(Header({}), losses={}, cuts=np.zeros(0, np.int64))
    whole = Readings(tmp_path / "a.zip")
    out = np.zeros(HEIGHT, bool)
    out[50:54] = True
    (chunk,) = whole.without({FRAMES: out}).chunks()
    assert chunk.sums["level"].weight[1, 50:54].max() == 0
    assert chunk.sums["level"].weight[0].min() == pytest.approx(1.0, rel=0.03)
    (kept,) = whole.chunks()
    assert kept.sums["level"].weight.min() > 0
