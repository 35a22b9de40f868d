"""625 lines behind a decoder's delay line, with a scallop: whose lines, and how much saturation."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.head_fit import HeadTerms, fit_heads
from detect.judge.row_bases import first_line_reads, pass_of, slant_free
from detect.judge.rows import INDEX, RELATIONS, Rows
from detect.judge.wheel import CHROMA_LINES, View
from detect.measure import kernels
from detect.standards import STD_625
from synthetic_clips.deck import DeckFaults
from tests.bench_material import MEMORY, Case, played

HEIGHT, PHASE = 576, 8.8125
DELAYED = View(0, HEIGHT, chroma_lines=CHROMA_LINES["two"])


def test_what_the_first_line_of_a_pass_has_by_itself_is_read_where_it_is_stored() -> None:
    """One line of a field differs from all others: four pairs see it, as p, a, b or n, by 1/3, 1, 1 and 1/3 less the slant's scale."""
    reads = first_line_reads(STD_625, DELAYED, "saturation", PHASE)
    row = np.arange(HEIGHT)
    first = pass_of(STD_625, PHASE, row) != pass_of(STD_625, PHASE, row - 2.0)
    as_b, as_a = np.flatnonzero(first)[5] - 2, np.flatnonzero(first)[5]
    assert reads[as_b] == pytest.approx(1.5)
    assert reads[as_a] == pytest.approx(-1.5)
    assert np.abs(reads[as_b - 2]) == pytest.approx(0.5)
    assert np.abs(reads[as_a + 2]) == pytest.approx(0.5)


@pytest.mark.parametrize("seed", range(4))
def test_a_line_between_two_heads_that_keeps_its_colour_is_no_saturation_of_a_head(seed: int) -> None:
    rng = np.random.default_rng(seed)
    heads = np.array([-1.0, -1.0, 3.0, -1.0])
    k = INDEX["saturation"]
    rows = Rows(np.zeros((len(RELATIONS), HEIGHT)), np.zeros((len(RELATIONS), HEIGHT)))

    def of_heads(row: np.ndarray) -> np.ndarray:
        return heads[pass_of(STD_625, PHASE, row).astype(int) % 4]

    rows.ratio[k] = slant_free(DELAYED, DELAYED.operator("saturation"), of_heads)
    rows.ratio[k] += 4.0 * first_line_reads(STD_625, DELAYED, "saturation", PHASE) + rng.normal(0, 0.2, HEIGHT)
    rows.weight[k, 2:-6] = 1.0
    with_it, without = (
        fit_heads(rows, DELAYED, STD_625, "saturation", PHASE, HeadTerms(first_line=told)) for told in (True, False)
    )
    assert with_it is not None
    assert without is not None
    assert np.all(np.abs(with_it.value - heads) < 4 * with_it.sigma + 0.05 * np.abs(heads))
    assert with_it.sigma.max() < 0.5 * without.sigma.max()


def shown(colour: np.ndarray) -> np.ndarray:
    """Weights of the pairs of lines of a field, (lines,), of colour as U + i V with V's own sign in every line."""
    u, v = (np.ascontiguousarray(part, np.float32) for part in (colour.real, colour.imag))
    re, im, den = (np.zeros((len(u), 1), np.float32) for _ in range(3))
    kernels.chroma_pairs_alternating(u, v, np.array([0, u.shape[1]]), 1.0, re, im, den)
    return np.asarray(den[2:-3, 0])


def test_fine_luminance_that_a_decoder_took_for_colour_says_nothing() -> None:
    """The subcarrier turns by 270 degrees from line to line (BT.1700: 283.75 cycles), and with it what upright detail shows as colour."""
    rng = np.random.default_rng(1)
    texture = 8 * (rng.normal(size=90) + 1j * rng.normal(size=90))
    switch = np.where(np.arange(60) % 2, -1.0, 1.0)
    turned = np.exp(-1j * np.radians(270.0 * np.arange(60)))[:, None] * texture
    cross_colour = turned.real + 1j * switch[:, None] * turned.imag
    colour = np.broadcast_to(texture, (60, 90))
    for lines in (cross_colour, colour):
        delayed = (lines[1:] + lines[:-1]) / 2
        for stored in (lines, delayed):
            weights = shown(stored + rng.normal(0, 0.1, stored.shape))
            assert (weights > 0).all() if lines is colour else (weights == 0).all()


@pytest.mark.long
@pytest.mark.parametrize(("regime", "scallop_ns"), [("line-corrected", -72.0), ("uncorrected", 75.0), ("velocity-corrected", 0.0)])
def test_saturation_behind_a_delay_line_is_read_at_its_size_whatever_the_scallop(regime: str, scallop_ns: float) -> None:
    faults = DeckFaults(
        standard="625", regime=regime, phase_lines=8.8, scallop_ns=scallop_ns, skew_ns=17.0, saturation_pct=(0.0, 0.0, 4.5, 0.0),  # type: ignore[arg-type]
        blanking="reinserted", saturation_follows_response=False, decoding_625="delay_line",
    )  # fmt: skip
    found, truth = played(Case("delay line", 77, faults, MEMORY, "varied", 8.0))
    assert any("means of two lines" in w for w in found.warnings)
    figure = found.summary.saturation_pct
    assert figure is not None
    error = np.array(figure.values, float) - np.array(truth.relative["saturation_pct"])
    assert np.all(np.abs(error) < 3 * np.array(figure.sigmas, float))
    assert figure.values[2] == pytest.approx(truth.relative["saturation_pct"][2], rel=0.1)
