"""Which steady tones are line-up tone: those that sound together with bars or another test signal."""

from __future__ import annotations

from fractions import Fraction

from detect.findings import Findings, Tone
from detect.measure.tones import LEAST_S

LINE_UP = frozenset({"bars", "test_signal"})


def only_line_up_tone(findings: Findings) -> Findings:
    """The findings less the tones of the programme: held notes, dial tones, beeps."""
    return findings.model_copy(update={"audio": [tone for tone in findings.audio if _beside_signal(tone, findings)]})


def _beside_signal(tone: Tone, findings: Findings) -> bool:
    if tone.start_frame is None or tone.end_frame is None:
        return True
    least = float(Fraction(findings.transfer.frame_rate)) * LEAST_S
    return any(
        min(tone.end_frame, s.end_frame) - max(tone.start_frame, s.start_frame) >= least for s in findings.sections if s.kind in LINE_UP
    )
