# ruff: noqa: RUF001 - typographic signs, as on the page
"""What the terminal shows after a scan: outcome, worst findings, the four heads, on one screen of 80 x 24."""

from __future__ import annotations

import shutil
import sys
from collections import Counter

from rich.console import Console
from rich.table import Table
from rich.text import Text

from cli.common import out_console
from detect.findings import Finding, Findings, HeadValues, Tone, WindowReadings
from detect.output.files import OutputPaths
from detect.output.words import (
    HEAD_LETTERS,
    ORIGIN_WORDS,
    OUTCOME_MARKS,
    OUTCOME_WORDS,
    clock,
    decimals_for,
    finding_value,
    first_check,
    number,
    one_line,
    prose,
    ranked,
    span_words,
    title,
    with_error,
)  # fmt: skip

STYLES = {
    "accept": "bold green", "look": "bold yellow", "adjust_and_replay": "bold red", "recorded_in": "bold yellow",
    "inspect_before_playing": "bold red", "not_judged": "bold",
}  # fmt: skip
FEWEST_FINDINGS = 3
"""Fits 24 rows with everything else at its longest."""
MOST_FINDINGS = 10
_ROWS_BESIDE_FINDINGS = 13
"""File, outcome, empty line, heading, whole programme, six of the table of heads, where written, prompt."""
_SENTENCE_LINES = 2


def print_summary(findings: Findings, paths: OutputPaths) -> None:
    """Print the summary of one transfer to stdout."""
    console = out_console()
    verdict = findings.verdict
    console.print(_file_line(findings, paths.name), overflow="ellipsis", no_wrap=True, style="dim")
    mark, words = OUTCOME_MARKS[verdict.outcome], OUTCOME_WORDS[verdict.outcome]
    console.print(Text(f"{mark} {words.upper()}", style=STYLES[verdict.outcome]))
    told = _wrapped(console, prose(verdict.text, findings=findings.findings), lines=_SENTENCE_LINES)
    for line in told:
        console.print(line)
    check = first_check(findings)
    first = _wrapped(console, f"First: {check}", lines=_SENTENCE_LINES) if check else []
    for line in first:
        console.print(line)
    console.print()
    taken = _ROWS_BESIDE_FINDINGS + len(told) + len(first) + bool(findings.warnings)
    _print_findings(console, findings, rows_taken=taken)
    console.print(_timing_line(findings.summary), overflow="ellipsis", no_wrap=True)
    if (table := _head_table(findings)) is not None:
        console.print(table)
    elif findings.verdict.outcome != "not_judged":
        losses = findings.summary.dropouts
        console.print("Heads: not told apart" + (f"; losses: {losses.count}" if losses else ""))
    if findings.audio:
        console.print(_tone_line(findings.audio), overflow="ellipsis", no_wrap=True)
    if findings.warnings:
        count = len(findings.warnings)
        lead = "Note" if count == 1 else f"{count} notes, first"
        console.print(Text(f"{lead}: {one_line(findings.warnings[0])}", style="yellow"), overflow="ellipsis", no_wrap=True)
    where = paths.report if paths.report.exists() else paths.findings_json
    console.print(Text(f"Written: {where}"), overflow="fold", soft_wrap=True)


def _file_line(findings: Findings, name: str) -> Text:
    t = findings.transfer
    facts = [one_line(name), t.standard, clock(t.duration_s), f"{t.codec} {t.width} × {t.height}"]
    if findings.verdict.judged_pct < 99.95 and findings.verdict.outcome != "not_judged":
        facts.append(f"{findings.verdict.judged_pct:.0f} % judged")
    return Text("  ".join(facts))


def _wrapped(console: Console, text: str, *, lines: int) -> list[Text]:
    wrapped = Text(one_line(text)).wrap(console, console.width)
    kept = list(wrapped[:lines])
    if len(wrapped) > lines:
        kept[-1].truncate(console.width - 1)
        kept[-1].append("…")
    return kept


def _print_findings(console: Console, findings: Findings, *, rows_taken: int) -> None:
    worst = ranked(findings)
    if not worst:
        return
    rows = shutil.get_terminal_size((80, 24)).lines if sys.stdout.isatty() else 24
    shown = worst[: max(FEWEST_FINDINGS, min(MOST_FINDINGS, (rows - rows_taken) // 2))]
    heading = f"Worst {len(shown)} of {len(worst)} findings" if len(shown) < len(worst) else "Findings, worst first"
    console.print(Text(heading, style="bold"))
    for finding in shown:
        for line in _finding_lines(finding, width=console.width):
            console.print(line, overflow="ellipsis", no_wrap=True)


def _timing_line(summary: WindowReadings) -> Text:
    """Skew and scallop of the whole programme; parts findings and heads like an empty line where there is neither."""
    parts = [
        f"{name} {with_error(figure.value, figure.sigma, signed=True)} ns"
        for name, figure in (("skew", summary.skew_ns), ("scallop", summary.scallop_ns))
        if figure is not None and figure.value is not None
    ]
    return Text(f"Whole programme: {', '.join(parts)}; time base {summary.time_base}" if parts else "", style="dim")


def _tone_line(tones: list[Tone]) -> Text:
    """The first tone of each channel."""
    first: dict[int, Tone] = {}
    for tone in tones:
        first.setdefault(tone.channel, tone)
    parts = [f"channel {c} {number(t.tone_dbfs, decimals=1)} dBFS at {number(t.tone_hz, decimals=0)} Hz" for c, t in sorted(first.items())]
    return Text("Line-up tone: " + ", ".join(parts), style="dim")


def _finding_lines(finding: Finding, *, width: int) -> list[Text]:
    start, end = span_words(finding)
    doubt = " ?" if finding.status == "unconfirmed" else ""
    left = f" {title(finding)}{doubt}  "
    value = finding_value(finding)
    span = f"{start} – {end}"
    first = Text(left).append(value, style="bold")
    gap = width - len(left) - len(value) - len(span)
    first.append(" " * max(2, gap)).append(span)
    second = Text("   ", style="dim")
    if finding.causes:
        cause = finding.causes[0]
        origin = "recording or playback" if cause.origin == "either" else f"in {ORIGIN_WORDS[cause.origin]}"
        second.append(f"{cause.likelihood}, {origin}: {prose(cause.cause, sentence=False)}")
    else:
        second.append(prose(finding.text, findings=[finding]))
    return [first, second]


def _head_table(findings: Findings) -> Table | None:
    summary = findings.summary
    columns: list[tuple[str, HeadValues | None]] = [
        ("satur. %", summary.saturation_pct),
        ("hue °", summary.hue_deg),
        ("level IRE", summary.level_ire),
        ("noise dB", summary.noise_db),
        ("3 MHz dB", summary.response_db),
        ("quadr. ns", summary.quadrature_ns),
    ]
    losses = summary.dropouts.by_head if summary.dropouts else None
    if not any(values is not None and any(v is not None for v in values.values) for _, values in columns):
        return None
    table = Table(box=None, padding=(0, 1), pad_edge=False, show_edge=False, header_style="bold")
    table.add_column("Head")
    for name, _ in columns:
        table.add_column(name, justify="right")
    table.add_column("losses", justify="right")
    for index, letter in enumerate(HEAD_LETTERS):
        cells = [_cell(values, index) for _, values in columns]
        table.add_row(letter, *cells, str(losses[index]) if losses else "–")
    table.add_row("±", *(_sigma_cell(values) for _, values in columns), "", style="dim")
    return table


def _worst_sigma(values: HeadValues) -> float | None:
    known = [sigma for sigma in values.sigmas if sigma is not None]
    return max(known) if known else None


def _cell(values: HeadValues | None, index: int) -> str:
    if values is None or index >= len(values.values):
        return "–"
    value = values.values[index]
    return number(value, decimals=decimals_for(_worst_sigma(values), value), signed=True)


def _sigma_cell(values: HeadValues | None) -> str:
    sigma = _worst_sigma(values) if values is not None else None
    return "" if sigma is None else number(sigma, decimals=decimals_for(sigma, None))


def one_line_summary(findings: Findings, name: str) -> str:
    """``outcome  name: sentence``, for runs over several files."""
    outcome = findings.verdict.outcome
    text = prose(findings.verdict.text, findings=findings.findings)
    return f"{OUTCOME_MARKS[outcome]} {OUTCOME_WORDS[outcome]}: {one_line(name)}: {text}"


def print_totals(done: list[Findings], *, failed: int) -> None:
    """Last line of a run over several files."""
    counts = Counter[str](findings.verdict.outcome for findings in done)
    parts = [f"{counts[outcome]} × {words.lower()}" for outcome, words in OUTCOME_WORDS.items() if counts[outcome]]
    again = sum(findings.verdict.transfer_again for findings in done)
    tail = f"; {failed} could not be scanned" if failed else ""
    print(f"{len(done)} files: {', '.join(parts)}. To transfer again: {again}{tail}.")
