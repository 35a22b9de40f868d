"""Recorded or playback: a fault that begins and ends exactly at edits of the programme was recorded with it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.findings import Cause, Finding

NEAR_FRAMES = 10
"""In and out points of strong faults are right to this (measured, docs/accuracy.md)."""
CHANCE = 0.1
"""Odds of falling on cuts by accident from which nothing is said."""
WHOLE_FRAMES = 45
"""A fault that begins or ends this near to an end of the programme has no edge there."""
LASTING = frozenset({
    "skew", "scallop", "quadrature", "velocity_error", "saturation_banding", "hue_banding", "level_banding", "noise_banding",
    "response_banding", "head_loss",
})  # fmt: skip
"""Kinds that a machine makes for as long as it plays or records."""


def with_edits(found: list[Finding], cuts: NDArray[np.int64], programme: NDArray[np.bool_]) -> list[Finding]:
    """Findings whose every edge inside the programme lies at a cut say so, and their causes begin with the recording.

    ``programme``: (frames,), whether a frame is judged.
    """
    frames = np.flatnonzero(programme)
    if not len(frames) or not len(cuts):
        return found
    first, last = int(frames[0]), int(frames[-1]) + 1
    by_accident = min(1.0, len(cuts) * (2 * NEAR_FRAMES + 1) / len(frames))
    return [_told(f, cuts, first, last, by_accident) if f.kind in LASTING else f for f in found]


def _told(finding: Finding, cuts: NDArray[np.int64], first: int, last: int, by_accident: float) -> Finding:
    edges = [("begins", finding.start_frame, first), ("ends", finding.end_frame, last)]
    inside = [(what, at) for what, at, end in edges if abs(at - end) > WHOLE_FRAMES]
    chance = by_accident ** len(inside)
    if not inside or chance > CHANCE or any(np.abs(cuts - at).min() > NEAR_FRAMES for _, at in inside):
        return finding
    edge = " and ".join(what for what, _ in inside)
    text = (
        f"{finding.text} It {edge} at a cut of the programme (odds of that by accident {chance:.2f}): rather recorded with the "
        "programme than made by this deck."
    )
    return finding.model_copy(update={"text": text, "causes": _recording_first(finding.causes)})


def _recording_first(causes: list[Cause]) -> list[Cause]:
    """Causes that lie in the recording as they are; those of this deck's playback less likely, and last."""
    playback = [c.model_copy(update={"likelihood": "less likely"}) for c in causes if c.origin == "playback"]
    either = [c.model_copy(update={"origin": "recording"}) if c.origin == "either" else c for c in causes if c.origin != "playback"]
    return either + playback
