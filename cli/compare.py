"""headpass compare: two captures round a trial turn of an adjuster, or an old and a new transfer of one tape."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.common import out_console
from cli.scan import Quiet

if TYPE_CHECKING:
    from detect.findings import Findings
    from detect.lineup.result import LineupResult


def app(
    before: Annotated[
        Path, typer.Argument(metavar="BEFORE", help="Capture, its .lineup.json, or the old .findings.json.")
    ],
    after: Annotated[Path, typer.Argument(metavar="AFTER", help="The same after the turn, or the new transfer.")],
    turned: Annotated[
        float, typer.Option("--turned", help="How far it was turned between the two, in trial turns; back is negative.")
    ] = 1.0,
    figure: Annotated[
        str | None, typer.Option("--figure", help="The figure meant to move, e.g. skew; default: what moved most.")
    ] = None,
    quiet: Quiet = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the comparison to stdout.")] = False,
) -> None:
    """Tell what a trial turn did and how much further to turn, or what got better, worse, or moved between two transfers."""
    from detect.errors import BadSettings

    if before.resolve() == after.resolve():
        raise BadSettings(f"{before}: given twice; name two captures or two transfers")
    kinds = {_kind(before), _kind(after)}
    if kinds == {"findings"}:
        _transfers(before, after, as_json=as_json, quiet=quiet)
    elif "findings" in kinds:
        raise BadSettings(f"{before} and {after}: a transfer's findings and a capture; give two of a kind")
    else:
        _turn(before, after, turned, figure, as_json=as_json, quiet=quiet)


def _kind(path: Path) -> str:
    if path.name.endswith(".findings.json"):
        return "findings"
    return "lineup" if path.name.endswith(".lineup.json") else "capture"


def _turn(before: Path, after: Path, turned: float, figure: str | None, *, as_json: bool, quiet: bool) -> None:
    from cli.lineup_table import print_comparison
    from detect.errors import BadSettings
    from detect.lineup.comparing import compare_lineups

    try:
        found = compare_lineups(
            _lineup(before, quiet=quiet or as_json), _lineup(after, quiet=quiet or as_json), turned=turned, figure=figure
        )
    except ValueError as error:
        raise BadSettings(str(error)) from error
    if as_json:
        print(json.dumps(found.to_json(), indent=1))
    elif not quiet:
        print_comparison(out_console(), found)


def _lineup(path: Path, *, quiet: bool) -> LineupResult:
    from pydantic import ValidationError

    from cli.progress import Progress
    from detect.errors import BadReadings, CannotRead
    from detect.lineup.result import LineupResult
    from detect.lineup.run import measure_lineup

    if _kind(path) == "lineup":
        try:
            return LineupResult.model_validate_json(path.read_bytes())
        except FileNotFoundError as error:
            raise CannotRead(f"{path}: no such file") from error
        except ValidationError as error:
            raise BadReadings(f"{path}: not a line-up result of this version; measure the capture again") from error
    with Progress(quiet=quiet, files=1) as progress:
        return measure_lineup(path, progress=progress.start(path))


def _transfers(before: Path, after: Path, *, as_json: bool, quiet: bool) -> None:
    from cli.lineup_table import print_transfers
    from detect.lineup.transfers import compare_transfers

    found = compare_transfers(_findings(before), _findings(after))
    if as_json:
        print(json.dumps(found.to_json(), indent=1))
    elif not quiet:
        print_transfers(out_console(), found)


def _findings(path: Path) -> Findings:
    from pydantic import ValidationError

    from detect.errors import BadReadings, CannotRead
    from detect.findings import Findings

    try:
        return Findings.model_validate_json(path.read_bytes())
    except FileNotFoundError as error:
        raise CannotRead(f"{path}: no such file") from error
    except ValidationError as error:
        raise BadReadings(f"{path}: not findings of this version; judge the readings again") from error
