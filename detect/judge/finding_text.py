"""What a finding says, in words and figures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.findings import FindingKind
from detect.judge.colour_course import Course
from detect.judge.course import Extent
from detect.judge.kinds import BY_BRIGHTNESS, Kind
from detect.standards import Standard

F64 = NDArray[np.float64]
LETTERS = "ABCD"
MOST_DIGITS = 2


_WHAT = {
    "skew": "every pass is stretched by {v} from its start to its end, alike for all heads",
    "scallop": "every pass is bowed by {v} between its ends and its middle, alike for all heads",
    "velocity_error": "hue and timing run away along the line by {v} within a pass; which of scallop and skew makes it cannot be told",
    "quadrature_ns": "the bands of head {h} are displaced, {v} against the mean of the four heads",
    "head_skew_ns": "the passes of head {h} are stretched by {v} more than the mean of the four heads",
    "saturation_pct": "the colour of head {h} is off by {v} against the mean of the four heads",
    "hue_deg": "the hue of head {h} is turned by {v} against the mean of the four heads",
    "differential_gain_pct": "the colour of head {h} changes by {v} more from black to white than the mean of the four heads",
    "differential_phase_deg": "the hue of head {h} turns by {v} more from black to white than the mean of the four heads",
    "level_ire": "the level of head {h} is off by {v} against the mean of the four heads",
    "noise_db": "the noise of head {h} differs by {v} from the mean of the four heads",
    "response_db": "the response at 3 MHz of head {h} differs by {v} from the mean of the four heads",
}


DOES_NOT_ALTERNATE = "; on all its lines alike, where a phase error of a 625-line tape would alternate from line to line"


def courses_text(kind: Kind, courses: dict[str, Course]) -> str:
    """What brightness and place along the line do to the heads named."""
    text = ""
    for head, course in courses.items():
        if "with_brightness" in course.words and kind not in BY_BRIGHTNESS:
            text += f"; that of head {head} changes with brightness, by {amount(course.slope, course.sigma, kind.unit)} from black to white"
        if "along_line" in course.words:
            text += f"; that of head {head} grows from left to right"
        if "alike" in course.words:
            text += f"; that of head {head} is alike in bright and dark parts and along the line"
    return text


def _digits(sigma: float) -> int:
    """Decimals up to the first digit of a standard error, or the second where the first is 1; two at most: more would be noise."""
    if sigma <= 0:
        return MOST_DIGITS
    order = np.floor(np.log10(sigma))
    return int(np.clip((1 if sigma < 2 * 10**order else 0) - order, 0, MOST_DIGITS))


def amount(value: float, sigma: float, unit: str) -> str:
    """A figure with its standard error."""
    digits = _digits(sigma)
    return f"{value:+.{digits}f} ± {sigma:.{digits}f} {unit}"


def text_of(kind: Kind, values: F64, heads: list[str], value: float, sigma: float, extent: Extent, doubt: str, course: str) -> str:
    """One sentence. ``doubt``: why it is not confirmed, or empty; ``course``: of ``courses_text``."""
    worst = LETTERS[int(np.argmax(np.abs(values)))] if kind.per_head else ""
    text = _WHAT[kind.figure if kind.per_head else kind.kind].format(v=amount(value, sigma, kind.unit), h=worst)
    digits = _digits(sigma)
    others = [f"{h} by {values[LETTERS.index(h)]:+.{digits}f} {kind.unit}" for h in heads if h != worst]
    if others:
        text += ", head " + ", head ".join(others)
    if len(heads) == 1 and len(values) == 4:
        rest = (values.sum() - value) / 3
        text += f" ({value - rest:+.{digits}f} {kind.unit} against the other three)"
    text += course
    if extent.rise > 0:
        text += f"; it grows through the stretch, to about {value * (1 + extent.rise / 2):+.{digits}f} {kind.unit} at its end"
    for point, frames in zip(("begins", "ends"), extent.unseen, strict=True):
        if frames:
            text += f"; where it {point} is not seen: for {frames} frames about there the picture has nothing to show it by"
    if doubt:
        text += f"; {doubt}, so unconfirmed"
    return text[0].upper() + text[1:] + "."


def equivalent_of(kind: FindingKind, value: float, sigma: float, standard: Standard) -> str | None:
    """The same amount on the machine, where there is one."""
    if kind == "skew":
        return amount(value / standard.skew_ns_per_um, sigma / standard.skew_ns_per_um, "µm of guide position")
    if kind == "scallop":
        return amount(value / standard.scallop_ns_per_um, sigma / standard.scallop_ns_per_um, "µm of guide height")
    if kind == "quadrature":
        per = standard.quadrature_ns_per_arcsec
        return amount(value / per, sigma / per, "seconds of arc")
    if kind == "saturation_banding":
        return f"{20 * np.log10(max(1 + value / 100, 1e-3)):+.2f} dB at the subcarrier"
    return None
