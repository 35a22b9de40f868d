"""Two captures round a trial turn: what changed, which way, and how much further to turn. Refuses what cannot be compared."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from detect.errors import NotMeasurable
from detect.findings import HeadValues
from detect.lineup.advice import ELECTRONIC, HANDLING, TRIMMING
from detect.lineup.numbering import Quantity, number_heads
from detect.lineup.result import LETTERS, LineupResult
from detect.lineup.turn import NOISE_SIGMAS, Reading, TurnAdvice, advise_turn
from detect.standards import HEADS

SAME_PACKET_MHZ = 0.1
_STEADY: dict[str, float] = {"quadrature_ns": 1.0, "noise_db": 0.2, "hue_deg": 0.3}
"""What a turn of guide or equaliser leaves alone, and how far it wanders between two captures minutes apart (one sigma): by
these the heads of the two captures are matched."""


@dataclass(frozen=True, slots=True)
class Change:
    """One figure before and after. ``head``: name of the head, None for a figure of all. ``advice`` towards zero, None for
    figures that no adjuster of the deck sets to zero."""

    figure: str
    head: str | None
    unit: str
    before: Reading
    after: Reading
    advice: TurnAdvice | None
    caution: str

    @property
    def significance(self) -> float:
        """Change over its standard error."""
        sigma = float(np.hypot(self.before.sigma, self.after.sigma))
        return (self.after.value - self.before.value) / sigma if sigma > 0 else 0.0

    @property
    def changed(self) -> bool:
        return abs(self.significance) > NOISE_SIGMAS

    def to_json(self) -> dict[str, Any]:
        return {**asdict(self), "significance": self.significance, "changed": self.changed}


@dataclass(frozen=True, slots=True)
class Comparison:
    """All figures in common, the one that the turn moved most (an index into ``changes``), and what was left out."""

    changes: tuple[Change, ...]
    main: int | None
    turned: float
    notes: tuple[str, ...]
    settled: bool = False
    """No time error is left to see after the turn."""

    def to_json(self) -> dict[str, Any]:
        return {
            "turned": self.turned,
            "main": self.main,
            "settled": self.settled,
            "changes": [c.to_json() for c in self.changes],
            "notes": list(self.notes),
        }


def refuse_strangers(before: LineupResult, after: LineupResult) -> None:
    """Raise NotMeasurable, with the reason and the way out, for captures that cannot be compared."""
    names = f"{before.path} and {after.path}"
    if before.standard != after.standard:
        raise NotMeasurable(f"{names}: {before.standard} against {after.standard}; compare captures of one standard")
    if not {s.name for s in before.signals if s.measured} & {s.name for s in after.signals if s.measured}:
        raise NotMeasurable(f"{names}: no line-up signal in common; play the same signal before and after the turn")
    bases = {before.figures.time_base, after.figures.time_base} - {"undetermined"}
    if len(bases) > 1:
        raise NotMeasurable(
            f"{names}: one is line-corrected and the other is not; leave the time-base corrector as it is for both captures"
        )
    for one, other in ((before, after), (after, before)):
        if other.figures.time_base == "undetermined" and _displaced_heads(one):
            raise NotMeasurable(
                f"{names}: {one.path} shows displaced heads and {other.path} no time error at all, which no turn does; leave the "
                "time-base corrector as it is for both captures"
            )
    shares = before.figures.left_share, after.figures.left_share
    if None not in shares and abs((shares[0] or 0.0) - (shares[1] or 0.0)) > 0.2:
        raise NotMeasurable(f"{names}: the time-base corrector was set differently; leave it as it is for both captures")


def _displaced_heads(result: LineupResult) -> bool:
    """Whether quadrature stands out: no guide adjuster takes it away, a corrector does."""
    found = result.figures.quadrature_ns
    pairs = zip(found.values, found.sigmas, strict=True) if found is not None else ()
    return any(v is not None and s is not None and abs(v) > max(NOISE_SIGMAS * s, 1.0) for v, s in pairs)


def compare_lineups(before: LineupResult, after: LineupResult, *, turned: float = 1.0, figure: str | None = None) -> Comparison:
    """Compare two line-ups round a turn of ``turned`` trial turns. ``figure``: the one that was meant to move, else the one
    that moved most.

    Raises NotMeasurable for captures that cannot be compared, ValueError for an unknown figure or a turn of zero.
    """
    refuse_strangers(before, after)
    changes: list[Change] = []
    notes: list[str] = []
    for key in ("skew_ns", "scallop_ns"):
        b, a = getattr(before.figures, key), getattr(after.figures, key)
        if b is None or a is None or None in (b.value, b.sigma, a.value, a.sigma):
            continue
        readings = Reading(b.value, b.sigma), Reading(a.value, a.sigma)
        changes.append(Change(key, None, "ns", *readings, advise_turn(*readings, turned=turned), TRIMMING))
    changes += _per_head(before, after, turned, notes)
    changes += _tones(before, after, turned)
    settled = before.figures.time_base == "uncorrected" and after.figures.time_base == "undetermined"
    if settled:
        notes.append(
            "no time error shows after the turn: the guide and the heads are right, and it is time to stop, unless the time-base "
            "corrector was switched in between the captures"
        )
    if not changes:
        raise NotMeasurable(f"{before.path} and {after.path}: no figure in common; capture bars or multiburst both times")
    return Comparison(tuple(changes), _main(changes, figure, settled=settled), turned, tuple(notes), settled)


def _main(changes: list[Change], figure: str | None, *, settled: bool) -> int | None:
    if figure is not None:
        wanted = [k for k, c in enumerate(changes) if figure in (c.figure, c.figure.rsplit("_", 1)[0])]
        if not wanted and settled:
            return None
        if not wanted:
            raise ValueError(f"no figure {figure!r} in both captures; there are {', '.join(sorted({c.figure for c in changes}))}")
        return max(wanted, key=lambda k: abs(changes[k].significance))
    moved = [k for k, c in enumerate(changes) if c.changed and c.advice is not None]
    return max(moved, key=lambda k: abs(changes[k].significance)) if moved else None


def _quantity(values: HeadValues | None) -> Quantity | None:
    if values is None or any(v is None for v in (*values.values, *values.sigmas)):
        return None
    return [float(v) for v in values.values if v is not None], [float(s) for s in values.sigmas if s is not None]


def _steady(result: LineupResult) -> dict[str, Quantity]:
    found = {k: _quantity(getattr(result.figures, k)) for k in _STEADY}
    return {k: v for k, v in found.items() if v is not None}


def _turn_between(before: LineupResult, after: LineupResult) -> int | None:
    """By how many places the letters of ``after`` are turned against those of ``before``; None when it cannot be told."""
    if not (before.wheel.locked and after.wheel.locked):
        return None
    mine, theirs = before.wheel.head_numbers, after.wheel.head_numbers
    if mine is not None and theirs is not None:
        return mine.index(theirs[0])
    found = number_heads(_steady(after), _steady(before), drift=_STEADY)
    return None if found.numbers is None else found.numbers[0] - 1


def _response_at(result: LineupResult, mhz: float) -> Quantity | None:
    response = result.figures.response
    if response is None:
        return None
    near = min(range(len(response.mhz)), key=lambda k: abs(response.mhz[k] - mhz))
    if abs(response.mhz[near] - mhz) > SAME_PACKET_MHZ:
        return None
    return _quantity(HeadValues(values=[r[near] for r in response.db], sigmas=[r[near] for r in response.sigma_db]))


def _per_head(before: LineupResult, after: LineupResult, turned: float, notes: list[str]) -> list[Change]:
    turn = _turn_between(before, after)
    if turn is None:
        notes.append(
            "heads were not compared one by one: letters mean nothing from one capture to the next, and nothing told which is "
            "which; mute a channel in both (--muted)"
        )
        return []
    found: list[tuple[str, str, Quantity | None, Quantity | None, str, bool]] = [
        (key, unit, _quantity(getattr(before.figures, key)), _quantity(getattr(after.figures, key)), caution, settable)
        for key, unit, caution, settable in (
            ("quadrature_ns", "ns", HANDLING, False),
            ("saturation_pct", "%", ELECTRONIC, True),
            ("hue_deg", "degrees", ELECTRONIC, False),
            ("level_ire", "IRE", ELECTRONIC, True),
            ("noise_db", "dB", HANDLING, False),
        )
    ]
    if before.figures.response is not None:
        for mhz in before.figures.response.mhz[1:]:
            pair = _response_at(before, mhz), _response_at(after, mhz)
            found.append((f"response_db at {mhz:.2f} MHz", "dB", *pair, ELECTRONIC, True))
    out = []
    numbers = before.wheel.head_numbers
    for key, unit, b, a, caution, settable in found:
        if b is None or a is None:
            continue
        for h in range(HEADS):
            k = (h - turn) % HEADS
            readings = Reading(b[0][h], b[1][h]), Reading(a[0][k], a[1][k])
            name = LETTERS[h] if numbers is None else str(numbers[h])
            advice = advise_turn(*readings, turned=turned) if settable else None
            out.append(Change(key, name, unit, *readings, advice, caution))
    return out


def _tones(before: LineupResult, after: LineupResult, turned: float) -> list[Change]:
    if before.audio is None or after.audio is None:
        return []
    out = []
    for tone in before.audio.tones:
        same = [
            t
            for t in after.audio.tones
            if t.channel == tone.channel and t.hz is not None and tone.hz is not None and abs(t.hz / tone.hz - 1) < 0.02
        ]
        if not same or tone.above_reference_db is None or same[0].above_reference_db is None:
            continue
        readings = (
            Reading(tone.above_reference_db, max(tone.sigma_db or 0.0, 0.01)),
            Reading(same[0].above_reference_db, max(same[0].sigma_db or 0.0, 0.01)),
        )
        advice = advise_turn(*readings, turned=turned)
        out.append(Change(f"tone_db channel {tone.channel}", None, "dB", *readings, advice, ELECTRONIC))
    return out


def in_words(change: Change, *, turned: float) -> str:
    """What to do about one figure, in a sentence or two."""
    said = f"{change.before.value:+.2f} ±{change.before.sigma:.2f} {change.unit}"
    now = f"{change.after.value:+.2f} ±{change.after.sigma:.2f} {change.unit}"
    what = change.figure.replace("_", " ").rsplit(" ", 1)[0] if change.figure.count("_") == 1 else change.figure
    head = f" of head {change.head}" if change.head else ""
    move = f"The turn took {what}{head} from {said} to {now}."
    advice = change.advice
    if advice is None:
        return move
    if advice.action == "stop":
        return f"{move} That is within its noise of zero: stop here."
    if advice.action == "turn more to tell":
        return f"{move} The change is within its noise: turn further the same way, or this is another adjuster."
    assert advice.further_turns is not None
    assert advice.sigma_turns is not None
    amount = f"{abs(advice.further_turns):.2f} ±{advice.sigma_turns:.2f} of the trial turn"
    if advice.action == "go on":
        text = f"{move} Turn {amount} further the way of the trial turn."
    else:
        past = abs(advice.further_turns) + advice.overshoot_turns
        text = (
            f"{move} Zero lies {amount} back: turn back {past:.2f}, then {advice.overshoot_turns:.2f} forward again, so that the "
            "last movement goes the way of the trial turn and the screw's play is taken up."
        )
    if advice.limited:
        text += " That is as far as a straight line is to be trusted: capture and compare again."
    return text
