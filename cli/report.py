"""headpass report: remake the page from what was saved, no decoding."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.common import EXIT_FAILED, error_line, say_error, show_trace
from cli.judge import planned, readings_given
from cli.scan import AssetChoice, Assets, Quiet

if TYPE_CHECKING:
    from detect.findings import Findings
    from detect.output.files import OutputPaths


def app(
    readings: Annotated[
        list[Path], typer.Argument(metavar="READINGS...", help="NAME.readings.zip files, or folders of them.")
    ],
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder for the pages (default: beside the readings).")
    ] = None,
    excerpt: Annotated[
        Path | None,
        typer.Option(
            "--excerpt", metavar="VIDEO", help="Add a moving excerpt of the worst 3 s: the transfer, or its folder."
        ),
    ] = None,
    assets: Assets = AssetChoice.inline,
    quiet: Quiet = False,
) -> None:
    """Remake the page of a transfer; nothing is decoded, unless a moving excerpt is asked for.

    The page shows the findings that lie beside the readings; without them, the readings are judged by the usual limits.
    The excerpt is kept with the readings, so that later pages have it too.
    """
    found, failed = readings_given(readings)
    for path, paths in planned(found, out=out).items():
        try:
            remake_page(path, paths, assets=assets.value, excerpt=excerpt)
        except Exception as error:
            show_trace()
            say_error(error_line(error, about=str(path)))
            failed += 1
            continue
        if not quiet:
            print(f"Written: {paths.report}")
    if failed:
        raise typer.Exit(EXIT_FAILED)


def remake_page(readings: Path, paths: OutputPaths, *, assets: str, excerpt: Path | None = None) -> None:
    """Write the page of one readings file; ``excerpt`` is the transfer to take a moving excerpt from."""
    from detect.output.files import write_page
    from detect.readings import Readings

    findings = saved_or_judged(readings)
    if excerpt is not None:
        from detect.excerpt import make_excerpt

        make_excerpt(readings, excerpt, findings=findings)
    saved = Readings(readings)
    shared = assets == "shared"
    write_page(
        findings, paths, stills=saved.stills(), excerpt=saved.excerpt(), assets="shared" if shared else "inline"
    )


def saved_or_judged(readings: Path) -> Findings:
    """The findings beside the readings, so that page and findings agree; judged anew only where there are none."""
    from detect.output.files import outputs_beside
    from detect.output.json_file import read_findings

    saved = outputs_beside(readings).findings_json
    if saved.exists():
        return read_findings(saved)
    from detect.scan import judge_file

    return judge_file(readings)
