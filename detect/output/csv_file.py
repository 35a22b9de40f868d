# ruff: noqa: RUF001 - the full-width forms below are meant
"""findings.csv: one row per finding, for spreadsheets.

UTF-8 with a byte order mark (without it spreadsheets misread ``µ`` and file names), RFC 4180 line ends and quoting.
"""

from __future__ import annotations

import csv
import io
from typing import Final

from detect.findings import Finding, Findings, Loss
from detect.output.words import one_line

COLUMNS: Final = (
    "file", "finding", "kind", "status", "severity", "heads", "start_timecode", "end_timecode",
    "start_frame", "end_frame", "value", "sigma", "unit", "affected_pct", "text", "first_cause", "check",
)  # fmt: skip
LOSS_COLUMNS: Final = tuple(Loss.model_fields)
_STARTS_A_FORMULA: Final = tuple("=+-@\t\r\n＝＋－＠")
"""OWASP, "CSV Injection": cells that begin so are run as formulas by spreadsheets (the wide forms in some locales)."""


def safe_cell(text: str | None) -> str:
    """Text that no spreadsheet takes for a formula: one line, and an apostrophe before a dangerous first character."""
    if not text:
        return ""
    cleaned = one_line(text)
    return f"'{cleaned}" if text.startswith(_STARTS_A_FORMULA) or cleaned.startswith(_STARTS_A_FORMULA) else cleaned


def _cell(value: float | int | None) -> str:
    return "" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)


def _row(finding: Finding, *, file: str) -> list[str]:
    first = finding.causes[0] if finding.causes else None
    return [
        safe_cell(file), safe_cell(finding.id), finding.kind, finding.status, finding.severity,
        safe_cell(" ".join(finding.heads)), safe_cell(finding.start_timecode), safe_cell(finding.end_timecode),
        _cell(finding.start_frame), _cell(finding.end_frame),
        _cell(finding.value), _cell(finding.sigma), safe_cell(finding.unit), _cell(finding.affected_pct),
        safe_cell(finding.text),
        safe_cell(first.cause if first else None), safe_cell(first.check if first else None),
    ]  # fmt: skip


def _text(rows: list[list[str]]) -> bytes:
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\r\n").writerows(rows)
    return buffer.getvalue().encode("utf-8-sig", "replace")


def findings_csv(findings: Findings) -> bytes:
    """The whole file; a header row and one row per finding, in order of time as in findings.json."""
    file = findings.transfer.path
    return _text([list(COLUMNS), *(_row(finding, file=file) for finding in findings.findings)])


def losses_csv(losses: list[Loss]) -> bytes:
    """Every loss, one row each: the ``dropouts_file`` of a findings.json that would grow too large."""
    rows = [list(LOSS_COLUMNS)]
    for loss in losses:
        values = (getattr(loss, name) for name in LOSS_COLUMNS)
        rows.append([value if isinstance(value, str) else _cell(value) for value in values])
    return _text(rows)


def read_losses(data: bytes) -> list[Loss]:
    """The reverse of ``losses_csv``. Raises ValueError when a row is damaged."""
    rows = csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline=""))
    return [Loss.model_validate({key: value or None for key, value in row.items()}) for row in rows]
