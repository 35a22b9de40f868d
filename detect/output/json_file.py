"""findings.json: written one object a line inside the long lists, read back, and its published schema."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from detect.errors import BadReadings
from detect.findings import SCHEMA, Findings
from detect.output.csv_file import read_losses

MOST_LOSSES_INSIDE = 10_000
"""With more losses than this they go to a file of their own (contract)."""
_LONG_LISTS = ("sections", "wheel", "windows", "findings", "dropouts", "defects", "audio", "warnings")


def _dumps(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def findings_json(findings: Findings) -> str:
    """The file's text: one line per top-level key and per item of a long list, so that it can be read and compared."""
    parts = []
    for key, value in findings.model_dump(mode="json", by_alias=True).items():
        if key in _LONG_LISTS and value:
            items = ",\n  ".join(_dumps(item) for item in value)
            parts.append(f"{_dumps(key)}: [\n  {items}\n ]")
        else:
            parts.append(f"{_dumps(key)}: {_dumps(value)}")
    return "{\n " + ",\n ".join(parts) + "\n}\n"


def split_losses(findings: Findings, *, losses_name: str) -> Findings:
    """The findings as they go to the file: losses over the limit are named as a file instead."""
    if findings.dropouts is None or len(findings.dropouts) <= MOST_LOSSES_INSIDE:
        return findings
    return findings.model_copy(update={"dropouts": None, "dropouts_file": losses_name})


def read_findings(path: Path) -> Findings:
    """A saved findings.json with its losses, from their own file where they have one.

    Raises BadReadings when the file is missing, damaged or of another schema.
    """
    try:
        raw = json.loads(path.read_text("utf-8"))
    except FileNotFoundError as error:
        raise BadReadings(f"{path}: no such findings file") from error
    except (OSError, ValueError) as error:
        raise BadReadings(
            f"{path}: not a findings file, or damaged ({error}); run headpass judge on its readings"
        ) from error
    if not isinstance(raw, dict) or "verdict" not in raw:
        raise BadReadings(f"{path}: not a findings file; give a NAME.findings.json")
    if raw.get("schema") != SCHEMA:
        raise BadReadings(
            f"{path}: findings schema {raw.get('schema')}, expected {SCHEMA}; run headpass judge on its readings"
        )
    try:
        findings = Findings.model_validate(raw)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise BadReadings(f"{path}: {where}: {first['msg']}; run headpass judge on its readings") from error
    return _join_losses(findings, folder=path.parent)


def _join_losses(findings: Findings, *, folder: Path) -> Findings:
    if findings.dropouts is not None or not findings.dropouts_file:
        return findings
    beside = folder / Path(findings.dropouts_file).name
    try:
        losses = read_losses(beside.read_bytes())
    except FileNotFoundError:
        return findings
    except (OSError, ValueError) as error:
        raise BadReadings(f"{beside}: damaged list of losses; run headpass judge on its readings") from error
    return findings.model_copy(update={"dropouts": losses, "dropouts_file": None})


def findings_schema() -> dict[str, Any]:
    """The published JSON Schema (draft 2020-12). Unknown fields are allowed: adding one breaks nobody."""
    schema = Findings.model_json_schema(by_alias=True, mode="serialization")
    for model in (schema, *schema.get("$defs", {}).values()):
        model.pop("additionalProperties", None)
    schema["properties"]["schema"] = {"const": SCHEMA, "title": "Schema"}
    schema["properties"]["limits"] = {"type": "object", "title": "Limits", "additionalProperties": True}
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": "headpass findings"}


def schema_text() -> str:
    return json.dumps(findings_schema(), indent=1, ensure_ascii=False) + "\n"
