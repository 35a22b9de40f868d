"""NAME.signoff.json: what a person decided about a transfer, kept apart so that judging again keeps it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from detect.errors import BadReadings

Decision = Literal["accept", "transfer-again", "refer"]
DECISION_WORDS: dict[str, str] = {
    "accept": "Accepted",
    "transfer-again": "To be transferred again",
    "refer": "Referred to someone else",
}
SIGNOFF_SCHEMA = 1


class SignOff(BaseModel):
    """One decision. ``outcome`` and ``judged`` say what headpass had concluded, and when, as the person signed."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    decision: Decision
    by: str
    reason: str
    date: str
    outcome: str
    judged: str


def read_signoffs(path: Path) -> list[SignOff]:
    """All decisions, oldest first; an empty list where nobody has signed. Raises BadReadings when damaged."""
    try:
        raw = json.loads(path.read_text("utf-8"))
        return [SignOff.model_validate(item) for item in raw["signoffs"]]
    except FileNotFoundError:
        return []
    except (OSError, ValueError, KeyError, TypeError, ValidationError) as error:
        raise BadReadings(
            f"{path}: damaged sign-off file; put it right or move it away, it is not overwritten"
        ) from error


def signoffs_json(signoffs: list[SignOff]) -> str:
    body: dict[str, Any] = {"schema": SIGNOFF_SCHEMA, "signoffs": [item.model_dump() for item in signoffs]}
    return json.dumps(body, indent=1, ensure_ascii=False) + "\n"
