"""A comb of two lines spoils the first line behind a head change, one of three the last before it as well."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.comb_by_lines import comb_by_lines, mixes_at_boundaries
from detect.judge.row_bases import pass_of, slant_free
from detect.judge.rows import INDEX, RELATIONS, Rows
from detect.judge.wheel import CHROMA_LINES, View, lines_combed
from detect.standards import STD_525, STD_625

HEIGHT, PHASE = 486, 3.296875
VIEW = View(0, HEIGHT)


def rows_of(lines: str, lost: float, seed: int) -> Rows:
    """Lines of saturation that have lost so many per cent where the comb adds two passes, with noise of 0.3."""
    rng = np.random.default_rng(seed)
    rows = Rows(np.zeros((len(RELATIONS), HEIGHT)), np.zeros((len(RELATIONS), HEIGHT)))

    def line(row: np.ndarray) -> np.ndarray:
        own = pass_of(STD_525, PHASE, row)
        added = [pass_of(STD_525, PHASE, row + 2 * after) for after, _ in CHROMA_LINES[lines]]
        return -lost * np.any([other != own for other in added], axis=0) * (1 + own % 4)

    k = INDEX["saturation"]
    rows.ratio[k] = slant_free(VIEW, VIEW.operator("saturation"), line) + rng.normal(0, 0.3, HEIGHT)
    rows.weight[k, 2:-4] = 1.0
    return rows


@pytest.mark.parametrize("lines", ["two", "three"])
@pytest.mark.parametrize("seed", range(4))
def test_the_lines_beside_the_head_changes_tell_of_how_many_lines_a_comb_is(lines: str, seed: int) -> None:
    assert comb_by_lines(rows_of(lines, 1.0, seed), VIEW, STD_525, PHASE) == lines


@pytest.mark.parametrize("seed", range(20))
def test_where_nothing_is_lost_they_tell_nothing(seed: int) -> None:
    rows = rows_of("three", 0.0, seed)
    assert comb_by_lines(rows, VIEW, STD_525, PHASE) is None


def noisy_rows(of_line: np.ndarray, heads: np.ndarray, seed: int) -> Rows:
    """Noise of the lines beside the boundary before each head, and of the heads' own; dB, with a scatter of 0.2."""
    rng = np.random.default_rng(seed)
    rows = Rows(np.zeros((len(RELATIONS), HEIGHT)), np.zeros((len(RELATIONS), HEIGHT)))

    def line(row: np.ndarray) -> np.ndarray:
        own, after, before = (pass_of(STD_525, PHASE, row + 2 * away).astype(int) for away in (0, 1, -1))
        return heads[own % 4] + np.where(after != own, of_line[after % 4], np.where(before != own, of_line[own % 4], 0.0))

    k = INDEX["noise"]
    at = np.arange(HEIGHT)
    rows.ratio[k] = line(at + 2) - line(at) + rng.normal(0, 0.2, HEIGHT)
    rows.weight[k, :-2] = 25.0
    return rows


@pytest.mark.parametrize("seed", range(5))
def test_noise_beside_the_boundaries_tells_of_a_decoder_that_mixes_there(seed: int) -> None:
    """But noise of a head, and noise that rises alike at both ends of every pass, do not."""
    heads, none = np.array([0.0, 3.0, -1.0, -2.0]), np.zeros(4)
    assert mixes_at_boundaries(noisy_rows(np.array([3.0, 0.5, 2.0, 0.2]), none, seed), VIEW, STD_525, PHASE)
    assert not mixes_at_boundaries(noisy_rows(none, heads, seed), VIEW, STD_525, PHASE)
    assert not mixes_at_boundaries(noisy_rows(np.full(4, 3.0), heads, seed), VIEW, STD_525, PHASE)


def test_how_many_lines_a_comb_mixes() -> None:
    """A delay line of 625 adds colour that was parted from luminance before (common practice, no single source)."""
    assert [lines_combed(CHROMA_LINES[name], STD_525) for name in ("one", "two", "three")] == [0, 1, 1]
    assert [lines_combed(CHROMA_LINES[name], STD_625) for name in ("one", "two", "apart")] == [0, 0, 2]
