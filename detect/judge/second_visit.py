"""What to move the lines back by before a file is measured again, where its displacement is large enough to bend the relations."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detect.findings import Findings, HeadValues, Value, WindowReadings
from detect.judge.time_geometry import displacement_rows
from detect.measure.relations import TO_THE_END
from detect.standards import HEADS, Standard

LARGE_NS = 30.0
"""Displacement between adjacent lines from which the relation bends: lines are then moved back by the estimate and measured again."""
SETTLED_NS = 4.0
"""Rounds end when the estimate changes by less."""
MOST_ROUNDS = 5

NEARLY_ALL = 0.9
"""Faults that are told for so much of a file are taken for its own throughout."""
KINDS = ("skew", "scallop", "quadrature", "velocity_error")


class Displacement(NamedTuple):
    """Of every frame row at the line's left and its growth to the right, ns, (rows,) each; in windows whose middle is at
    start_frame <= frame < end_frame (``TO_THE_END``: in all that follow)."""

    start_ns: NDArray[np.float32]
    growth_ns: NDArray[np.float32]
    start_frame: int
    end_frame: int


def displacement_to_undo(findings: Findings, standard: Standard, *, height: int) -> Displacement | None:
    """What to undo, or None. Where the faults have not been found throughout, only from the first's begin to the last's end: lines that
    were moved for nothing bend the relations too.

    Only where it is large, known, and one wheel holds throughout. Behind a line-by-line corrector every line begins in its place
    and only the growth is left.
    """
    locked = [w for w in findings.wheel if w.locked and w.phase_lines is not None]
    if len(locked) != 1:
        return None
    span = _where(findings)
    s = _read_within(findings, span)
    phase = locked[0].phase_lines or 0.0
    scallop = (s.scallop_ns.value or 0.0) if s.scallop_ns is not None else 0.0
    if findings.summary.time_base == "line-corrected":
        start, growth = displacement_rows(
            standard, phase=phase, height=height, skew_ns=0.0, scallop_ns=scallop, quadrature_ns=np.zeros(HEADS)
        )
        return Displacement(np.zeros_like(start), growth, *span) if np.ptp(growth) >= LARGE_NS else None
    if findings.summary.time_base != "uncorrected" or s.skew_ns is None or s.quadrature_ns is None:
        return None
    quadrature = np.array(s.quadrature_ns.values, float)
    start, growth = displacement_rows(
        standard, phase=phase, height=height, skew_ns=s.skew_ns.value or 0.0, scallop_ns=scallop, quadrature_ns=quadrature,
        whole_lines=s.velocity_error_ns is None,  # where whole lines are displaced there is none
    )  # fmt: skip
    middle = start + growth / 2
    return Displacement(start, growth, *span) if np.abs(middle[2:] - middle[:-2]).max() >= LARGE_NS else None


def _where(findings: Findings) -> tuple[int, int]:
    """Frames of the faults of timing; all of them where none was told, or for nearly all of the file. The last window is short as a rule:
    what holds for most of it ends at ``TO_THE_END``."""
    told = [f for f in findings.findings if f.kind in KINDS and f.status == "confirmed"]
    frames = findings.transfer.frames
    start, end = min((f.start_frame for f in told), default=0), max((f.end_frame for f in told), default=frames)
    if end - start > NEARLY_ALL * frames:
        return 0, TO_THE_END
    last = max((w.start_frame for w in findings.windows), default=frames)
    return start, TO_THE_END if 2 * end > last + frames else end


def _read_within(findings: Findings, span: tuple[int, int]) -> WindowReadings:
    """What the windows within some frames read, by inverse variance; the figures of the whole file where that is all of it."""
    inside = [w.readings for w in findings.windows if w.start_frame >= span[0] and w.end_frame <= span[1]]
    if span == (0, TO_THE_END) or not inside:
        return findings.summary
    skew, scallop = (_mean([getattr(r, name) for r in inside]) for name in ("skew_ns", "scallop_ns"))
    heads = [r.quadrature_ns for r in inside if r.quadrature_ns is not None]
    each = [_mean([Value(value=h.values[k], sigma=h.sigmas[k]) for h in heads]) for k in range(HEADS)]
    known = [v for v in each if v is not None]
    quadrature = HeadValues(values=[v.value for v in known], sigmas=[v.sigma for v in known]) if len(known) == HEADS else None
    return findings.summary.model_copy(update={"skew_ns": skew, "scallop_ns": scallop, "quadrature_ns": quadrature})


def _mean(values: Sequence[Value | None]) -> Value | None:
    told = [(v.value, v.sigma) for v in values if v is not None and v.value is not None and v.sigma]
    if not told:
        return None
    value, weight = np.array([v for v, _ in told], float), np.array([1 / s**2 for _, s in told], float)
    return Value(value=float((value * weight).sum() / weight.sum()), sigma=float(weight.sum() ** -0.5))


def change_ns(a: WindowReadings, b: WindowReadings) -> float:
    """Largest change of a timing figure from one visit to the next, ns."""
    changes = [0.0]
    for name in ("skew_ns", "scallop_ns"):
        one, other = getattr(a, name), getattr(b, name)
        if one is not None and other is not None:
            changes.append(abs((one.value or 0.0) - (other.value or 0.0)))
    if a.quadrature_ns is not None and b.quadrature_ns is not None:
        steps = np.array(a.quadrature_ns.values, float) - np.array(b.quadrature_ns.values, float)
        changes.append(float(np.abs(steps).max()))
    return max(changes)
