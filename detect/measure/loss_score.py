"""How likely a run of suspect samples is a loss: a sum of small tables, one for each thing measured (log odds).

A generalised additive logistic model: the score is a constant plus, for each measure, a value read from a table by
linear interpolation, held at its ends. The measures are ratios (excess to noise, excess to the control lines, ...), so
that the score means the same in quiet and noisy transfers. The tables are fitted by ``python -m tests.fit_losses`` to
pictures with injected losses and to clean ones; accuracy is told by ``python -m tests.bench_losses`` on other footage.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.measure.kernels import compiled
from detect.measure.loss_tables import CONSTANT, TABLES

COLUMNS = (
    "frame",
    "field",
    "neighbours",
    "noise",
    "crowd",
    "line",
    "x0",
    "x1",
    "stack",
    "core",
    "count",
    "mean",
    "fill",
    "signed",
    "ends",
    "control",
    "rest",
    "stands_out",
    "lines_stand_out",
    "left_stands_out",
    "right_stands_out",
    "level",
    "spread",
    "steps",
    "move",
    "again",
    "narrow_control",
    "peak",
    "order",
    "leak",
)
"""What is measured of a run, codes of 10 bits where it is a level.

neighbours: fields around that could be asked, 0 to 4; noise of the field; crowd: runs in the field; stack: adjacent
lines with runs; core: mean excess over the widened range; count: samples with one; mean, fill, signed: mean excess
over the plain range inside the ends, share of samples above a third of it, signed mean; ends: the lesser of the two
ends; control: worst of the lines around by the same measure; rest: the same before and after the run; stands_out ...:
mean distance from the mean of the lines above and below, of the run, of those lines, of what is left and right; level,
spread, steps: mean, standard deviation and mean step from sample to sample; move: samples or lines to the fields two
away; again: see ``loss_again.found_again``; leak: see ``loss_leak.leak`` (not scored: judging asks it of the shot).
"""


def measures(runs: NDArray[np.float32]) -> dict[str, NDArray[np.float64]]:
    """The ratios that are scored, by name, of an array (runs, COLUMNS)."""
    c = dict(zip(COLUMNS, runs.astype(np.float64).T, strict=True))
    noise = c["noise"]
    beside = np.maximum(c["left_stands_out"], c["right_stands_out"])
    out = c["stands_out"] + noise
    return {
        "core/noise": np.log((c["core"] + 1) / (noise + 1)),
        "core/control": np.log((c["core"] + 1) / (c["control"] + noise)),
        "stands_out/lines": np.log((c["stands_out"] + 1) / (c["lines_stand_out"] + noise)),
        "mean/rest": np.log((c["mean"] + 1) / (c["rest"] + noise)),
        "length": np.log(c["x1"] - c["x0"]),
        "count": np.log(c["count"]),
        "fill": c["fill"],
        "one_sign": np.abs(c["signed"]) / (c["mean"] + 1),
        "stack": c["stack"],
        "move": np.log1p(c["move"]),
        "stands_out/beside": np.log((c["stands_out"] + 1) / (noise + beside)),
        "core/stands_out": c["core"] / out,
        "neighbours": c["neighbours"],
        "ends": np.log((c["ends"] + 1) / (c["mean"] + 1)),
        "core": np.log(c["core"] + 1),
        "mean/noise": np.log((c["mean"] + 1) / (noise + 1)),
        "mean/control": np.log((c["mean"] + 1) / (c["narrow_control"] + noise)),
        "mean/stands_out": c["mean"] / out,
        "again/stands_out": (np.maximum(c["again"], 0) + noise) / out,
        "crowd": np.log(c["crowd"]),
        "crowd_at_cut": np.where(c["neighbours"] < 3, np.log(c["crowd"]), 0.0),
    }


KNOTS: dict[str, tuple[float, ...]] = {
    "core/noise": (1, 2, 3, 4),
    "core/control": (0.5, 1.5, 2.5, 3.5),
    "stands_out/lines": (-0.5, 0.5, 1.5, 2.5),
    "mean/rest": (0, 1.5, 3),
    "length": (1.6, 2.1, 2.6, 3.2, 4),
    "count": (1.4, 1.8, 2.2, 2.6, 3.3),
    "fill": (0.3, 0.5, 0.7, 0.9),
    "one_sign": (0.2, 0.5, 0.9),
    "stack": (1, 2, 3),
    "move": (0.5, 2, 3.2),
    "stands_out/beside": (0, 1, 2, 3),
    "core/stands_out": (0.1, 0.3, 0.6, 0.9),
    "neighbours": (1, 2, 3, 4),
    "ends": (-1.5, -0.7, -0.2),
    "core": (3, 4, 5, 6),
    "mean/noise": (1, 2, 3, 4),
    "mean/control": (0.5, 1.5, 2.5, 3.5),
    "mean/stands_out": (0.1, 0.3, 0.6, 0.9, 1.1),
    "again/stands_out": (0.1, 0.3, 0.5, 0.7, 1.0),
    "crowd": (0, 1.5, 3, 4.5),
    "crowd_at_cut": (0, 1.5, 3, 5),
}
"""Where the tables have their values: spread over what losses and false candidates show."""


def _in_rows(tables: dict[str, tuple[float, ...]]) -> NDArray[np.float64]:
    """Tables of several lengths as rows of one array; the last value of each goes on to its end."""
    longest = max(len(values) for values in tables.values())
    return np.array([values + values[-1:] * (longest - len(values)) for values in (tables[name] for name in KNOTS)])


_KNOTS, _TABLES = _in_rows(KNOTS), _in_rows(TABLES)


@compiled
def _sum_of_tables(values: NDArray[np.float64], knots: NDArray[np.float64], tables: NDArray[np.float64], out: NDArray[np.float64]) -> None:
    """Add to ``out`` (runs,) what each measure of ``values`` (measures, runs) gives in its table, straight between knots."""
    for m in range(values.shape[0]):
        for r in range(values.shape[1]):
            x, at = values[m, r], 0
            while at < knots.shape[1] - 2 and x > knots[m, at + 1]:
                at += 1
            wide = knots[m, at + 1] - knots[m, at]
            share = min(max((x - knots[m, at]) / wide, 0.0), 1.0) if wide > 0 else 0.0
            out[r] += tables[m, at] + share * (tables[m, at + 1] - tables[m, at])


def log_odds(runs: NDArray[np.float32]) -> NDArray[np.float32]:
    """Score of each run of an array (runs, COLUMNS): above 0 rather a loss, at 5 almost surely one, other things
    equal."""
    total = np.full(len(runs), CONSTANT)
    if len(runs):
        values = measures(runs)
        _sum_of_tables(np.array([values[name] for name in KNOTS]), _KNOTS, _TABLES, total)
    return total.astype(np.float32)


def with_again_at_best(runs: NDArray[np.float32]) -> NDArray[np.float32]:
    """The runs with "again" as it would be best for their score, for a bound before it is measured."""
    best = KNOTS["again/stands_out"][int(np.argmax(TABLES["again/stands_out"]))]
    out = runs.copy()
    noise, stands_out = runs[:, COLUMNS.index("noise")], runs[:, COLUMNS.index("stands_out")]
    out[:, COLUMNS.index("again")] = np.maximum(best * (stands_out + noise) - noise, 0)
    return out
