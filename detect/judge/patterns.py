"""What the losses of a stretch of tape have in common: patterns, each with a test and the alternative it beat.

Losses are points in (head, place across, time). The null hypothesis is a Poisson process that is uniform over what the
picture shows of the tape; every pattern but a rise is an excess inside a box (``scan_boxes`` tells the statistics).

The best pattern is taken first, its losses are set aside, and the rest is asked again: so mixtures are named. The
alternative it beat is the best pattern of another kind for the same losses. Sources for the intervals of rates:
scipy.stats (chi-square).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.judge.scan_boxes import (
    BINS,
    LEAST_LOSSES,
    TIME_CELLS,
    Box,
    Exposure,
    PatternKind,
    Points,
    as_strip,
    candidates,
    exposure,
    inside_of,
    points_of,
    take_out,
    tilted,
    widened,
)
from detect.judge.tape_map import Places
from detect.standards import PASS_MM

__all__ = ["FINDING_KIND", "Exposure", "Pattern", "exposure", "find_patterns", "rate_per_minute", "rates_differ"]

FINDING_KIND: dict[PatternKind, str] = {
    "one_head": "head_loss",
    "scratch": "scratch",
    "edge": "dropouts",
    "switch": "switch_transient",
    "cluster": "dropouts",
    "rising": "dropouts",
}
"""Kind of the finding a pattern becomes (findings.FindingKind)."""
WITHOUT_PHASE: tuple[PatternKind, ...] = ("scratch", "cluster", "rising")
"""Patterns that can be told without the phase of the wheel."""
WORDS: dict[str, str] = {
    "one_head": "one head",
    "scratch": "a scratch",
    "edge": "damage of the edge",
    "switch": "head switching",
    "cluster": "one damaged spot",
    "rising": "a steady rise",
}
"""What a pattern is called where it is the alternative."""
SIGNIFICANT = 1e-3
"""p value of a pattern. Six kinds and a few rounds: under one uniform clip in a hundred is given a pattern."""
RISING = 4e-3
"""The same for rising: one test, not thousands of boxes."""
CLOSE = 0.8
"""Two boxes explain losses about as well when their statistics are within this ratio."""
ALL_OF_AN_END = 0.8
"""Share of the losses at an end of the passes that must lie in a scratch there, or it is damage of the edge."""
LEAST_OF_SCRATCH = 6
"""Losses that make a scratch, which comes back in hundreds of passes a second: fewer at one place are as well those of a crease (house
value)."""
LEAST_P_TOLD = 1e-12
"""Smaller p values are told as below this: no null holds so exactly."""
MOST_PATTERNS = 6
RATE_LIMIT_PER_MINUTE = 10.0
WORST_MINUTE_LIMIT = 25.0
"""Proposed limits: mean 10 a minute, 25 in the worst minute. From the background section of EP 0014327 A2, where they
are said of new 2-inch stock, counted in the RF signal: strict for old tape, and a count in the picture sees fewer."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """One thing a set of losses has in common.

    ``heads``: letters, all four where it does not depend on the head. ``losses``: indices into the places given; ``fringe``: of those
    just beside, which belong to it most likely, and which it was not told from.
    ``across_mm``: bounds, None where it does not matter. ``hit_rate``: share of the passes there that show it.
    ``statistic``: log-likelihood ratio against uniform losses. ``beaten``: best other kind, ``beaten_by`` the
    difference of log-likelihoods.
    """

    kind: PatternKind
    start_frame: int
    end_frame: int
    heads: str
    losses: NDArray[np.int64]
    fringe: NDArray[np.int64]
    across_mm: tuple[float, float] | None
    hit_rate: float | None
    statistic: float
    p_value: float
    beaten: str
    beaten_by: float
    text: str

    @property
    def finding_kind(self) -> str:
        return FINDING_KIND[self.kind]


def find_patterns(
    places: Places, *, start_frame: int, end_frame: int, seen: Exposure, assumed: bool = False
) -> list[Pattern]:
    """Patterns of the losses of one wheel stretch, strongest first; empty when uniform explains them.

    ``places``: one entry per loss (``Places.first_lines``), all with a head. ``assumed``: the wheel's phase is
    (``assumed_phase``); only patterns that do not depend on it are sought.
    """
    points = points_of(places, start_frame, end_frame, seen)
    left = np.arange(len(places))
    expected = np.repeat(seen.share[:, :, None] / TIME_CELLS, TIME_CELLS, 2)
    out: list[Pattern] = []

    def asked(even: NDArray[np.floating[Any]]) -> list[Box]:
        boxes = candidates(points, left, even)
        enough = [b for b in boxes if b.kind != "scratch" or np.count_nonzero(b.inside) >= LEAST_OF_SCRATCH]
        return [b for b in enough if not assumed or b.kind in WITHOUT_PHASE]

    while len(left) >= LEAST_LOSSES and len(out) < MOST_PATTERNS:
        boxes = asked(expected / expected.sum())
        rising = boxes[-1]
        if rising.p_value <= RISING:  # does anything else remain once the rise is granted?
            granted = tilted(points, left, expected / expected.sum())
            boxes = [*asked(granted)[:-1], rising]
        best = _prefer(boxes)
        if best is None:
            break
        best = as_strip(best, points, left, expected / expected.sum()) if assumed else best
        inside = left[best.inside]
        other = max((b for b in boxes if b.kind != best.kind), key=lambda b: b.statistic)
        whole = widened(best, points)
        set_aside = inside_of(whole, points, left)
        fringe = left[set_aside & ~best.inside]
        out.append(_told(best, inside, fringe, places, points, other, assumed=assumed))
        if best.kind == "rising":
            break
        left = left[~set_aside]
        take_out(expected, whole)
    return out


def rate_per_minute(count: int, minutes: float, *, confidence: float = 0.95) -> tuple[float, float, float]:
    """Losses a minute with its exact Poisson interval (chi-square): (rate, low, high)."""
    tail = (1 - confidence) / 2
    low = stats.chi2.ppf(tail, 2 * count) / 2 if count else 0.0
    high = stats.chi2.ppf(1 - tail, 2 * count + 2) / 2
    return count / minutes, float(low) / minutes, float(high) / minutes


def rates_differ(count_a: int, minutes_a: float, count_b: int, minutes_b: float) -> float:
    """p value that two stretches have the same rate (E-test of Krishnamoorthy and Thomson, scipy)."""
    return float(stats.poisson_means_test(count_a, minutes_a, count_b, minutes_b).pvalue)


def _prefer(boxes: Sequence[Box]) -> Box | None:
    """The most telling box: the special kind where two explain the same losses about as well.

    A switch transient lies in an edge box too; a box at the end of the pass is a scratch only if it is all there is at
    that end; a rise is named when no box stands out from it.
    """
    good = {b.kind: b for b in boxes if b.p_value <= (RISING if b.kind == "rising" else SIGNIFICANT)}
    if not good:
        return None
    if len(good) > 1:
        good.pop("rising", None)
    top = max(b.statistic for b in good.values())
    good = {kind: b for kind, b in good.items() if b.statistic > CLOSE * top}
    if "switch" in good:
        return good["switch"]
    if "scratch" in good and "edge" in good:
        shared = np.sum(good["scratch"].inside & good["edge"].inside)
        of_edge = good["edge"].inside.sum()
        good.pop("edge" if shared >= ALL_OF_AN_END * of_edge or shared == 0 else "scratch")
    return max(good.values(), key=lambda b: (b.kind == "scratch", b.statistic))


def _span(box: Box, frame: NDArray[np.int64], p: Points) -> tuple[int, int]:
    """From the first loss inside to the last, which lie closer than the cells in time; of a rise, the box itself."""
    if box.kind == "rising" or not len(frame):
        frames = p.end_frame - p.start_frame
        start = p.start_frame + int(np.floor(box.times[0] * frames))
        return start, max(p.start_frame + int(np.ceil(box.times[1] * frames)), start + 1)
    return int(frame.min()), int(frame.max()) + 1


def _told(
    box: Box, inside: NDArray[np.int64], fringe: NDArray[np.int64], places: Places, p: Points, other: Box | None, *, assumed: bool
) -> Pattern:
    start, end = _span(box, places.frame[inside], p)
    across = None
    if box.cells is not None and not assumed:
        across = PASS_MM * (np.array(box.cells) / BINS - 0.5)
    passes = p.seen.passes_per_s * p.seconds * (end - start) / (p.end_frame - p.start_frame)
    # one less: the span is made by the losses themselves
    hits = min(1.0, (len(inside) - 1) / passes) if box.kind in ("scratch", "edge", "switch") else None
    pattern = Pattern(
        kind=box.kind,
        start_frame=start,
        end_frame=end,
        heads=box.heads,
        losses=inside,
        fringe=fringe,
        across_mm=None if across is None else (round(float(across[0]), 2), round(float(across[1]), 2)),
        hit_rate=hits,
        statistic=box.statistic,
        p_value=box.p_value,
        beaten=other.kind if other is not None and other.statistic > 0 else "uniform",
        beaten_by=box.statistic - (other.statistic if other is not None else 0.0),
        text="",
    )
    return replace(pattern, text=_sentence(pattern, len(places)))


def _p_text(p_value: float) -> str:
    return f"{p_value:.1g}" if p_value >= LEAST_P_TOLD else f"below {LEAST_P_TOLD:g}"


def _sentence(pattern: Pattern, total: int) -> str:
    share = f"{len(pattern.losses)} of {total} losses"
    odds = f"chance of that in losses that fall anywhere: {_p_text(pattern.p_value)}"
    if pattern.beaten != "uniform":
        odds += f"; {WORDS[pattern.beaten]} would explain them less well, log likelihood {pattern.beaten_by:.0f} lower"
    if pattern.kind == "one_head":
        return f"{share} come from head {pattern.heads} ({odds})."
    if pattern.kind == "scratch" and pattern.across_mm is not None and pattern.hit_rate is not None:
        middle = sum(pattern.across_mm) / 2
        where = f"{middle:+.1f} mm from the middle of the tape"
        return f"{share} lie {where}, in {pattern.hit_rate:.0%} of the passes ({odds})."
    if pattern.kind == "scratch" and pattern.hit_rate is not None:
        where = "at one place across the tape (where cannot be told: the picture does not show the phase of the wheel)"
        return f"{share} come back {where}, in {pattern.hit_rate:.0%} of the passes ({odds})."
    if pattern.kind == "edge" and pattern.across_mm is None and pattern.hit_rate is not None:
        where = "in a strip of the tape wider than a scratch (where cannot be told: the picture does not show the phase of the wheel)"
        return f"{share} come back {where}, in {pattern.hit_rate:.0%} of the passes ({odds})."
    if pattern.kind == "edge" and pattern.across_mm is not None:
        side = "start" if pattern.across_mm[0] < 0 else "end"
        depth = pattern.across_mm[1] - pattern.across_mm[0]
        return f"{share} lie in the {depth:.1f} mm at the {side} of the passes ({odds})."
    if pattern.kind == "switch" and pattern.hit_rate is not None:
        return (
            f"{share} stand at the ends of lines where heads change, in {pattern.hit_rate:.0%} of the changes ({odds})."
        )
    if pattern.kind == "cluster":
        return f"{share} lie within {pattern.end_frame - pattern.start_frame} frames ({odds})."
    return f"Losses become more frequent with time ({odds})."
