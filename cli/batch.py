# ruff: noqa: RUF001 - typographic signs, as on the page
"""headpass batch: a whole archive, resumable, with one ledger and one list of transfers to make again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.common import EXIT_DONE, EXIT_FAILED, EXIT_TRANSFER_AGAIN, say_error
from cli.scan import Deck, Limits, OrderChoice, Out, Quiet, SpeedChoice, StandardChoice

if TYPE_CHECKING:
    from detect.archive.plan import Batch
    from detect.archive.run import Ending, Report
    from detect.archive.status import Status


def app(
    folders: Annotated[
        list[Path] | None, typer.Argument(metavar="FOLDER...", help="Folders to search for transfers, or files.")
    ] = None,
    out: Out = Path("headpass-out"),
    status: Annotated[
        Path | None, typer.Option("--status", metavar="DIR", help="Show how the batch in DIR stands, and leave.")
    ] = None,
    pattern: Annotated[
        list[str] | None, typer.Option("--pattern", metavar="NAMES", help='Names to look for, such as "*_master.mov".')
    ] = None,
    limits: Limits = None,
    deck: Deck = None,
    about: Annotated[
        Path | None,
        typer.Option("--about", exists=True, dir_okay=False, help="CSV with the columns file, deck, operator."),
    ] = None,
    again: Annotated[
        list[str] | None,
        typer.Option("--again", metavar="KIND|FILE", help="Measure once more: a file, a kind, an outcome, or failed."),
    ] = None,
    every: Annotated[int, typer.Option("--every", min=1, metavar="N", help="Measure every Nth frame.")] = 1,
    standard: Annotated[
        StandardChoice, typer.Option("--standard", help="Line standard of the tapes.")
    ] = StandardChoice.auto,
    field_order: Annotated[
        OrderChoice, typer.Option("--field-order", help="Field that comes first in time.")
    ] = OrderChoice.auto,
    tape_speed: Annotated[SpeedChoice, typer.Option("--tape-speed", help="Inches a second.")] = SpeedChoice.full,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, metavar="N", help="Files at once (default: one per core).")
    ] = None,
    cluster: Annotated[
        str | None, typer.Option("--cluster", metavar="ADDRESS", help="Dask scheduler to give the work to.")
    ] = None,
    most_memory_mb: Annotated[
        int | None, typer.Option("--most-memory", min=100, metavar="MB", help="Memory one file may take.")
    ] = None,
    most_times: Annotated[
        float, typer.Option("--most-times", min=0.1, metavar="X", help="Stop a file after X times its duration.")
    ] = 20.0,
    premis: Annotated[bool, typer.Option("--premis", help="Write a PREMIS 3 event for each file.")] = False,
    no_report: Annotated[bool, typer.Option("--no-report", help="Do not write the pages.")] = False,
    quiet: Quiet = False,
) -> None:
    """Scan all transfers below folders; run the same command again to go on after a stop."""
    if status is not None:
        print_status(status)
        return
    if not folders:
        raise typer.BadParameter("give a folder, or --status DIR", param_hint="FOLDER...")
    from detect.archive.plan import Batch
    from detect.archive.run import default_memory_mb, default_workers

    slots = workers or default_workers()
    options = {
        "every": every, "standard": standard.value, "field_order": field_order.value, "tape_speed": tape_speed.value,
        "workers": 1,
    }  # fmt: skip
    if no_report:
        options["stills"] = False
    batch = Batch(
        folders=folders, out=out, patterns=tuple(pattern or ()), options=options, limits=limits, deck=deck,
        origins=about, again=tuple(again or ()), page=not no_report, premis=premis, workers=slots, cluster=cluster,
        time_factor=most_times, memory_mb=most_memory_mb or default_memory_mb(slots),
    )  # fmt: skip
    raise typer.Exit(run(batch, quiet=quiet))


def run(batch: Batch, *, quiet: bool) -> int:
    """Run a batch, tell of each file as it ends, and return the exit status."""
    from detect.archive.run import run_batch

    ending = run_batch(batch, report=_teller(quiet=quiet))
    for folder, reason in ending.unreadable.items():
        say_error(f"{folder}: {reason}; what lies below it was left out")
    for path, reason in ending.failed:
        say_error(reason if path in reason else f"{path}: {reason}")
    if not quiet:
        print_ending(ending, out=batch.out)
    if ending.failed or ending.unreadable:
        return EXIT_FAILED
    return EXIT_TRANSFER_AGAIN if ending.transfer_again else EXIT_DONE


def _teller(*, quiet: bool) -> Report:
    from detect.output.words import OUTCOME_MARKS, OUTCOME_WORDS, one_line

    def tell(event: str, row: object, reason: str | None) -> None:
        from detect.archive.ledger import Row

        assert isinstance(row, Row)
        if quiet:
            return
        if event == "failed":
            print(f"✕ Could not be measured: {one_line(row.place)}", flush=True)
        elif row.outcome:
            mark, words = OUTCOME_MARKS[row.outcome], OUTCOME_WORDS[row.outcome]
            print(f"{mark} {words}: {one_line(row.place)}: {row.sentence or ''}", flush=True)

    return tell


def print_ending(ending: Ending, *, out: Path) -> None:
    new = f"{ending.scanned_now} measured now"
    if ending.judged_now:
        new += f", {ending.judged_now} judged again"
    tail = f"; {len(ending.failed)} could not be measured" if ending.failed else ""
    print(f"{ending.done} files done ({new}). To transfer again: {ending.transfer_again}{tail}.")
    print(f"Lists: {out / 'index.html'}, {out / 'batch.csv'}, {out / 'transfer_again.csv'}")


def print_status(folder: Path) -> None:
    """What is done, left and failing, how fast, and how long it will take."""
    from detect.archive.status import read_status

    found: Status = read_status(folder)
    from detect.output.words import clock, one_line

    counts = found.counts
    state = "at work" if found.running else ("finished" if not counts["waiting"] + counts["running"] else "stopped")
    words = {"done": "done", "running": "under way", "waiting": "left", "failed": "failed"}
    print(f"Batch {state}: " + ", ".join(f"{counts[key]} {word}" for key, word in words.items()))
    print(f"To transfer again: {found.transfer_again}. Measured so far: {clock(found.recorded_s)} of recording")
    if found.speed is not None:
        left = "" if found.seconds_left is None else f"; about {clock(found.seconds_left)} left"
        print(f"Speed of this run: {found.speed:.1f} × real time{left}")
    for place, frames in found.under_way:
        print(f"  under way: {one_line(place)}" + (f", {frames} frames" if frames else ""))
    for path, reason in found.failing:
        print(f"  failed: {one_line(reason if path in reason else f'{path}: {reason}')}")
