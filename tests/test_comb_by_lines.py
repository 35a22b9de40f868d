"""A comb of two lines spoils the first line behind a head change, one of three the last before it as well."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.comb_by_lines import comb_by_lines
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


def test_how_many_lines_a_comb_mixes() -> None:
    """A delay line of 625 adds colour that was parted from luminance before (common practice, no single source)."""
    assert [lines_combed(CHROMA_LINES[name], STD_525) for name in ("one", "two", "three")] == [0, 1, 1]
    assert [lines_combed(CHROMA_LINES[name], STD_625) for name in ("one", "two", "apart")] == [0, 0, 2]
