"""What to do about the figures, in order: which head to touch first, how far, how, and with what care.

The order follows how a machine is set up: the guide first, because it moves all heads alike and changes the picture
under every other measurement; then each channel's response, which carries the colour; then levels. Quadrature and
noise are named last: on most machines they are no adjustment but a matter for the heads' maker (common practice, no
single source).
"""

from __future__ import annotations

import tomllib
from importlib import resources

import numpy as np

from detect.findings import HeadValues, Value
from detect.lineup.result import LETTERS, Audio, Equivalents, Figures, Step
from detect.standards import HEADS

WORTH: dict[str, float] = {
    "skew_ns": 8.0,
    "scallop_ns": 10.0,
    "response_db": 0.5,
    "saturation_pct": 2.0,
    "level_ire": 0.5,
    "quadrature_ns": 20.0,
    "noise_db": 2.0,
    "tone_db": 0.5,
    "differential_phase_deg": 3.0,
}
"""From here on a figure is worth a hand on the machine, in its own unit: house practice, tighter than what flags a transfer,
because a line-up is measured finer than programme. Quadrature: set within 20 to 30 ns (common practice, from memory)."""
_SIGMAS = 4.0
_CAUTIONS = tomllib.loads(resources.files("detect.judge").joinpath("causes.toml").read_text("utf-8"))["cautions"]
TRIMMING: str = _CAUTIONS["trimming"]
HANDLING: str = _CAUTIONS["handling"]
DIAGNOSIS = "Nothing is touched for this. The maker's service manual decides what comes next."
ELECTRONIC = (
    "An electronic adjustment: nothing near the wheel is touched, but covers may be open over mains and moving parts. "
    "The maker's service manual decides; leave it to someone trained on that machine; local safety rules apply."
)
_GEOMETRY = "from geometry alone (tip radius 26.2 mm); turn a little, capture again and compare"


def _worth(value: float | None, sigma: float | None, key: str) -> bool:
    return value is not None and sigma is not None and abs(value) >= WORTH[key] and abs(value) > _SIGMAS * sigma


def _said(value: Value | None, unit: str) -> str:
    if value is None or value.value is None or value.sigma is None:
        return "not measured"
    digits = 1 if value.sigma >= 0.1 else 2
    return f"{value.value:+.{digits}f} ±{max(value.sigma, 0.01):.{digits}f} {unit}"


def head_name(index: int, numbers: list[int] | None) -> str:
    return LETTERS[index] if numbers is None else str(numbers[index])


def advise(
    figures: Figures, equivalents: Equivalents, audio: Audio | None, *, locked: bool, numbers: list[int] | None
) -> tuple[list[Step], str | None]:
    """Steps in order of use, and the sentence about what to touch first (None when nothing is worth it)."""
    steps = [*_guide(figures, equivalents), *_channels(figures, numbers), *_others(figures, equivalents, numbers)]
    if not locked:
        steps = []
    steps += _tone(audio)
    if not steps:
        return [], None
    first = steps[0]
    heads = f" of head {' and '.join(first.heads)}" if first.heads else ""
    return steps, f"Touch first: {first.what}{heads}."


def _guide(figures: Figures, equivalents: Equivalents) -> list[Step]:
    out: list[Step] = []
    skew = figures.skew_ns
    if skew is not None and skew.value is not None and _worth(skew.value, skew.sigma, "skew_ns"):
        nearer = "nearer the wheel" if skew.value > 0 else "farther from the wheel"
        travel = _said(equivalents.guide_position_um, "um")
        out.append(
            Step(
                what="guide position (tip penetration)",
                amount=f"skew {_said(skew, 'ns')}, {travel} of guide travel",
                how=f"The guide stands {nearer} than when this tape was recorded, {_GEOMETRY}.",
                caution=TRIMMING,
            )
        )
    scallop = figures.scallop_ns
    if scallop is not None and scallop.value is not None and _worth(scallop.value, scallop.sigma, "scallop_ns"):
        travel = _said(equivalents.guide_height_um, "um")
        out.append(
            Step(
                what="guide height",
                amount=f"scallop {_said(scallop, 'ns')}, {travel} of guide travel",
                how=f"The guide stands at another height than when this tape was recorded, {_GEOMETRY}.",
                caution=TRIMMING,
            )
        )
    return out


def _worst_first(values: HeadValues | None, key: str) -> list[int]:
    """Heads worth touching, the worst first."""
    if values is None:
        return []
    bad = [h for h in range(HEADS) if _worth(values.values[h], values.sigmas[h], key)]
    return sorted(bad, key=lambda h: -abs(values.values[h] or 0.0))


def _channels(figures: Figures, numbers: list[int] | None) -> list[Step]:
    out: list[Step] = []
    response = figures.response
    if response is not None:
        order = sorted(range(HEADS), key=lambda h: -abs(response.shapes[h].db or 0.0))
        for h in order:
            shape = response.shapes[h]
            if shape.word == "flat" or shape.db is None or abs(shape.db) < WORTH["response_db"]:
                continue
            out.append(
                Step(
                    what="equaliser",
                    heads=[head_name(h, numbers)],
                    amount=f"{shape.word}, {shape.db:+.2f} dB at {shape.mhz:.2f} MHz",
                    how="Set this channel's equaliser on the multiburst until its packets match those of the flattest head.",
                    caution=ELECTRONIC,
                )
            )
    if response is None:
        for h in _worst_first(figures.saturation_pct, "saturation_pct"):
            assert figures.saturation_pct is not None
            value = figures.saturation_pct.values[h]
            assert value is not None
            db = 20 * np.log10(1 + value / 100)
            out.append(
                Step(
                    what="equaliser",
                    heads=[head_name(h, numbers)],
                    amount=f"saturation {value:+.1f} % against the mean, {db:+.2f} dB at the subcarrier",
                    how="Saturation is the channel's response at the subcarrier: set the equaliser, on a multiburst if there is one.",
                    caution=ELECTRONIC,
                )
            )
    for h in _worst_first(figures.level_ire, "level_ire"):
        assert figures.level_ire is not None
        out.append(
            Step(
                what="channel level (demodulator balance)",
                heads=[head_name(h, numbers)],
                amount=f"{figures.level_ire.values[h]:+.2f} IRE against the mean",
                how="Picture level of one head alone: FM makes it robust, so look at the demodulator or the channel balance.",
                caution=ELECTRONIC,
            )
        )
    return out


def _others(figures: Figures, equivalents: Equivalents, numbers: list[int] | None) -> list[Step]:
    out: list[Step] = []
    for h in _worst_first(figures.quadrature_ns, "quadrature_ns"):
        assert figures.quadrature_ns is not None
        arc = equivalents.quadrature_arcsec.values[h] if equivalents.quadrature_arcsec is not None else None
        angle = f", {arc:+.0f} seconds of arc" if arc is not None else ""
        out.append(
            Step(
                what="quadrature",
                heads=[head_name(h, numbers)],
                amount=f"{figures.quadrature_ns.values[h]:+.1f} ns{angle}",
                how="Seldom adjustable in the field: use the channel's delay adjustment if the machine has one, or leave it to "
                "the time-base corrector.",
                caution=HANDLING,
            )
        )
    for h in _worst_first(figures.noise_db, "noise_db"):
        assert figures.noise_db is not None
        value = figures.noise_db.values[h]
        if value is None or value < 0:
            continue
        out.append(
            Step(
                what="head (dirt, clog, wear)",
                heads=[head_name(h, numbers)],
                amount=f"noise {value:+.1f} dB against the mean",
                how="Have the head cleaned and measure again; if the noise stays, the tip may be worn.",
                caution=HANDLING,
            )
        )
    return out


def _tone(audio: Audio | None) -> list[Step]:
    if audio is None:
        return []
    off = [
        t
        for t in audio.tones
        if t.above_reference_db is not None and abs(t.above_reference_db) >= max(WORTH["tone_db"], _SIGMAS * (t.sigma_db or 0.0))
    ]
    if not off:
        return []
    channels = [str(c) for c in dict.fromkeys(t.channel for t in off)]
    levels = ", ".join(f"channel {t.channel} {t.above_reference_db:+.2f} dB" for t in off)
    return [
        Step(
            what=f"audio playback level of {'channel' if len(channels) == 1 else 'channels'} {' and '.join(channels)}",
            amount=f"{levels} against {audio.reference_dbfs:g} dBFS",
            how="Set the playback level on the line-up tone of the alignment tape or of this tape.",
            caution=ELECTRONIC,
        )
    ]
