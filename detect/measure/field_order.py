"""Which field is first in time, from the picture's own motion.

Write T(n), B(n) for the fields of frame n on its even and odd rows. Weave a field with the other parity of the *next*
frame: with the top field first B(n) and T(n+1) are one field apart and T(n) and B(n+1) three, with the bottom field
first the other way round. Comb energy, the squared second difference down the woven frame, grows with the distance in
time: for slow steady motion as its square, 1 against 9. A picture that does not move weaves into the same frame both
ways, and noise adds the same to both, so the difference is zero in the mean whatever the picture. Pictures whose two
fields show one instant (film, or a progressive copy) have both distances equal, and a smaller comb within the frame
than across frames.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
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
from detect.standards import RASTERS

PLACES = 8
"""Places over the file that are looked at."""
RUN_FRAMES = 6
"""Consecutive frames at each place."""
UNEVEN = (5**0.5 - 1) / 2
"""Places lie unevenly (golden section), so as not to keep step with anything that recurs."""
MARGIN_COLUMNS = 24
"""Blanking and its edges at both ends of a row are left out."""
MARGIN_LINES = 4
"""Field lines left out at top and bottom: half lines, head-switching remains, data lines."""
TILE_LINES, TILE_COLUMNS = 14, 24
"""Field lines and (every second) columns of the tiles in which motion is looked for."""
MOVING = 1.5
"""A tile moves when the larger comb energy is this times the smallest: noise alone scatters a tile by about a tenth."""
LEAST_TILES = 6
"""Moving tiles below this many are noise or a flicker."""
LEAST_MOTION = 0.05
"""Comb energy added by motion, of the comb energy without: ten times its scatter from noise (about 0.5 % in 6
tiles)."""
VOTE = 0.3
"""Part of the added comb energy that a pair of frames must put on one side to count: 1 for interlaced motion, 0 for
film."""
SIGNIFICANCE = 0.01
"""Two-sided chance of as lopsided a vote if each order were as likely."""
UNANIMOUS = 4
"""Votes that decide in a clip too short for the significance, if all agree."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Comb energies over the moving tiles of two consecutive frames: woven within the frame, and as either order
    says."""

    within: float
    top_first: float
    bottom_first: float
    tiles: int

    @property
    def motion(self) -> float:
        """Comb energy that motion adds, relative to that without."""
        least = min(self.within, self.top_first, self.bottom_first)
        return (max(self.top_first, self.bottom_first) - least) / least if least > 0 else 0.0

    @property
    def moves(self) -> bool:
        return self.tiles >= LEAST_TILES and self.motion > LEAST_MOTION

    @property
    def lean(self) -> float:
        """-1 (bottom first) to 1 (top first); 0 where both orders fit as well, or where neither does.

        The fields of a frame are one field apart whatever the order, so the right order combs as the frame itself does.
        A picture that repeats along the line and moves fast may comb less three fields apart: that shows here.
        """
        least = min(self.within, self.top_first, self.bottom_first)
        most = max(self.top_first, self.bottom_first)
        nearer = min(self.top_first, self.bottom_first)
        if most <= least or abs(nearer - self.within) > VOTE * (most - least):
            return 0.0
        return (self.bottom_first - self.top_first) / (most - least)

    @property
    def one_instant(self) -> bool:
        """Both fields of a frame show one instant: each weave across frames combs, the frame itself does not."""
        nearer = min(self.top_first, self.bottom_first)
        most = max(self.top_first, self.bottom_first)
        return (nearer - self.within) > ONE_INSTANT * (most - self.within) > 0


ONE_INSTANT = 0.6
"""Of the way from no comb to the larger: 1 for film, 0 for interlaced motion (derived); the middle, towards caution."""


@dataclass(frozen=True, slots=True)
class MotionEvidence:
    """What motion says. ``first_is_top`` None: nothing.

    ``votes``: pairs of frames for top first and for bottom first; ``p_value`` two-sided; ``moving_pairs`` of
    ``pairs`` move, ``one_instant_pairs`` of them show both fields of one instant.
    """

    first_is_top: bool | None
    votes: tuple[int, int]
    p_value: float
    pairs: int
    moving_pairs: int
    one_instant_pairs: int


def flag_of_picture(picture: Any) -> str:
    """Say "top", "bottom", "progressive" or "" as a decoded picture's own flags do (first field in time).

    The flag itself is not exposed by the decoder's binding, but a filter that separates fields obeys it.
    """
    if not picture.interlaced_frame:
        return "progressive"
    graph = av.filter.Graph()
    source = graph.add_buffer(width=picture.width, height=picture.height, format=picture.format.name, time_base=Fraction(1, 25))
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
    """Short runs of consecutive frames spread over a file, in order and without overlap."""
    total = transfer.frames_expected or places * length
    if not transfer.timing.by_pts or total <= places * length:
        # no way in but from the start: look there only
        yield from _chunks(read_frames(transfer, stop=places * length, threads=0), length)
        return
    for place in range(places):
        share = total / places
        start = int(place * share + (place * UNEVEN) % 1.0 * (share - length))
        run = list(read_frames(transfer, start=start, stop=start + length, threads=0))
        if run:
            yield run


def _chunks(frames: Iterator[Frame], length: int) -> Iterator[list[Frame]]:
    run: list[Frame] = []
    for frame in frames:
        run.append(frame)
        if len(run) > length:
            yield run
            run = [frame]  # so that the pair across two runs is looked at too
    if len(run) > 1:
        yield run


def pairs_of(run: Sequence[Frame]) -> list[Pair]:
    """Comb energies of each two consecutive frames of a run; pairs with a frame lost between them are left out."""
    planes = [(frame.number, *parities(frame)) for frame in run if not frame.damaged]
    return [
        _pair(top, bottom, next_top, next_bottom)
        for (number, top, bottom), (after, next_top, next_bottom) in pairwise(planes)
        if after == number + 1
    ]


def weigh(pairs: Sequence[Pair]) -> MotionEvidence:
    """Decide between the orders by the pairs of frames that move."""
    moving = [pair for pair in pairs if pair.moves]
    top = sum(pair.lean > VOTE for pair in moving)
    bottom = sum(pair.lean < -VOTE for pair in moving)
    votes = top + bottom
    p_value = float(stats.binomtest(top, votes).pvalue) if votes else 1.0
    agreed = votes >= UNANIMOUS and min(top, bottom) == 0
    first = top > bottom if p_value < SIGNIFICANCE or agreed else None
    return MotionEvidence(first, (top, bottom), p_value, len(pairs), len(moving), sum(p.one_instant for p in moving))


def parities(frame: Frame) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Even-row and odd-row field without margins, every second column (float32), equal in height."""
    even, odd = sorted(frame.fields, key=lambda field: field.row0)
    lines = min(len(even.y), len(odd.y)) - MARGIN_LINES
    inner = (slice(first_line(frame), lines), slice(MARGIN_COLUMNS, -MARGIN_COLUMNS, 2))
    return even.y[inner].astype(np.float32), odd.y[inner].astype(np.float32)


def first_line(frame: Frame) -> int:
    """First field line looked at. Rows above the picture hold data, blanking and test lines: no motion, and not the same
    in both fields."""
    raster = RASTERS.get(sum(len(field.y) for field in frame.fields))
    return MARGIN_LINES + (raster.picture_row0 // 2 if raster is not None else 0)


def _pair(
    top: NDArray[np.float32],
    bottom: NDArray[np.float32],
    next_top: NDArray[np.float32],
    next_bottom: NDArray[np.float32],
) -> Pair:
    energies = (_combs(top, bottom), _combs(next_top, bottom), _combs(top, next_bottom))
    moving = np.maximum(energies[1], energies[2]) > MOVING * np.minimum.reduce(energies)
    count = int(moving.sum())
    if count < LEAST_TILES:
        return Pair(0.0, 0.0, 0.0, count)
    within, top_first, bottom_first = (float(energy[moving].mean()) for energy in energies)
    return Pair(within, top_first, bottom_first, count)


def _combs(even: NDArray[np.float32], odd: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean squared second difference down the frame woven of two fields (lines, columns), tile by tile."""
    at_odd = odd[:-1] - (even[:-1] + even[1:]) * 0.5
    at_even = even[1:] - (odd[:-1] + odd[1:]) * 0.5
    return _tiles(at_odd**2) + _tiles(at_even**2)


def _tiles(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Means over tiles of (lines, columns); what does not fill a tile is left out."""
    down, along = values.shape[0] // TILE_LINES, values.shape[1] // TILE_COLUMNS
    cut = values[: down * TILE_LINES, : along * TILE_COLUMNS]
    table = cut.reshape(down, TILE_LINES, along, TILE_COLUMNS)
    return np.asarray(table.mean(axis=(1, 3)))
