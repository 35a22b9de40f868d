"""Deck or recording: a finding on a programme tape against what the deck did on the alignment tape.

What shows on a tape is the playback deck's error plus the one that was recorded in. The alignment tape shows the
deck's error alone. With f the finding and d the deck's figure, both with standard errors, f - d was recorded. The
question asked is which of the two makes up more than half of the finding; when the errors leave that open, the answer
is that nobody can tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import stats

Origin = Literal["deck", "recorded", "cannot tell"]

SURE = 0.975
"""Probability from which an origin is named: one in forty may be wrong where the two are as near as that."""
REAL_SIGMAS = 3.0
"""A finding nearer to nothing than this many standard errors has no origin."""


@dataclass(frozen=True, slots=True)
class Attribution:
    """``deck_share`` is the deck's part of the finding (1 all, 0 none, beyond when the two oppose each other); ``likelihood``
    that the deck makes up more than half. ``text`` is the arithmetic in words."""

    origin: Origin
    likelihood: float
    deck_share: float
    share_sigma: float
    text: str


def attribute(
    finding: float, finding_sigma: float, deck: float, deck_sigma: float, *, unit: str = "ns", days: float | None = None
) -> Attribution:
    """Where a figure comes from. All in ``unit``; ``days`` since the deck was measured goes into the words only."""
    return _judge([finding], [finding_sigma], [deck], [deck_sigma], unit=unit, days=days)


def attribute_heads(
    finding: Sequence[float],
    finding_sigmas: Sequence[float],
    deck: Sequence[float],
    deck_sigmas: Sequence[float],
    *,
    numbered: bool,
    unit: str,
    days: float | None = None,
) -> Attribution:
    """The same for a figure per head, means taken out. Unless ``numbered`` the letters of the two may not match: then an
    origin is named only when it comes out the same however the heads are turned."""
    if numbered:
        return _judge(finding, finding_sigmas, deck, deck_sigmas, unit=unit, days=days)
    tries = [
        _judge(finding, finding_sigmas, np.roll(deck, k).tolist(), np.roll(deck_sigmas, k).tolist(), unit=unit, days=days) for k in range(4)
    ]
    origins = {t.origin for t in tries}
    best = max(tries, key=lambda t: t.deck_share)
    if len(origins) == 1:
        return best
    return Attribution(
        "cannot tell",
        0.5,
        best.deck_share,
        best.share_sigma,
        "The heads of this play are not numbered, so they cannot be set against those of the line-up; "
        "make one capture with a muted channel.",
    )


def _judge(
    finding: Sequence[float],
    finding_sigmas: Sequence[float],
    deck: Sequence[float],
    deck_sigmas: Sequence[float],
    *,
    unit: str,
    days: float | None,
) -> Attribution:
    f, sf, d, sd = (np.asarray(v, np.float64) for v in (finding, finding_sigmas, deck, deck_sigmas))
    size = float(np.linalg.norm(f))
    direction = f / size if size > 0 else np.full(len(f), 1 / np.sqrt(len(f)))
    sigma_f = float(np.sqrt(np.sum((direction * sf) ** 2)))
    sigma_d = float(np.sqrt(np.sum((direction * sd) ** 2)))
    along = float(direction @ d)
    if size <= REAL_SIGMAS * sigma_f:
        text = f"The finding, {_said(size, sigma_f, unit)}, is within its own error; there is nothing to attribute."
        return Attribution("cannot tell", 0.5, 0.0, float("inf"), text)
    # the deck's part less half of the finding: above zero, the deck has the larger part
    over = along - size / 2
    sigma = float(np.hypot(sigma_d, sigma_f / 2))
    likelihood = float(stats.norm.cdf(over / sigma)) if sigma > 0 else float(over > 0)
    origin: Origin = "deck" if likelihood >= SURE else "recorded" if likelihood <= 1 - SURE else "cannot tell"
    share = along / size
    share_sigma = float(np.hypot(sigma_d / size, along * sigma_f / size**2))
    return Attribution(origin, likelihood, share, share_sigma, _words(origin, f, size, sigma_f, along, sigma_d, unit, days))


def _said(value: float, sigma: float, unit: str) -> str:
    digits = max(0, min(3, int(np.ceil(-np.log10(max(sigma, 1e-3) / 2)))))
    return f"{value:.{digits}f} ±{sigma:.{digits}f} {unit}"


def _days_said(days: float) -> str:
    count = round(abs(days))
    return f"{count} day{'' if count == 1 else 's'} {'before' if days > 0 else 'afterwards'}"


def _words(
    origin: Origin,
    f: np.ndarray,
    size: float,
    sigma_f: float,
    along: float,
    sigma_d: float,
    unit: str,
    days: float | None,
) -> str:
    sign = float(np.sign(f[0])) if len(f) == 1 else 1.0
    per_head = " over the four heads" if len(f) > 1 else ""
    when = "" if days is None or abs(days) < 1 else f", {_days_said(days)}"
    rest, sigma_r = size - along, float(np.hypot(sigma_f, sigma_d))
    sums = (
        f"On this tape {_said(sign * size, sigma_f, unit)}{per_head}; on the alignment tape{when} the deck had "
        f"{_said(sign * along, sigma_d, unit)}; the difference of {_said(sign * rest, sigma_r, unit)} was recorded."
    )
    if origin == "deck":
        return sums + " The larger part is the deck's: adjust it and play again."
    if origin == "recorded":
        return sums + " The larger part is in the recording: compensate on playback."
    return sums + " The errors do not tell which part is larger."
