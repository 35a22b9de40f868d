"""docs/limits.md prints the limits file as it is."""

from __future__ import annotations

from pathlib import Path

from detect.judge.limits import parse_limits

ROOT = Path(__file__).parents[1]


def blocks() -> list[str]:
    text = (ROOT / "docs" / "limits.md").read_text("utf-8")
    return [part.split("```")[0] for part in text.split("```toml\n")[1:]]


def test_the_document_prints_the_limits_file_unchanged() -> None:
    assert blocks()[0] == (ROOT / "detect" / "judge" / "limits.toml").read_text("utf-8")


def test_the_example_is_accepted_and_keeps_the_other_defaults() -> None:
    limits = parse_limits(blocks()[1], where="example")
    assert limits.flag("saturation_pct") == 3.0
    assert limits.table["verdict"]["affected_pct"] == 5.0
    assert limits.flag("hue_deg") == parse_limits("", where="nothing").flag("hue_deg")
