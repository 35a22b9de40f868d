"""Of which lines a decoder made chroma lines, from what their noise has in common."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from detect.judge.decoder_by_noise import correlations, lines_by_noise
from detect.judge.wheel import CHROMA_LINES
from detect.measure.chroma_lines import MOST_APART, line_products

LINES, SAMPLES = 120, 360
NAMES = tuple(CHROMA_LINES)
Field = tuple[np.ndarray, np.ndarray]


def decoded(field: np.ndarray, lines: str) -> np.ndarray:
    """Each line made of ``lines``; a margin above and below is cut off."""
    made = sum(share * np.roll(field, -after, axis=0) for after, share in CHROMA_LINES[lines])
    return np.ascontiguousarray(np.asarray(made)[4:-4], np.float32)


def noise(rng: np.random.Generator) -> np.ndarray:
    """Colour noise of 1.3 MHz at 6.75 MHz."""
    white = rng.normal(0, 2.0, (LINES, SAMPLES))
    return np.asarray(signal.lfilter(signal.firwin(21, 1.3, fs=6.75), [1.0], white, axis=1))


def products(lines: str, *, picture: float = 0.0, moves: bool = False, added_behind: float = 0.0, seed: int = 1) -> np.ndarray:
    """Of four frames against the frame before: noise, and a ``picture`` that stands still or moves, through a decoder."""
    rng = np.random.default_rng(seed)
    total = np.zeros((1 + MOST_APART, 2))

    def content() -> np.ndarray:
        down = np.cumsum(rng.normal(0, picture, (LINES, 1)), axis=0)
        return down * np.sin(np.arange(SAMPLES) / 1.3 + rng.uniform(0, 7))

    still = content()
    for _ in range(4):
        planes = []
        for _ in ("cb", "cr"):
            pair = [decoded(noise(rng) + (content() if moves else still), lines) + added_behind * noise(rng)[4:-4] for _ in range(2)]
            planes.append(np.asarray(pair, np.float32))
        total += line_products(planes[0][1], planes[1][1], planes[0][0], planes[1][0], 10, SAMPLES - 10)
    return total


def test_correlations_are_those_of_the_weights() -> None:
    """By hand: (1, 1)/2 gives 1/2; (1, 2, 1)/4 gives 4/6 and 1/6; the same two lines apart gives them at 2 and 4."""
    assert correlations(CHROMA_LINES["one"]) == pytest.approx([0, 0, 0, 0])
    assert correlations(CHROMA_LINES["two"]) == pytest.approx([1 / 2, 0, 0, 0])
    assert correlations(CHROMA_LINES["three"]) == pytest.approx([4 / 6, 1 / 6, 0, 0])
    assert correlations(CHROMA_LINES["apart"]) == pytest.approx([0, 4 / 6, 0, 1 / 6])


@pytest.mark.parametrize("lines", NAMES)
@pytest.mark.parametrize("picture", [0.0, 2.0])
@pytest.mark.parametrize("seed", range(3))
def test_noise_tells_the_decoder_whatever_stands_in_the_picture(lines: str, picture: float, seed: int) -> None:
    assert lines_by_noise(products(lines, picture=picture, seed=seed), NAMES) == lines


@pytest.mark.parametrize("lines", NAMES)
def test_where_all_moves_nothing_is_told(lines: str) -> None:
    assert lines_by_noise(products(lines, picture=4.0, moves=True), NAMES) is None


@pytest.mark.parametrize("lines", NAMES)
def test_noise_added_behind_a_decoder_does_not_make_it_another(lines: str) -> None:
    """But that lines were taken as they are: so noise is not asked for that."""
    assert lines_by_noise(products(lines, added_behind=1.0), NAMES) in (None, "one", lines)


def test_without_noise_nothing_is_told() -> None:
    assert lines_by_noise(np.zeros((1 + MOST_APART, 2)), NAMES) is None


def test_a_comb_is_told_although_luminance_passes_for_colour() -> None:
    """As measured of a comb of two lines (0.31, -0.05, 0.06, 0.03): nearer to it than to any other. Halfway between two is no one's."""
    seen = np.array([[0.31, 1.0], [-0.05, 1.0], [0.06, 1.0], [0.03, 1.0]])
    halfway = np.array([[0.87 * 0.25, 1.0], [0.0, 1.0], [0.0, 1.0], [0.0, 1.0]])
    names = ("one", "two", "three")
    assert lines_by_noise(np.concatenate([[[1e5, 1e5]], 1e5 * seen]), names) == "two"
    assert lines_by_noise(np.concatenate([[[1e5, 1e5]], 1e5 * halfway]), names) is None


def test_lines_two_apart_are_told_behind_texture_that_correlates_at_all_lags() -> None:
    """As measured behind such a comb (0.19, 0.62, 0.12, 0.19). Texture alone, alike at all lags or falling off, is no such comb."""

    def told(*seen: float) -> str | None:
        rows = [[1e5, 1e5], *([1e5 * r, 1e5] for r in seen)]
        return lines_by_noise(np.array(rows), ("one", "two", "apart"))

    assert told(0.19, 0.62, 0.12, 0.19) == "apart"
    assert told(0.35, 0.35, 0.30, 0.30) != "apart"
    assert told(0.60, 0.45, 0.30, 0.20) != "apart"
    assert told(0.10, 0.05, 0.02, 0.01) == "one"
