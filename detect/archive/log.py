"""The log of a batch: one JSON object a line, only ever added to."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

LOG_NAME = "headpass-batch.jsonl"


class Log:
    """Open for adding; a line that was cut off by a sudden end is closed first, so that every later line is whole."""

    def __init__(self, folder: Path) -> None:
        self._stream = open(folder / LOG_NAME, "ab+", buffering=0)  # noqa: SIM115 - closed by close()
        if self._stream.tell() > 0:
            self._stream.seek(-1, 2)
            if self._stream.read(1) != b"\n":
                self._stream.write(b"\n")

    def write(self, event: str, **values: Any) -> None:
        """One line; what is None is left out. Raises OSError."""
        kept = {key: value for key, value in values.items() if value is not None}
        line = {"time": datetime.now(UTC).isoformat(timespec="milliseconds"), "event": event, **kept}
        self._stream.write(json.dumps(line).encode() + b"\n")

    def close(self) -> None:
        self._stream.close()
