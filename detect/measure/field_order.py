"""Which field is first in time, from the picture's own motion.

Write T(n), B(n) for the fields of frame n on its even and odd rows. Weave a field with the other parity of the *next*
frame: with the top field first B(n) and T(n+1) are one field apart and T(n) and B(n+1) three, with the bottom field
first the other way round. Comb energy, the squared second difference down the woven frame, grows with the distance in
time. A picture that does not move weaves into the same frame both ways, and noise adds the same to both: the
difference is then zero in the mean whatever the picture. Pictures whose two fields show one instant (film, or a
progressive copy) have both distances equal.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.measure.decoding import read_frames
from detect.measure.fields import Frame, Transfer

PLACES = 8
"""Places over the file that are looked at."""
RUN_FRAMES = 3
"""Consecutive frames at each place."""
SIGNIFICANCE = 1e-3
"""Two-sided chance of naming an order where there is none."""
LEAST_SHARE = 0.1
"""The difference must be this part of the comb energy that motion adds: 0.8 for steady slow motion (derived: 1
against 9)."""
MARGIN_COLUMNS = 24
"""Blanking and its edges at both ends of a row are left out."""


@dataclass(frozen=True, slots=True)
class MotionEvidence:
    """What motion says. ``first_is_top`` None: nothing. ``share`` in -1..1, positive for top first; ``pairs``
    compared."""

    first_is_top: bool | None
    share: float
    p_value: float
    pairs: int


def flag_of_picture(picture: Any) -> str:
    """Say "top", "bottom", "progressive" or "" as a decoded picture's own flags say (first field in time).

    The flag itself is not exposed by the decoder's binding, but a filter that separates fields obeys it.
    """
    if not picture.interlaced_frame:
        return "progressive"
    graph = av.filter.Graph()
    source = graph.add_buffer(
        width=picture.width, height=picture.height, format=picture.format.name, time_base=Fraction(1, 25)
    )
    split, sink = graph.add("separatefields"), graph.add("buffersink")
    source.link_to(split)
    split.link_to(sink)
    graph.configure()
    source.push(picture)
    first: Any = sink.pull()
    rows = np.frombuffer(picture.planes[0], np.uint8).reshape(picture.planes[0].height, -1)
    field = np.frombuffer(first.planes[0], np.uint8).reshape(first.planes[0].height, -1)
    width = min(picture.width, rows.shape[1], field.shape[1])
    top = np.array_equal(field[:, :width], rows[0::2, :width][: len(field)])
    bottom = np.array_equal(field[:, :width], rows[1::2, :width][: len(field)])
    return "" if top == bottom else ("top" if top else "bottom")


def runs(transfer: Transfer, *, places: int = PLACES, length: int = RUN_FRAMES) -> Iterator[list[Frame]]:
    """Short runs of consecutive frames spread over a file."""
    total = transfer.frames_expected or places * length
    starts = sorted({max(0, round((i + 0.5) * total / places - length / 2)) for i in range(places)})
    if not transfer.timing.by_pts:
        starts = [0]
        length = min(total, places * length)
    taken = -1
    for start in starts:
        start = max(start, taken)
        run = list(read_frames(transfer, start=start, stop=start + length))
        taken = start + length - 1
        if run:
            yield run


def look(transfer: Transfer) -> MotionEvidence:
    """Field order of a file from motion at several places."""
    ahead: list[float] = []
    behind: list[float] = []
    for run in runs(transfer):
        for now, after in pairwise(run):
            if after.number == now.number + 1:
                top_first, bottom_first = _woven_energies(now, after)
                ahead.append(top_first)
                behind.append(bottom_first)
    return weigh(np.array(ahead), np.array(behind))


def weigh(next_after_bottom: NDArray[np.float64], next_after_top: NDArray[np.float64]) -> MotionEvidence:
    """Decide from comb energies of B(n) with T(n+1), and of T(n) with B(n+1), one value for each pair of frames."""
    pairs = len(next_after_bottom)
    difference = next_after_top - next_after_bottom
    if pairs < 2 or not np.any(difference):
        return MotionEvidence(None, 0.0, 1.0, pairs)
    share = float(difference.sum() / np.abs(difference).sum())
    p_value = float(stats.ttest_1samp(difference, 0.0).pvalue) if pairs > 1 else 1.0
    sure = p_value < SIGNIFICANCE and abs(share) > LEAST_SHARE
    return MotionEvidence(bool(share > 0) if sure else None, share, p_value, pairs)


def _woven_energies(now: Frame, after: Frame) -> tuple[float, float]:
    top_now, bottom_now = _parities(now)
    top_after, bottom_after = _parities(after)
    return comb_energy(top_after, bottom_now), comb_energy(top_now, bottom_after)


def _parities(frame: Frame) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Even-row and odd-row field, every second column (float32), equal in height."""
    even, odd = sorted(frame.fields, key=lambda field: field.row0)
    lines = min(len(even.y), len(odd.y))
    inner = slice(MARGIN_COLUMNS, -MARGIN_COLUMNS, 2)
    return even.y[:lines, inner].astype(np.float32), odd.y[:lines, inner].astype(np.float32)


def comb_energy(even: NDArray[np.float32], odd: NDArray[np.float32]) -> float:
    """Mean squared second difference down the frame woven of two fields, both as (lines, columns)."""
    at_odd = odd[:-1] - (even[:-1] + even[1:]) / 2
    at_even = even[1:] - (odd[:-1] + odd[1:]) / 2
    return float(np.mean(at_odd**2) + np.mean(at_even**2)) / 2
