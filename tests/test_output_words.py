"""How figures are written, and the order of weight."""

from __future__ import annotations

import pytest

from detect.judge.limits import default_limits
from detect.output import words
from tests import fabricated as fab


@pytest.mark.parametrize(
    ("value", "sigma", "signed", "text"),
    [
        (41.234, 0.84, True, "+41.2 ± 0.8"),
        (-10.07, 0.12, True, "−10.07 ± 0.12"),  # noqa: RUF001 - a true minus sign is what is written
        (41.2, 12.0, True, "+41 ± 12"),
        (-0.04, 0.3, True, "0.0 ± 0.3"),
        (1234.5, 96.0, False, "1234 ± 96"),
        (0.0301, None, False, "0.030"),
        (None, 1.0, False, "–"),  # noqa: RUF001
        (3.0, float("nan"), False, "3.00"),
    ],
)
def test_a_figure_is_written_to_the_decimals_its_uncertainty_allows(value, sigma, signed, text):
    """Common practice (as in the GUM, 7.2.6): uncertainty to one digit, to two where it begins with a 1."""
    assert words.with_error(value, sigma, signed=signed) == text


def test_every_kind_outcome_origin_and_section_has_its_words():
    from typing import get_args

    from detect import findings as f

    assert set(words.KIND_WORDS) == set(get_args(f.FindingKind))
    assert set(words.OUTCOME_WORDS) == set(words.OUTCOME_MARKS) == set(get_args(f.Outcome))
    assert set(words.ORIGIN_WORDS) == set(get_args(f.Origin))
    assert set(words.SECTION_WORDS) == set(get_args(f.SectionKind))
    assert set(words.LOSS_WORDS) == set(get_args(f.LossKind))
    assert set(words.LIMIT_WORDS) == set(default_limits().table)


def test_the_verdicts_reasons_come_first_and_in_its_order():
    findings = fab.ruined_tape(minutes=8, count=60, lost=10)
    reasons = findings.verdict.reasons
    assert [f.id for f in words.ranked(findings)][: len(reasons)] == reasons
    assert len(words.ranked(findings)) == 60


def test_affected_share_counts_overlaps_once_and_programme_only():
    base = fab.one_fault_tape(minutes=2)
    found = [
        fab.finding(1, "skew", 2098, 2198),
        fab.finding(2, "scallop", 2148, 2248),
        fab.finding(3, "noise", 0, 2000),
        fab.finding(4, "hue_banding", 2300, 3000, severity="note"),
    ]
    programme = base.sections[-1]
    share = 100 * 150 / (programme.end_frame - programme.start_frame)
    assert words.affected_pct(base.model_copy(update={"findings": found})) == pytest.approx(share)


def test_names_from_outside_stay_on_one_line():
    assert words.one_line("a\nb\x1b[31m\tc") == "a b [31m c"


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("clean there points to the recording", "Clean there points to the recording."),
        ("off by -6.11 ± 0.16 % (-8.15 % against three)", "Off by −6.11 ± 0.16 % (−8.15 % against three)."),  # noqa: RUF001
        ("stretched by +58.99 ± 1.95 ns", "Stretched by +59.0 ± 1.9 ns."),
        ("+1.65 um of guide travel, 3 us", "+1.65 µm of guide travel, 3 µs."),
        ("3-5 lines, p 1e-12, head-to-tape, C-3", "3-5 lines, p 1e-12, head-to-tape, C-3."),
        ("12.4 ± 0 ns?", "12.4 ± 0 ns?"),
        ("", ""),
    ],
)
def test_texts_are_read_with_true_signs_and_the_figure_of_their_finding(text, read):
    skew = fab.finding(1, "skew", 0, 10, value=58.989, sigma=1.9496)
    assert words.prose(text, findings=[skew]) == read
