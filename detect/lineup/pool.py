"""Blocks under one lock of the wheel, and means per head of any figure over them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detect.findings import HeadValues
from detect.lineup.heads import HeadMeans, head_means
from detect.lineup.phase import PhaseFit, find_phase, peak_of
from detect.lineup.readings import BlockReadings
from detect.standards import Standard

F64 = NDArray[np.float64]

SAME_PHASE_LINES = 0.3
"""Blocks whose phases agree to this belong to one lock of the wheel; a lock holds to 0.05 line."""


@dataclass(frozen=True, slots=True)
class Lock:
    """Blocks under one lock of the wheel, and the phase fitted to all of them."""

    blocks: tuple[BlockReadings, ...]
    phase: PhaseFit

    @property
    def frames(self) -> int:
        return sum(b.frames for b in self.blocks)


def locks_of(blocks: Sequence[BlockReadings], standard: Standard) -> list[Lock]:
    """Group blocks in order of time by the phase of their wheel; blocks that show no head go with those before them."""
    groups: list[tuple[list[BlockReadings], list[PhaseFit]]] = []
    for block in blocks:
        fit = find_phase(block.series, block.rows, standard)
        if groups:
            known = [f.phase_lines for f in groups[-1][1] if f.locked]
            apart = abs(standard.phase_change_lines(known[-1], fit.phase_lines)) if known and fit.locked else 0.0
            if apart <= SAME_PHASE_LINES:
                groups[-1][0].append(block)
                groups[-1][1].append(fit)
                continue
        groups.append(([block], [fit]))
    return [Lock(tuple(g), _joint(f, standard)) for g, f in groups]


def _joint(fits: list[PhaseFit], standard: Standard) -> PhaseFit:
    """One phase for all blocks of a lock: their log-likelihoods add up."""
    curves = [f.curve for f in fits if f.curve.any()]
    if not curves:
        return fits[0]
    curve = np.sum(curves, axis=0)
    phase, sigma, width = peak_of(curve, standard)
    return PhaseFit(
        phase_lines=phase,
        sigma_lines=sigma,
        gain=float(curve.max()),
        null_gain=float(np.sum([f.null_gain for f in fits])),
        locked=any(f.locked for f in fits),
        curve=curve,
        width_lines=width,
    )


class Pool:
    """Head means of one figure from all blocks that have it: the mean over blocks, errors from the fit and their
    scatter."""

    def __init__(self, lock: Lock, standard: Standard) -> None:
        self.lock, self.standard = lock, standard

    def means(
        self,
        take: Callable[[BlockReadings], F64 | None],
        *,
        relative: bool = True,
        inner_rows_only: bool = False,
        floor: float = 0.0,
    ) -> HeadMeans | None:
        per_block: list[HeadMeans] = []
        weights: list[float] = []
        for block in self.lock.blocks:
            figure = take(block)
            if figure is None:
                continue
            found = head_means(figure, block.rows, self.standard, self.lock.phase.phase_lines, inner_rows_only=inner_rows_only)
            if not np.all(np.isfinite(found.values)):
                continue
            values = found.values - (found.values.mean() if relative else 0.0)
            per_block.append(HeadMeans(values, found.sigmas))
            weights.append(float(block.frames))
        if not per_block:
            return None
        w = np.array(weights) / np.sum(weights)
        v = np.stack([m.values for m in per_block])
        s = np.stack([m.sigmas for m in per_block])
        mean = w @ v
        sigma = np.sqrt((w**2) @ s**2)
        if len(per_block) >= 4:
            scatter = np.sqrt((w @ (v - mean) ** 2) / (len(per_block) - 1))
            # the scatter of few blocks is itself uncertain, so the heads share one
            sigma = np.maximum(sigma, float(np.sqrt(np.mean(scatter**2))))
        return HeadMeans(mean, np.hypot(sigma, floor))


def head_values(found: HeadMeans | None) -> HeadValues | None:
    return None if found is None else HeadValues(values=[float(v) for v in found.values], sigmas=[float(s) for s in found.sigmas])
