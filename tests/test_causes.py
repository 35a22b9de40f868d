"""The table of causes: every row can be told, and handling a machine or a tape never goes without its caution."""

from __future__ import annotations

from typing import Any, get_args

import pytest

from detect.findings import FindingKind
from detect.judge.causes import _table, causes_for

ROWS: list[dict[str, Any]] = _table()["cause"]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['kind']}: {row['cause'][:40]}")
def test_every_cause_is_told_where_its_words_hold(row: dict[str, Any]) -> None:
    """A word that the format of findings does not know would stop a judgement half-way."""
    told = causes_for(row["kind"], words=frozenset(row.get("when", ())))
    assert row["cause"] in [cause.cause for cause in told]
    assert row["kind"] in get_args(FindingKind)


def test_every_caution_that_is_named_is_there() -> None:
    cautions = _table()["cautions"]
    assert {row["caution"] for row in ROWS if "caution" in row} <= set(cautions)
