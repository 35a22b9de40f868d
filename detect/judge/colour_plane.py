"""In which plane the colour of a tape turns.

A phase error turns the subcarrier, so U and V. What a file holds is Cb and Cr, which are scaled otherwise: a turn of one degree reads
0.71 to 1.41 degrees there, as the picture is blue or red, and adds or takes away up to 0.6 % of saturation. Measuring keeps what is needed
to read both planes. Material that was turned in Cb and Cr, by a processor after the decoder, is told by what is left: blue and red are then
turned alike.

With D the difference of two lines, a turn phi and a gain k make D_b = k Cb - phi s Cr and D_r = k Cr + phi Cb / s, where s is 1 in the
one plane and ``V_OVER_U`` in the other. So phi as D_b has it, over s, and as D_r has it, times s, must agree.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from detect.judge.head_fit import HeadTerms, fit_heads
from detect.judge.rows import INDEX, RELATIONS, Rows
from detect.judge.wheel import View
from detect.readings import Chunk, Readings, Sums
from detect.standards import V_OVER_U, Standard

F64 = NDArray[np.float64]

LIKELIER = 8.0
"""Log likelihood by which turns of Cb and Cr must explain better before the material is called so (house practice, as for decoders)."""
PARTS = ("chroma_re_v", "chroma_im_u", "chroma_cross")


def in_subcarrier_plane(chunk: Chunk) -> Chunk:
    """Saturation and hue of a chunk as U and V have them; as they are where readings do not hold what that needs.

    Those of 625 lines do not: what turns all lines alike there, after the V switch has been undone, turned Cb and Cr.
    """
    if "chroma_re_v" not in chunk.sums or not chunk.sums["chroma_re_v"].weight.any():
        return chunk
    re, im, v = (chunk.sums[k] for k in ("chroma_re", "chroma_im", "chroma_re_v"))
    more = np.float32(V_OVER_U**2 - 1)
    weight = np.where(re.weight > 0, re.weight + more * v.weight, 0).astype(np.float32)

    def over(num: NDArray[np.float32]) -> Sums:
        return Sums(np.divide(num, weight, out=np.zeros_like(num), where=weight > 0), weight)

    turned = {
        "chroma_re": over(re.weight * re.ratio + more * v.weight * v.ratio),
        "chroma_im": over(np.float32(V_OVER_U) * im.weight * im.ratio),
    }
    return replace(chunk, sums={**chunk.sums, **turned})


def turned_in_components(
    readings: Readings, chosen: NDArray[np.bool_], view: View, standard: Standard, phase: float, *, height: int
) -> bool:
    """Whether Cb and Cr are what turned, rather than U and V; False where that cannot be told. ``readings``: without a lens."""
    num, den = {k: np.zeros(height) for k in _SUMMED}, {k: np.zeros(height) for k in _SUMMED}
    for chunk, mask in readings.chosen(chosen):
        if any(part not in chunk.sums for part in PARTS):
            return False
        for name in _SUMMED:
            sums = chunk.sums[name]
            weight = sums.weight[mask].astype(np.float64)
            num[name] += (weight * sums.ratio[mask]).sum(axis=(0, 2))
            den[name] += weight.sum(axis=(0, 2))
    left = [_disagreement(num, den, scale, view, standard, phase) for scale in (1.0, V_OVER_U)]
    seen = den["chroma_im"] > 0
    hue = np.divide(num["chroma_im"], den["chroma_im"], out=np.zeros(height), where=seen)
    # gain that is not quite taken off disagrees too, without any turn
    turned = _won_by_steps(hue, np.where(seen, den["chroma_im"], 0.0), view, standard, phase)
    return 2 * LIKELIER < left[1] - left[0] < turned


_SUMMED = ("chroma_re", "chroma_im", *PARTS)


def _disagreement(num: dict[str, F64], den: dict[str, F64], scale: float, view: View, standard: Standard, phase: float) -> float:
    """Chi-square that steps of the heads win in what the turns of Cb and of Cr differ by, in a plane of this scale."""
    all_v = den["chroma_re_v"]
    all_u = den["chroma_re"] - all_v
    good = (den["chroma_re"] > 0) & (all_v > 0) & (all_u > 0)
    v, u = np.where(good, all_v, 1.0), np.where(good, all_u, 1.0)
    gain = (num["chroma_re"] + (scale**2 - 1) * num["chroma_re_v"]) / (u + scale**2 * v)
    of_gain = gain * num["chroma_cross"]
    blue = (num["chroma_im_u"] + of_gain) / v
    red = (num["chroma_im"] - num["chroma_im_u"] - of_gain) / u
    weight = np.where(good, 1 / (1 / (scale**2 * v) + scale**2 / u), 0.0)
    return _won_by_steps(np.where(good, blue / scale - red * scale, 0.0), weight, view, standard, phase)


def _won_by_steps(value: F64, weight: F64, view: View, standard: Standard, phase: float) -> float:
    """Chi-square that steps between the heads, or common to all boundaries, win in rows that read as hue does."""
    ratio, weights = np.zeros((len(RELATIONS), len(value))), np.zeros((len(RELATIONS), len(value)))
    ratio[INDEX["hue"]], weights[INDEX["hue"]] = value, weight
    heads = fit_heads(Rows(ratio, weights), view, standard, "hue", phase, HeadTerms(common=True))
    return 0.0 if heads is None else heads.explained(standard, phase)
