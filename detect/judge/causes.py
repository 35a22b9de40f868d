"""Causes as data: causes.toml says what to suspect for a kind of finding, why, what to check, and the caution that goes with it."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from importlib import resources
from typing import Any

from detect.findings import Cause, FindingKind


@lru_cache(maxsize=1)
def _table() -> dict[str, Any]:
    return tomllib.loads(resources.files("detect.judge").joinpath("causes.toml").read_text("utf-8"))


def causes_for(kind: FindingKind, *, words: frozenset[str] = frozenset()) -> list[Cause]:
    """Causes of a kind of finding, likeliest first; ``words`` are the circumstances that hold."""
    table = _table()
    return [
        Cause(
            cause=row["cause"],
            origin=row["origin"],
            likelihood=row["likelihood"],
            because=row["because"],
            check=row["check"],
            caution=table["cautions"].get(row.get("caution", "")),
        )
        for row in table["cause"]
        if row["kind"] == kind and set(row.get("when", ())) <= words
    ]
