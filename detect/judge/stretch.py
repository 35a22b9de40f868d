"""One stretch of programme with one wheel phase: pooled fit, windows, and what is found in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from detect.findings import WindowReadings
from detect.judge.doubt import NONE, Doubt
from detect.judge.evidence import LEAST_PICTURES, PictureCount, wheel_found
from detect.judge.figures import stretch_readings
from detect.judge.noise_floor import LineEnergies, LineLevels, Quiet
from detect.judge.one_place import without_one_place
from detect.judge.phase_by_rows import fit_wheel_by_rows
from detect.judge.regimes import PRICE
from detect.judge.row_evidence import timing_evidence
from detect.judge.rows import RELATIONS, Pool, Rows, groups_of
from detect.judge.shot_scatter import boundary_variance
from detect.judge.timebase import TimeBaseFit
from detect.judge.tracking import USUAL_VARIANCE, normalised, variance_elsewhere, window_groups
from detect.judge.wheel import View, WheelFit, boundaries, fit_wheel, scan_phases
from detect.readings import Readings
from detect.standards import HEADS, Standard

F64 = NDArray[np.float64]

EVIDENT_GAIN = 2 * PRICE
"""Chi-square by which the uncorrected model must at least be likelier before evidence of skew or quadrature makes it certain: behind a
corrector a scallop poses as skew, and the model then wins nothing or loses by far (docs/evidence.md)."""


MOST_PLACES = 5
"""Places of the picture that are left out of a relation at most, one after another (house value)."""


@dataclass(frozen=True, slots=True)
class Pooled:
    """Windows pooled by shot and fitted: rows, fit, figures, and the number of independent pictures."""

    rows: Rows
    fit: WheelFit
    readings: WindowReadings
    timing: TimeBaseFit
    pictures: float
    groups: int
    anchor: Pooled | None = None
    """The part of the stretch that shows the wheel, where the whole does not."""
    quiet: Quiet | None = None
    part: WheelFit | None = None
    """What a part shows far more clearly than the whole, at the same phase."""
    still: bool = False
    """All of it is one shot without anything that moves, or without detail."""

    @property
    def locked(self) -> bool:
        """A steady wheel was found, in all of it or in its part."""
        return self.anchor is not None or wheel_found(self.fit)

    @property
    def confirmed(self) -> bool:
        return self.pictures >= LEAST_PICTURES


class Gathering:
    """Windows of one file added up by shot: rows, how many groups and shots, and what tells how many independent pictures."""

    def __init__(self, height: int, *, alike: bool = False) -> None:
        self._pool, self._pictures = Pool(height, alike=alike), PictureCount(height)
        self._shots: set[int] = set()

    @classmethod
    def of(
        cls, readings: Readings, chosen: NDArray[np.bool_], view: View, standard: Standard, *, height: int, alike: bool = False
    ) -> Gathering:
        """The chosen windows, one chunk in memory at once; ``alike`` as of ``Pool``."""
        out = cls(height, alike=alike)
        for chunk, mask in readings.chosen(chosen):
            out._shots.update(np.searchsorted(readings.cuts, chunk.start_frame[mask], side="right").tolist())
            for group in groups_of(chunk, 0, readings.cuts, mask):
                out._pool.add(group.rows, boundary_variance(group.rows, view, standard))
            detail = chunk.sums["timing"].weight
            for w, group in window_groups([chunk], mask):
                out._pictures.add(group.rows, detail[w].astype(np.float64) / max(int(chunk.frames[w]), 1))
        return out

    def add(self, other: Gathering) -> None:
        """Add other windows of the same file."""
        self._pool.add_pool(other._pool)
        self._pictures.add_count(other._pictures)
        self._shots |= other._shots

    def rows(self) -> Rows:
        return self._pool.rows()

    @property
    def groups(self) -> int:
        return self._pool.groups

    @property
    def shots(self) -> int:
        return len(self._shots)

    def pictures(self, view: View) -> float:
        return self._pictures.independent(view)

    def stands_still(self, view: View) -> bool:
        return self.shots < 2 and self._pictures.stands_still(view)


def fit_windows_alone(
    readings: Readings, chosen: NDArray[np.bool_], view: View, standard: Standard, *, height: int, phase: float | None = None
) -> WheelFit:
    """The wheel in the chosen windows, without the figures, which take longer."""
    return _fitted(Gathering.of(readings, chosen, view, standard, height=height).rows(), view, standard, phase, fit_wheel)[1]


def _fitted(
    rows: Rows, view: View, standard: Standard, phase: float | None, search: Callable[[Rows, View, Standard], WheelFit]
) -> tuple[Rows, WheelFit]:
    """The wheel, and the rows without places of the picture that pose as it."""

    def fitted(rows: Rows) -> WheelFit:
        return search(rows, view, standard) if phase is None else fit_wheel(rows, view, standard, phase=phase)

    fit = fitted(rows)
    for _ in range(MOST_PLACES):
        left = without_one_place(rows, view, standard, fit) if phase is not None or wheel_found(fit) else rows
        if left is rows:
            break
        rows, fit = left, fitted(left)
    return rows, fit


def pool_windows(
    readings: Readings,
    chosen: NDArray[np.bool_],
    view: View,
    standard: Standard,
    *,
    height: int,
    phase: float | None = None,
    doubt: Doubt = NONE,
    levels: LineLevels | None = None,
) -> Pooled:
    """Pool the chosen windows of a file and fit. ``levels``: what noise the lines of the whole file show."""
    seen = Gathering.of(readings, chosen, view, standard, height=height)
    rows, shots = seen.rows(), seen.shots
    rows, fit = _fitted(rows, view, standard, phase, fit_wheel_by_rows)
    quiet = None if levels is None else Quiet(levels, LineEnergies.of(readings.chosen(chosen), view, height))
    figures, timing = stretch_readings(rows, view, standard, fit, shots=shots, doubt=doubt, quiet=quiet)
    pooled = Pooled(rows, fit, figures, timing, seen.pictures(view), seen.groups, quiet=quiet, still=seen.stands_still(view))
    if not (pooled.locked and timing.regime == "undetermined" and timing.gain > EVIDENT_GAIN):
        return pooled
    proof = timing_evidence(rows, view, standard, fit)
    if not (proof["skew"].holds or proof["quadrature"].holds):
        return pooled
    figures, timing = stretch_readings(rows, view, standard, fit, shots=shots, doubt=doubt, evident=True, quiet=quiet)
    return replace(pooled, readings=figures, timing=timing)


@dataclass(frozen=True, slots=True)
class WindowJumps:
    """Per window the sums of the jumps at one phase: a1, a2 (windows, relations, 4), in units of the window's own variance.

    ``variance`` (windows, relations): what boundaries show without a fault, in the same units.
    """

    index: NDArray[np.int64]
    a1: F64
    a2: F64
    variance: F64

    def amplitude(self, relation: int, pattern: F64, *, known: F64 | None = None, beside: F64 | None = None) -> tuple[F64, F64]:
        """How strongly each window shows ``pattern`` (4,): 1 is the pooled size; and its standard error.

        ``known`` (4,) is taken off. ``beside`` (4,): another pattern that may be there, of any size; boundaries of one window weigh as its
        picture will, so that patterns which have nothing in common over all windows have in one.
        """
        weight = self.a2[:, relation]
        a1 = self.a1[:, relation] - (0.0 if known is None else weight * known)
        own = np.broadcast_to(pattern, weight.shape)
        if beside is not None and beside.any():
            power = (weight * beside**2).sum(axis=1)
            share = np.divide((weight * beside * pattern).sum(axis=1), power, out=np.zeros_like(power), where=power > 0)
            own = pattern - share[:, None] * beside
        power = (weight * own**2).sum(axis=1)
        value = np.divide((a1 * own).sum(axis=1), power, out=np.zeros_like(power), where=power > 0)
        sigma = np.full(len(power), np.inf)
        np.sqrt(self.variance[:, relation] / np.where(power > 0, power, 1.0), out=sigma, where=power > 0)
        return value, sigma


def window_jumps(readings: Readings, chosen: NDArray[np.bool_], view: View, standard: Standard, phase: float) -> WindowJumps:
    index: list[int] = []
    a1: list[F64] = []
    a2: list[F64] = []
    variance: list[F64] = []
    period = float(standard.lines_per_pass)
    for w, group in window_groups(readings.chunks(), chosen):
        sums = boundaries(normalised(group.rows), view)
        scan = scan_phases(sums, period, np.array([phase]), core=True)
        index.append(w)
        a1.append(scan.a1[:, 0])
        a2.append(scan.a2[:, 0])
        variance.append(variance_elsewhere(sums, standard))
    shape = (0, len(RELATIONS), HEADS)
    return WindowJumps(
        np.array(index, np.int64),
        np.stack(a1) if a1 else np.zeros(shape),
        np.stack(a2) if a2 else np.zeros(shape),
        np.stack(variance) if variance else np.zeros(shape[:2]),
    )


def window_readings(
    pooled: Pooled, jumps: WindowJumps, members: list[int], view: View, standard: Standard, *, shots: int, doubt: Doubt = NONE
) -> WindowReadings:
    """Figures of a few windows together, at the stretch's phase; ``members`` index ``jumps``."""
    a1, a2 = jumps.a1[members].sum(axis=0), jumps.a2[members].sum(axis=0)
    weight = jumps.a2[members].sum(axis=2)
    total = weight.sum(axis=0)
    usual = np.full(len(RELATIONS), USUAL_VARIANCE)
    fit = replace(
        pooled.fit,
        jumps=np.divide(a1, a2, out=np.zeros_like(a1), where=a2 > 0),
        jump_weight=a2,
        variance=np.divide((weight * jumps.variance[members]).sum(axis=0), total, out=usual, where=total > 0),
    )
    return stretch_readings(pooled.rows, view, standard, fit, shots=shots, doubt=doubt, within=pooled.timing, quiet=pooled.quiet)[0]
