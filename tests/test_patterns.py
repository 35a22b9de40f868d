"""Patterns of losses: each is named, uniform losses name none, mixtures name both; the statistics against scipy and
tables."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from detect.judge import scan_boxes
from detect.judge.loss_findings import in_one_band
from detect.judge.patterns import FINDING_KIND, Pattern, find_patterns, rate_per_minute, rates_differ
from detect.standards import STANDARDS, STD_625
from tests.loss_events import draw, placed, seen

KINDS = ("one_head", "scratch", "edge", "switch", "cluster", "rising")
MIXTURES = [
    ("scratch", "one_head"),
    ("edge", "cluster"),
    ("one_head", "cluster"),
    ("scratch", "cluster"),
    ("one_head", "edge"),
]
FRAMES = 600
LEAST_RIGHT = 0.95


def patterns_of(*parts: dict[str, np.ndarray]) -> list[Pattern]:
    return find_patterns(placed(*parts), start_frame=0, end_frame=FRAMES, seen=seen())


def one(rng: np.random.Generator, kind: str, count: int = 30) -> dict[str, np.ndarray]:
    return draw(rng, count, kind=kind, at=float(rng.uniform(0.15, 0.85)), head=int(rng.integers(4)))


def share_named(kind: str, seeds: range) -> float:
    return float(np.mean([[p.kind for p in patterns_of(one(np.random.default_rng(s), kind))] == [kind] for s in seeds]))


@pytest.mark.parametrize("kind", KINDS)
def test_thirty_losses_of_one_pattern_name_it(kind: str) -> None:
    assert share_named(kind, range(100, 112)) >= 11 / 12


@pytest.mark.long
@pytest.mark.parametrize("kind", KINDS)
def test_each_pattern_is_named_in_95_of_100(kind: str) -> None:
    assert share_named(kind, range(1000, 1100)) >= LEAST_RIGHT


@pytest.mark.parametrize("count", [10, 30, 200])
def test_uniform_losses_name_nothing(count: int) -> None:
    assert sum(bool(patterns_of(draw(np.random.default_rng(s), count))) for s in range(12)) <= 1


@pytest.mark.parametrize("seed", range(4))
def test_dashes_of_a_scratch_that_wandered_out_of_its_box_belong_to_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    beside, far = draw(rng, 6, kind="scratch", at=0.312), draw(rng, 10, kind="scratch", at=0.7)
    pattern = patterns_of(draw(rng, 60, kind="scratch", at=0.3), beside, draw(rng, 5), far)[0]
    assert pattern.kind == "scratch"
    assert not np.intersect1d(pattern.losses, pattern.fringe).size
    assert 60 + 5 <= len(pattern.losses) + len(pattern.fringe) <= 60 + 6 + 2


@pytest.mark.long
@pytest.mark.parametrize("count", [10, 30, 100, 1000])
def test_uniform_losses_name_nothing_in_95_of_100(count: int) -> None:
    assert sum(bool(patterns_of(draw(np.random.default_rng(s), count))) for s in range(100)) <= 5


@pytest.mark.parametrize("pair", MIXTURES)
def test_mixtures_name_both(pair: tuple[str, str]) -> None:
    rng = np.random.default_rng(77)
    named = {p.kind for p in patterns_of(one(rng, pair[0], 40), one(rng, pair[1], 40), draw(rng, 10))}
    assert named == set(pair)


@pytest.mark.long
@pytest.mark.parametrize("pair", MIXTURES)
def test_mixtures_name_both_in_95_of_100(pair: tuple[str, str]) -> None:
    right = 0
    for s in range(100):
        rng = np.random.default_rng(s)
        right += {p.kind for p in patterns_of(one(rng, pair[0], 40), one(rng, pair[1], 40), draw(rng, 10))} == set(pair)
    assert right >= 100 * LEAST_RIGHT


def test_a_scratch_tells_place_stretch_and_hit_rate() -> None:
    rng = np.random.default_rng(5)
    scratch = draw(rng, 300, kind="scratch", at=0.7, frames=200)
    found = patterns_of(scratch, draw(rng, 40))[0]
    assert found.kind == "scratch"
    assert found.across_mm is not None
    assert found.across_mm[0] < 0.2 * 41.15 < found.across_mm[1]
    assert found.end_frame < 260
    passes = 200 / 600 * 20.02 * 59.94 * 14.8
    assert found.hit_rate == pytest.approx(300 / passes, rel=0.35)
    assert found.heads == "ABCD"
    assert found.statistic > 20
    assert found.beaten_by > 0


def test_one_head_is_named_by_its_letter() -> None:
    found = patterns_of(draw(np.random.default_rng(3), 60, kind="one_head", head=2))
    assert [p.heads for p in found] == ["C"]


def test_few_losses_are_no_pattern() -> None:
    assert patterns_of(draw(np.random.default_rng(1), scan_boxes.LEAST_LOSSES - 1, kind="cluster")) == []


def test_four_losses_at_one_place_are_no_scratch() -> None:
    """A scratch comes back in hundreds of passes; a crease may put four losses at one place across within half a second."""
    named = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        four = draw(rng, 4, kind="scratch", at=0.4, frames=15)
        named += [p.kind for p in patterns_of(four, draw(rng, 21))]
    assert named.count("scratch") <= 1  # two of the others may lie there by chance


def test_patterns_work_in_625_lines() -> None:
    places = placed(draw(np.random.default_rng(2), 40, kind="scratch", at=0.6, standard=STD_625), standard=STD_625)
    assert [p.kind for p in find_patterns(places, start_frame=0, end_frame=FRAMES, seen=seen(STD_625))] == ["scratch"]


def test_every_pattern_has_a_finding() -> None:
    assert set(FINDING_KIND) == set(KINDS)
    assert set(FINDING_KIND.values()) <= {"dropouts", "scratch", "head_loss", "switch_transient"}


def test_the_scan_statistic_is_a_likelihood_ratio_of_binomials() -> None:
    """Kulldorff's statistic equals the log ratio of two binomial likelihoods (scipy): n of N inside a box of share
    q."""
    n, total, q = 12, 40, 0.1
    ratio = stats.binom.logpmf(n, total, n / total) - stats.binom.logpmf(n, total, q)
    assert float(scan_boxes._ratio(n, total * q, total)) == pytest.approx(ratio)
    assert float(scan_boxes._ratio(3, total * q, total)) == 0.0


def test_the_trend_test_is_that_of_uniform_order() -> None:
    """Laplace: the mean of N uniform times has standard deviation 1/sqrt(12 N) (scipy's uniform)."""
    assert stats.uniform.std() ** 2 == pytest.approx(1 / 12)
    places = placed(draw(np.random.default_rng(6), 400, kind="rising"))
    box = next(p for p in find_patterns(places, start_frame=0, end_frame=FRAMES, seen=seen()) if p.kind == "rising")
    time = (places.frame + places.field / 2 + 0.25) / FRAMES
    z = (time.mean() - 0.5) * np.sqrt(12 * 400)
    assert box.statistic == pytest.approx(z**2 / 2, rel=1e-6)
    assert box.p_value == pytest.approx(stats.norm.sf(z), rel=1e-6)


@pytest.mark.parametrize(("count", "low", "high"), [(0, 0.0, 3.689), (10, 4.795, 18.390)])
def test_intervals_of_counts_are_those_of_the_tables(count: int, low: float, high: float) -> None:
    """Exact Poisson limits; 4.795 to 18.390 for ten seen is the handbook's row, 3.689 the two-sided limit for none."""
    rate, a, b = rate_per_minute(count, 1.0)
    assert (rate, a) == (count, pytest.approx(low, abs=1e-3))
    assert b == pytest.approx(high, abs=1e-3)


def test_the_one_sided_limit_for_none_seen_is_three() -> None:
    """2.996 at 95 %: the rule of three."""
    assert rate_per_minute(0, 1.0, confidence=0.90)[2] == pytest.approx(2.996, abs=1e-3)


def test_rates_are_compared_by_the_test_of_krishnamoorthy_and_thomson() -> None:
    assert rates_differ(10, 1.0, 12, 1.0) > 0.5
    assert rates_differ(60, 10.0, 20, 10.0) < 1e-4


def test_losses_of_a_head_that_keep_to_one_band_of_the_picture_are_content() -> None:
    rng = np.random.default_rng(3)
    period = float(STANDARDS["525/59.94"].lines_per_pass)
    in_one = 5.0 + period * 9 + rng.uniform(0, period, 10)
    in_all = 5.0 + period * (1 + 4 * rng.integers(0, 3, 10)) + rng.uniform(0, period, 10)
    assert in_one_band(in_one.astype(int), 5.0, STANDARDS["525/59.94"])
    assert not in_one_band(in_all.astype(int), 5.0, STANDARDS["525/59.94"])
