"""The deck file: read, added to and refused as people edit it; applied to findings; trends over days."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from fabricated import clean_tape, finding

from detect.errors import BadSettings
from detect.findings import Findings, HeadValues, Value
from detect.lineup.deck_file import Deck, Entry, add_entry, read_deck
from detect.lineup.deck_on_findings import apply_deck
from detect.lineup.history import history_page, trends

WHEN = datetime(2031, 5, 4, 10, 30, tzinfo=UTC)
NUMBERED = ([6.0, -4.0, 1.0, -3.0], [0.2] * 4)
"""Heads 1 to 4."""


def entry(*, when: datetime = WHEN, order: str = "numbers", skew: float = 38.0, standard: str = "525/59.94") -> Entry:
    return Entry(
        when=when,
        file="alignment.mkv",
        standard=standard,
        order=order,
        single={"skew_ns": (skew, 0.5)},
        per_head={"saturation_pct": NUMBERED, "noise_db": ([0.0, 3.0, 0.0, -3.0], [0.2] * 4)},
        response={1.0: ([0.0] * 4, [0.05] * 4), 3.0: ([1.5, 0.0, -1.0, -0.5], [0.05] * 4)},
        tones={1: 0.4},
    )


def play(*, turn: int = 0, saturation: list[float] | None = None, wheels: int = 1, skew: float = 40.0, days: float = 2.0) -> Findings:
    """A transfer on which head A is head ``turn + 1`` of the deck."""
    base = clean_tape(minutes=1.0)

    def turned(values: list[float], sigma: float) -> HeadValues:
        return HeadValues(values=np.roll(values, -turn).tolist(), sigmas=[sigma] * 4)

    summary = base.summary.model_copy(
        update={
            "saturation_pct": turned(saturation or NUMBERED[0], 0.3),
            "noise_db": turned([0.0, 3.0, 0.0, -3.0], 0.3),
            "level_ire": None,
            "response_curve": None,
            "skew_ns": Value(value=skew, sigma=0.8),
        }
    )
    found = [
        finding(1, "skew", 0, 100, value=skew, sigma=0.8, unit="ns", heads=[]),
        finding(2, "saturation_banding", 0, 100, value=10.0, sigma=0.4, unit="%", heads=["A", "B"]),
        finding(3, "dropouts", 0, 100, value=20.0, sigma=2.0, unit="per minute", heads=[]),
    ]
    wheel = base.wheel[0].model_copy(update={"head_numbers": None})
    created = (WHEN + timedelta(days=days)).isoformat()
    return base.model_copy(update={"summary": summary, "findings": found, "wheel": [wheel] * wheels, "created": created})


def deck_file(tmp_path: Path, *entries: Entry) -> Path:
    path = tmp_path / "deck.toml"
    for e in entries:
        add_entry(path, e, name="Deck 2")
    return path


def test_an_entry_comes_back_as_it_was_written(tmp_path: Path) -> None:
    deck = read_deck(deck_file(tmp_path, entry()))
    assert deck == Deck("Deck 2", (entry(),), {})


def test_comments_and_order_survive_an_addition(tmp_path: Path) -> None:
    path = deck_file(tmp_path, entry())
    path.write_text("# new heads fitted in May\n" + path.read_text("utf-8").replace("[limits]", "[limits]\nskew_ns = 15 # ours"))
    add_entry(path, entry(when=WHEN + timedelta(days=7)))
    text = path.read_text("utf-8")
    assert text.startswith("# new heads fitted in May")
    assert "skew_ns = 15 # ours" in text
    assert len(read_deck(path).entries) == 2
    assert not list(tmp_path.glob(".*.part"))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("schema = 7", "schema 7"),
        ("[[lineup]]\ndate = 3", "is no date"),
        ("[lineup]\ndate = 2031-05-04", "double brackets"),
        ("[[lineup]]\ndate = 2031-05-04\nsaturation_pct = [1, 2]", "list of 4 numbers"),
        ('[[lineup]]\ndate = 2031-05-04\norder = "heads"', '"numbers" or "letters"'),
        ("[[lineup]]\ndate = 2031-05-04\nskew_ns = nan", "not a number"),
        ("[limits]\nskew_ns = -1", "above zero"),
        ("not toml", "cannot read this deck file"),
    ],
)
def test_a_damaged_deck_file_is_refused_by_name(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "deck.toml"
    path.write_text(text)
    with pytest.raises(BadSettings, match=said) as error:
        read_deck(path)
    assert str(path) in str(error.value)
    assert "\n" not in str(error.value)


def test_a_damaged_deck_file_is_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "deck.toml"
    path.write_text("schema = 7")
    with pytest.raises(BadSettings):
        add_entry(path, entry())
    assert path.read_text() == "schema = 7"


@pytest.mark.parametrize("turn", range(4))
def test_a_later_play_is_numbered_and_attributed(tmp_path: Path, turn: int) -> None:
    found = apply_deck(play(turn=turn), deck_file(tmp_path, entry()))
    assert found.wheel[0].head_numbers == [(turn + k) % 4 + 1 for k in range(4)]
    skew, saturation, _ = found.findings
    assert skew.causes[0].origin == "playback"
    assert "2 days before the deck had 38.0" in skew.causes[0].because
    assert saturation.causes[0].origin == "playback"
    assert f"A is head {turn + 1}" in saturation.text
    assert saturation.heads == ["A", "B"]


def test_what_the_deck_did_not_have_was_recorded_in(tmp_path: Path) -> None:
    skew = apply_deck(play(), deck_file(tmp_path, entry(skew=0.5))).findings[0]
    assert skew.causes[0].origin == "recording"
    assert skew.text.endswith("the deck did not have it on the alignment tape.")
    assert all(c.likelihood == "less likely" for c in skew.causes[1:] if c.origin == "playback")


@pytest.mark.parametrize("days", [90.0, -90.0])
def test_an_old_line_up_is_a_hint_and_no_proof(tmp_path: Path, days: float) -> None:
    cause = apply_deck(play(days=days), deck_file(tmp_path, entry())).findings[0].causes[0]
    assert cause.origin == "playback"
    assert cause.likelihood == "possible"
    assert "90 days away: the deck may have been set since" in cause.because
    assert ("90 days before" if days > 0 else "90 days afterwards") in cause.because


def test_what_a_line_up_says_nothing_about_is_left_alone(tmp_path: Path) -> None:
    before = play()
    assert apply_deck(before, deck_file(tmp_path, entry())).findings[2] == before.findings[2]


def test_it_is_said_when_heads_cannot_be_numbered(tmp_path: Path) -> None:
    several = apply_deck(play(wheels=2), deck_file(tmp_path, entry()))
    assert all(w.head_numbers is None for w in several.wheel)
    assert "locked more than once" in several.warnings[-1]
    strange = apply_deck(play(saturation=[0.0, 14.0, -14.0, 0.0]), deck_file(tmp_path, entry()))
    assert strange.wheel[0].head_numbers is None
    assert "not numbered" in strange.warnings[-1]
    other = tmp_path / "other"
    other.mkdir()
    lettered = apply_deck(play(), deck_file(other, entry(order="letters")))
    assert lettered.wheel[0].head_numbers is None
    assert lettered.findings[1].causes[0].origin == "either"


def test_a_deck_without_a_line_up_in_the_standard_attributes_nothing(tmp_path: Path) -> None:
    before = play()
    after = apply_deck(before, deck_file(tmp_path, entry(standard="625/50")))
    assert after.findings == before.findings
    assert "no line-up in 525/59.94" in after.warnings[-1]


def history(slope_ns_per_day: float, *, points: int = 8) -> Deck:
    rng = np.random.default_rng(4)
    days = np.arange(points) * 7.0
    made = [entry(when=WHEN + timedelta(days=float(d)), skew=float(5 + slope_ns_per_day * d + rng.normal(0, 0.5))) for d in days]
    return Deck("Deck 2", tuple(made), {})


def test_days_to_limit_follow_the_slope() -> None:
    skew = next(t for t in trends(history(0.2)) if t.name == "skew_ns")
    assert skew.slope_per_day == pytest.approx(0.2, abs=0.03)
    # from 5 + 0.2 x 49 = 14.8 ns to the default limit of 25 ns: 51 days
    assert skew.days_to_limit == pytest.approx((25 - 14.8) / 0.2, rel=0.2)


def test_a_figure_past_its_limit_is_past_whatever_its_trend() -> None:
    deck = Deck("Deck 2", (entry(skew=38.0),), {})
    assert next(t for t in trends(deck) if t.name == "skew_ns").days_to_limit == 0.0


def test_standards_have_trends_of_their_own() -> None:
    days = [timedelta(days=7 * k) for k in range(8)]
    other = "625/50"
    made = [entry(when=WHEN + d, standard=s, skew=20.0 if s == other else 5.0) for d in days for s in ("525/59.94", other)]
    found = [t for t in trends(Deck("Deck 2", tuple(made), {})) if t.name == "skew_ns"]
    assert {t.standard: set(t.values) for t in found} == {"525/59.94": {5.0}, other: {20.0}}


def test_no_days_without_a_trend_or_with_few_points() -> None:
    assert next(t for t in trends(history(0.0)) if t.name == "skew_ns").days_to_limit is None
    assert next(t for t in trends(history(0.2, points=3)) if t.name == "skew_ns").slope_per_day is None


def test_the_history_page_stands_alone() -> None:
    deck = history(0.2)
    page = history_page(deck, trends(deck))
    assert "Deck 2" in page
    assert 'src="http' not in page
