"""A deck file applied to the findings of a scan: the one entry for those who scan."""

from __future__ import annotations

from pathlib import Path

from detect.findings import Findings
from detect.lineup.deck_file import read_deck
from detect.lineup.with_deck import with_deck


def apply_deck(findings: Findings, deck_path: Path) -> Findings:
    """The findings with what the deck file knows: heads numbered where their signatures match, and each finding's origin.

    Where the heads cannot be numbered, or nothing can be attributed, a warning says so and the rest is unchanged.

    Raises:
        BadSettings: the deck file is missing or damaged.
    """
    return with_deck(findings, read_deck(deck_path))
