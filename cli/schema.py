"""headpass schema: the JSON Schema of findings.json."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def app(
    out: Annotated[
        Path | None, typer.Option("--out", dir_okay=False, help="Write to this file instead of stdout.")
    ] = None,
) -> None:
    """Print the JSON Schema of findings.json."""
    from detect.output.files import write_whole
    from detect.output.json_file import schema_text

    if out is None:
        print(schema_text(), end="")
    else:
        write_whole(out, schema_text().encode())
