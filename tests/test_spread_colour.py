"""A wheel that nothing shows but colour which a decoder made of two lines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from detect.judge.evidence import ALONE_RATIO, wheel_found
from detect.judge.phase_by_rows import fit_wheel_by_rows
from detect.judge.row_bases import pass_of, slant_free
from detect.judge.rows import INDEX, RELATIONS, Rows
from detect.judge.wheel import CHROMA_LINES, View, fit_wheel
from detect.standards import STD_525

HEIGHT, PHASE = 486, 3.296875
COMBED = View(0, HEIGHT, chroma_lines=CHROMA_LINES["two"])


def rows_of(heads: np.ndarray, seed: int) -> Rows:
    """Offsets of the heads in hue, degrees; every line has noise of 0.75 degree before it is added to the next."""
    rng = np.random.default_rng(seed)
    rows = Rows(np.zeros((len(RELATIONS), HEIGHT)), np.zeros((len(RELATIONS), HEIGHT)))
    noise = rng.normal(0, 0.75, HEIGHT + 64)

    def line(row: np.ndarray) -> np.ndarray:
        return heads[pass_of(STD_525, PHASE, row).astype(int) % 4] + noise[np.round(row).astype(int) + 32]

    k = INDEX["hue"]
    rows.ratio[k] = slant_free(COMBED, COMBED.operator("hue"), line)
    rows.weight[k, 2:-4] = 1.0
    return rows


def test_all_rows_show_a_wheel_whose_steps_mostly_do_not() -> None:
    drawn = [rows_of(np.array([-0.33, 1.0, -0.33, -0.33]), seed) for seed in range(10)]
    by_steps = [wheel_found(fit_wheel(rows, COMBED, STD_525)) for rows in drawn]
    fits = [fit_wheel_by_rows(rows, COMBED, STD_525) for rows in drawn]
    assert sum(by_steps) <= 5, "steps alone were to be too weak"
    assert sum(wheel_found(fit) for fit in fits) >= 9
    for fit in fits:
        if fit.by_rows:
            assert abs(fit.phase_lines - PHASE) < 0.5
            assert abs(fit.phase_lines - PHASE) < 4 * fit.phase_sigma_lines + 0.02
            assert fit.null_ratio >= ALONE_RATIO


@pytest.mark.parametrize("seed", range(100, 112))
def test_noise_of_added_lines_shows_none(seed: int) -> None:
    assert not wheel_found(fit_wheel_by_rows(rows_of(np.zeros(4), seed), COMBED, STD_525))


def test_lines_that_are_their_own_are_not_asked() -> None:
    rows = rows_of(np.array([-0.33, 1.0, -0.33, -0.33]), 0)
    assert not fit_wheel_by_rows(rows, replace(COMBED, chroma_lines=CHROMA_LINES["one"]), STD_525).by_rows
