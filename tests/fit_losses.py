"""``python -m tests.fit_losses``: fit the tables of detect/measure/loss_score.py and print them for loss_tables.py.

Development footage only (the bench uses other footage): stills of scikit-image in motion, drawn scenes, the first half
of a street film, a cartoon, and films given on the command line. Half the clips pass an intra MPEG-2 codec or 8 bits
first.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from numpy.typing import NDArray

from detect.measure.loss_score import COLUMNS, KNOTS, measures
from tests.losses_clips import Clip, clips, find_losses, match

RIDGE = 3.0
"""Weight of the penalty that keeps tables small where data are few."""
LEAST_CONTRAST_IRE = 8.0


def basis(runs: NDArray[np.float32]) -> NDArray[np.float64]:
    """Hat functions of every measure at its knots."""
    columns = []
    for name, values in measures(runs).items():
        knots = KNOTS[name]
        for i in range(len(knots)):
            columns.append(np.interp(values, knots, np.eye(len(knots))[i]))
    return np.stack([*columns, np.ones(len(runs))], 1)


def fit(z: NDArray[np.float64], true: NDArray[np.bool_], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Ridge logistic regression by Newton's method."""
    b = np.zeros(z.shape[1])
    penalty = np.r_[np.full(z.shape[1] - 1, RIDGE), 1e-6]
    for _ in range(40):
        p = 1 / (1 + np.exp(-np.clip(z @ b, -30, 30)))
        gradient = z.T @ (weight * (true - p)) - penalty * b
        curvature = (z * (weight * p * (1 - p))[:, None]).T @ z + np.diag(penalty)
        b = b + np.linalg.solve(curvature, gradient)
    return b


def gather(clip: Clip) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.float64]]:
    found = find_losses(clip)
    runs = found.runs
    if not len(runs):
        return np.zeros((0, 1)), np.zeros(0, bool), np.zeros(0)
    index = match(runs, found.truth)
    true = index >= 0
    seen = np.array([d.contrast_ire >= LEAST_CONTRAST_IRE for d in found.truth] + [False])
    use = (~true | seen[index]) & (runs[:, COLUMNS.index("again")] >= 0)
    weight = np.where(true, 1.0, clip.false_weight)
    return basis(runs)[use], true[use], weight[use]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--films", nargs="*", default=[])
    parser.add_argument("--seeds", type=int, default=8)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--keep", help="also save the gathered data here (npz)")
    options = parser.parse_args()
    start = time.time()
    parts = []
    for clip in clips(
        "development",
        seeds=range(options.first_seed, options.first_seed + options.seeds),
        films=options.films,
        per_minute=1800,
        longest_shot=60,
    ):
        part = gather(clip)
        if len(part[0]):
            parts.append(part)
    z, true, weight = (np.concatenate(a) for a in zip(*parts, strict=True))
    if options.keep:
        np.savez(options.keep, z=z.astype(np.float32), true=true, weight=weight)
    b = fit(z, true, weight)
    print(tables(b))
    print(f"# {len(z)} runs, {int(true.sum())} of losses, {time.time() - start:.0f} s")


def tables(b: NDArray[np.float64]) -> str:
    lines = [
        '"""Tables of the loss score, as printed by ``python -m tests.fit_losses``; log odds at the knots of loss_score.KNOTS."""',
        "",
    ]
    lines += [f"CONSTANT = {b[-1]:.2f}", "TABLES: dict[str, tuple[float, ...]] = {"]
    i = 0
    for name, knots in KNOTS.items():
        values = ", ".join(f"{v:.2f}" for v in b[i : i + len(knots)])
        lines.append(f'    "{name}": ({values}),')
        i += len(knots)
    return "\n".join([*lines, "}"])


if __name__ == "__main__":
    main()
