# ruff: noqa: RUF001 - typographic signs, as on the page
"""headpass demo: render two short tapes with known faults, scan them, and show what was measured beside the truth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.common import out_console
from cli.scan import Quiet, scan_all

if TYPE_CHECKING:
    from rich.table import Table

    from detect.findings import Findings, HeadValues, Value

SINGLE = (("skew_ns", "skew, ns"), ("scallop_ns", "scallop, ns"))
PER_HEAD = (
    ("quadrature_ns", "quadrature, ns"),
    ("saturation_pct", "saturation, %"),
    ("hue_deg", "hue, °"),
    ("level_ire", "level, IRE"),
    ("noise_db", "noise, dB"),
    ("response_db", "response at 3 MHz, dB"),
)
FINDINGS = {
    "quadrature_ns": "quadrature",
    "saturation_pct": "saturation_banding",
    "hue_deg": "hue_banding",
    "level_ire": "level_banding",
    "noise_db": "noise_banding",
    "response_db": "response_banding",
}
"""Kind of the finding that tells of a figure's fault."""


def app(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Where the tapes and their reports go.")] = Path(
        "headpass-demo"
    ),
    quiet: Quiet = False,
) -> None:
    """Render two tapes with known faults, scan them, and show measured values beside the truth."""
    from detect.errors import OutputClash
    from detect.output.files import plan_outputs
    from detect.scan import ScanOptions
    from synthetic_clips.demo import make_demo

    console = out_console()
    if folder.exists() and not folder.is_dir():
        raise OutputClash(f"{folder}: is a file; give a folder for the demo")
    folder.mkdir(parents=True, exist_ok=True)
    if not quiet:
        console.print("Rendering two short tapes with known faults ...")
    made = make_demo(folder)
    plan = plan_outputs([path for path, _ in made], folder)
    done = scan_all(plan, options=ScanOptions(), page=True, assets="inline", quiet=quiet, as_json=False)
    measured = {paths.name: findings for findings, paths in done}
    for path, truth in made:
        if path.name in measured:
            console.print()
            console.print(comparison(measured[path.name], truth, name=path.name))
            console.print(f"Page: {plan[path].report}", soft_wrap=True)
    if len(done) < len(made):
        from cli.common import EXIT_FAILED

        raise typer.Exit(EXIT_FAILED)


def comparison(findings: Findings, truth: Any, *, name: str) -> Table:
    """Measured beside true: skew and scallop, then each figure of the four heads about their mean.

    Letters follow the bands and the simulator counts heads from its own phase: both begin at the first whole pass.
    """
    from rich.table import Table

    table = Table(title=f"{name}, {truth.faults['regime']}", title_justify="left", box=None, padding=(0, 2, 0, 0))
    for heading, justify in (("", "left"), ("head", "left"), ("true", "right"), ("measured", "right")):
        table.add_column(heading, justify=justify)  # type: ignore[arg-type]
    for key, words in SINGLE:
        _single_row(table, words, truth.faults[key], getattr(findings.summary, key))
    onsets = {onset["parameter"]: onset["start_frame"] for onset in truth.faults["onsets"]}
    for key, words in PER_HEAD:
        if key in onsets:
            _onset_rows(table, words, truth.relative[key], findings, kind=FINDINGS[key], start_frame=onsets[key])
        else:
            _head_rows(table, words, truth.relative[key], getattr(findings.summary, key))
    table.add_row(
        "losses",
        "",
        str(len(truth.dropouts)),
        str(findings.summary.dropouts.count if findings.summary.dropouts else "–"),
    )
    return table


def _single_row(table: Table, words: str, true: float, found: Value | None) -> None:
    from detect.output.words import number, with_error

    measured = with_error(found.value, found.sigma, signed=True) if found else "not measurable"
    table.add_row(words, "", number(true, decimals=1, signed=True), measured)


def _decimals(words: str) -> int:
    """A tenth of a nanosecond is past what any deck is set to; other figures take two decimals."""
    return 1 if words.endswith("ns") else 2


def _onset_rows(
    table: Table, words: str, true: list[float], findings: Findings, *, kind: str, start_frame: int
) -> None:
    """A fault that comes in later: the figures of the finding that tells of it, and where it begins."""
    from detect.output.words import HEAD_LETTERS, number, with_error

    found = next((f for f in findings.findings if f.kind == kind and f.heads), None)
    letter = found.heads[0] if found else HEAD_LETTERS[max(range(len(true)), key=lambda i: abs(true[i]))]
    measured = with_error(found.value, found.sigma, signed=True) if found else "not found"
    known = number(true[HEAD_LETTERS.index(letter)], decimals=_decimals(words), signed=True)
    table.add_row(words, letter, known, measured)
    table.add_row("  from frame", "", str(start_frame), str(found.start_frame) if found else "–")


def _head_rows(table: Table, words: str, true: list[float], found: HeadValues | None) -> None:
    """Only the figures that have a fault, so that the table fits a screen."""
    from detect.output.words import HEAD_LETTERS, number, with_error

    if max(true) - min(true) == 0:
        return
    for index, letter in enumerate(HEAD_LETTERS):
        measured = with_error(found.values[index], found.sigmas[index], signed=True) if found else "not measurable"
        known = number(true[index], decimals=_decimals(words), signed=True)
        table.add_row(words if index == 0 else "", letter, known, measured)
