"""Findings in order of weight, and the verdict."""

from __future__ import annotations

from typing import Any

from detect.findings import Cause, Finding, Verdict
from detect.judge.causes import causes_for
from detect.judge.judged import JudgedFile
from detect.judge.limits import Limits

LEAST_PROGRAMME_S = 1.0
"""Less programme than this is not judged."""
TAPE_KINDS = frozenset({"dropouts", "scratch"})


def numbered(found: list[Finding]) -> list[Finding]:
    """Worst first, then numbered; saturation and response of the same head are linked as one fault."""
    rank = {"flag": 0, "note": 1}
    order = sorted(found, key=lambda f: (rank[f.severity], f.status != "confirmed", -(f.significance or 0.0) * (f.affected_pct or 0)))
    named = [f.model_copy(update={"id": f"f{k + 1:03d}"}) for k, f in enumerate(order)]
    pair = ("saturation_banding", "response_banding")
    out = []
    for f in named:
        others = [
            g.id for g in named
            if f.kind in pair and g.kind in pair and g.kind != f.kind and set(f.heads) & set(g.heads)
            and (f.value or 0) * (g.value or 0) > 0 and g.start_frame < f.end_frame and f.start_frame < g.end_frame
        ]  # fmt: skip
        if others:
            f = f.model_copy(update={"linked": others, "causes": _with_linked(f)})
        out.append(f)
    return out


def _with_linked(finding: Finding) -> list[Cause]:
    """The causes of a finding, and before them what its being linked speaks for."""
    linked = causes_for(finding.kind, words=frozenset({"linked_response"}))
    return [*(cause for cause in linked if cause not in finding.causes), *finding.causes]


def verdict_of(file: JudgedFile, found: list[Finding], limits: Limits, *, locked: bool) -> Verdict:
    """The outcome, from confirmed flags that touch enough of the programme."""
    seconds = file.programme_frames / float(file.rate)
    percent = 100 * file.programme_frames / max(file.frames, 1)
    base: dict[str, Any] = {"judged_s": round(seconds, 2), "judged_pct": round(percent, 2)}
    if seconds < LEAST_PROGRAMME_S:
        text = "Not judged: the file holds no second of programme."
        return Verdict(outcome="not_judged", transfer_again=False, reasons=[], text=text, **base)
    least = limits.table["verdict"]["affected_pct"]
    flags = [f for f in found if f.severity == "flag" and f.status == "confirmed" and (f.affected_pct or 0) >= least]
    tape = [f for f in flags if f.kind in TAPE_KINDS]
    deck = [f for f in flags if f.kind not in TAPE_KINDS]
    doubtful = [f for f in found if f.severity == "flag" and f.status != "confirmed"]
    if tape:
        text = tape[0].text
        return Verdict(outcome="inspect_before_playing", transfer_again=True, reasons=[f.id for f in (*tape, *deck)], text=text, **base)
    if deck:
        text = deck[0].text
        return Verdict(outcome="adjust_and_replay", transfer_again=True, reasons=[f.id for f in deck], text=text, **base)
    if doubtful:
        text = doubtful[0].text
        return Verdict(outcome="look", transfer_again=False, reasons=[f.id for f in doubtful], text=text, **base)
    text = "Nothing found beyond the limits."
    if not locked:
        text += " No difference between the heads stands out from the picture itself."
    return Verdict(outcome="accept", transfer_again=False, reasons=[], text=text, **base)
