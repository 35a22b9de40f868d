"""Thresholds for losses among light of the picture's own: glints, spray, sequins, dirt on film.

Light that lasts a field and is as thin as a line looks like a loss. It can be told by those of its kind that are not: a
lens and a tube spread a point over more than a line, wherever it falls between the lines of the raster, and light seldom
lasts one field alone. So for every dash that keeps to one line there are many *near misses*, with a share of their
profile on a line next to them (``leak``) or on two lines and more (``stack``). A loss keeps exactly to its lines and
leaves none but by chance.

Near misses are therefore decoys: counted above a threshold they tell how many false ones to expect there, whatever the
scores of the picture's light are like. The threshold rises until that is small against what is taken. They are counted
by shot, polarity, length, and apart where they crowd in the picture, so that a loss beside the water is taken as ever.
In stretches across shots they speak of other near misses only, as dirt belongs to the film. Where no score is good enough,
nothing is taken.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from detect.standards import ACTIVE_SAMPLES

COMPENSATED = 3
"""Kinds from this code on (measure.loss_candidates.KINDS) look like no light."""
NOISE = 2
"""Below it are level ones: white and black."""
DARK = 1
LEAK = 0.1
"""Share of a profile on the next line from which it is a near miss: three in four single-line losses show less than
0.05, a point of light spread by 0.7 rows shows more than 0.1 unless it falls within a quarter of a line of the line's
middle (Gaussian)."""
NEAR_TO_TIGHT_LOSSES = 0.25
"""Near misses among losses for each that is none: losses of two and three lines, busy pictures (development footage)."""
NEAR_OF_LOSSES_AT_MOST = 0.5
"""... and their share in the busiest pictures (development footage 0.08 to 0.54)."""
NEAR_BELOW_LOSSES = 0.02
"""... and those just below the threshold."""
TIGHT_TO_NEAR_LIGHT = 0.25
"""Dashes of light without a leak for each near miss, at most: 0.08 drawn glints that passed no lens, 0.05 confetti, 0.03
lamps, 0.01 or less others (development footage, near misses counted LAG below)."""
LAG = 2.0
"""A leak costs a near miss some of its score, so dashes without one are expected from near misses this far below them,
log odds: 0 (sequins, lamps), 0.9 (drawn glints), 2.4 (confetti)."""
LEAKY, LEAKY_COST = 0.3, 1.0
"""A near miss with as much leak is a loss that much less likely, log odds: one loss in fifty has it, and of light from
one in a hundred (sequins) to all (dirt on film)."""
SHARED = 0.8
"""A white or black one of which a line beside it shows as much is the picture's, whatever its score: of 4,100 losses found none had it
(house value, from tapes of two other simulators that are not kept here)."""
OPPOSED, OPPOSED_COST = -0.3, 3.0
"""Where the next line differs the other way by as much, things move or lines alternate: one loss in a thousand has it, and one in 24 of
what is taken wrongly (other footage)."""
TIGHT_GAIN, TIGHT_CROWD_RUNS = 2.0, 100
"""A white or black candidate of one line that leaks nothing is a loss so much likelier, log odds (house value): most losses leak
nothing, and most light does. Less than that is taken: light that was not noticed leaves more of them. In fields with more suspect runs than
this many others leak nothing too, and there is no gain. Noisy candidates have no profile that could leak."""
LEAKY_OF_LOSSES, LEAKY_OF_LOSSES_AT_MOST, LOSSES_CHANCE = 0.02, 0.3, 0.03
"""Their share among losses, as a rule and at most (dark losses over credits); where there are more than chance gives this rarely,
light makes them, even with none below the threshold (three of three)."""
EXCUSED = 0.5
"""This many near misses below the threshold prove nothing: one line of a loss of two."""
BELOW = 2.0
"""Near misses this far below the threshold show that there is light, log odds; as many may lie above it (0.8 for one:
sequins)."""
FALL = 0.5
"""... and their number falls by exp(-0.5) or faster for each unit of score (sequins 0.8, water 1.2), unless those above
outnumber what losses leave."""
FALSE_SHARE = 0.25
"""Predicted false ones tolerated among those taken."""
FALSE_PER_MINUTE = 0.5
"""... or in a minute."""
STEP = 0.25
"""Steps in which a threshold rises, log odds."""
LENGTHS_SAMPLES = (20.0, 60.0)
"""Classes of length divide at 1.5 and 4.4 us: light of one picture has its size, losses have any."""
STAGGERED_SAMPLES = (35.0,)
"""... and again here, so that none is alone in its class for being a little longer."""
CELL = (60, 30)
"""A cell of the picture in which near misses are counted: samples, field lines."""
CROWDED_CELL = 3.0
"""Near misses in a cell and the eight around it from which they are judged apart."""
STRETCH_S = 20.0


def thresholds(
    candidates: Mapping[str, NDArray[Any]], *, likely: float, shot: NDArray[np.int64], frame_rate: float
) -> NDArray[np.float64]:
    """Threshold of each candidate, ``likely`` where no light is about, and TIGHT_GAIN less there for what leaks nothing.

    ``candidates``: arrays of ``LossFinder.finish``; without "leak" and "stack" (older readings) nothing is raised.
    ``shot``: number of the shot of each.
    """
    score = np.asarray(candidates["score"], float)
    out = np.full(len(score), likely)
    if "leak" not in candidates or "stack" not in candidates or not len(score):
        return out
    x0, x1, line, frame = (np.asarray(candidates[n]).astype(int) for n in ("x0", "x1", "line", "frame"))
    kind, stack = (np.asarray(candidates[n]).astype(int) for n in ("kind", "stack"))
    weight = 1.0 / np.clip(stack, 1, 3)
    use = kind < COMPENSATED
    near, leaky = is_near(candidates), np.asarray(candidates["leak"], float) > LEAKY
    out[leaky] += LEAKY_COST
    opposed = (np.asarray(candidates["leak"], float) < OPPOSED) & (kind < NOISE)
    out[opposed] += OPPOSED_COST
    if "crowd" in candidates:
        out[~near & ~opposed & (kind < NOISE) & (np.asarray(candidates["crowd"]).astype(int) <= TIGHT_CROWD_RUNS)] -= TIGHT_GAIN
    look, staggered = (np.digitize(x1 - x0, edges) + 10 * (kind == DARK) for edges in (LENGTHS_SAMPLES, STAGGERED_SAMPLES))
    stretch = frame // max(1, round(STRETCH_S * frame_rate))
    cells = ((x0 + x1) // 2 // CELL[0], line // CELL[1])
    apart = np.zeros(len(score), int)
    for mine, crowded in _crowded_cells(np.stack([shot, stretch]), cells, weight * (use & near & (score < likely))):
        apart[mine] = crowded[cells[0][mine], cells[1][mine]]

    def groups(*keys: NDArray[Any], among: NDArray[np.bool_] = near, usual: float = NEAR_TO_TIGHT_LOSSES) -> Iterator[_Group]:
        for mine in _groups(np.stack(keys), use):
            minutes = float(np.ptp(frame[mine]) + 1) / frame_rate / 60
            yield _Group(mine, score[mine], among[mine], weight[mine], minutes, likely, usual)

    for group in groups(shot, stretch, look, apart):
        group.raise_thresholds(out, light=group.light_below(), tight_too=True)
    for group in groups(shot, stretch, staggered, apart):
        group.raise_thresholds(out, light=group.light_below(), tight_too=True)
    for group in groups(stretch, look):
        group.raise_thresholds(out, light=group.light_below(), tight_too=False)
    for group in groups(frame // round(60 * frame_rate), kind == DARK, among=leaky, usual=LEAKY_OF_LOSSES):
        if group.beyond_losses(likely, LEAKY_OF_LOSSES_AT_MOST):
            group.raise_thresholds(out, light=np.inf, tight_too=False)
    out[(kind < NOISE) & (np.asarray(candidates["leak"], float) > SHARED)] = np.inf
    return out


def light_pct(
    candidates: Mapping[str, NDArray[Any]],
    *,
    likely: float,
    shot: NDArray[np.int64],
    frame_rate: float,
    frames: int,
    lines: int,
    samples: int = ACTIVE_SAMPLES,
) -> float:
    """How much of the picture, over ``frames`` frames, is where near misses crowd: there losses are hard to tell.

    ``lines``: of a field. Other arguments as for ``thresholds``.
    """
    if "leak" not in candidates or not len(candidates["score"]) or frames <= 0:
        return 0.0
    x0, x1, line, frame = (np.asarray(candidates[n]).astype(int) for n in ("x0", "x1", "line", "frame"))
    use = (np.asarray(candidates["kind"]) < COMPENSATED) & (np.asarray(candidates["score"]) < likely) & is_near(candidates)
    weight = use / np.clip(np.asarray(candidates["stack"]).astype(int), 1, 3)
    places = np.stack([shot, frame // max(1, round(STRETCH_S * frame_rate))])
    cells = ((x0 + x1) // 2 // CELL[0], line // CELL[1])
    full = samples / CELL[0] * lines / CELL[1]
    total = sum(
        (float(np.ptp(frame[mine])) + 1) * float(crowded.sum()) for mine, crowded in _crowded_cells(places, cells, weight)
    )
    return min(100.0, 100.0 * total / (full * frames))


def is_near(candidates: Mapping[str, NDArray[Any]]) -> NDArray[np.bool_]:
    """Whether each candidate goes on in the lines next to it; True where that was not measured (older readings)."""
    if "leak" not in candidates or "stack" not in candidates:
        return np.ones(len(candidates["score"]), bool)
    return np.asarray((np.asarray(candidates["leak"]) > LEAK) | (np.asarray(candidates["stack"]) > 1))


def _groups(keys: NDArray[np.int64], use: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Indices of the candidates in use that share a column of ``keys`` (rows, candidates)."""
    at = np.flatnonzero(use)
    if not len(at):
        return []
    _, group = np.unique(keys[:, at], axis=1, return_inverse=True)
    group = np.asarray(group).ravel()
    order = np.argsort(group, kind="stable")
    return np.split(at[order], np.flatnonzero(np.diff(group[order])) + 1)


def _crowded_cells(
    places: NDArray[np.int64], cells: tuple[NDArray[np.int64], NDArray[np.int64]], weight: NDArray[np.float64]
) -> Iterator[tuple[NDArray[np.int64], NDArray[np.bool_]]]:
    """For each shot (a column of ``places``) its candidates, and in which cells (across, down) near misses crowd."""
    across, down = cells
    for mine in _groups(places, np.ones(len(weight), bool)):
        count = np.zeros((int(across.max()) + 1, int(down.max()) + 1))
        np.add.at(count, (across[mine], down[mine]), weight[mine])
        around = ndimage.uniform_filter(count, 3, mode="constant") * 9
        yield mine, around >= CROWDED_CELL - 1e-6


@dataclass(frozen=True)
class _Group:
    """Candidates judged together: their indices, scores, whether near misses, weights (all (n,))."""

    index: NDArray[np.int64]
    score: NDArray[np.float64]
    near: NDArray[np.bool_]
    weight: NDArray[np.float64]
    minutes: float
    likely: float
    usual: float
    """Near misses among losses for each that is none."""

    def count(self, which: NDArray[np.bool_], threshold: float) -> float:
        return float(self.weight[which & (self.score >= threshold)].sum())

    def light_below(self) -> float:
        """Near misses just below the threshold, beyond those that losses leave."""
        below = self.count(self.near, self.likely - BELOW) - self.count(self.near, self.likely)
        return below - EXCUSED - NEAR_BELOW_LOSSES * self.count(~self.near, self.likely)

    def beyond_losses(self, threshold: float, at_most: float) -> bool:
        """Whether there are more near misses above a threshold than losses can have, a share ``at_most`` (binomial)."""
        near, tight = round(self.count(self.near, threshold)), round(self.count(~self.near, threshold))
        return bool(stats.binom.sf(near - 1, near + tight, at_most) < LOSSES_CHANCE)

    def raise_thresholds(self, out: NDArray[np.float64], *, light: float, tight_too: bool) -> None:
        """Raise the thresholds of near misses, and of the others too, until few false ones are expected above.

        ``light``: near misses that there can be above the plain threshold.
        """
        if light <= 0:
            return

        def false_near(threshold: float) -> float:
            excess = self.count(self.near, threshold) - self.usual * self.count(~self.near, threshold)
            falling = 1.0
            if not self.beyond_losses(threshold, NEAR_OF_LOSSES_AT_MOST):
                falling = float(np.exp(-FALL * max(threshold - self.likely, 0.0)))
            return min(max(excess, 0.0), light * falling)

        for members, share, lag in ((self.near, 1.0, 0.0), (~self.near, TIGHT_TO_NEAR_LIGHT, LAG)):
            threshold = self.likely
            while taken := self.count(members, threshold):
                if share * false_near(threshold - lag) <= max(FALSE_SHARE * taken, FALSE_PER_MINUTE * self.minutes):
                    break
                threshold += STEP
            out[self.index[members]] = np.maximum(out[self.index[members]], threshold)
            if not tight_too:
                return
