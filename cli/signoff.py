"""headpass signoff: write a person's decision beside the findings and show it on the page."""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class DecisionChoice(StrEnum):
    accept = "accept"
    transfer_again = "transfer-again"
    refer = "refer"


def app(
    findings: Annotated[Path, typer.Argument(metavar="FINDINGS", help="NAME.findings.json.")],
    decision: Annotated[DecisionChoice, typer.Option("--decision", help="What was decided.")],
    by: Annotated[str, typer.Option("--by", help="Who decided.")],
    reason: Annotated[str, typer.Option("--reason", help="Why.")],
) -> None:
    """Write a person's decision beside the findings; it survives judging again and shows on the page."""
    from detect.output.files import add_signoff, outputs_beside, write_page
    from detect.output.json_file import read_findings
    from detect.readings import Readings

    for name, text in (("--by", by), ("--reason", reason)):
        if not text.strip():
            raise typer.BadParameter("must not be empty", param_hint=name)
    _must_be_findings(findings)
    paths = outputs_beside(findings)
    add_signoff(
        paths,
        decision=decision.value,
        by=by.strip(),
        reason=reason.strip(),
        date=datetime.now(UTC).isoformat(timespec="seconds"),
    )
    print(f"Written: {paths.signoff}")
    if paths.report.exists() and paths.readings.exists():
        saved = Readings(paths.readings)
        write_page(read_findings(findings), paths, stills=saved.stills(), excerpt=saved.excerpt())
        print(f"Written: {paths.report}")
    else:
        print("No page to show it on yet; headpass report makes one.")


def _must_be_findings(path: Path) -> None:
    from detect.errors import BadReadings

    if path.is_file() and not path.name.endswith(".findings.json"):
        raise BadReadings(f"{path}: sign-off goes with a NAME.findings.json; give that file")
