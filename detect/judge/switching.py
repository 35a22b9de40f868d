"""Switch transients: dashes at the ends of lines (``measure.line_ends``) that stand where heads change.

Null hypothesis: dashes lie anywhere in the passes, as often as the picture shows each place. Those in the last or first
line of a pass are counted against that (binomial, exact).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from detect.judge.scan_boxes import BINS, Exposure
from detect.judge.tape_map import LETTERS, Places
from detect.measure.line_ends import PIECE_SAMPLES, STANDING
from detect.measure.losses import ENDS_EVERY
from detect.standards import NS_PER_SAMPLE

LAST_LINE = 0.93
"""The last line of a pass lies beyond this share of it (1/16.4 or 1/15.6 of a pass, and the error of the phase)."""
FIRST_LINE = 0.13
"""The first line lies below this: switching waits for the end of a line, up to one line into the pass."""
LEAST_DASHES = 8
LEAST_LINES = 4
"""... in as many different lines: something that stands in the picture has one or two."""
SIGNIFICANT = 1e-5
"""Ends of lines are asked of every pass of every fifteenth frame; what stands in a picture there is no noise (house value)."""
LEAST_HIT_RATE = 0.05
"""Share of the head changes that must show it (house practice)."""
FLAG_HIT_RATE = 0.25
"""Share from which it counts against the transfer (house practice)."""

WHITE_IRE = 100.0


def ends_by_displacement_ire(displaced_ns: NDArray[np.floating[Any]]) -> float:
    """Mean contrast that the most displaced line may show at its end against the lines above and below, where picture meets blanking, IRE.

    ``displaced_ns``: of every frame row. A picture that is white there shows white times the share of a piece by which the line's edge lies
    elsewhere; darker ones show less.
    """
    middle = (displaced_ns[:-4] + displaced_ns[4:]) / 2
    samples = np.abs(displaced_ns[2:-2] - middle).max(initial=0.0) / NS_PER_SAMPLE
    return float(WHITE_IRE * min(samples / PIECE_SAMPLES, 1.0))


@dataclass(frozen=True, slots=True)
class Switching:
    """Dashes at one end of the passes. ``dashes``: indices into the places given; ``shots``: in how many they are."""

    at_start: bool
    dashes: NDArray[np.int64]
    heads: str
    hit_rate: float
    contrast_ire: float
    contrast_sigma_ire: float
    p_value: float
    shots: int
    start_frame: int
    end_frame: int

    @property
    def text(self) -> str:
        where = "first line of a pass" if self.at_start else "last line of a pass"
        who = "" if len(self.heads) == 4 else f" of head {' and '.join(self.heads)}"
        p = f"{self.p_value:.1g}" if self.p_value >= 1e-12 else "below 1e-12"
        text = (
            f"A dash of {self.contrast_ire:.0f} IRE stands at an end of the {where}{who}, at {self.hit_rate:.0%} of the head"
            f" changes (p {p} against dashes anywhere)"
        )
        return text + ("." if self.shots > 1 else "; seen in one shot only, so unconfirmed.")


def find_switching(
    places: Places,
    *,
    contrast_ire: NDArray[np.floating[Any]],
    stretch: int,
    start_frame: int,
    end_frame: int,
    seen: Exposure,
    cuts: NDArray[np.integer[Any]],
    least_ire: float = 0.0,
) -> list[Switching]:
    """At most one for each end of the passes. ``contrast_ire``: of each of the ``places``; ``stretch``: of the wheel;
    ``least_ire``: mean contrast that something else makes of the ends of lines."""
    mine = np.flatnonzero((places.kind == STANDING) & (places.stretch == stretch))
    position = places.pass_position[mine]
    share = seen.share.sum(0)
    looked = (end_frame - 1) // ENDS_EVERY - (start_frame - 1) // ENDS_EVERY
    changes = max(1.0, 2 * looked * seen.passes_per_s / seen.field_rate)
    out = []
    for at_start in (True, False):
        inside = position < FIRST_LINE if at_start else position >= LAST_LINE
        expected = share[: round(FIRST_LINE * BINS)].sum() if at_start else share[round(LAST_LINE * BINS) :].sum()
        dashes = mine[inside]
        other = int((position >= LAST_LINE).sum() if at_start else (position < FIRST_LINE).sum())
        p_value = min(1.0, 2 * float(stats.binom.sf(len(dashes) - 1, len(mine) - other, min(expected / (1 - expected), 1))))
        hit_rate = len(dashes) / changes
        if (
            len(dashes) < LEAST_DASHES
            or len(np.unique(places.line[dashes])) < LEAST_LINES
            or p_value > SIGNIFICANT
            or hit_rate < LEAST_HIT_RATE
        ):
            continue
        counts = np.bincount(places.head[dashes], minlength=len(LETTERS))
        size = np.asarray(contrast_ire, np.float64)[dashes]
        if size.mean() <= least_ire:
            continue
        frame = places.frame[dashes]
        out.append(
            Switching(
                at_start=at_start,
                dashes=dashes,
                heads="".join(h for h, n in zip(LETTERS, counts, strict=True) if n > counts.max() / 4),
                hit_rate=min(1.0, hit_rate),
                contrast_ire=float(size.mean()),
                contrast_sigma_ire=float(size.std(ddof=1) / np.sqrt(len(size))),
                p_value=p_value,
                shots=len(np.unique(np.searchsorted(cuts, frame, "right"))),
                start_frame=int(frame.min()),
                end_frame=int(frame.max()) + 1,
            )
        )
    return out
