"""headpass scan: decode, measure, judge, and write the outputs of each file."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.common import EXIT_DONE, EXIT_FAILED, EXIT_TRANSFER_AGAIN, error_line, made_folder, say_error, show_trace

if TYPE_CHECKING:
    from detect.findings import Findings
    from detect.output.files import OutputPaths
    from detect.scan import ScanOptions


class StandardChoice(StrEnum):
    auto = "auto"
    s525 = "525"
    s625 = "625"


class OrderChoice(StrEnum):
    auto = "auto"
    top = "top"
    bottom = "bottom"


class SpeedChoice(StrEnum):
    full = "15"
    half = "7.5"


class AssetChoice(StrEnum):
    inline = "inline"
    shared = "shared"


Out = Annotated[Path, typer.Option("--out", help="Folder for the outputs.", file_okay=True)]
Limits = Annotated[
    Path | None, typer.Option("--limits", exists=True, dir_okay=False, help="Limits to judge by (TOML).")
]
Deck = Annotated[
    Path | None, typer.Option("--deck", exists=True, dir_okay=False, help="What is known of the deck (TOML).")
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="No progress, no summary; errors only.")]
Json = Annotated[
    bool, typer.Option("--json", help="Print the findings to stdout: an object, or an array for several files.")
]
Assets = Annotated[AssetChoice, typer.Option("--assets", help="Script library inside each page, or once per folder.")]


def app(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Transfers, or folders to search for them.")],
    out: Out = Path("headpass-out"),
    limits: Limits = None,
    deck: Deck = None,
    every: Annotated[int, typer.Option("--every", min=1, metavar="N", help="Measure every Nth frame.")] = 1,
    start_timecode: Annotated[
        str | None,
        typer.Option("--start-timecode", metavar="TC", help="Timecode of the first frame, if the file has none."),
    ] = None,
    standard: Annotated[
        StandardChoice, typer.Option("--standard", help="Line standard of the tape.")
    ] = StandardChoice.auto,
    field_order: Annotated[
        OrderChoice, typer.Option("--field-order", help="Field that comes first in time.")
    ] = OrderChoice.auto,
    tape_speed: Annotated[SpeedChoice, typer.Option("--tape-speed", help="Inches a second.")] = SpeedChoice.full,
    workers: Annotated[int, typer.Option("--workers", min=1, metavar="N", help="Processes that share one file.")] = 1,
    no_report: Annotated[bool, typer.Option("--no-report", help="Do not write the page.")] = False,
    assets: Assets = AssetChoice.inline,
    quiet: Quiet = False,
    as_json: Json = False,
) -> None:
    """Decode, measure and judge transfers; write the findings, the page and the readings of each."""
    from detect.output.files import plan_outputs
    from detect.scan import ScanOptions

    options = ScanOptions(
        every=every,
        standard=standard.value,
        field_order=field_order.value,
        start_timecode=start_timecode,
        tape_speed=tape_speed.value,
        workers=workers,
        limits=limits,
        deck=deck,
    )
    failed = refuse_strangers(files)
    plan = plan_outputs([path for path in files if path not in failed], out)
    done = scan_all(plan, options=options, page=not no_report, assets=assets.value, quiet=quiet, as_json=as_json)
    finish(
        done,
        failed=len(failed) + len(plan) - len(done),
        quiet=quiet,
        as_json=as_json,
        several=several_given(files, plan),
    )


def several_given(files: list[Path], plan: dict[Path, OutputPaths]) -> bool:
    """Whether the user asked for more than one file (a folder counts as several, whatever it holds)."""
    return len(plan) > 1 or len(files) > 1 or any(path.is_dir() for path in files)


def refuse_strangers(files: list[Path]) -> set[Path]:
    """Inputs that are plainly no transfer: each is told on stderr, with the way out."""
    refused = set()
    for path in files:
        if (reason := _why_not(path)) is not None:
            say_error(f"{path}: {reason}")
            refused.add(path)
    return refused


def _why_not(path: Path) -> str | None:
    if path.name.endswith(".readings.zip"):
        return "these are saved readings, already measured; use headpass judge or headpass report"
    if path.name.endswith(
        (".findings.json", ".findings.csv", ".findings.vtt", ".report.html", ".signoff.json", ".dropouts.csv")
    ):
        return "this was written by headpass, it is no transfer; give the video file"
    if path.suffix.lower() == ".toml":
        return "this is a settings file; give it with --limits or --deck"
    if not path.exists():
        return "no such file or folder"
    return None


def scan_all(
    plan: dict[Path, OutputPaths], *, options: ScanOptions, page: bool, assets: str, quiet: bool, as_json: bool
) -> list[tuple[Findings, OutputPaths]]:
    """Scan each file; a failure is told on stderr and the others go on. Returns what was done, in order."""
    from cli.progress import Progress

    done: list[tuple[Findings, OutputPaths]] = []
    with Progress(quiet=quiet, files=len(plan)) as progress:
        for path, paths in plan.items():
            try:
                with made_folder(paths.folder):
                    findings = scan_one(path, paths, options=options, page=page, assets=assets, progress=progress)
            except Exception as error:
                show_trace()
                progress.drop()
                say_error(error_line(error, about=str(path)))
                continue
            done.append((findings, paths))
            if len(plan) > 1 and not quiet and not as_json:
                from cli.summary import one_line_summary

                progress.print(one_line_summary(findings, paths.name))
    return done


def scan_one(
    path: Path, paths: OutputPaths, *, options: ScanOptions, page: bool, assets: str, progress: object
) -> Findings:
    """Scan one file and write all its outputs."""
    from cli.progress import Progress
    from detect.output.files import write_outputs
    from detect.readings import Readings
    from detect.scan import scan_file

    assert isinstance(progress, Progress)
    findings = scan_file(path, options=options, readings_path=paths.readings, progress=progress.start(path))
    stills = Readings(paths.readings).stills() if page else {}
    write_outputs(findings, paths, stills=stills, page=page, assets="shared" if assets == "shared" else "inline")
    return findings


def finish(done: list[tuple[Findings, OutputPaths]], *, failed: int, quiet: bool, as_json: bool, several: bool) -> None:
    """Print the result and leave with the exit status of the contract."""
    if as_json:
        print_json([findings for findings, _ in done], several=several)
    elif not quiet:
        from cli.summary import print_summary, print_totals

        if len(done) == 1:
            print_summary(*done[0])
        elif done:
            print_totals([findings for findings, _ in done], failed=failed)
    if failed:
        raise typer.Exit(EXIT_FAILED)
    again = any(findings.verdict.transfer_again for findings, _ in done)
    raise typer.Exit(EXIT_TRANSFER_AGAIN if again else EXIT_DONE)


def print_json(done: list[Findings], *, several: bool) -> None:
    """One object for one file, an array for several; losses over the limit are in their own file."""
    from detect.output.json_file import findings_json, split_losses

    texts = [findings_json(split_losses(f, losses_name=f"{Path(f.transfer.path).name}.dropouts.csv")) for f in done]
    if several:
        print("[" + ",\n".join(text.rstrip() for text in texts) + "]")
    elif texts:
        print(texts[0], end="")
