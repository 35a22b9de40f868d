"""Losses as places on the tape: metres along, millimetres across, a head; and neighbours joined into one damaged spot.

A head crosses the tape in one pass, so a moment of the picture is a place: across from the angle in the pass (R theta,
0 in the middle of the tape, negative at the start of the pass), along from the number of the stripe. All functions are
pure; candidates are the arrays of ``LossFinder.finish``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from skimage.measure import label, regionprops

from detect.findings import Defect, DropoutCounts, Loss
from detect.standards import HEADS, NS_PER_SAMPLE, PASS_MM, STRIPE_PITCH_MM, Standard

LETTERS = "ABCD"
KINDS = ("white", "black", "noise", "compensated")
POSITION_BINS = 16
"""Parts of a pass in ``DropoutCounts.by_pass_position``."""
FULL_SPEED_IPS = 15.0
"""Tape speed at which ``STRIPE_PITCH_MM`` holds: 15 in/s (525) or 15.625 in/s (625), both called by this name."""
CELL_MM = 0.5
"""Cell across the tape when neighbours are joined: 12 us of scanning, about the stripe pitch (0.4 mm), so cells are
square."""
BRIDGED_STRIPES = 2
"""A damaged spot goes on over a stripe that shows nothing: a stripe in between may not be in the picture."""


class WheelStretch(Protocol):
    """What is needed of ``findings.WheelState``."""

    @property
    def start_frame(self) -> int: ...
    @property
    def end_frame(self) -> int: ...
    @property
    def phase_lines(self) -> float | None: ...
    @property
    def locked(self) -> bool: ...


@dataclass(frozen=True, slots=True)
class Places:
    """Losses, one array entry per line of a loss, in order of time.

    ``pass_position`` is held below 1, ``mm_across`` is not: switching waits for the end of the line.
    ``head`` -1 and NaN places where the wheel is not known. ``stripe`` counts passes from the file's first;
    ``stretch`` is the index of the wheel stretch, -1 for none; ``run`` is shared by adjacent lines of one loss.
    """

    frame: NDArray[np.int64]
    field: NDArray[np.int64]
    line: NDArray[np.int64]
    x0: NDArray[np.int64]
    x1: NDArray[np.int64]
    kind: NDArray[np.int64]
    score: NDArray[np.floating[Any]]
    run: NDArray[np.int64]
    stretch: NDArray[np.int64]
    head: NDArray[np.int64]
    stripe: NDArray[np.int64]
    pass_position: NDArray[np.floating[Any]]
    mm_across: NDArray[np.floating[Any]]
    m_along: NDArray[np.floating[Any]]

    def __len__(self) -> int:
        return len(self.frame)

    @property
    def in_turn(self) -> NDArray[np.floating[Any]]:
        """Places in the pass, 0 to 1, those beyond its end counted on from its beginning: losses that lie anywhere lie evenly there."""
        return np.asarray((self.mm_across / PASS_MM + 0.5) % 1.0)

    def where(self, mask: NDArray[Any]) -> Places:
        """Those that ``mask`` (or an index array) selects."""
        return Places(**{f.name: getattr(self, f.name)[mask] for f in fields(self)})

    def first_lines(self) -> Places:
        """One entry per loss: the first of its lines."""
        _, first = np.unique(self.run, return_index=True)
        return self.where(np.sort(first))

    @property
    def duration_us(self) -> NDArray[np.floating[Any]]:
        return (self.x1 - self.x0) * NS_PER_SAMPLE * 1e-3


def place_losses(
    candidates: Mapping[str, NDArray[Any]],
    *,
    wheel: Sequence[WheelStretch],
    standard: Standard,
    rows0: tuple[int, int],
    first_sample: int = 0,
    tape_speed_ips: float = FULL_SPEED_IPS,
) -> Places:
    """Put candidates on the tape.

    ``rows0``: frame row of line 0 of the field that is first in time, and of the second. ``first_sample``: where in
    the 720-sample active line a row of the file begins. ``tape_speed_ips``: 15 or 7.5, also for 625 lines (15.625 or
    7.8125).
    """
    get = {
        name: np.asarray(candidates[name]).astype(np.int64)
        for name in ("frame", "field", "line", "x0", "x1", "kind", "run")
    }
    count = len(get["frame"])
    row = np.array(rows0)[get["field"]] + 2 * get["line"]
    stretch = np.full(count, -1)
    phase = np.full(count, np.nan)
    for index, state in enumerate(wheel):
        inside = (get["frame"] >= state.start_frame) & (get["frame"] < state.end_frame)
        if state.locked and state.phase_lines is not None:
            stretch[inside], phase[inside] = index, state.phase_lines
    known = stretch >= 0
    period = float(standard.lines_per_pass)
    with np.errstate(invalid="ignore"):
        passes = np.floor((row / 2 - phase) / period + 1e-9)
    middle = (get["x0"] + get["x1"]) / 2 + first_sample + standard.active_start_sample
    position = (row / 2 + middle / standard.samples_per_line - phase) / period - passes
    # switching waits for the end of the line: a head goes on up to a line beyond its quarter turn
    inside = np.clip(position, 0.0, np.nextafter(1.0, 0.0))
    passes = np.where(known, passes, 0).astype(np.int64)
    field_number = 2 * get["frame"] + get["field"]
    stripe = field_number * standard.passes_per_field + passes
    pitch_m = STRIPE_PITCH_MM * 1e-3 * tape_speed_ips / FULL_SPEED_IPS
    return Places(
        **get,
        score=np.asarray(candidates["score"], np.float64),
        stretch=stretch,
        head=np.where(known, passes % HEADS, -1),
        stripe=np.where(known, stripe, field_number * standard.passes_per_field),
        pass_position=np.where(known, inside, np.nan),
        mm_across=np.where(known, PASS_MM * (position - 0.5), np.nan),
        m_along=(field_number * standard.passes_per_field + np.where(known, passes + position, row / 2 / period))
        * pitch_m,
    )


def to_losses(places: Places) -> list[Loss]:
    """The published list, one entry per line of a loss."""
    durations = places.duration_us
    return [
        Loss(
            frame=int(places.frame[i]),
            field=int(places.field[i]),
            line=int(places.line[i]),
            x0=int(places.x0[i]),
            x1=int(places.x1[i]),
            duration_us=round(float(durations[i]), 3),
            kind=KINDS[int(places.kind[i])],  # type: ignore[arg-type]
            head=LETTERS[places.head[i]] if places.head[i] >= 0 else None,
            pass_position=float(places.pass_position[i]),
            tape_mm_across=float(places.mm_across[i]),
            tape_m_along=float(places.m_along[i]),
        )
        for i in range(len(places))
    ]


def count_losses(places: Places, *, minutes: float) -> DropoutCounts:
    """Counts of losses (adjacent lines of one loss count once); times add up over all lines. ``minutes`` were
    searched."""
    once = places.first_lines()
    known = once.head >= 0
    bins = np.clip((once.pass_position[known] * POSITION_BINS).astype(np.int64), 0, POSITION_BINS - 1)
    compensated = int(np.sum(once.kind == KINDS.index("compensated")))
    return DropoutCounts(
        count=len(once),
        visible=len(once) - compensated,
        compensated=compensated,
        total_us=round(float(places.duration_us.sum()), 3),
        per_minute=len(once) / minutes if minutes > 0 else None,
        by_head=np.bincount(once.head[known], minlength=HEADS).tolist(),
        by_pass_position=np.bincount(bins, minlength=POSITION_BINS).tolist(),
    )


def group_defects(places: Places, *, standard: Standard, tape_speed_ips: float = FULL_SPEED_IPS) -> list[Defect]:
    """Join losses of neighbouring stripes at one place across into one defect (scikit-image labelling on the tape
    plane).

    Only losses whose place across is known. The plane has a row per stripe and a column per ``CELL_MM``; it is
    labelled in pieces of tape that hold losses, so memory follows the number of losses.
    """
    known = places.where(places.head >= 0)
    if not len(known):
        return []
    order = np.argsort(known.stripe, kind="stable")
    known = known.where(order)
    pitch_mm = STRIPE_PITCH_MM * tape_speed_ips / FULL_SPEED_IPS
    half_mm = known.duration_us * standard.tip_speed_mm_per_us / 2
    starts = np.flatnonzero(np.diff(known.stripe, prepend=known.stripe[0] - 10**6) > BRIDGED_STRIPES)
    out: list[Defect] = []
    for begin, end in zip(starts, [*starts[1:], len(known)], strict=True):
        out.extend(_label(known.where(np.arange(begin, end)), half_mm[begin:end], pitch_mm))
    return out


def _label(piece: Places, half_mm: NDArray[np.floating[Any]], pitch_mm: float) -> list[Defect]:
    """Defects of one piece of tape; each loss covers its own length across, and stripes it can be bridged over."""
    left, right = piece.mm_across - half_mm, piece.mm_across + half_mm
    column0 = np.floor(left / CELL_MM).astype(np.int64)
    column1 = np.floor(right / CELL_MM).astype(np.int64)
    row = piece.stripe - piece.stripe.min()
    shift = column0.min()
    plane = np.zeros((int(row.max()) + 1, int(column1.max() - shift) + 1), bool)
    for r, a, b in zip(row, column0 - shift, column1 - shift, strict=True):
        plane[r : r + BRIDGED_STRIPES, a : b + 1] = True
    labels = label(plane, connectivity=2)  # type: ignore[no-untyped-call]
    owner = labels[row, column0 - shift]
    out = []
    for region in regionprops(labels):  # type: ignore[no-untyped-call]
        mine = owner == region.label
        if not mine.any():
            continue
        out.append(
            Defect(
                start_frame=int(piece.frame[mine].min()),
                end_frame=int(piece.frame[mine].max()) + 1,
                losses=len(np.unique(piece.run[mine])),
                along_m=round(float(piece.m_along[mine].mean()), 5),
                across_mm=round(float((left[mine].min() + right[mine].max()) / 2), 3),
                size_along_mm=round(float((row[mine].max() - row[mine].min() + 1) * pitch_mm), 3),
                size_across_mm=round(float(right[mine].max() - left[mine].min()), 3),
            )
        )
    return out
