"""Whether a comb of 525 lines takes two lines or three, by the lines beside a head change.

What heads displace or colour differently does not belong together where a comb adds their lines: colour is lost, and subcarrier stays in
luminance. A comb of two lines (this and the one before) does it to the first line behind a head change, a comb of three to the last before
it as well, and as much. Noise tells that there is a comb; of how many lines, it tells less surely (``decoder_by_noise``).
"""

from __future__ import annotations

from detect.judge.head_fit import HeadTerms, fit_heads
from detect.judge.rows import Rows
from detect.judge.wheel import View
from detect.standards import Standard

RELATIONS = ("saturation", "hue", "noise")
CLEAR = 30.0
"""Chi-square from which lines have something by themselves: of four unknowns, one chance in 200,000."""
UNLIKE = 60.0
"""Chi-square, of three unknowns, from which lines beside the head changes are not the heads' (house value: 17 at most on 50 simulated tapes
without a decoder, through codecs 29; 400 behind two adaptive combs of another simulator, 12 and less behind two whose passes lie alike)."""
AS_MUCH = 0.1
"""Of the chi-square of the lines behind, that of those before: nought with two lines, one with three (house value)."""


def mixes_at_boundaries(rows: Rows, view: View, standard: Standard, phase: float) -> bool:
    """Whether a decoder added lines across the head changes, which its noise does not tell: an adaptive comb does in some places.

    The noise of lines beside the changes then differs from boundary to boundary, as the heads' displacement does. Noise that rises at one
    end of the passes is alike at all.
    """
    fit = fit_heads(rows, view, standard, "noise", phase, HeadTerms(beside=1))
    return fit is not None and fit.beside_unlike > UNLIKE


def comb_by_lines(rows: Rows, view: View, standard: Standard, phase: float) -> str | None:
    """"two", "three", or None where the lines beside the head changes show nothing. ``view``: of lines taken as they are."""
    fits = (fit_heads(rows, view, standard, name, phase, HeadTerms(common=True, beside=1)) for name in RELATIONS)
    seen = [fit.beside_squares for fit in fits if fit is not None and max(fit.beside_squares) > CLEAR]
    if not seen:
        return None
    before, behind = (sum(parts) for parts in zip(*seen, strict=True))
    return "three" if before > AS_MUCH * behind else "two"
