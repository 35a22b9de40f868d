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
        if result.figures.response is not None:
            console.print()
            _say(console, _shapes(result))
    if result.wheel.numbering is not None:
        console.print()
        _say(console, f"{result.wheel.numbering[0].upper()}{result.wheel.numbering[1:]}.")
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


def _plain_table(*columns: tuple[str, str], header: bool = True) -> Table:
    """A table without lines that never folds a cell: (title, justify) of each column; untitled ones are dim."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2), header_style="dim", show_header=header)
    for title, justify in columns:
        style = "" if title or not header else "dim"
        table.add_column(title, justify=justify, no_wrap=True, style=style)  # type: ignore[arg-type]
    return table


def _guide_table(result: LineupResult) -> Table:
    figures, same = result.figures, result.equivalents
    table = _plain_table(("figure", "left"), ("value", "right"), ("", "left"), header=False)
    table.columns[2].style = "dim"
    left = figures.left_share
    mixed = f"{100 * left:.0f} % of the error left" if left is not None and 0 < left < 1 else ""
    table.add_row("time base", figures.time_base, mixed)
    table.add_row("skew", _pm(figures.skew_ns, "ns"), f"guide position {_pm(same.guide_position_um, 'um')}")
    table.add_row("scallop", _pm(figures.scallop_ns, "ns"), f"guide height {_pm(same.guide_height_um, 'um')}")
    if figures.snr_db is not None:
        table.add_row("signal to noise", _pm(figures.snr_db, "dB", sign=False), "unweighted, mean of the heads")
    return table


def _head_table(result: LineupResult) -> Table:
    figures = result.figures
    numbers = result.wheel.head_numbers
    letters = [LETTERS[h] if numbers is None else str(numbers[h]) for h in range(4)]
    table = _plain_table(("head", "left"), *((name, "right") for name in letters), ("±", "right"), ("", "left"))
    rows: list[tuple[str, HeadValues | None, str, bool]] = [
        ("quadrature", figures.quadrature_ns, "ns", True),
        ("", result.equivalents.quadrature_arcsec, "arc seconds", True),
        ("saturation", figures.saturation_of_nominal_pct, "% of nominal", False),
        ("hue", figures.hue_of_nominal_deg, "deg off nominal", True),
        ("white", figures.white_ire, f"IRE, nominal {figures.white_nominal_ire or 0:.0f}", False),
        ("level", figures.level_ire if figures.white_ire is None else None, "IRE to mean", True),
        ("diff. phase", figures.differential_phase_deg, "degrees", True),
        ("diff. gain", figures.differential_gain_pct, "%", True),
        ("noise", figures.noise_db, "dB to mean", True),
    ]
    for name, values, unit, sign in rows:
        if values is not None:
            table.add_row(*_head_row(name, values, unit, sign=sign))
    response = figures.response
    if response is not None:
        for k, mhz in enumerate(response.mhz):
            packet = HeadValues(values=[r[k] for r in response.db], sigmas=[r[k] for r in response.sigma_db])
            unit = ("dB to flag" if response.reference == "white flag" else "dB to packet 1") if k == 0 else "dB"
            table.add_row(*_head_row(f"{mhz:.2f} MHz", packet, unit, sign=True))
    return table


def _shapes(result: LineupResult) -> str:
    """The response of each head in the trade's words."""
    response, numbers = result.figures.response, result.wheel.head_numbers
    if response is None:
        return ""
    said = []
    for h, shape in enumerate(response.shapes):
        where = "" if shape.mhz is None else f" {_number(shape.db, 0.1)} dB at {shape.mhz:.2f} MHz"
        said.append(f"head {LETTERS[h] if numbers is None else numbers[h]} {shape.word}{where}")
    common = _common(result)
    return f"Response: {', '.join(said)}{'; ' + common if common else ''}."


def _common(result: LineupResult) -> str:
    assert result.figures.response is not None
    shape = result.figures.response.common_shape
    if shape.word == "flat" or shape.db is None or shape.mhz is None:
        return ""
    return f"besides, all four are {shape.word}, {_number(shape.db, 0.3)} dB at {shape.mhz:.2f} MHz"


def _head_row(name: str, values: HeadValues, unit: str, *, sign: bool) -> list[str]:
    sigmas = [s for s in values.sigmas if s is not None]
    worst = max(sigmas) if sigmas else None
    cells = [_number(v, worst, sign=sign) for v in values.values]
    return [name, *cells, "–" if worst is None else _error(worst), unit]


def _print_tones(console: Console, result: LineupResult) -> None:
    audio = result.audio
    assert audio is not None
    titles = ("audio", "tone Hz", "dBFS", f"to {audio.reference_dbfs:g} dBFS".replace("-", "−"), "distortion")
    table = _plain_table(*((t, "left" if t == "audio" else "right") for t in titles))
    for tone in audio.tones:
        distortion = "–" if tone.distortion_pct is None else f"{tone.distortion_pct:.2f} %"
        hz = "–" if tone.hz is None else f"{tone.hz:.1f}"
        level, above = _number(tone.level_dbfs, 0.1), _number(tone.above_reference_db, 0.1)
        table.add_row(f"channel {tone.channel}", hz, level, f"{above} dB", distortion)
    console.print(table)
    for pair in audio.pairs:
        first, second = pair.channels
        _say(console, f"channel {second} against {first}: {_number(pair.balance_db, 0.1)} dB, {_number(pair.phase_deg, 1.0)} degrees")
    _say(console, f"{audio.reference_dbfs:g} dBFS: {audio.reference_source}".replace("-", "−"), style="dim")


def _in_words(name: str) -> str:
    """ "response_db@3 head 1" as "3 MHz, head 1"; the unit stands elsewhere."""
    figure, _, rest = name.partition(" ")
    key, _, mhz = figure.partition("@")
    words = "signal to noise" if key == "snr_db" else key.rsplit("_", 1)[0].replace("_", " ")
    words = words.replace("differential", "diff.")
    return (f"{mhz} MHz" if mhz else words) + (f", {rest}" if rest else "")


def print_history(console: Console, deck: Deck, found: list[Trend], *, page: Path) -> None:
    """Latest figure, trend and days to its limit, one line each, standard by standard."""
    for standard in dict.fromkeys(t.standard for t in found):
        count = sum(e.standard == standard for e in deck.entries)
        console.print(Text(f"{deck.name}, {standard}: {count} line-up{'' if count == 1 else 's'}", style="bold"))
        table = _plain_table(("figure", "left"), ("now", "right"), ("in 30 days", "right"), ("limit", "right"), ("days left", "right"))
        for trend in found:
            if trend.standard == standard:
                table.add_row(*_history_row(trend))
        console.print(table)
        console.print()
    _say(
        console,
        "In 30 days: change and its 95 % interval (Theil–Sen); days left: until the trend meets the limit; – where there are "
        "fewer than four line-ups or no trend.",
        style="dim",
    )
    console.print(Text(f"{_INDENT}written: {page}", style="dim"), soft_wrap=True)


def _history_row(trend: Trend) -> list[str]:
    slope = "–"
    if trend.slope_per_day is not None and trend.slope_low is not None and trend.slope_high is not None:
        spread = 15 * (trend.slope_high - trend.slope_low)
        slope = f"{_number(30 * trend.slope_per_day, spread)} ±{spread:.{_digits(spread)}f}"
    left = "–" if trend.days_to_limit is None else "past" if trend.days_to_limit == 0 else f"{trend.days_to_limit:.0f}"
    limit = "–" if trend.limit is None else f"{trend.limit:g}"
    unit = "deg" if trend.unit == "degrees" else trend.unit
    return [_in_words(trend.name), f"{_number(trend.latest, trend.sigmas[-1])} {unit}", slope, limit, left]


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
    if found.main is not None:
        main = found.changes[found.main]
        _say(console, in_words(main, turned=found.turned), style="bold")
        _say(console, main.caution, style="yellow")
    elif not found.settled:
        _say(console, "Nothing that can be set has changed beyond its noise: turn further the same way, or this is another adjuster.")
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
