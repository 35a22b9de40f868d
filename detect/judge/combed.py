"""Whether a comb took steps of displacement over to the lines beside a head change, and which.

A comb that adds lines can only bring those beside a boundary nearer to each other: the share it takes over has one sign. Material without
one shows a thousandth of either sign, combs half a hundredth to a quarter.
"""

from __future__ import annotations

from detect.judge.head_fit import HeadTerms, fit_heads
from detect.judge.rows import Rows
from detect.judge.timebase import TimeBaseFit, mixed_steps
from detect.judge.wheel import View
from detect.standards import Standard

CLEAR = 5.0
"""Standard errors by which the share must be away from nought, on the side of a comb: copies by DV smooth a little from line to line,
and reach four (house value)."""


def comb_steps(rows: Rows, view: View, standard: Standard, phase: float, timing: TimeBaseFit) -> tuple[float, ...] | None:
    """Degrees of subcarrier between passes, by type of boundary, where lines show that a comb mixed them; None elsewhere, and in 625
    lines, where hue tells nothing of heads."""
    steps = None if standard.alternating_v else mixed_steps(timing, standard)
    if steps is None:
        return None
    seen = fit_heads(rows, view, standard, "hue", phase, HeadTerms(common=True, mixed=steps))
    return steps if seen is not None and seen.mixed < -CLEAR * seen.mixed_sigma else None
