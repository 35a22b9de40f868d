# ruff: noqa: RUF001 - typographic signs, as on the page
"""What the terminal shows of a line-up, of a deck's history and of a comparison."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table
from rich.text import Text

from detect.findings import HeadValues, Value
from detect.lineup.result import LETTERS, LineupResult

if TYPE_CHECKING:
    from detect.lineup.comparing import Comparison
    from detect.lineup.deck_file import Deck
    from detect.lineup.history import Trend
    from detect.lineup.transfers import TransferComparison

_INDENT = "  "
ALWAYS = ("skew_ns", "scallop_ns")
"""Figures of a comparison that are shown though they did not change."""


def _digits(sigma: float | None) -> int:
    """Decimals worth showing for a standard error: down to about a third of it."""
    if sigma is None or sigma <= 0:
        return 1
    return 0 if sigma >= 3 else 1 if sigma >= 0.3 else 2


def _number(value: float | None, sigma: float | None, *, sign: bool = True) -> str:
    if value is None:
        return "–"
    text = f"{round(value, _digits(sigma)) + 0.0:{'+' if sign else ''}.{_digits(sigma)}f}"
    return text.replace("-", "−")


def _pm(value: Value | None, unit: str, *, sign: bool = True) -> str:
    if value is None or value.value is None or value.sigma is None:
        return "–"
    return f"{_number(value.value, value.sigma, sign=sign)} ±{_error(value.sigma)} {unit}"


def _error(sigma: float) -> str:
    """A standard error, never shown as nothing."""
    return f"{max(sigma, 0.01):.{_digits(sigma)}f}"


def _say(console: Console, text: str, *, style: str = "") -> None:
    for line in textwrap.wrap(text, console.width - len(_INDENT)):
        console.print(Text(_INDENT + line, style=style))


def print_lineup(console: Console, result: LineupResult, *, written: Path, deck: Path | None) -> None:
    """The figures of one capture, what to touch first, and where the result was written."""
    console.print(Text(f"{Path(result.path).name}  {result.standard}  {result.frames} frames", style="dim"))
    for signal in result.signals:
        left_out = "" if signal.measured else "  (not measured)"
        console.print(f"{_INDENT}{signal.start_s:7.1f} to {signal.end_s:6.1f} s  {signal.name}{left_out}")
    console.print()
    console.print(_guide_table(result))
    if result.wheel.locked:
        console.print(_head_table(result))
    if result.audio is not None and result.audio.tones:
        console.print()
        _print_tones(console, result)
    console.print()
    if result.first_to_touch is not None:
        _say(console, result.first_to_touch, style="bold")
        for number, step in enumerate(result.steps, 1):
            heads = f" of head {' and '.join(step.heads)}" if step.heads else ""
            _say(console, f"{number}. {step.what}{heads}: {step.amount}. {step.how}")
        for caution in dict.fromkeys(step.caution for step in result.steps):
            _say(console, caution, style="yellow")
    elif result.wheel.locked:
        _say(console, "Nothing is worth a hand on the machine.", style="bold green")
    else:
        _say(console, "No head stands out from the others.", style="bold")
    for warning in result.warnings:
        _say(console, f"Note: {warning}", style="dim")
    where = f"{written}" + (f", {deck}" if deck is not None else "")
    console.print(Text(f"{_INDENT}written: {where}", style="dim"), soft_wrap=True)


def _guide_table(result: LineupResult) -> Table:
    figures, same = result.figures, result.equivalents
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2), show_header=False)
    table.add_column()
    table.add_column(justify="right")
    table.add_column(style="dim")
    table.add_row("time base", figures.time_base, "")
    table.add_row("skew", _pm(figures.skew_ns, "ns"), f"guide position {_pm(same.guide_position_um, 'um')}")
    table.add_row("scallop", _pm(figures.scallop_ns, "ns"), f"guide height {_pm(same.guide_height_um, 'um')}")
    if figures.snr_db is not None:
        table.add_row("signal to noise", _pm(figures.snr_db, "dB", sign=False), "unweighted, mean of the heads")
    return table


def _head_table(result: LineupResult) -> Table:
    figures = result.figures
    numbers = result.wheel.head_numbers
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2), header_style="dim")
    table.add_column("head")
    for h in range(4):
        table.add_column(LETTERS[h] if numbers is None else str(numbers[h]), justify="right")
    table.add_column("±", justify="right", style="dim")
    table.add_column("", style="dim")
    rows: list[tuple[str, HeadValues | None, str, bool]] = [
        ("quadrature", figures.quadrature_ns, "ns", True),
        ("", result.equivalents.quadrature_arcsec, "seconds of arc", True),
        ("saturation", figures.saturation_of_nominal_pct, "% of nominal", False),
        ("hue", figures.hue_of_nominal_deg, "degrees from nominal", True),
        ("white", figures.white_ire, f"IRE, nominal {figures.white_nominal_ire or 0:.0f}", False),
        ("level", figures.level_ire if figures.white_ire is None else None, "IRE against the mean", True),
        ("differential phase", figures.differential_phase_deg, "degrees", True),
        ("differential gain", figures.differential_gain_pct, "%", True),
        ("noise", figures.noise_db, "dB against the mean", True),
    ]
    for name, values, unit, sign in rows:
        if values is not None:
            table.add_row(*_head_row(name, values, unit, sign=sign))
    response = figures.response
    if response is not None:
        for k, mhz in enumerate(response.mhz):
            packet = HeadValues(values=[r[k] for r in response.db], sigmas=[r[k] for r in response.sigma_db])
            unit = f"dB against the {response.reference}" if k == 0 else "dB"
            table.add_row(*_head_row(f"{mhz:.2f} MHz", packet, unit, sign=True))
        table.add_row("shape", *[s.word for s in response.shapes], "", _common(result))
    return table


def _common(result: LineupResult) -> str:
    assert result.figures.response is not None
    shape = result.figures.response.common_shape
    if shape.word == "flat" or shape.db is None or shape.mhz is None:
        return ""
    return f"besides, all {shape.word} {shape.db:+.1f} dB at {shape.mhz:.1f} MHz"


def _head_row(name: str, values: HeadValues, unit: str, *, sign: bool) -> list[str]:
    sigmas = [s for s in values.sigmas if s is not None]
    worst = max(sigmas) if sigmas else None
    cells = [_number(v, worst, sign=sign) for v in values.values]
    return [name, *cells, "–" if worst is None else _error(worst), unit]


def _print_tones(console: Console, result: LineupResult) -> None:
    assert result.audio is not None
    against = f"{result.audio.reference_dbfs:g} dBFS ({result.audio.reference_source})"
    for tone in result.audio.tones:
        above = _number(tone.above_reference_db, 0.1)
        console.print(
            f"{_INDENT}channel {tone.channel}: tone {tone.hz:.1f} Hz, {_number(tone.level_dbfs, 0.1)} dBFS, {above} dB against "
            f"{against}; distortion {tone.distortion_pct:.2f} %",
            soft_wrap=True,
        )
    for pair in result.audio.pairs:
        first, second = pair.channels
        console.print(
            f"{_INDENT}channel {second} against {first}: {_number(pair.balance_db, 0.1)} dB, "
            f"{_number(pair.phase_deg, 1.0)} degrees"
        )


def _in_words(name: str) -> str:
    """ "response_db@3 head 1" as "response at 3 MHz, head 1"; the unit stands elsewhere."""
    figure, _, rest = name.partition(" ")
    key, _, mhz = figure.partition("@")
    words = "signal to noise" if key == "snr_db" else key.rsplit("_", 1)[0].replace("_", " ")
    return words + (f" at {mhz} MHz" if mhz else "") + (f", {rest}" if rest else "")


def print_history(console: Console, deck: Deck, found: list[Trend], *, page: Path) -> None:
    """Latest figure, trend and days to its limit, one line each."""
    console.print(Text(f"{deck.name}: {len(deck.entries)} line-ups", style="bold"))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2), header_style="dim")
    for name, justify in (("figure", "left"), ("now", "right"), ("change in 30 days", "right"), ("limit", "right")):
        table.add_column(name, justify=justify)  # type: ignore[arg-type]
    table.add_column("days to limit", justify="right")
    for trend in found:
        slope = "–"
        if trend.slope_per_day is not None and trend.slope_low is not None and trend.slope_high is not None:
            spread = 15 * (trend.slope_high - trend.slope_low)
            slope = f"{_number(30 * trend.slope_per_day, spread)} ±{spread:.{_digits(spread)}f}"
        left = "–" if trend.days_to_limit is None else "past" if trend.days_to_limit == 0 else f"{trend.days_to_limit:.0f}"
        limit = "–" if trend.limit is None else f"{trend.limit:g}"
        table.add_row(
            _in_words(trend.name), f"{_number(trend.latest, trend.sigmas[-1])} {trend.unit}", slope, limit, left
        )
    console.print(table)
    console.print(Text(f"{_INDENT}± is the 95 % interval of the slope (Theil–Sen); – is too few line-ups or no trend", style="dim"))
    console.print(Text(f"{_INDENT}written: {page}", style="dim"), soft_wrap=True)


def print_comparison(console: Console, found: Comparison) -> None:
    """What the trial turn did and how much further to go."""
    from detect.lineup.comparing import in_words

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2), header_style="dim")
    table.add_column("figure")
    for name in ("before", "after", "change"):
        table.add_column(name, justify="right")
    table.add_column("", style="dim")
    shown = [k for k, c in enumerate(found.changes) if c.changed or k == found.main or c.figure in ALWAYS]
    for k in shown:
        change = found.changes[k]
        sigma = max(change.before.sigma, change.after.sigma)
        name = change.figure.replace("_", " ") + (f" head {change.head}" if change.head else "")
        moved = _number(change.after.value - change.before.value, sigma) if change.changed else "within noise"
        table.add_row(
            name,
            _number(change.before.value, sigma),
            _number(change.after.value, sigma),
            moved,
            change.unit,
            style="bold" if k == found.main else "",
        )
    console.print(table)
    rest = len(found.changes) - len(shown)
    if rest:
        console.print(Text(f"{_INDENT}{rest} other figures changed by no more than their noise", style="dim"))
    console.print()
    if found.main is None:
        _say(console, "Nothing that can be set has changed beyond its noise: turn further the same way, or this is another adjuster.")
    else:
        main = found.changes[found.main]
        _say(console, in_words(main, turned=found.turned), style="bold")
        _say(console, main.caution, style="yellow")
    for note in found.notes:
        _say(console, f"Note: {note}", style="dim")


_MARKS = {"better": "better", "worse": "WORSE", "same": "same", "moved": "moved", "only in one": "only in one"}


def print_transfers(console: Console, found: TransferComparison) -> None:
    """Old and new transfer of one tape, figure by figure."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2), header_style="dim")
    table.add_column("figure")
    table.add_column("old", justify="right")
    table.add_column("new", justify="right")
    table.add_column("", style="dim")
    table.add_column("")
    styles = {"better": "green", "worse": "bold red", "moved": "yellow"}
    for row in found.rows:
        mark = Text(_MARKS[row.outcome], style=styles.get(row.outcome, "dim"))
        old, new = (_number(v, row.sigma, sign=False) for v in (row.old, row.new))
        table.add_row(row.figure.replace("_", " "), old, new, row.unit, mark)
    console.print(table)
    console.print()
    if found.findings_gone:
        _say(console, f"Gone: {', '.join(k.replace('_', ' ') for k in found.findings_gone)}.", style="green")
    if found.findings_new:
        _say(console, f"New: {', '.join(k.replace('_', ' ') for k in found.findings_new)}.", style="bold red")
    _say(console, f"Old: {found.verdicts[0]}")
    _say(console, f"New: {found.verdicts[1]}")
    for note in found.notes:
        _say(console, f"Note: {note}", style="dim")
