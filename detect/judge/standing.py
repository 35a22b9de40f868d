"""Dashes that come back in every pass (``measure.standing_losses``): losses, or a thing of the picture with lines a pass apart.

What stands in the picture is there in every frame of a shot and no longer than it. A scratch misses a pass now and then, goes on over a
cut, or begins and ends where nothing is cut. Null hypothesis: the dashes are the picture's.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from detect.judge.loss_choice import LIKELY, shares_piece
from detect.measure.loss_candidates import SURE
from detect.measure.standing_losses import BRIGHT, FEWEST, LEAST_IRE, REACH

GAP_FRAMES = 45
"""A scratch that stays away for longer, a second and a half, begins anew; of long ones each thirtieth frame is kept
(``standing_losses.KEPT_EVERY``)."""
LEAST_FRAMES = 10
"""... and one that lasts less is not judged (house value)."""
STANDS = 0.3
"""Share of the frames with such dashes in which a line shows one, from which it stands there: what moves through the picture shows far
less."""
NEVER_MISSES = 0.97
"""Share from which dashes are in every frame, as the picture's are."""
OVER_LEAST = 2.0
"""Dashes must be so many times as strong as the weakest that are seen; those of a picture come and go where they are about as weak."""
DRIFT_FRAMES, STRAIGHT = 30, 0.8
"""What moves evenly along the line in most seconds, by ``standing_losses.REACH`` and so that a straight course explains this share of it,
is the picture's: a scratch wanders to and fro."""
FROM_CUT_FRAMES = 15
"""Farther than this from a cut nothing of the picture begins or ends..."""
END_FRAMES, ABRUPT = 3, 0.7
"""... unless it fades: a scratch is at once as strong as this share of what it is."""

ONE_PLACE = 40.0
"""Samples by which dashes of different passes lie apart along their lines, where they lie at one place: a pass ends a part of a line later
than the one before, so what lies at one place across the tape lies anywhere along the lines..."""
MOST_PASSES = 0.8
"""... but for players that put every pass at the start of a line. Then nothing hides a dash in blanking, and so many of the passes between
the first and the last have one; things of the picture are not bound to every pass."""


def with_standing(losses: Mapping[str, NDArray[Any]], cuts: NDArray[Any], frames: int, lines_per_pass: float) -> dict[str, NDArray[Any]]:
    """The candidates with those proven as white and black ones, which "sure" marks. Those not proven are left out, and what the proven
    ones leave on the lines beside them, which would be taken for light of the picture.

    ``losses``: arrays of ``LossFinder.finish``; ``cuts``: frames that begin a shot; ``frames``: of the file;
    ``lines_per_pass``: field lines.
    """
    kind = np.asarray(losses.get("kind", ())).astype(np.int64)
    standing = kind >= BRIGHT
    if not standing.any():
        return dict(losses)
    bounds = np.unique(np.concatenate([[0], np.asarray(cuts, np.int64), [frames]]))
    proven = np.zeros(len(kind), bool)
    signs = [kind == sign for sign in np.unique(kind[standing])]
    for of_sign in [*signs, standing] if len(signs) > 1 else signs:  # a scratch may be white in one pass and black in the next
        mine = np.flatnonzero(of_sign)
        frame, field, line = (np.asarray(losses[k]).astype(np.int64)[mine] for k in ("frame", "field", "line"))
        middle = (np.asarray(losses["x0"]).astype(np.float64) + losses["x1"])[mine] / 2
        proven[mine] |= _proven(frame, field, line, middle, bounds, np.asarray(losses["contrast_ire"], float)[mine], lines_per_pass)
    weak = ~standing & (np.asarray(losses["score"]) < LIKELY)
    keep = (~standing | proven) & ~shares_piece(losses, weak, proven, lines_away=1)
    out = {name: np.asarray(values)[keep] for name, values in losses.items()}
    out["kind"] = np.where(proven, kind - BRIGHT, kind)[keep].astype(np.asarray(losses["kind"]).dtype)
    out["score"] = np.where(proven, SURE, losses["score"])[keep].astype(np.asarray(losses["score"]).dtype)
    return out | {"sure": proven[keep]}


def _proven(
    frame: NDArray[np.int64], field: NDArray[np.int64], line: NDArray[np.int64], middle: NDArray[np.float64], bounds: NDArray[np.int64],
    contrast: NDArray[np.float64], lines_per_pass: float,
) -> NDArray[np.bool_]:  # fmt: skip
    """For dashes in order of time, whether they are losses. ``middle``: sample of the line."""
    out = np.zeros(len(frame), bool)
    times = np.unique(frame)
    for run in np.split(times, np.flatnonzero(np.diff(times) > GAP_FRAMES) + 1):
        first, after = int(run[0]), int(run[-1]) + 1
        if len(run) < LEAST_FRAMES:
            continue
        mine = np.flatnonzero((frame >= first) & (frame < after))
        shot = np.searchsorted(bounds, run, side="right")
        place, shows = _shows(frame[mine], field[mine], line[mine], len(run))
        stands = shows >= STANDS
        usual = float(np.median(contrast[mine]))
        if stands.sum() < FEWEST or usual < OVER_LEAST * LEAST_IRE or _drifts(frame[mine], field[mine], line[mine], middle[mine]):
            continue
        if not _in_every_pass(place[stands], field[mine], line[mine], middle[mine], lines_per_pass):
            continue
        misses = float(shows[stands].mean()) < NEVER_MISSES
        ends = [(first, frame[mine] < first + END_FRAMES), (after, frame[mine] >= after - END_FRAMES)]
        abrupt = any(
            np.abs(bounds - at).min() > FROM_CUT_FRAMES and float(np.median(contrast[mine][near])) > ABRUPT * usual for at, near in ends
        )
        if misses or abrupt or _goes_on(mine, frame, field, line, bounds, shot):
            standing = {tuple(at) for at in place[stands]}
            out[mine] = [(f, a) in standing for f, a in zip(field[mine], line[mine], strict=True)]
    return out


def _in_every_pass(
    stands: NDArray[np.int64], field: NDArray[np.int64], line: NDArray[np.int64], middle: NDArray[np.float64], lines_per_pass: float
) -> bool:  # fmt: skip
    """Whether the lines of either field that show dashes, (lines, 2), may be those of all passes."""
    along = [float(np.median(middle[(field == f) & (line == a)])) for f, a in stands]
    if float(np.std(along)) >= ONE_PLACE:
        return True
    for f in np.unique(stands[:, 0]):
        lines = stands[stands[:, 0] == f, 1]
        passes = np.unique(np.round((lines - lines.min()) / lines_per_pass))
        if len(passes) < MOST_PASSES * (passes[-1] + 1):
            return False
    return True


def _drifts(frame: NDArray[np.int64], field: NDArray[np.int64], line: NDArray[np.int64], middle: NDArray[np.float64]) -> bool:
    """Whether dashes move along their lines, all alike, as things of a panned picture do."""
    _, which = np.unique(np.stack([field, line], 1), axis=0, return_inverse=True)
    which = np.asarray(which).ravel()
    usual = np.array([np.median(middle[which == k]) for k in range(int(which.max()) + 1)])
    away = middle - usual[which]
    times = np.unique(frame)
    at = np.array([np.median(away[frame == t]) for t in times])
    straight = []
    for block in np.split(np.arange(len(times)), np.arange(DRIFT_FRAMES, len(times), DRIFT_FRAMES)):
        x, y = times[block] - times[block].mean(), at[block] - at[block].mean()
        if len(block) < LEAST_FRAMES:
            continue
        slope = float((x * y).sum() / (x**2).sum())
        told = slope**2 * float((x**2).sum())
        straight.append(abs(slope) * float(np.ptp(x)) > REACH and told > STRAIGHT * float((y**2).sum()))
    return bool(straight) and sum(straight) > len(straight) / 2


def _shows(
    frame: NDArray[np.int64], field: NDArray[np.int64], line: NDArray[np.int64], frames: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Lines of either field, (lines, 2), and the share of so many frames in which each has a dash."""
    place, which = np.unique(np.stack([field, line], 1), axis=0, return_inverse=True)
    once = np.unique(np.stack([np.asarray(which).ravel(), frame], 1), axis=0)
    return place, np.bincount(once[:, 0], minlength=len(place)) / frames


def _goes_on(
    mine: NDArray[np.int64], frame: NDArray[np.int64], field: NDArray[np.int64], line: NDArray[np.int64], bounds: NDArray[np.int64],
    shots: NDArray[np.int64],
) -> bool:  # fmt: skip
    """Whether the same lines stand in one shot and in the next."""
    for shot in np.unique(shots)[1:]:
        cut = int(bounds[shot - 1])
        sides = []
        for a, b in ((cut - GAP_FRAMES, cut), (cut, cut + GAP_FRAMES)):
            here = mine[(frame[mine] >= a) & (frame[mine] < b)]
            place, shows = _shows(frame[here], field[here], line[here], b - a)
            sides.append({tuple(at) for at in place[shows >= STANDS]})
        if len(sides[0] & sides[1]) >= FEWEST:
            return True
    return False
