"""Compensated losses in coded carriers: found where noise outlasts coding, and nothing said where it does not."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from detect.judge.loss_choice import choose_losses
from detect.measure import copies, copy_coded_kernels
from detect.measure.copies import CopyFinder
from detect.measure.fields import Frame, SampleFormat
from detect.measure.loss_candidates import KINDS
from detect.measure.losses import LIKELY, OVERLAP_FRAMES, LossFinder
from detect.scan import _compensated_note
from detect.standards import STD_525
from tests import losses_material as m
from tests.losses_clips import match_arrays

RASTER = m.raster_of(486)
EIGHT_BITS = SampleFormat(8, 2, 1, False, True)
Arrays = dict[str, np.ndarray]
DAMAGE = [
    m.Damage(4, 60, 100, 190, "compensated"),
    m.Damage(7, 120, 300, 420, "compensated"),
    m.Damage(10, 200, 500, 590, "compensated"),
    m.Damage(13, 90, 200, 330, "compensated"),
]


def coded(damage: list[m.Damage], noise_ire: float) -> list[Frame]:
    """A slow pan through an encoder, intra MPEG-2 at 50 Mb/s."""
    scene = m.pan(m.still("coffee"), RASTER.height, vx=1.3, vy=0.4)
    frames = [f for f, _ in m.render([(scene, 18)], RASTER, m.Recipe(noise_ire=noise_ire), damage, seed=5)]
    return m.through("mpeg2", frames, RASTER)


def search(frames: list[Frame]) -> tuple[LossFinder, Arrays]:
    finder = LossFinder(EIGHT_BITS, height=486, width=720, standard=STD_525, codec="mpeg2video")
    for frame in frames:
        finder.push(frame, cut=False)
    return finder, finder.finish()


def repeats(arrays: Arrays, least: float = LIKELY) -> Arrays:
    keep = (arrays["kind"] == KINDS.index("compensated")) & (arrays["score"] >= least)
    return {name: values[keep] for name, values in arrays.items()}


@pytest.fixture(scope="module")
def damaged() -> list[Frame]:
    return coded(DAMAGE, 1.6)


def test_repeats_are_found_in_intra_mpeg2_with_their_ends(damaged: list[Frame]) -> None:
    finder, arrays = search(damaged)
    found = repeats(arrays)
    assert match_arrays(found, DAMAGE).tolist() == [0, 1, 2, 3]
    for name, ends in (("x0", [d.x0 for d in DAMAGE]), ("x1", [d.x1 for d in DAMAGE])):
        assert np.abs(found[name] - ends).max() <= 8  # a coded block
    assert finder.compensated_share > 0.5


@pytest.mark.long
def test_the_same_clip_without_losses_holds_none() -> None:
    finder, arrays = search(coded([], 1.6))
    assert finder.compensated_share > 0.5
    assert len(repeats(arrays)["frame"]) == 0


def test_where_coding_has_drowned_the_noise_nothing_is_said() -> None:
    finder, arrays = search(coded(DAMAGE, 0.3))
    assert finder.compensated_share < 0.05
    assert len(repeats(arrays, least=-20.0)["frame"]) == 0


def finder_after(noises_ire: list[float]) -> CopyFinder:
    """One that has seen fields of such noise, first of their shots."""
    finder = CopyFinder("mpeg2video", shift=2, ire=8.76, lines=240, first=10, left=6, right=714)
    y = np.zeros((3, 240, 720), np.int16)
    for noise in noises_ire:
        finder.find(y, here=2, before=-1, two_before=-1, half=0, noise=noise * 8.76)
    return finder


def test_noise_that_some_shots_alone_seem_to_have_is_not_the_tapes() -> None:
    """Noise lies on every picture; a zoom into texture looks as noisy, for its own time."""
    assert finder_after([0.3] * 20 + [0.9] * 80).tape_is_quiet
    assert not finder_after([0.75] * 20 + [1.2] * 80).tape_is_quiet
    assert not finder_after([0.03] * 50 + [1.0] * 50).tape_is_quiet, "black fields tell of no noise"


def test_of_a_quiet_tape_no_repeat_is_kept(monkeypatch: pytest.MonkeyPatch, damaged: list[Frame]) -> None:
    monkeypatch.setattr(copies.CopyFinder, "tape_is_quiet", True)
    finder, arrays = search(damaged)
    assert finder.compensated_share == 0
    assert len(repeats(arrays, least=-20.0)["frame"]) == 0 < len(arrays["frame"])


def test_in_predicted_pictures_repeats_are_not_looked_for(damaged: list[Frame]) -> None:
    """A picture predicted from another shows the noise of that."""
    finder, arrays = search([Frame(f.number, f.fields, keyframe=f.number % 3 == 0) for f in damaged])
    assert finder.compensated_share < 0.05
    assert len(repeats(arrays, least=-20.0)["frame"]) == 0


def test_a_slice_with_its_overlap_finds_the_same_repeats(damaged: list[Frame]) -> None:
    whole = repeats(search(damaged)[1])
    middle = 5
    first = repeats(search(damaged[: middle + OVERLAP_FRAMES])[1])
    second = repeats(search(damaged[middle - OVERLAP_FRAMES :])[1])
    for name, values in whole.items():
        joined = np.concatenate([first[name][first["frame"] < middle], second[name][second["frame"] >= middle]])
        np.testing.assert_array_equal(joined, values, err_msg=name)


def noisy(rng: np.random.Generator) -> np.ndarray:
    """Three fields of nothing but noise of 1.6 IRE and 4.2 MHz, in order of time."""
    pool = m._noise_pool(240, 4.2)
    fields = rng.choice(len(pool), 3, replace=False)
    return np.round(500 + 1.6 * 8.76 * pool[fields, :240, :720]).astype(np.int16)


def find(y: np.ndarray) -> np.ndarray:
    finder = CopyFinder("mpeg2video", shift=2, ire=8.76, lines=240, first=10, left=6, right=714)
    return finder.find(y, here=2, before=1, two_before=0, half=0, noise=1.6 * 8.76)


def test_a_decoy_as_good_as_the_repeat_takes_its_odds_away() -> None:
    """No compensator copies from three lines above: a picture that repeats those repeats others by itself."""
    y = noisy(np.random.default_rng(1))
    y[2, 100, 200:290] = y[2, 99, 200:290]
    (alone,) = find(y)
    assert alone[0] == 100
    assert alone[3] >= LIKELY
    y[2, 50, 400:490] = y[2, 47, 400:490]
    found = find(y)
    assert not np.any((found[:, 3] >= LIKELY) & (found[:, 4] == 0))
    assert found[found[:, 4] == 1, 0].tolist() == [50]


def test_decoys_of_a_shot_tell_which_of_its_repeats_to_believe() -> None:
    """A moving texture repeats itself now and then, from lines that compensators copy from and from others alike."""
    score = np.array([3.0, 4.0, 3.5, 9.0, 3.0])
    arrays = {name: np.zeros(5, int) for name in ("field", "line", "x0", "leak")} | {
        "frame": np.array([1, 2, 3, 4, 400]), "score": score, "x1": np.full(5, 90),
        "kind": np.full(5, KINDS.index("compensated")), "stack": np.array([1, 1, 0, 1, 1]),
    }  # fmt: skip
    chosen = choose_losses(arrays, cuts=np.array([300]), frame_rate=29.97)
    assert chosen.tolist() == [False, True, False, True, True]


@pytest.mark.parametrize("source", [(2, -1), (2, -2), (1, 0), (1, 1)])
def test_every_source_of_a_compensator_is_known(source: tuple[int, int]) -> None:
    y = noisy(np.random.default_rng(2))
    y[2, 150, 300:400] = y[source[0], 150 + source[1], 300:400]
    ((line, x0, x1, score, _),) = find(y)
    assert line == 150
    assert x0 < 310 < 390 < x1
    assert score >= LIKELY


def test_a_line_that_repeats_another_nearly_all_along_is_a_mirror_and_no_loss() -> None:
    y = noisy(np.random.default_rng(2))
    y[2, 150, 20:340] = y[1, 150, 20:340]
    y[2, 150, 400:690] = y[1, 150, 400:690]
    y[2, 60, 300:400] = y[1, 60, 300:400]
    assert find(y)[:, 0].tolist() == [60]


@pytest.mark.parametrize("seed", range(4))
def test_a_blanked_line_repeats_another_without_having_been_copied(seed: int) -> None:
    """Lines of blanking that reach into the picture, in pieces, with the little noise that coding leaves them."""
    rng = np.random.default_rng(seed)
    y = noisy(rng)
    for k in range(3):
        y[k, 39:41, 40:300] = 20 + rng.normal(0, 3.0, (2, 260))
    assert not len(find(y))
    y[2, 150, 300:400] = y[2, 149, 300:400]
    assert find(y)[:, 0].tolist() == [150]


def test_noise_alone_repeats_nothing() -> None:
    assert sum(len(find(noisy(np.random.default_rng(seed)))) for seed in range(20)) == 0


def test_the_likelihood_ratio_is_that_of_two_normal_laws() -> None:
    """Outside check: scipy.stats.norm, for the share of independent values that 4.2 MHz at 13.5 MHz leaves (2 x 4.2 /
    13.5, Nyquist)."""
    d = np.random.default_rng(3).normal(0, 6, 80)
    expected = np.sum(scipy.stats.norm.logpdf(d, 0, np.sqrt(30)) - scipy.stats.norm.logpdf(d, 0, np.sqrt(180)))
    ratio = copy_coded_kernels.likelihood_ratio(80, float(np.mean(d**2)), 30.0, 180.0)
    assert ratio == pytest.approx(expected * copy_coded_kernels.FREE_VALUES, rel=1e-6)
    assert pytest.approx(2 * 4.2 / 13.5, abs=0.005) == copy_coded_kernels.FREE_VALUES


def test_chance_makes_no_more_repeats_than_the_odds_against_them_allow() -> None:
    """Outside check: of m independent values, chance makes K m exp(-s) pieces of log likelihood ratio s, K below 1 (Karlin and
    Altschul 1990); the pieces are those of a cumulated sum that starts anew at 0 (Page 1954). Both from memory."""
    m_values, least = 400_000, 7.0
    d = np.random.default_rng(6).normal(0, np.sqrt(150.0), m_values)
    pieces, total, best = 0, 0.0, 0.0
    for square in (d**2).tolist():
        total += copy_coded_kernels.likelihood_ratio(1, square, 30.0, 150.0) / copy_coded_kernels.FREE_VALUES
        best = max(best, total)
        if total <= 0:
            pieces += best >= least
            total = best = 0.0
    assert 0.05 < pieces / (m_values * np.exp(-least)) < 1


def test_the_odds_against_repeats_count_the_places_of_a_minute() -> None:
    """Lines and fields of either standard (BT.601): 240 x 59.94 and 288 x 50 a second."""
    for lines, fields in ((240, 59.94), (288, 50)):
        places = copies.FREE_VALUES * 708 * lines * 4 * fields * 60
        assert np.log(places) == pytest.approx(copies.CODED_TRIALS, abs=0.1)


def test_quiet_blocks_are_as_rare_as_chi_square_says() -> None:
    """Outside check: scipy.stats.chi2 with the free values of a block of 8 samples."""
    free = round(copies.BLOCK_SAMPLES * copies.FREE_VALUES)
    for one_in, part in copies.QUIET_BLOCKS:
        assert scipy.stats.chi2.ppf(1 / one_in, free) / free == pytest.approx(part, abs=0.001)


def test_noise_is_told_along_lines_that_stripes_make_differ() -> None:
    y = noisy(np.random.default_rng(4)) + (300 * (np.arange(240)[:, None] % 2)).astype(np.int16)
    cells = np.zeros(3000, np.float32)
    count = copy_coded_kernels.noise_along(y, 2, 10, 239, 6, 714, cells)
    told = np.sqrt(cells[:count].mean() / copy_coded_kernels.NOISE_ALONG) / 8.76
    assert told == pytest.approx(1.6, rel=0.12)


def test_the_reader_is_told_how_far_a_count_of_compensated_losses_reaches() -> None:
    assert _compensated_note("dvvideo", 0.0).endswith("cannot be told here, and none is listed")
    assert "in 28 % of the fields" in _compensated_note("mpeg2video", 0.28)
