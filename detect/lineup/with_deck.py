"""What a deck file says about a scanned transfer: numbers for its heads, and for each finding whether the deck or the
recording."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np

from detect.findings import Cause, Finding, Findings, HeadValues, Origin, WindowReadings
from detect.judge.attribution import Attribution, attribute, attribute_heads
from detect.judge.attribution import Origin as Where
from detect.lineup.deck_file import Deck, Entry
from detect.lineup.numbering import Numbering, Quantity, number_heads
from detect.lineup.result import LETTERS
from detect.standards import HEADS

SINGLE_OF = {"skew": "skew_ns", "scallop": "scallop_ns", "velocity_error": "velocity_error_ns"}
PER_HEAD_OF = {
    "quadrature": ("quadrature_ns", "ns"),
    "saturation_banding": ("saturation_pct", "%"),
    "hue_banding": ("hue_deg", "degrees"),
    "level_banding": ("level_ire", "IRE"),
    "noise_banding": ("noise_db", "dB"),
    "response_banding": ("response_db", "dB"),
}
"""Kinds of finding that a line-up can speak about: the figure and its unit."""
RESPONSE_AT_MHZ = 3.0
"""Findings state response at 3 MHz against 1 MHz and below."""
_NEAR_MHZ = 0.3


def signature_of(entry: Entry) -> dict[str, Quantity]:
    """What tells the heads of a deck apart, in the order of their numbers. Timing is left out: half of it is in the
    recording."""
    out: dict[str, Quantity] = {}
    for key in ("saturation_pct", "level_ire", "noise_db"):
        if key in entry.per_head:
            out[key] = entry.per_head[key]
    for mhz, values in entry.response.items():
        if mhz > 1.0:
            out[f"response_db@{mhz:g}"] = values
    return out


def figures_of(readings: WindowReadings, *, packets_mhz: Sequence[float]) -> dict[str, Quantity]:
    """The same from the readings of a transfer; its response bands go to the nearest packets of the signature."""
    out: dict[str, Quantity] = {}
    for key in ("saturation_pct", "level_ire", "noise_db"):
        clean = _clean(getattr(readings, key))
        if clean is not None:
            out[key] = clean
    curve = readings.response_curve
    if curve is not None:
        for k, mhz in enumerate(curve.mhz):
            near = min(packets_mhz, key=lambda p: abs(p - mhz), default=None)
            clean = _clean(HeadValues(values=[row[k] for row in curve.db], sigmas=[row[k] for row in curve.sigma_db]))
            if near is not None and abs(near - mhz) <= _NEAR_MHZ and clean is not None:
                out[f"response_db@{near:g}"] = clean
    return out


def _clean(values: HeadValues | None) -> Quantity | None:
    if values is None or any(v is None for v in (*values.values, *values.sigmas)):
        return None
    return [float(v) for v in values.values if v is not None], [float(s) for s in values.sigmas if s is not None]


def number_play(findings: Findings, deck: Deck) -> Numbering:
    """Number the heads of a transfer by the deck's latest numbered line-up."""
    locks = [w for w in findings.wheel if w.locked]
    entry = deck.latest(standard=findings.transfer.standard, numbered=True)
    if entry is None:
        return Numbering(None, 1.0, f"Heads not numbered: {deck.name} has no line-up with a muted channel in this standard.")
    if len(locks) != 1:
        return Numbering(None, 1.0, "Heads not numbered: the wheel locked more than once, and letters do not carry over a new lock.")
    play = figures_of(findings.summary, packets_mhz=list(entry.response))
    return number_heads(play, signature_of(entry))


def _numbered(values: Sequence[float], numbers: Sequence[int]) -> list[float]:
    out = [0.0] * HEADS
    for letter, number in enumerate(numbers):
        out[number - 1] = float(values[letter])
    return out


def attribute_finding(finding: Finding, findings: Findings, entry: Entry, numbers: list[int] | None) -> Attribution | None:
    """Deck or recording, for one finding; None for kinds that a line-up says nothing about or when a figure is
    missing."""
    days = _days(findings, entry)
    if finding.kind in SINGLE_OF:
        key = SINGLE_OF[finding.kind]
        if key not in entry.single or finding.value is None or finding.sigma is None:
            return None
        return attribute(finding.value, finding.sigma, *entry.single[key], unit="ns", days=days)
    if finding.kind in PER_HEAD_OF:
        key, unit = PER_HEAD_OF[finding.kind]
        known = _deck_heads(entry, key)
        here = _clean(getattr(findings.summary, key))
        if known is None or here is None:
            return None
        numbered = numbers is not None and entry.order == "numbers"
        values, sigmas = here
        if numbered and numbers is not None:
            values, sigmas = _numbered(values, numbers), _numbered(sigmas, numbers)
        centred = [v - float(np.mean(values)) for v in values]
        base = [v - float(np.mean(known[0])) for v in known[0]]
        return attribute_heads(centred, sigmas, base, known[1], numbered=numbered, unit=unit, days=days)
    return None


def _deck_heads(entry: Entry, key: str) -> Quantity | None:
    if key != "response_db":
        return entry.per_head.get(key)
    near = min(entry.response, key=lambda m: abs(m - RESPONSE_AT_MHZ), default=None)
    return entry.response[near] if near is not None and abs(near - RESPONSE_AT_MHZ) <= _NEAR_MHZ else None


def _days(findings: Findings, entry: Entry) -> float:
    """Days from the line-up to the scan; below zero when the deck was measured afterwards."""
    when = datetime.fromisoformat(findings.created)
    aware = when if when.tzinfo is not None else when.replace(tzinfo=UTC)
    return (aware - entry.when).total_seconds() / 86_400


STALE_DAYS = 30.0
"""A line-up farther from the play than this is no proof of how the deck stood: heads and guides are set in between (house
practice)."""


def _as_cause(attribution: Attribution, caution: str | None, *, days: float) -> Cause:
    """``caution`` is that of the finding's own causes: the hand goes to the same place."""
    words = {
        "deck": "this deck, as on the alignment tape",
        "recorded": "recorded in",
        "cannot tell": "deck or recording",
    }
    check = {
        "deck": "adjust the deck on the alignment tape, measure it again, then play this tape",
        "recorded": "compensate on playback; the deck itself was right on the alignment tape",
        "cannot tell": "make a fresh line-up capture just before this tape is played",
    }
    stale = abs(days) > STALE_DAYS
    doubt = f" The line-up is {abs(days):.0f} days away: the deck may have been set since." if stale else ""
    return Cause(
        cause=words[attribution.origin],
        origin=_ORIGIN[attribution.origin],
        likelihood="possible" if attribution.origin == "cannot tell" or stale else "likely",
        because=attribution.text + doubt,
        check=check[attribution.origin],
        caution=caution if attribution.origin == "deck" else None,
    )


_ORIGIN: dict[Where, Origin] = {"deck": "playback", "recorded": "recording", "cannot tell": "either"}
_SHORT: dict[Where, str] = {
    "deck": "The deck had it on the alignment tape.",
    "recorded": "Recorded in: the deck did not have it on the alignment tape.",
}


def _attributed(finding: Finding, attribution: Attribution, *, days: float) -> Finding:
    """The finding with the arithmetic as its first cause; other causes of the same origin come next, of the opposite
    one last and, unless the line-up is old, as less likely. Nothing moves when the arithmetic cannot tell."""
    text = finding.text
    others = list(finding.causes)
    if attribution.origin != "cannot tell":
        text = f"{text.rstrip()} {_SHORT[attribution.origin]}"
        origin = _ORIGIN[attribution.origin]
        opposite = "recording" if origin == "playback" else "playback"
        others = [
            c.model_copy(update={"likelihood": "less likely"}) if c.origin == opposite and abs(days) <= STALE_DAYS else c
            for c in sorted(others, key=lambda c: {origin: 0, opposite: 2}.get(c.origin, 1))
        ]
    caution = next((c.caution for c in finding.causes if c.caution is not None), None)
    return finding.model_copy(update={"text": text, "causes": [_as_cause(attribution, caution, days=days), *others]})


def _with_numbers(finding: Finding, numbers: list[int] | None) -> Finding:
    """The finding with its heads' numbers in its text; ``heads`` keeps the letters of this play."""
    known = [h for h in finding.heads if h in LETTERS]
    if numbers is None or not known:
        return finding
    said = ", ".join(f"{h} is head {numbers[LETTERS.index(h)]}" for h in known)
    return finding.model_copy(update={"text": f"{finding.text.rstrip()} Of this deck, {said}."})


def with_deck(findings: Findings, deck: Deck) -> Findings:
    """The findings with heads numbered where that is significant, and with deck or recording as the first cause of each
    finding a line-up can speak about. What could not be done is said among the warnings."""
    entry = deck.latest(standard=findings.transfer.standard)
    if entry is None:
        note = f"{deck.name}: the deck file has no line-up in {findings.transfer.standard}; nothing was attributed"
        return findings.model_copy(update={"warnings": [*findings.warnings, note]})
    numbering = number_play(findings, deck)
    wheel = [
        w.model_copy(update={"head_numbers": numbering.numbers}) if w.locked and numbering.numbers is not None else w
        for w in findings.wheel
    ]
    out = []
    for finding in findings.findings:
        found = attribute_finding(finding, findings, entry, numbering.numbers)
        named = _with_numbers(finding, numbering.numbers)
        out.append(named if found is None else _attributed(named, found, days=_days(findings, entry)))
    return findings.model_copy(update={"wheel": wheel, "findings": out, "warnings": [*findings.warnings, f"{deck.name}: {numbering.text}"]})
