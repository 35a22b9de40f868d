"""Which candidate losses are taken for losses: the score, the picture's own light, and the wheel.

The score of a candidate (log odds) is right for ordinary pictures. What follows is known only afterwards:

* *light*: glints, sequins and dirt on film leave near misses, which tell how many false ones to expect among them
  (``loss_light``); the threshold rises there, and falls elsewhere for what leaks nothing;
* *light* in dashes under a microsecond, many of them and hardly a longer one, is confetti or snow;
* *the picture*: where a field cannot be predicted at all, many candidates of any look stand just below the threshold;
  the number of false ones above it is predicted from them;
* *what moves*: thin edges that fall on a line of their own now and then keep to a course (``loss_tracks``), and level
  rulings are seen in pieces along a line (``loss_rulings``), or come back on a line of their own (``loss_places``): no losses;
* *the wheel*: a scratch comes back in every pass at the same place. Where losses crowd at one place across the tape in
  different lines of the picture, the odds of the next candidate there are better by the ratio of the densities, and
  its threshold is lower by the logarithm of that (Bayes; Armstrong, Rayner and Kokaram 1998 gain the same way).

Pure functions of arrays; nothing is decoded again.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.judge import loss_light
from detect.judge.loss_light import COMPENSATED, DARK, NOISE
from detect.judge.loss_places import FIELD_LINES, keeps_to_picture, on_standing_lines
from detect.judge.loss_rulings import on_rulings
from detect.judge.loss_sparks import beside_cuts, longest_spark
from detect.judge.loss_tracks import as_long_as_the_pictures, on_striped_things, on_tracks
from detect.measure.line_ends import STANDING
from detect.standards import STANDARDS, Standard

LIKELY = 2.0
"""Log odds from which a candidate is a loss, other things equal (as measure.losses.LIKELY, set on development
footage)."""
NEAR = 2.0
"""Candidates this far below the threshold tell of the false ones above it, log odds."""
NEAR_TO_BELOW = 0.6
"""False candidates are rarer towards the threshold: at most this many near it for one as far below (glints: 0.53)."""
ABOVE_TO_NEAR = 0.6
"""False ones above the threshold for one near it: 0.9 (glints), 0.4 (water)."""
FALL = 0.7
"""Their number falls by exp(-0.7) or faster for each unit of score (measured on glints and water)."""
EXCUSED = 2
"""This many below the threshold, of one look in one shot, prove nothing."""
FALSE_SHARE = 0.25
"""Predicted false ones tolerated among those taken."""
FALSE_PER_MINUTE = 0.5
"""... or in a minute."""
HIGHEST = 9.0
"""Threshold above which nothing is raised."""
CROWDED_RUNS = 300
"""Suspect runs in a field from which its picture cannot be predicted (as many as are weighed, measure.losses): there
false candidates have every look, so all looks of the shot are asked together."""
FIELDS_AT_CUT = 4
"""Fields, two before a cut and two behind, that have fewer than four around them to ask."""
CUT_NEIGHBOURS, CUT_CROWD_RUNS, CUT_LIKELY = 3, 30, 6.0
"""A field beside a cut (so many fields around to ask, or fewer) with so many suspect runs may itself belong to the other
shot, for edits and film cut between the fields of a frame too, and a decoder that combs from frame to frame mixes both shots: odds must be
e^4 better there (house practice)."""
AT_CUT_LIKELY, USUAL_A_MINUTE = 4.0, 6.0
"""Any field beside a cut has fewer to ask, and what the shots show there at once falls outside: on a tape with so few losses a minute
elsewhere one there needs odds e^2 better, and less on one with more (Bayes; other footage: a third of all false ones lay there)."""
MOST_LINES = 1024
"""More than a field has, so that neighbouring fields share no line."""
SHORTEST_SAMPLES = 6
"""A loss shorter than 0.45 us is not believed: none under about 0.5 us (common practice)."""
SHORT_SAMPLES = 13.5
"""1 us: losses are longer as a rule, the mode at 1 to 2 us (common practice, no single source). Confetti, snow and sparks are not."""
SHORT_SHARE, SHORT_CHANCE = 0.25, 1e-4
"""Share of a tape's losses that may be shorter, at most (0.1 where they are log-normal about 3 us: house practice), and the chance of
so many or more below which they are the picture's (binomial)."""
MOSTLY_SHORT = 0.5
"""The same share in any shot, light or none: sparks, insects and dirt drawn as sharply as a loss are known by that alone."""
MANY_LIGHTS, LITTLE_SHORTER = 30, 0.67
"""So many likely ones of a shot, and longer than this share of the shortest that was taken, are the picture's: those taken may be the
longest of them."""
SAME_SCENE_S = 5.0
"""What flies through a shot flies through those beside it, so near in time, where it may be too little to show as light (house value)."""
LONGEST_SHOT_S = 20.0
SOURCES_TO_DECOYS = 2.0
"""Compensators copy from four lines, decoys repeat two that none copies from: so many false ones for each decoy."""
KEPT_LIGHT_PCT = 5.0
"""So much of a shot's picture must have light of its own before losses that keep to a part of it are taken for that: losses themselves
may pass for as much as 4 % (the demo)."""
ALL_OVER = 2 / 3
"""Share of the passes of a field, a shot's fields together, in which one place must show losses to be that of a scratch, and no part
of the picture."""
WHEEL_CELLS = 256
WHEEL_REACH = 2
"""Cells either way that count as the same place across: 0.3 mm."""
WHEEL_BESIDE = range(6, 25)
"""Cells to either side, up to a tenth of a pass, above which a scratch stands out."""
WHEEL_SPAN_S = 4.0
"""How long before and after a scratch is looked for."""
WHEEL_LEAST = 4
"""Losses in as many different lines that make a place suspect."""
WHEEL_CHANCE = 1e-3
"""... and which chance would crowd so anywhere across the tape this rarely (Poisson)."""
WHEEL_GAIN = 4.5
"""Most a threshold is lowered for the wheel's sake, log odds."""


def choose_losses(
    candidates: Mapping[str, NDArray[Any]],
    *,
    cuts: NDArray[np.integer[Any]],
    frame_rate: float,
    pass_position: NDArray[np.floating[Any]] | None = None,
    standard: Standard = STANDARDS["525/59.94"],
) -> NDArray[np.bool_]:
    """True for candidates taken as losses.

    ``candidates``: arrays of ``LossFinder.finish``, in order of time, with "sure" where some are proven by other means (``standing``);
    ``cuts``: frames that begin a shot; ``pass_position``: place in the pass of each, 0 to 1, NaN where the wheel is not known
    (``Places.in_turn``).
    """
    lines = FIELD_LINES[standard.short_name]
    sure = np.asarray(candidates.get("sure", False), bool)
    if sure.any():
        taken, rest = sure.copy(), ~sure
        place = None if pass_position is None else pass_position[rest]
        taken[rest] = choose_losses(
            {name: values[rest] for name, values in candidates.items()}, cuts=cuts, frame_rate=frame_rate, pass_position=place,
            standard=standard,
        )  # fmt: skip
        return taken & ~shares_piece(candidates, sure, taken & ~sure)
    score = np.asarray(candidates["score"], float)
    if not len(score):
        return np.zeros(0, bool)
    length = np.asarray(candidates["x1"]).astype(int) - np.asarray(candidates["x0"]).astype(int)
    shot = np.searchsorted(cuts, np.asarray(candidates["frame"]).astype(int), "right")
    threshold = loss_light.thresholds(candidates, likely=LIKELY, shot=shot, frame_rate=frame_rate)
    gain: NDArray[np.floating[Any]] = np.zeros(len(score))
    if pass_position is not None:
        gain = _gain_of_the_wheel(
            candidates, score >= threshold, score >= np.maximum(threshold, LIKELY) - WHEEL_GAIN, pass_position, frame_rate
        )
    picture = _of_the_picture(candidates, shot, np.asarray(cuts), frame_rate, alone=gain == 0)
    threshold = np.where(gain > 0, np.maximum(threshold - gain, LIKELY - WHEEL_GAIN), np.maximum(threshold, picture))
    decoy = np.zeros(len(score), bool)
    if "stack" in candidates:
        decoy = (np.asarray(candidates["stack"]) == 0) & (np.asarray(candidates["kind"]) == COMPENSATED)
        threshold = np.maximum(threshold, _of_the_decoys(candidates, shot, decoy, frame_rate))
    is_loss = (np.asarray(candidates["kind"]) != STANDING) & ~decoy
    taken = (score >= threshold) & (length >= SHORTEST_SAMPLES) & is_loss
    likely = taken.copy()
    taken &= ~_striped(candidates, shot, pass_position, lines)
    seen = np.flatnonzero(taken & (np.asarray(candidates["kind"]) != COMPENSATED))
    numbers = {k: np.asarray(candidates[k]).astype(np.int64)[seen] for k in ("frame", "field", "line", "x0", "x1")}
    place = None if pass_position is None else np.asarray(pass_position, float)[seen]
    number = 2 * numbers["frame"] + numbers["field"]
    taken[seen] &= ~on_tracks(number, numbers["line"], numbers["x0"], numbers["x1"], shot[seen], place, lines=lines, standard=standard)
    level = np.asarray(candidates["kind"])[seen] < NOISE
    contrast = np.asarray(candidates["contrast_ire"], float)[seen][level] if "contrast_ire" in candidates else None
    taken[seen[level]] &= ~on_rulings(
        number[level], numbers["line"][level], numbers["x0"][level], numbers["x1"][level], shot[seen][level], contrast, lines=lines
    )
    taken[seen] &= ~on_standing_lines(number, numbers["line"], shot[seen], standard)
    asked = np.flatnonzero(likely & (np.asarray(candidates["kind"]) != COMPENSATED))
    taken[asked] &= ~as_long_as_the_pictures(~taken[asked], length[asked], shot[asked])
    taken &= ~_of_light(candidates, taken, shot, np.asarray(cuts), standard, alone=gain == 0)
    if "neighbours" in candidates:
        frame, beside = np.asarray(candidates["frame"]).astype(np.int64), np.asarray(candidates["neighbours"]) <= CUT_NEIGHBOURS
        left = np.flatnonzero(taken & (gain == 0) & (np.asarray(candidates["kind"]) < COMPENSATED))
        inside = np.asarray(cuts, np.int64)[np.asarray(cuts) > 0]
        taken[left] &= ~beside_cuts(frame[left], beside[left], inside, int(frame.max()) + 1, FIELDS_AT_CUT)
    return np.asarray(taken)


def shares_piece(
    candidates: Mapping[str, NDArray[Any]], mine: NDArray[np.bool_], others: NDArray[np.bool_], *, lines_away: int = 0
) -> NDArray[np.bool_]:
    """Those of ``mine`` at the same place of their line as one of ``others`` on it, or so many lines away: (candidates,) each."""
    frame, half, line, x0, x1 = (np.asarray(candidates[k]).astype(np.int64) for k in ("frame", "field", "line", "x0", "x1"))
    place = (2 * frame + half) * MOST_LINES + line
    asked, known = np.flatnonzero(mine), np.flatnonzero(others)
    known = known[np.argsort(place[known], kind="stable")]
    out = np.zeros(len(mine), bool)
    for away in range(-lines_away, lines_away + 1):
        first, after = (np.searchsorted(place[known], place[asked] + away, side) for side in ("left", "right"))
        for at in np.flatnonzero(after > first):
            there = known[first[at] : after[at]]
            out[asked[at]] |= bool(((x0[there] < x1[asked[at]]) & (x1[there] > x0[asked[at]])).any())
    return out


def _of_light(
    candidates: Mapping[str, NDArray[Any]], taken: NDArray[np.bool_], shot: NDArray[np.int64], cuts: NDArray[Any], standard: Standard,
    *, alone: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """True for losses of shots that glint, where they keep to a part of the picture, or, of those ``alone`` (not explained by the wheel),
    the short ones where far more are short than losses are; in other shots, where most are."""
    out = np.zeros(len(taken), bool)
    frame, half, line, x0, x1 = (np.asarray(candidates[k]).astype(np.int64) for k in ("frame", "field", "line", "x0", "x1"))
    short = alone & (x1 - x0 < SHORT_SAMPLES)
    score, kind = np.asarray(candidates["score"], float), np.asarray(candidates["kind"])
    length = max(1, round(LONGEST_SHOT_S * float(standard.frame_rate)))
    stretch = frame // length
    bounds = np.concatenate([[0], cuts, [int(frame.max()) + 1]])
    seen = taken & (kind < COMPENSATED)
    period = float(standard.lines_per_pass)
    passes = int(FIELD_LINES[standard.short_name] / period)
    lit = np.zeros(len(taken), bool)
    for key in np.unique(np.stack([shot, stretch])[:, seen], axis=1).T:
        here = (shot == key[0]) & (stretch == key[1])
        mine = here & seen
        if len(np.unique(line[mine & ~alone] // period)) >= ALL_OVER * passes:
            mine &= alone  # a scratch
        first, after = max(int(bounds[key[0]]), key[1] * length), min(int(bounds[key[0] + 1]), (key[1] + 1) * length)
        kept = keeps_to_picture(2 * frame[mine] + half[mine], line[mine], standard, fields=2 * (after - first))
        for look in (kind == DARK, kind != DARK):
            out |= _sparks(x1 - x0, mine & alone & look, here & alone & look & ~taken & (score >= LIKELY) & (kind < COMPENSATED))
        if not kept and not (mine & short).any():
            continue
        light = loss_light.light_pct(
            {name: values[here] for name, values in candidates.items()}, likely=LIKELY, shot=shot[here],
            frame_rate=float(standard.frame_rate), frames=int(np.ptp(frame[here])) + 1, lines=FIELD_LINES[standard.short_name],
        )  # fmt: skip
        if light >= KEPT_LIGHT_PCT:
            lit |= mine
            out |= mine & kept
    tiny = stats.binom.sf(int((lit & short).sum()) - 1, int((lit & alone).sum()), SHORT_SHARE) <= SHORT_CHANCE
    if not tiny:
        return out
    there = np.sort(frame[lit & short])
    at = np.searchsorted(there, frame)
    near = np.minimum(np.abs(there[np.maximum(at - 1, 0)] - frame), np.abs(there[np.minimum(at, len(there) - 1)] - frame))
    return np.asarray(out | (seen & short & (near <= SAME_SCENE_S * float(standard.frame_rate))))


def _sparks(length: NDArray[np.int64], taken: NDArray[np.bool_], others: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """True for those of a shot and a look that are as long as its sparks: most are too short for losses, or many ``others`` are a little
    shorter than all that were ``taken``, and the picture's."""
    if not taken.any():
        return taken
    short, least = int(np.count_nonzero(taken & (length < SHORT_SAMPLES))), int(length[taken].min())
    if stats.binom.sf(short - 1, int(np.count_nonzero(taken)), MOSTLY_SHORT) <= SHORT_CHANCE:
        shortest = SHORT_SAMPLES
    elif np.count_nonzero(others & (length < least) & (length > LITTLE_SHORTER * least)) >= MANY_LIGHTS:
        shortest = float(least)
    else:
        return np.zeros(len(taken), bool)
    return np.asarray(taken & (length < longest_spark(length[taken], shortest)))


def _striped(
    candidates: Mapping[str, NDArray[Any]], shot: NDArray[np.int64], position: NDArray[np.floating[Any]] | None, lines: int
) -> NDArray[np.bool_]:
    """True for candidates that are stripes of a thing that moves."""
    out = np.zeros(len(shot), bool)
    seen = np.flatnonzero(np.asarray(candidates["kind"]) < COMPENSATED)
    frame, half, line, x0, x1 = (np.asarray(candidates[k]).astype(np.int64)[seen] for k in ("frame", "field", "line", "x0", "x1"))
    dark = np.asarray(candidates["kind"])[seen] == DARK
    place = None if position is None else np.asarray(position, float)[seen]
    out[seen] = on_striped_things(2 * frame + half, line, x0, x1, dark, shot[seen], place, lines=lines)
    return out


def _of_the_picture(
    candidates: Mapping[str, NDArray[Any]],
    shot: NDArray[np.int64],
    cuts: NDArray[Any],
    frame_rate: float,
    *,
    alone: NDArray[np.bool_],
) -> NDArray[np.floating[Any]]:
    """Threshold of each candidate in fields that cannot be predicted and beside cuts, -inf elsewhere.

    ``alone``: candidates that are not explained by the wheel; a faint scratch is no sign of a difficult picture.
    """
    frame = np.asarray(candidates["frame"]).astype(int)
    score = np.asarray(candidates["score"], float)
    threshold = np.full(len(score), -np.inf)
    if "crowd" not in candidates:
        return threshold
    first = np.concatenate([[0], cuts])[shot]
    part = (frame - first) // max(1, round(LONGEST_SHOT_S * frame_rate))
    crowded = np.asarray(candidates["crowd"]).astype(int) > CROWDED_RUNS
    together = _of_the_look(np.stack([shot, part, crowded]), score, frame, frame_rate, alone)
    threshold = np.where(crowded, together, threshold)
    if "neighbours" in candidates:
        at_cut = np.asarray(candidates["neighbours"]) <= CUT_NEIGHBOURS
        torn = at_cut & (np.asarray(candidates["crowd"]).astype(int) > CUT_CROWD_RUNS)
        threshold = np.where(torn, np.maximum(threshold, CUT_LIKELY), threshold)
        usual = ~at_cut & alone & (score >= LIKELY) & (np.asarray(candidates["kind"]) < COMPENSATED)
        minutes = (int(frame.max()) + 1) / frame_rate / 60
        more = np.log(max(np.count_nonzero(usual) / minutes / USUAL_A_MINUTE, 1.0))
        threshold = np.where(at_cut & alone, np.maximum(threshold, max(LIKELY, AT_CUT_LIKELY - more)), threshold)
    return threshold


def _of_the_decoys(
    candidates: Mapping[str, NDArray[Any]], shot: NDArray[np.int64], decoy: NDArray[np.bool_], frame_rate: float
) -> NDArray[np.floating[Any]]:
    """Threshold of each candidate: compensated ones of a shot whose lines repeat by themselves need to stand out of the
    decoys there."""
    threshold = np.full(len(decoy), -np.inf)
    score = np.asarray(candidates["score"], float)
    repeats = np.asarray(candidates["kind"]) == COMPENSATED
    part = np.asarray(candidates["frame"]).astype(int) // max(1, round(LONGEST_SHOT_S * frame_rate))
    for key in np.unique(np.stack([shot, part])[:, decoy], axis=1).T:
        mine = repeats & (shot == key[0]) & (part == key[1])
        false, found = np.sort(score[mine & decoy]), np.sort(score[mine & ~decoy])
        for least in [LIKELY, *false[false >= LIKELY]]:
            over = SOURCES_TO_DECOYS * np.sum(false > least if least > LIKELY else false >= least)
            if over <= FALSE_SHARE * np.sum(found >= least):
                break
        threshold[mine] = least
    return threshold


def _of_the_look(
    keys: NDArray[np.int64],
    score: NDArray[np.floating[Any]],
    frame: NDArray[np.int64],
    frame_rate: float,
    alone: NDArray[np.bool_],
) -> NDArray[np.floating[Any]]:
    """Threshold of each candidate from those that share its column of ``keys`` (rows, candidates)."""
    _, group = np.unique(keys, axis=1, return_inverse=True)
    group = np.asarray(group).ravel()
    groups = int(group.max()) + 1
    near = np.bincount(group[alone & (score < LIKELY) & (score >= LIKELY - NEAR)], minlength=groups)
    below = np.bincount(group[alone & (score < LIKELY - NEAR) & (score >= LIKELY - 2 * NEAR)], minlength=groups)
    near = np.minimum(near, NEAR_TO_BELOW * below)
    threshold = np.full(groups, LIKELY)
    for index in np.flatnonzero(near > EXCUSED):
        mine = np.sort(score[alone & (group == index) & (score >= LIKELY)])
        frames = frame[group == index]
        minutes = (frames.max() - frames.min() + 1) / frame_rate / 60
        while threshold[index] < HIGHEST:
            predicted = ABOVE_TO_NEAR * (near[index] - EXCUSED) * np.exp(-FALL * (threshold[index] - LIKELY))
            taken = len(mine) - np.searchsorted(mine, threshold[index])
            if predicted <= max(FALSE_SHARE * taken, FALSE_PER_MINUTE * minutes):
                break
            threshold[index] += 0.25
    return threshold[group]


def _gain_of_the_wheel(
    candidates: Mapping[str, NDArray[Any]],
    taken: NDArray[np.bool_],
    fainter: NDArray[np.bool_],
    position: NDArray[np.floating[Any]],
    frame_rate: float,
) -> NDArray[np.floating[Any]]:
    """By how much the odds of each candidate are better for lying where losses crowd across the tape.

    ``taken``: what is taken for a loss by itself; ``fainter``: what might be there. Light of the picture is everywhere: where the fainter
    ones do not crowd as well, the place tells nothing of them.
    """
    frame = np.asarray(candidates["frame"]).astype(int)
    line = np.asarray(candidates["line"]).astype(int)
    gain = np.zeros(len(frame))
    known = np.isfinite(position)
    cell = np.zeros(len(frame), int)
    cell[known] = np.clip((position[known] * WHEEL_CELLS).astype(int), 0, WHEEL_CELLS - 1)
    sure = np.flatnonzero(taken & known)
    if len(sure) < WHEEL_LEAST:
        return gain
    span = max(1, round(WHEEL_SPAN_S * frame_rate))
    block = frame // span
    width = 2 * WHEEL_REACH + 1
    for at in np.unique(block[known]):
        around = sure[(block[sure] >= at - 1) & (block[sure] <= at + 1)]
        counts = np.convolve(np.bincount(cell[around], minlength=WHEEL_CELLS), np.ones(width), "same")
        usual = _usual_about(counts)
        chance = WHEEL_CELLS * stats.poisson.sf(counts - 1, usual)
        faint = fainter & known & (block >= at - 1) & (block <= at + 1)
        might = np.convolve(np.bincount(cell[faint], minlength=WHEEL_CELLS), np.ones(width), "same")
        chance = np.maximum(chance, WHEEL_CELLS * stats.poisson.sf(might - 1, _usual_about(might)))
        for c in np.flatnonzero((counts >= WHEEL_LEAST) & (chance < WHEEL_CHANCE)):
            near = around[np.abs(cell[around] - c) <= WHEEL_REACH]
            if len(np.unique(line[near])) < WHEEL_LEAST:
                continue
            here = known & (block == at) & (cell == c)
            gain[here] = min(float(np.log(counts[c] / usual[c])), WHEEL_GAIN)
    return gain


def _usual_about(counts: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    """What each cell would hold if it were like all others, and like those to either side of it: things of the picture that come a pass
    apart, as crests of waves, are broad."""
    sides = [np.median([np.roll(counts, sign * away) for away in WHEEL_BESIDE], axis=0) for sign in (-1, 1)]
    return np.asarray(np.maximum.reduce([*sides, np.full(len(counts), max(float(np.median(counts)), 0.25))]))
