"""findings.vtt: one WebVTT cue per finding (W3C WebVTT), to follow the findings in a player."""

from __future__ import annotations

import html
from fractions import Fraction

from detect.findings import Finding, Findings
from detect.output.words import finding_value, one_line, prose, title


def _timestamp(frame: int, *, rate: Fraction) -> str:
    """hh:mm:ss.ttt of a frame's start, rounded up to the next millisecond so that the time lies inside that frame."""
    exact_ms = Fraction(frame * 1000) / rate
    ms = -(-exact_ms.numerator // exact_ms.denominator)
    return f"{ms // 3_600_000:02d}:{ms // 60_000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"


def _payload(text: str) -> str:
    return html.escape(one_line(text), quote=False)


def _cue(finding: Finding, *, rate: Fraction) -> str:
    end_frame = max(finding.end_frame, finding.start_frame + 1)
    times = f"{_timestamp(finding.start_frame, rate=rate)} --> {_timestamp(end_frame, rate=rate)}"
    head_line = ", ".join(filter(None, (title(finding), finding_value(finding))))
    lines = [head_line + (" (unconfirmed)" if finding.status == "unconfirmed" else ""), prose(finding.text, findings=[finding])]
    if finding.causes:
        lines.append(f"First cause to consider: {prose(finding.causes[0].cause, sentence=False)}")
    body = "\n".join(_payload(line) for line in lines if line.strip())
    return f"{_payload(finding.id).replace('--&gt;', '')}\n{times}\n{body}\n"


def findings_vtt(findings: Findings) -> bytes:
    """The whole file. Cues are in order of time; a finding of no length lasts one frame."""
    rate = Fraction(findings.transfer.frame_rate)
    cues = sorted(findings.findings, key=lambda finding: (finding.start_frame, finding.end_frame))
    note = f"NOTE {_payload(findings.transfer.path)} headpass {_payload(findings.headpass)}\n"
    blocks = ["WEBVTT\n", note, *(_cue(finding, rate=rate) for finding in cues)]
    return "\n".join(blocks).encode("utf-8", "replace")
