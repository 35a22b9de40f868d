"""headpass lineup: measure a capture of alignment tape or line-up signals, or show a deck's history."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.common import made_folder, out_console
from cli.scan import OrderChoice, Quiet, StandardChoice

if TYPE_CHECKING:
    from detect.lineup.result import LineupResult


class ReferenceChoice(StrEnum):
    auto = "auto"
    smpte = "-20"
    ebu = "-18"


def app(
    file: Annotated[Path | None, typer.Argument(metavar="[FILE]", help="The capture; ten seconds are enough.")] = None,
    muted: Annotated[
        int | None,
        typer.Option("--muted", metavar="N", help="Channel N (1 to 4) was muted for a second: number the heads by it."),
    ] = None,
    deck: Annotated[
        Path | None, typer.Option("--deck", metavar="DECK.toml", dir_okay=False, help="Add the result to this deck file.")
    ] = None,
    history: Annotated[
        Path | None,
        typer.Option("--history", metavar="DECK.toml", dir_okay=False, help="Show a deck's figures over days; no FILE."),
    ] = None,
    out: Annotated[Path, typer.Option("--out", help="Folder for the outputs.", file_okay=True)] = Path("headpass-out"),
    reference: Annotated[
        ReferenceChoice,
        typer.Option("--tone-reference", help="dBFS of line-up tone; auto: -20 in 525 (SMPTE RP 155), -18 in 625 (EBU R 68)."),
    ] = ReferenceChoice.auto,
    standard: Annotated[
        StandardChoice, typer.Option("--standard", help="Line standard of the tape.")
    ] = StandardChoice.auto,
    field_order: Annotated[
        OrderChoice, typer.Option("--field-order", help="Field that comes first in time.")
    ] = OrderChoice.auto,
    quiet: Quiet = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the result to stdout.")] = False,
) -> None:
    """Measure line-up signals with their known picture: figures for setting up the deck."""
    from detect.errors import BadSettings
    from detect.standards import HEADS

    if history is not None:
        if file is not None or muted is not None or deck is not None:
            raise BadSettings("--history shows a deck file; give it without FILE, --muted and --deck")
        _show_history(history, out, quiet=quiet)
        return
    if file is None:
        raise BadSettings("lineup: name a capture, or --history DECK.toml")
    if muted is not None and not 1 <= muted <= HEADS:
        raise BadSettings(f"--muted {muted}: there are channels 1 to {HEADS}")
    result = _measured(file, muted, reference, standard, field_order, quiet=quiet or as_json)
    if deck is not None:
        from detect.lineup.deck_file import add_entry, entry_of

        add_entry(deck, entry_of(result))
    written = _write(result, file, out)
    if as_json:
        print(result.model_dump_json(by_alias=True, indent=1))
    elif not quiet:
        from cli.lineup_table import print_lineup

        print_lineup(out_console(), result, written=written, deck=deck)


def _measured(
    file: Path,
    muted: int | None,
    reference: ReferenceChoice,
    standard: StandardChoice,
    field_order: OrderChoice,
    *,
    quiet: bool,
) -> LineupResult:
    from cli.progress import Progress
    from detect.lineup.run import Options, measure_lineup

    options = Options(
        standard=standard.value,
        field_order=field_order.value,
        reference_dbfs=None if reference == ReferenceChoice.auto else float(reference.value),
        muted=muted,
    )
    with Progress(quiet=quiet, files=1) as progress:
        return measure_lineup(file, options=options, progress=progress.start(file))


def _write(result: LineupResult, file: Path, out: Path) -> Path:
    from detect.output.files import write_whole

    with made_folder(out):
        path = out / f"{file.name}.lineup.json"
        write_whole(path, (result.model_dump_json(by_alias=True, indent=1) + "\n").encode())
    return path


def _show_history(history: Path, out: Path, *, quiet: bool) -> None:
    from detect.errors import BadSettings
    from detect.lineup.deck_file import read_deck
    from detect.lineup.history import history_page, trends
    from detect.output.files import write_whole

    deck = read_deck(history)
    if not deck.entries:
        raise BadSettings(f"{history}: no line-up in this deck file yet; headpass lineup FILE --deck {history} adds one")
    found = trends(deck)
    with made_folder(out):
        page = out / f"{history.stem}.history.html"
        write_whole(page, history_page(deck, found).encode())
    if not quiet:
        from cli.lineup_table import print_history

        print_history(out_console(), deck, found, page=page)
