"""Which time-base regime a stretch is in, and its skew, scallop and quadrature, from all rows of the picture.

A boundary falls anywhere within a line period. In uncorrected material the jump that scallop makes at mid-line depends on where: from
nothing, where a line begins just at +-45 degrees, to nearly half the scallop, a line later. Behind a line corrector, which takes the
value at each line's burst away, it is the same everywhere. The two fields differ by half a line at every boundary; content is the same
in both, so their difference tells the regimes apart even where skew and quadrature are nil. Rows made independent of one another
(``white_rows``) hold that difference, and what the lines next to a boundary show.

The *corrected* model knows a scallop alone. Against it stand two uncorrected ones: *free* with four heads, skew and scallop, and *set
right* with a scallop alone. The latter compares by chi-square directly; each unknown more must win its price.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from detect.judge.combed import comb_steps
from detect.judge.head_fit import fit_heads
from detect.judge.head_skew import head_skew
from detect.judge.row_bases import TimingModel, timing_readings
from detect.judge.rows import EDGES, INDEX, Rows
from detect.judge.timebase import (
    SIGNIFICANT,
    UNKNOWNS,
    HueUse,
    ModelFit,
    Part,
    TimeBaseFit,
    fit_parts,
    hue_use,
    mixed_steps,
    of_whole_lines,
    scallop_alone,
    time_base_of,
    weighted_fit,
)
from detect.judge.wheel import View, WheelFit, null_places
from detect.judge.white_rows import WhiteRows, white_rows
from detect.standards import Standard

F64 = NDArray[np.float64]

PRICE = 4.6
"""Chi-square that an unknown more must win: the logarithm of some hundred data, as BIC sets it."""
LIKELIER = 9.0
"""Difference of chi-square between models with as many unknowns, from which the better is believed: odds of 90 to 1."""
STIFFER = 15.0
"""Chi-square by which lines displaced as wholes, with as many unknowns, must fit better than errors that run on through the lines, as
tape's do: a player that keeps a clock through each line is rare (odds of 1800 to 1)."""
MARGIN = 4.6
"""... and between models with different numbers of them, beyond their price: odds of 10 to 1."""
CORRECTED_GAIN = 14.0
"""Chi-square that four more unknowns may win while a picture is still called line-corrected; between the two nothing is said."""
CLEAR_NS = 2.0
"""Added to the error of a scallop before it is believed (content of one film: 5 ns)."""
LEFT_OVER_NS = 20.0
"""A scallop up to here behind a line corrector may be a tenth of a large one that a velocity corrector has left (common practice, no
single source: they take nine tenths); only the error along the line is told then."""
ONE_LINE_NS = 3.0
"""Errors that a velocity corrector leaves in one line of every pass are tens of ns (house value); a large fault of hue makes a hundredth of
this of its rows."""
SUBTLE_NS = 1.0
"""Heads and skew that content may imitate however long it is looked at: large faults of saturation do so."""
EDGES_MOVE = 40.0
"""Chi-square that five unknowns must win in the blanking edges before these are taken for the tape's own. Most edges put in
afterwards win far less (docs/evidence.md, tapes of both kinds); those that win more must still agree with the picture."""
EDGES_AGREE = 20.0
"""Chi-square by which their five unknowns may differ from those of the picture: one chance in a thousand."""
EDGES_ALIKE = 0.05
"""... or, where both move a lot, share of the chi-square that either wins: their patterns are then within about a fifth of each other,
which edges put in afterwards never are. A still picture has errors of its own, which its rows do not show; the figures' errors then take
in the difference."""
SOURCE = {"shift": 0, "ramp": 1, "hue_ramp": 2, "edge_left": 0, "edge_right": 1}
"""Ways of reading a scallop, by relation (``timebase.Part``)."""


ALL_FIGURES = 5
"""e_B, e_C, e_D against A, skew, scallop: the unknowns before those by which the ways of reading a scallop differ."""
ALL, SCALLOP, SKEW, STEPS = (1, 1, 1, 1, 1), (0, 0, 0, 0, 1), (0, 0, 0, 1, 0), (1, 1, 1, 1, 0)
"""Which of the unknowns (e_B, e_C, e_D, skew, scallop) a model has."""
ENDS: tuple[tuple[TimingModel, tuple[int, ...]], ...] = (
    ("first_lines", SCALLOP), ("last_lines", SCALLOP), ("first_steps", SKEW), ("last_steps", SKEW),
    ("first_steps", STEPS), ("last_steps", STEPS),
)  # fmt: skip
"""What a velocity corrector leaves where it lacks the line before or after, or takes one of another head for it: one line of every pass. No
figure can be had of that."""


@lru_cache(maxsize=24)
def _nulls(standard: Standard, view: View, relation: str) -> F64:
    return np.stack([timing_readings(at, view, relation, phase).uncorrected for at, phase in null_places(standard)], axis=1)


@dataclass(frozen=True, slots=True)
class TimingRows:
    """Rows that tell of the time base, by relation; how hue along the line is used; about how large the scallop is."""

    view: View
    white: dict[str, WhiteRows]
    hue: HueUse
    scallop: float

    def fit(
        self,
        standard: Standard,
        phase: float,
        *,
        model: TimingModel = "uncorrected",
        has: tuple[int, ...] = ALL,
        data: dict[str, F64] | None = None,
        any_reference: bool = False,
    ) -> ModelFit:
        """One of the models over all kinds of reading, at any phase and length of the passes. ``data`` in place of the readings;
        ``any_reference``: the corrector may measure a line elsewhere than at its burst."""
        parts = []
        for relation, white in self.white.items():
            both = timing_readings(standard, self.view, relation, phase)
            basis = white.basis(both.of(model) * has)
            values = white.data if data is None else data[relation]
            parts.append(Part(SOURCE[relation], values, np.ones(len(values)), basis))
        return fit_parts(parts, self.hue, self.scallop, any_reference=any_reference)

    def part_of(
        self, fit: ModelFit, standard: Standard, phase: float, relation: str, at: slice, model: TimingModel
    ) -> F64:
        """What some unknowns of a fit read in one relation, as whitened."""
        both = timing_readings(standard, self.view, relation, phase)
        basis = self.white[relation].basis(both.of(model))
        apart = fit.value[UNKNOWNS - 3 + SOURCE[relation]] if at.stop == ALL_FIGURES else 0.0
        return np.asarray(basis[:, at] @ fit.value[at] + apart * basis[:, -1])

    def without(self, relations: tuple[str, ...]) -> TimingRows:
        return replace(self, white={k: w for k, w in self.white.items() if k not in relations})


def timing_rows(rows: Rows, view: View, standard: Standard, fit: WheelFit) -> TimingRows:
    """Whiten all that tells of the time base, the blanking edges too."""
    white: dict[str, WhiteRows] = {}
    for relation in SOURCE:
        k = INDEX[relation]
        both = timing_readings(standard, view, relation, fit.phase_lines)
        made = white_rows(
            rows.ratio[k][: view.bottom], rows.weight[k][: view.bottom], view,
            reach=2 * (view.chroma_step_y if relation == "hue_ramp" else 1),
            faults=np.hstack([both.uncorrected, both.corrected[:, 4:]]), nulls=_nulls(standard, view, relation),
        )  # fmt: skip
        if made is not None:
            white[relation] = made
    ramp, hue_ramp = (_scallop_of(white.get(k), standard, view, k, fit.phase_lines) for k in ("ramp", "hue_ramp"))
    hue = hue_use(standard, ramp, hue_ramp)
    if not hue.used:
        white.pop("hue_ramp", None)
    return TimingRows(view, white, hue, ramp[0] if np.isfinite(ramp[1]) else 0.0)


def _scallop_of(white: WhiteRows | None, standard: Standard, view: View, relation: str, phase: float) -> tuple[float, float]:
    if white is None:
        return 0.0, float("inf")
    unit = white.basis(timing_readings(standard, view, relation, phase).uncorrected)[:, 4]
    return scallop_alone(unit, white.data, np.ones(len(unit)))


def fit_regimes(rows: Rows, view: View, standard: Standard, fit: WheelFit, *, evident: bool = False) -> TimeBaseFit:
    """Compare the models and give what the likeliest lets through; NaN for what it hides.

    ``evident``: skew or quadrature is proven by other means, so the material is uncorrected.
    """
    whole, phase = timing_rows(rows, view, standard, fit), fit.phase_lines
    picture = whole.without(EDGES)
    free = picture.fit(standard, phase)
    right = picture.fit(standard, phase, has=SCALLOP)
    corrected = picture.fit(standard, phase, model="corrected")
    bent = picture.fit(standard, phase, has=SKEW)
    decided = _decided(standard, free, right, bent, corrected, evident=evident)
    ends = [(picture.fit(standard, phase, model=model, has=has, any_reference=True), has) for model, has in ENDS]
    seen = [(end.chi_square + (sum(has) - 1) * PRICE, has) for end, has in ends if np.abs(end.value[:ALL_FIGURES]).max() >= ONE_LINE_NS]
    alone, which = min(seen, default=(np.inf, SCALLOP))
    if min(free.chi_square + 4 * PRICE, right.chi_square, corrected.chi_square) - alone > LIKELIER:
        nothing = time_base_of("undetermined", free.value[:5], free.cov[:5, :5], standard, scallop_known=False, gain=decided.gain)
        return replace(nothing, velocity_ns=float("nan"), velocity_sigma_ns=float("nan"), one_line=which == STEPS)
    if decided.regime == "line-corrected":
        final = picture.fit(standard, phase, model="corrected", any_reference=True)
        return time_base_of(
            "line-corrected", final.value[:5], final.cov[:5, :5], standard, scallop_known=np.isfinite(decided.scallop_ns), gain=decided.gain
        )
    stiff = picture.fit(standard, phase, model="whole_lines")
    if decided.regime == "uncorrected" and free.chi_square - stiff.chi_square > STIFFER:
        return of_whole_lines(time_base_of("uncorrected", stiff.value[:5], stiff.cov[:5, :5], standard, gain=decided.gain))
    own = None
    if decided.regime == "uncorrected":
        gains = np.abs(fit.jumps[INDEX["saturation"]])
        phases = fit_heads(rows, view, standard, "hue_luma", phase)
        own = head_skew(
            picture, standard, phase, saturation_pct=float(np.nanmax(gains, initial=0.0)),
            differential_deg=0.0 if phases is None else float(np.abs(phases.value).max()),
            mixed=mixed_steps(decided, standard) if view.combs else comb_steps(rows, view, standard, phase, decided),
        )  # fmt: skip
    if own is not None and own.evident:
        unequal = time_base_of("uncorrected", own.common, own.common_cov, standard, gain=decided.gain)
        return replace(unequal, head_skew=own)
    decided = replace(decided, head_skew=own)
    won, shown, apart = _edges_against_picture(whole, standard, phase, free)
    if won < EDGES_MOVE or apart > max(EDGES_AGREE, EDGES_ALIKE * min(won, shown)):
        return replace(decided, edges_won=won)
    free = whole.fit(standard, phase)
    wider = max(1.0, apart / ALL_FIGURES) if apart > EDGES_AGREE else 1.0
    both = time_base_of("uncorrected", free.value[:5], free.cov[:5, :5] * wider, standard, gain=decided.gain)
    return replace(both, edges=True, edges_won=won, head_skew=own)


def _edges_against_picture(whole: TimingRows, standard: Standard, phase: float, free: ModelFit) -> tuple[float, float, float]:
    """Chi-square that the wheel wins in the edges, where each unknown may be off by ``SUBTLE_NS``, and in the picture, and that by which
    the two differ.

    Blanking put in afterwards stands still; content beside it may move, but not as the picture does.
    """
    edges = {k: whole.white[k] for k in EDGES if k in whole.white}
    if not edges:
        return 0.0, 0.0, 0.0
    basis = np.vstack([w.basis(timing_readings(standard, whole.view, k, phase).uncorrected) for k, w in edges.items()])
    data = np.concatenate([w.data for w in edges.values()])
    value, cov, left = weighted_fit(basis, data, np.ones(len(data)))
    subtle = cov + SUBTLE_NS**2 * np.eye(ALL_FIGURES)  # levels of heads move half-amplitude points by parts of a ns
    won = min(float(np.sum(data**2) - np.sum(left**2)), float(value @ np.linalg.solve(subtle, value)))
    seen, seen_cov = free.value[:ALL_FIGURES], free.cov[:ALL_FIGURES, :ALL_FIGURES]
    off = value - seen
    apart = float(off @ np.linalg.pinv(cov + seen_cov, hermitian=True) @ off)
    return won, float(seen @ np.linalg.pinv(seen_cov, hermitian=True) @ seen), apart


def _clear_gain(free: ModelFit, corrected: ModelFit) -> float:
    """Chi-square that the free model wins, and no more than heads and skew are worth where each may be off by ``SUBTLE_NS``."""
    value, cov = free.value[:4], free.cov[:4, :4] + SUBTLE_NS**2 * np.eye(4)
    return min(corrected.chi_square - free.chi_square, float(value @ np.linalg.solve(cov, value)))


def _decided(
    standard: Standard, free: ModelFit, right: ModelFit, bent: ModelFit, corrected: ModelFit, *, evident: bool
) -> TimeBaseFit:
    """``right``, ``bent``: uncorrected, with nothing but a scallop, or a skew. What a line corrector leaves of a scallop is nearly straight
    through each pass in mid-line, as skew is; along the line they differ, where the picture tells."""
    gain = _clear_gain(free, corrected)
    if evident or gain > 4 * PRICE + MARGIN or corrected.chi_square - right.chi_square > LIKELIER:
        return time_base_of("uncorrected", free.value[:5], free.cov[:5, :5], standard, gain=gain)
    clear = [abs(m.value[4]) > SIGNIFICANT * np.hypot(np.sqrt(m.cov[4, 4]), CLEAR_NS) for m in (corrected, right)]
    skewed = bent.chi_square - corrected.chi_square < LIKELIER
    if clear[0] and not skewed and gain < CORRECTED_GAIN and corrected.chi_square - right.chi_square < -LIKELIER:
        # what a velocity corrector leaves looks like a small scallop behind a line corrector
        told = abs(corrected.value[4]) > LEFT_OVER_NS
        return time_base_of("line-corrected", corrected.value[:5], corrected.cov[:5, :5], standard, scallop_known=told, gain=gain)
    value, cov = corrected.value[:5].copy(), corrected.cov[:5, :5].copy()
    # either model may be the true one: the error bar takes both in
    value[4] = (corrected.value[4] + right.value[4]) / 2
    cov[4, 4] = max(corrected.cov[4, 4], right.cov[4, 4]) + ((corrected.value[4] - right.value[4]) / 2) ** 2
    return time_base_of("undetermined", value, cov, standard, scallop_known=all(clear) and not skewed, gain=gain)
