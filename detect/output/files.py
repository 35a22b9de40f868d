"""Which files an input leaves behind, and writing them whole: to a temporary name in the same folder, then renamed."""

from __future__ import annotations

import os
import sys
import tempfile
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from detect.errors import CannotRead, OutputClash
from detect.findings import Findings
from detect.output.csv_file import findings_csv, losses_csv
from detect.output.json_file import findings_json, read_findings, split_losses
from detect.output.signoff import SignOff, read_signoffs, signoffs_json
from detect.output.vtt_file import findings_vtt
from detect.readings import Excerpt

VIDEO_SUFFIXES = frozenset((
    ".mkv", ".mov", ".avi", ".mxf", ".mp4", ".m4v", ".mpg", ".mpeg", ".m2v", ".m2t", ".m2ts", ".mts", ".ts", ".vob",
    ".dv", ".dif", ".qt", ".nut", ".gxf", ".y4m",
))  # fmt: skip
"""What a folder is searched for; a file given by name is tried whatever its name."""
_ENDINGS = (
    ".findings.json",
    ".findings.csv",
    ".findings.vtt",
    ".report.html",
    ".readings.zip",
    ".dropouts.csv",
    ".signoff.json",
)
_LONGEST_NAME_BYTES = 255
"""Longest file name of the usual file systems."""
SHARED_LIBRARY = "headpass-plotly.min.js"
"""The script library beside the pages that were written with ``assets="shared"``."""


@dataclass(frozen=True, slots=True)
class OutputPaths:
    """Every file of one input: ``folder / (name + ending)``."""

    folder: Path
    name: str

    def _with(self, ending: str) -> Path:
        return self.folder / f"{self.name}{ending}"

    @property
    def findings_json(self) -> Path:
        return self._with(".findings.json")

    @property
    def findings_csv(self) -> Path:
        return self._with(".findings.csv")

    @property
    def findings_vtt(self) -> Path:
        return self._with(".findings.vtt")

    @property
    def report(self) -> Path:
        return self._with(".report.html")

    @property
    def readings(self) -> Path:
        return self._with(".readings.zip")

    @property
    def dropouts_csv(self) -> Path:
        return self._with(".dropouts.csv")

    @property
    def signoff(self) -> Path:
        return self._with(".signoff.json")

    def all(self) -> list[Path]:
        return [self._with(ending) for ending in _ENDINGS]


def outputs_beside(path: Path) -> OutputPaths:
    """The outputs that belong to one of them, such as a saved readings file."""
    for ending in _ENDINGS:
        if path.name.endswith(ending):
            return OutputPaths(path.parent, path.name.removesuffix(ending))
    return OutputPaths(path.parent, path.name)


def find_videos(folder: Path, *, skip: Path | None = None) -> list[Path]:
    """Video files anywhere below a folder, in order of name; hidden ones and everything below ``skip`` are left out."""
    found: list[Path] = []
    skipped = skip.resolve() if skip else None
    for place, folders, names in os.walk(folder):
        here = Path(place)
        folders[:] = sorted(d for d in folders if not d.startswith(".") and (here / d).resolve() != skipped)
        found += [here / n for n in sorted(names) if not n.startswith(".") and Path(n).suffix.lower() in VIDEO_SUFFIXES]
    return found


def plan_outputs(inputs: Iterable[Path], out: Path) -> dict[Path, OutputPaths]:
    """For every file to scan, where its outputs go. Files come in the order given; one given twice is scanned once.

    A file found through a folder keeps its place below that folder; a file given by name keeps its full name.
    Raises OutputClash when two inputs would share an output or one would be overwritten; CannotRead for a folder
    without video.
    """
    wanted = _wanted(inputs, out)
    owners: dict[str, Path] = {}
    for path, paths in wanted.items():
        if len(os.fsencode(paths.name)) + max(map(len, _ENDINGS)) > _LONGEST_NAME_BYTES:
            raise OutputClash(
                f"{path}: the name is too long for the files that would be written; rename a copy or link to it"
            )
        for output in paths.all():
            other = owners.setdefault(_same_file_key(output), path)
            if other != path:
                raise OutputClash(
                    f"{other} and {path} would both write {output}; scan them into different folders (--out), "
                    "or give the folder above both"
                )
    for path in wanted:
        if (owner := owners.get(_same_file_key(path))) is not None:
            raise OutputClash(f"{path}: would be overwritten by an output of {owner}; choose another folder (--out)")
    return wanted


def _wanted(inputs: Iterable[Path], out: Path) -> dict[Path, OutputPaths]:
    wanted: dict[Path, OutputPaths] = {}
    seen: set[Path] = set()
    for given in inputs:
        found = [given]
        if given.is_dir():
            found = find_videos(given, skip=out)
            if not found:
                raise CannotRead(f"{given}: no video files in this folder or below it")
        for path in found:
            real = path.resolve()
            if real in seen:
                continue
            seen.add(real)
            folder = out / path.parent.relative_to(given) if path != given else out
            wanted[path] = OutputPaths(folder, path.name)
    return wanted


def _same_file_key(path: Path) -> str:
    """Equal for two paths that the system takes for one file; some ignore letter case and composed accents."""
    text = str(path.resolve())
    return unicodedata.normalize("NFC", text).casefold() if sys.platform in ("win32", "darwin") else text


def write_whole(path: Path, data: bytes) -> None:
    """Write under a temporary name beside ``path``, then rename: readers see the old file or the new, never half."""
    temp: str | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temp = tempfile.mkstemp(prefix=".headpass-", suffix=".part", dir=path.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        os.chmod(temp, 0o666 & ~_umask())
        os.replace(temp, path)
    except OSError as error:
        raise OutputClash(
            f"{path}: cannot be written ({error.strerror or error}); choose another folder (--out)"
        ) from error
    finally:
        if temp is not None:
            Path(temp).unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def write_outputs(
    findings: Findings,
    paths: OutputPaths,
    *,
    stills: Mapping[tuple[int, str], bytes] | None = None,
    excerpt: Excerpt | None = None,
    page: bool = True,
    assets: Literal["inline", "shared"] = "inline",
) -> None:
    """Write findings.json, .csv, .vtt, the list of losses when it is long, and the page. Raises OutputClash.

    ``stills`` are JPEG data by (frame, style). findings.json goes last: where it exists, the others are complete.
    """
    slim = split_losses(findings, losses_name=paths.dropouts_csv.name)
    if slim.dropouts is None and findings.dropouts:
        write_whole(paths.dropouts_csv, losses_csv(findings.dropouts))
    else:
        paths.dropouts_csv.unlink(missing_ok=True)
    write_whole(paths.findings_csv, findings_csv(findings))
    write_whole(paths.findings_vtt, findings_vtt(findings))
    if page:
        write_page(findings, paths, stills=stills or {}, excerpt=excerpt, assets=assets)
    write_whole(paths.findings_json, findings_json(slim).encode("utf-8", "replace"))


def write_page(
    findings: Findings,
    paths: OutputPaths,
    *,
    stills: Mapping[tuple[int, str], bytes],
    excerpt: Excerpt | None = None,
    assets: Literal["inline", "shared"] = "inline",
) -> None:
    """Write the page alone, with the sign-offs that lie beside it. Raises OutputClash, BadReadings."""
    from detect.output.page import library_js, render_page

    signoffs = read_signoffs(paths.signoff)
    library = SHARED_LIBRARY if assets == "shared" else None
    if library is not None and not (paths.folder / library).is_file():
        write_whole(paths.folder / library, library_js().encode())
    text = render_page(
        findings, name=paths.name, stills=stills, excerpt=excerpt, signoffs=signoffs, library_file=library
    )
    write_whole(paths.report, text.encode("utf-8", "replace"))


def add_signoff(paths: OutputPaths, *, decision: str, by: str, reason: str, date: str) -> SignOff:
    """Put a decision beside the findings; earlier ones are kept. Raises BadReadings when there is nothing to sign."""
    findings = read_findings(paths.findings_json)
    signoff = SignOff.model_validate(
        {
            "decision": decision,
            "by": by,
            "reason": reason,
            "date": date,
            "outcome": findings.verdict.outcome,
            "judged": findings.created,
        }
    )
    write_whole(paths.signoff, signoffs_json([*read_signoffs(paths.signoff), signoff]).encode())
    return signoff
