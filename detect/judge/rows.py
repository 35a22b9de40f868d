"""From window sums to one number per line pair and relation, combined over shots.

A *relation* is a figure that jumps where two heads meet: displacement, its growth along the line, saturation, hue and so on. Rows
are frame rows; row r stands for the pair of lines r, r + 2 of one field. Picture content makes each row's figure scatter; frames of
one shot repeat the same content, so sums are first formed per shot, each shot is given a variance of its own from the scatter
of its rows, and shots are then combined by weight.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detect.judge.coded_rows import grid_pattern
from detect.measure.relations import CHROMA_SECTIONS, RESPONSE_MHZ, TIMING_SECTIONS
from detect.readings import Chunk
from detect.standards import NS_PER_SAMPLE

F64 = NDArray[np.float64]

DB_PER_LN_POWER = 10 / np.log(10)
WEIGHT_CAP = 3.0
"""No row weighs more than this many times the median row: captions would rule otherwise (measured on clean captions)."""

ROLL_OFF = 2.0
"""What a head or its equaliser loses, in dB, grows about as the square of the frequency (a gap, a cosine equaliser, a Gaussian; common
practice, no single source)."""
SAMPLE_MHZ = 1e3 / NS_PER_SAMPLE
FEWEST_CELLS = 100
"""Cells with detail that tell where in its band it lies."""
MOST_OFF = 1.3
"""Nor is the detail believed to lie further from the middle of its band than so many times."""
MOST_CHROMA = 0.98
"""Chroma relations are straightened up to here (a turn of 78 degrees); rows beyond are content."""

RELATIONS = (
    "shift", "ramp", "saturation", "hue", "hue_ramp", "level", "noise",
    *(f"response_{mhz:g}" for mhz in RESPONSE_MHZ), "edge_left", "edge_right", "saturation_luma", "hue_luma",
)  # fmt: skip
INDEX = {name: k for k, name in enumerate(RELATIONS)}
UNSLANTED = frozenset({"noise", *(f"response_{mhz:g}" for mhz in RESPONSE_MHZ)})
"""Relations that are plain pair differences; all others had the local slant of the picture removed."""
CHROMA = frozenset({"saturation", "hue", "hue_ramp", "saturation_luma", "hue_luma"})
EDGES = ("edge_left", "edge_right")
"""Relations of the blanking edges."""
BESIDE = ("saturation_luma", "hue_luma")
"""Relations that tell more of a fault that others find: they have no say in where the wheel is."""


@dataclass(frozen=True, slots=True)
class Rows:
    """Figures per row: ``ratio`` and ``weight`` (relations, rows); weight is an inverse variance up to one factor a relation."""

    ratio: F64
    weight: F64

    @property
    def height(self) -> int:
        return int(self.ratio.shape[1])


def _pooled(ratio: F64, weight: F64) -> tuple[F64, F64]:
    total = weight.sum(axis=-1)
    return np.divide((ratio * weight).sum(axis=-1), total, out=np.zeros_like(total), where=total > 0), total


def _slope(ratio: F64, weight: F64, at: F64) -> tuple[F64, F64]:
    """Weighted slope over places ``at``: (rows,) slope and its weight."""
    total = weight.sum(axis=-1)
    safe = np.where(total > 0, total, 1.0)
    mean_at = (weight * at).sum(axis=-1) / safe
    off = at - mean_at[..., None]
    spread = (weight * off**2).sum(axis=-1)
    value = np.divide((weight * off * ratio).sum(axis=-1), spread, out=np.zeros_like(spread), where=spread > 0)
    return value, spread


def _places(sections: int) -> F64:
    """Centres of the sections along the active line, -0.5 to 0.5."""
    return (np.arange(sections) + 0.5) / sections * (680 / 720) - 0.5 * (680 / 720)


def _edge_pairs(position: F64, weight: F64) -> tuple[F64, F64]:
    """Row positions (rows, 2) to slant-free pair jumps, as the other relations have them."""
    ratio, out = np.zeros_like(position), np.zeros_like(position)
    p, a, b, n = position[:-6], position[2:-4], position[4:-2], position[6:]
    ratio[2:-4] = 1.5 * ((b - a) - (n - p) / 3)
    out[2:-4] = np.minimum.reduce([weight[:-6], weight[2:-4], weight[4:-2], weight[6:]])
    return np.where(out > 0, ratio, 0), out


def straightened(shift_ns: F64, curve: F64) -> F64:
    """Undo the curvature of the timing relation. Content of frequency w reads tan(w d)/w for a displacement d; ``curve`` holds
    the energies of second and first derivative, whose quotient is the effective w squared (per sample)."""
    if curve[1] <= 0 or curve[0] <= 0:
        return shift_ns
    per_ns = np.sqrt(curve[0] / curve[1]) / NS_PER_SAMPLE
    return np.asarray(np.arctan(shift_ns * per_ns) / per_ns)


def _pair_jump(row_ns: F64) -> F64:
    """What the slant-free pair relation reads of a displacement (rows,) known for every row."""
    out = np.zeros_like(row_ns)
    out[2:-4] = 1.5 * ((row_ns[4:-2] - row_ns[2:-4]) - (row_ns[6:] - row_ns[:-6]) / 3)
    return out


def band_middles(centre: F64 | None) -> F64:
    """Where the detail of each response band lies, MHz, from the sums ``centre`` (bands, 2); its nominal middle where none was seen."""
    nominal = np.array(RESPONSE_MHZ)
    if centre is None:
        return nominal
    seen = centre[:, 1] >= FEWEST_CELLS
    mean = np.clip(centre[:, 0] / np.where(seen, centre[:, 1], 1.0), 0.0, 2.0)
    return np.where(seen, np.clip(np.arccos(1 - mean) * SAMPLE_MHZ / (2 * np.pi), nominal / MOST_OFF, nominal * MOST_OFF), nominal)


def relation_rows(
    num: dict[str, F64], den: dict[str, F64], curve: F64, deshift: F64 | None = None, centre: F64 | None = None, grid_rows: int = 1
) -> Rows:
    """All relations from sums num, den (rows, places) of one group of windows; ``curve`` (2,) and ``centre`` (bands, 2) as summed by
    measuring. Response is that at the nominal middle of its band, wherever in it the detail lies.

    ``deshift`` (2, rows): displacement that was undone before measuring, ns at the left and its growth to the right; it is added
    back, so that figures are those of the file. ``grid_rows``: of the blocks that the carrier codes, whose pattern is taken off.
    """
    ratio = {k: np.divide(num[k], den[k], out=np.zeros_like(num[k]), where=den[k] > 0) for k in num}
    ratio["timing"] = straightened(ratio["timing"], curve)
    parts: dict[str, tuple[F64, F64]] = {
        "shift": _pooled(ratio["timing"], den["timing"]),
        "ramp": _slope(ratio["timing"], den["timing"], _places(TIMING_SECTIONS)),
        "level": (ratio["level"][:, 0], den["level"][:, 0]),
    }
    if deshift is not None:
        for name, undone in (("shift", deshift[0] + deshift[1] / 2), ("ramp", deshift[1])):
            value, weight = parts[name]
            parts[name] = (np.where(weight > 0, value + _pair_jump(undone), 0.0), weight)
        ratio["edges"] = ratio["edges"] + np.stack([deshift[0], deshift[0] + deshift[1]], axis=1)
    re, im = ratio["chroma_re"], ratio["chroma_im"]
    # a turn by phi reads sin(phi), a gain k reads tanh(ln k)
    hue = np.degrees(np.arcsin(np.clip(im, -MOST_CHROMA, MOST_CHROMA)))
    parts["saturation"] = _pooled(100 * np.arctanh(np.clip(re, -MOST_CHROMA, MOST_CHROMA)), den["chroma_re"])
    parts["hue"] = _pooled(hue, den["chroma_im"])
    parts["hue_ramp"] = _slope(hue, den["chroma_im"], _places(CHROMA_SECTIONS))
    parts["noise"] = (DB_PER_LN_POWER * ratio["noise"][:, 0], den["noise"][:, 0])
    middles = band_middles(centre)
    for k, mhz in enumerate(RESPONSE_MHZ):
        half = np.clip(ratio["response"][:, k] / 2, -MOST_CHROMA, MOST_CHROMA)
        at_nominal = DB_PER_LN_POWER * (mhz / middles[k]) ** ROLL_OFF
        parts[f"response_{mhz:g}"] = (at_nominal * 2 * np.arctanh(half), den["response"][:, k])
    for name, part, unit in (("saturation_luma", "chroma_re_luma", 100.0), ("hue_luma", "chroma_im_luma", np.degrees(1.0))):
        none = np.zeros_like(parts["level"][0])  # readings of before these were measured
        parts[name] = (unit * ratio[part][:, 0], den[part][:, 0]) if part in ratio else (none, none)
    edge_ratio, edge_weight = _edge_pairs(ratio["edges"], den["edges"])
    parts["edge_left"], parts["edge_right"] = (
        (edge_ratio[:, 0], edge_weight[:, 0]),
        (edge_ratio[:, 1], edge_weight[:, 1]),
    )
    for name, (value, weight) in parts.items():
        if grid_rows > 1 and name not in EDGES:
            parts[name] = (np.where(weight > 0, value - grid_pattern(value, weight, grid_rows), 0.0), weight)
    return Rows(np.stack([parts[k][0] for k in RELATIONS]), np.stack([parts[k][1] for k in RELATIONS]))


@dataclass(frozen=True, slots=True)
class Group:
    """Windows of one shot. ``windows`` are indices counted over the whole file."""

    start_frame: int
    end_frame: int
    windows: tuple[int, ...]
    rows: Rows


def groups_of(chunk: Chunk, first_window: int, cuts: NDArray[np.int64], chosen: NDArray[np.bool_]) -> Iterator[Group]:
    """Sum consecutive chosen windows that no cut separates. ``chosen`` has one entry per window of the chunk."""
    run: list[int] = []
    cut_set = np.sort(cuts)

    def cut_between(i: int, j: int) -> bool:
        a, b = chunk.start_frame[i], chunk.end_frame[j]
        return bool(np.searchsorted(cut_set, b) > np.searchsorted(cut_set, a + 1))

    for w in range(len(chunk.start_frame)):
        if not chosen[w] or chunk.frames[w] == 0:
            if run:
                yield _group(chunk, first_window, run)
            run = []
            continue
        if run and (cut_between(run[-1], w) or chunk.start_frame[w] != chunk.end_frame[run[-1]]):
            yield _group(chunk, first_window, run)
            run = []
        run.append(w)
    if run:
        yield _group(chunk, first_window, run)


def _group(chunk: Chunk, first_window: int, run: Sequence[int]) -> Group:
    index = list(run)
    den = {k: s.weight[index].sum(axis=0, dtype=np.float64) for k, s in chunk.sums.items()}
    num = {k: (s.weight[index] * s.ratio[index]).sum(axis=0, dtype=np.float64) for k, s in chunk.sums.items()}
    return Group(
        int(chunk.start_frame[index[0]]),
        int(chunk.end_frame[index[-1]]),
        tuple(first_window + w for w in index),
        relation_rows(
            num, den, chunk.scalars["curve"][index].sum(axis=0, dtype=np.float64), chunk.undone(index),
            _summed_centre(chunk, index), chunk.grid_rows,
        ),
    )


def _summed_centre(chunk: Chunk, index: list[int]) -> F64 | None:
    """None in readings of before this was measured."""
    centre = chunk.scalars.get("centre")
    return None if centre is None else centre[index].sum(axis=0, dtype=np.float64).reshape(len(RESPONSE_MHZ), 2)


def robust_variance(rows: Rows) -> F64:
    """Per relation, the variance of sqrt(weight) * ratio from its median square; NaN where fewer than 20 rows speak."""
    out = np.full(len(RELATIONS), np.nan)
    for k in range(len(RELATIONS)):
        w = rows.weight[k]
        good = w > 0
        if good.sum() >= 20:
            out[k] = np.median(w[good] * rows.ratio[k, good] ** 2) / 0.4549  # median of chi-square, one degree of freedom
    return out


class Pool:
    """Combines groups into rows, each by its own scatter. ``alike``: in noise too; else quiet groups rule there."""

    def __init__(self, height: int, *, alike: bool = False) -> None:
        self._alike = alike
        shape = (len(RELATIONS), height)
        self._num, self._den = np.zeros(shape), np.zeros(shape)
        self.groups = 0

    def add(self, rows: Rows, variance: F64) -> None:
        """A group, and the variance of sqrt(weight) * ratio in it, (relations,)."""
        variance = variance.copy()
        if not self._alike:
            variance[INDEX["noise"]] = 1.0  # its weights are absolute: pictures without quiet places must not count alike
        usable = np.isfinite(variance) & (variance > 0)
        scale = np.where(usable, 1.0 / np.where(usable, variance, 1.0), 0.0)[:, None]
        weight = rows.weight * scale
        for k in range(len(RELATIONS)):
            seen = weight[k] > 0
            if seen.any():
                weight[k] = np.minimum(weight[k], WEIGHT_CAP * np.median(weight[k][seen]))
        self._num += weight * rows.ratio
        self._den += weight
        self.groups += 1

    def add_pool(self, other: Pool) -> None:
        """Add what another one holds."""
        self._num += other._num
        self._den += other._den
        self.groups += other.groups

    def rows(self) -> Rows:
        ratio = np.divide(self._num, self._den, out=np.zeros_like(self._num), where=self._den > 0)
        weight = self._den.copy()
        for k in range(len(RELATIONS)):
            seen = weight[k] > 0
            if seen.any():
                weight[k] = np.minimum(weight[k], WEIGHT_CAP * np.median(weight[k][seen]))
        return Rows(ratio, weight)
