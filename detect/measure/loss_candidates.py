"""Candidates of one kind and another as arrays that go into the readings."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from detect.measure.line_ends import STANDING
from detect.measure.loss_score import COLUMNS
from detect.measure.noise_bands import GONE, Band
from detect.measure.standing_losses import BRIGHT, DARK

KINDS = ("white", "black", "noise", "compensated")
"""Names of the kind codes, as in ``findings.LossKind``; code 4 (``line_ends.STANDING``) is no loss but a dash at the end
of a line, kept to tell switching, 5 (``noise_bands.GONE``) a band of lines without picture, 6 and 7 (``standing_losses.BRIGHT``,
``DARK``) dashes that come back in every pass."""
NOISE_STEPS_IRE, NOISE_SPREAD_IRE = 5.0, 12.0
"""A run with steps and spread above these is noise; white and black losses are flat within 3 IRE."""
BLACK_CODE, MID_GREY_IRE = 64, 50.0
"""BT.601, 10 bits; brighter than half way to white is a white loss where nothing around tells more."""
SURE = 20.0
"""Log odds at which all scores end."""
OUTPUT: dict[str, Any] = {
    "frame": np.int32,
    "field": np.int8,
    "line": np.int16,
    "x0": np.int16,
    "x1": np.int16,
    "kind": np.int8,
    "score": np.float32,
    "run": np.int64,
    "neighbours": np.int8,
    "contrast_ire": np.float32,
    "crowd": np.int16,
    "leak": np.float32,
    "stack": np.int8,
}
"""What is kept of a candidate, see ``LossFinder.finish``."""


def runs_out(runs: NDArray[np.float32], score: NDArray[np.float32], ire: float) -> dict[str, NDArray[Any]]:
    """Runs (runs, loss_score.COLUMNS) with their score; ``ire``: codes an IRE."""
    c = dict(zip(COLUMNS, runs.T, strict=True))
    rough = (c["steps"] > NOISE_STEPS_IRE * ire) & (c["spread"] > NOISE_SPREAD_IRE * ire)
    out = {
        **{name: c[name] for name in ("frame", "field", "line", "x0", "x1", "neighbours", "crowd", "leak", "stack")},
        "kind": np.where(rough, 2, np.where(c["signed"] > 0, 0, 1)),
        "score": score,
        "contrast_ire": c["stands_out"] / ire,
        "run": _number_runs(c),
    }
    return {name: np.asarray(out[name]).astype(dtype) for name, dtype in OUTPUT.items()}


def _number_runs(c: dict[str, NDArray[np.float32]]) -> NDArray[np.int64]:
    """A number for each run, shared by runs on adjacent lines that overlap by half; the same however a file is
    sliced."""
    frame, field, line, x0, x1 = (c[n].astype(np.int64) for n in ("frame", "field", "line", "x0", "x1"))
    number = ((frame * 2 + field) * 1024 + line) * 1024 + x0
    for i in range(len(number)):
        j = i - 1
        while j >= 0 and frame[j] == frame[i] and field[j] == field[i] and line[j] >= line[i] - 1:
            shared = min(x1[i], x1[j]) - max(x0[i], x0[j])
            if line[j] == line[i] - 1 and 2 * shared >= max(x1[i] - x0[i], x1[j] - x0[j]):
                number[i] = number[j]
                break
            j -= 1
    return number


def copies_out(number: int, index: int, copies: NDArray[np.float64]) -> dict[str, NDArray[Any]]:
    """Repeats of ``CopyFinder`` in one field; decoys have a stack of 0."""
    line, x0, x1, score, decoy = copies.T
    zero, many = np.zeros(len(copies)), np.full(len(copies), len(copies))
    return _of_a_field(
        number, index, line, x0, x1, kind=KINDS.index("compensated"), score=np.clip(score, -SURE, SURE), contrast=zero,
        neighbours=4, crowd=many, stack=1 - decoy,
    )  # fmt: skip


def pieces_out(
    number: int, index: int, pieces: NDArray[np.float32], score: NDArray[np.float64], y: NDArray[np.int16], ire: float
) -> dict[str, NDArray[Any]]:
    """Pieces of ``loss_again`` in one field ``y``, 10-bit codes; their contrast is that to the likest place around."""
    line, x0, x1 = (pieces[:, k].astype(np.int64) for k in range(3))
    rows = [y[at, first + 1 : last - 1].astype(float) for at, first, last in zip(line, x0, x1, strict=True)]
    rough = [np.abs(np.diff(r)).mean() > NOISE_STEPS_IRE * ire and r.std() > NOISE_SPREAD_IRE * ire for r in rows]
    bright = [r.mean() > BLACK_CODE + MID_GREY_IRE * ire for r in rows]
    kind = np.where(rough, 2, np.where(bright, 0, 1))
    out = _of_a_field(
        number, index, line, x0, x1, kind=kind, score=np.clip(score, -SURE, SURE), contrast=pieces[:, 3] / ire, neighbours=4,
        crowd=np.full(len(pieces), len(pieces)), stack=np.ones(len(pieces)),
    )  # fmt: skip
    named = {n: np.asarray(out[n], np.float32) for n in ("frame", "field", "line", "x0", "x1")}
    out["run"] = _number_runs(named)
    return out


def bands_out(bands: list[Band], left: int, right: int) -> dict[str, NDArray[Any]]:
    """Bands of noise: the first line, ``stack`` lines in all, in each frame from ``frame`` to before ``run``."""
    fields, lines, size, frames, ends = (
        np.array([getattr(b, name) for b in bands], np.int64) for name in ("field", "first_line", "lines", "start_frame", "end_frame")
    )
    zero = np.zeros(len(bands))
    out = _of_a_field(
        0, 0, lines, zero + left, zero + right, kind=GONE, score=zero + SURE, contrast=zero, neighbours=4, crowd=zero, stack=size
    )
    whole = {"frame": frames, "field": fields, "run": ends}
    return out | {name: values.astype(OUTPUT[name]) for name, values in whole.items()}


def dashes_out(number: int, index: int, dashes: NDArray[np.float64], *, score: float) -> dict[str, NDArray[Any]]:
    """Dashes of ``dashes_at_ends`` (dashes, 4) in one field."""
    line, x0, x1, contrast = dashes.T
    zero = np.zeros(len(dashes))
    return _of_a_field(
        number, index, line, x0, x1, kind=STANDING, score=zero + score, contrast=contrast, neighbours=0, crowd=zero, stack=zero + 1
    )


def standing_out(number: int, index: int, dashes: NDArray[np.float32], ire: float, *, score: float) -> dict[str, NDArray[Any]]:
    """Dashes of ``standing_losses`` in one field, (dashes, standing_losses.COLUMNS)."""
    line, x0, x1, sign, contrast = dashes.astype(np.float64).T
    zero = np.zeros(len(dashes))
    return _of_a_field(
        number, index, line, x0, x1, kind=np.where(sign > 0, BRIGHT, DARK), score=zero + score, contrast=contrast / ire, neighbours=4,
        crowd=zero, stack=zero + 1,
    )  # fmt: skip


def _of_a_field(
    number: int, index: int, line: NDArray[Any], x0: NDArray[Any], x1: NDArray[Any], *, kind: int | NDArray[Any], score: NDArray[Any],
    contrast: NDArray[Any], neighbours: int, crowd: NDArray[Any], stack: NDArray[Any],
) -> dict[str, NDArray[Any]]:  # fmt: skip
    n = len(line)
    out = {
        "frame": np.full(n, number),
        "field": np.full(n, index),
        "line": line,
        "x0": x0,
        "x1": x1,
        "kind": np.zeros(n, int) + kind,
        "score": score,
        "run": ((number * 2 + index) * 1024 + line.astype(np.int64)) * 1024 + x0.astype(np.int64),
        "neighbours": np.full(n, neighbours),
        "contrast_ire": contrast,
        "crowd": crowd,
        "leak": np.zeros(n),
        "stack": stack,
    }
    return {name: np.asarray(out[name]).astype(dtype) for name, dtype in OUTPUT.items()}
