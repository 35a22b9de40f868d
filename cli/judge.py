"""headpass judge: other limits on saved readings, no decoding."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.common import error_line, say_error, show_trace
from cli.scan import AssetChoice, Assets, Deck, Json, Limits, Quiet, finish

if TYPE_CHECKING:
    from detect.findings import Findings
    from detect.output.files import OutputPaths

ENDING = ".readings.zip"


def app(
    readings: Annotated[
        list[Path], typer.Argument(metavar="READINGS...", help="NAME.readings.zip files, or folders of them.")
    ],
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder for the outputs (default: beside the readings).")
    ] = None,
    limits: Limits = None,
    deck: Deck = None,
    no_report: Annotated[bool, typer.Option("--no-report", help="Do not write the page.")] = False,
    assets: Assets = AssetChoice.inline,
    quiet: Quiet = False,
    as_json: Json = False,
) -> None:
    """Judge saved readings again by other limits; nothing is decoded."""
    from detect.output.files import write_outputs
    from detect.readings import Readings
    from detect.scan import judge_file

    found, failed = readings_given(readings)
    done: list[tuple[Findings, OutputPaths]] = []
    for path, paths in planned(found, out=out).items():
        try:
            findings = judge_file(path, limits=limits, deck=deck)
            saved = Readings(path)
            write_outputs(
                findings,
                paths,
                stills=saved.stills() if not no_report else {},
                excerpt=saved.excerpt(),
                page=not no_report,
                assets="shared" if assets == AssetChoice.shared else "inline",
            )
        except Exception as error:
            show_trace()
            say_error(error_line(error, about=str(path)))
            failed += 1
            continue
        done.append((findings, paths))
        if len(found) > 1 and not quiet and not as_json:
            from cli.summary import one_line_summary

            print(one_line_summary(findings, paths.name), flush=True)
    several = len(readings) > 1 or any(path.is_dir() for path in readings)
    finish(done, failed=failed, quiet=quiet, as_json=as_json, several=several)


def readings_given(given: list[Path]) -> tuple[list[Path], int]:
    """Readings files named or found in folders, each once, and how many inputs were refused (told on stderr)."""
    found: dict[Path, None] = {}
    failed = 0
    for path in given:
        if path.is_dir():
            inside = sorted(path.rglob(f"*{ENDING}"))
            if not inside:
                say_error(f"{path}: no saved readings (NAME{ENDING}) in this folder or below it")
                failed += 1
            found.update(dict.fromkeys(inside))
        elif path.name.endswith(ENDING):
            found[path] = None
        else:
            say_error(f"{path}: {_not_readings(path)}")
            failed += 1
    return list(found), failed


def _not_readings(path: Path) -> str:
    from detect.output.files import outputs_beside

    if not path.exists():
        return "no such file or folder"
    beside = outputs_beside(path).readings
    if beside.exists():
        return f"not a readings file; its readings are {beside}"
    return f"not a readings file; give the NAME{ENDING} that headpass scan wrote"


def planned(found: list[Path], *, out: Path | None) -> dict[Path, OutputPaths]:
    """Outputs beside each readings file, or in ``out``. Raises OutputClash when two would share one."""
    from detect.errors import OutputClash
    from detect.output.files import OutputPaths, outputs_beside

    plan: dict[Path, OutputPaths] = {}
    owners: dict[Path, Path] = {}
    for path in found:
        beside = outputs_beside(path)
        paths = OutputPaths(out, beside.name) if out else beside
        other = owners.setdefault(paths.findings_json.resolve(), path)
        if other != path:
            raise OutputClash(
                f"{other} and {path} would both write {paths.findings_json}; judge them into different folders (--out)"
            )
        plan[path] = paths
    return plan
