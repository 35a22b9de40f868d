"""Pictures that did not come or came damaged, gathered while a file is read: counted all, listed as far as that helps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from detect.measure.decoding import Trouble
from detect.measure.fields import Frame

MOST_LISTED = 20
"""Places listed one by one; a file that is damaged in more is damaged throughout."""


@dataclass(slots=True)
class _Place:
    first: int
    last: int
    text: str


@dataclass(slots=True)
class TroubleLog:
    """``undecodable``: pictures in the file that gave nothing or came with complaints; ``missing``: left out by the
    file's own times."""

    undecodable: int = 0
    damaged: int = 0
    missing: int = 0
    _places: list[_Place] = field(default_factory=list)
    _more: int = 0

    def take(self, trouble: Trouble) -> None:
        """A report of ``read_frames``."""
        if trouble.kind == "cut_off" and trouble.frames:
            return  # what is missing at the end is said once, with the length
        if trouble.kind == "missing":
            self.missing += trouble.frames
        elif trouble.kind != "cut_off":
            self.undecodable += trouble.frames
        self._list(trouble.frame, trouble.frame + max(trouble.frames, 1) - 1, trouble.text)

    def take_damaged(self, frame: Frame) -> None:
        """A frame that came, but damaged."""
        self.damaged += 1
        self.undecodable += 1
        self._list(frame.number, frame.number, f"decoded with complaints, left out ({frame.complaint or 'damaged'})")

    def _list(self, first: int, last: int, text: str) -> None:
        before = self._places[-1] if self._places else None
        if before is not None and before.last == first - 1 and before.text == text:
            before.last = last
        elif len(self._places) < MOST_LISTED:
            self._places.append(_Place(first, last, text))
        else:
            self._more += 1

    def lines(self, label: Callable[[int], str | None]) -> list[str]:
        """One sentence for each place, with frame and timecode, and the sum where there are many."""
        out = [f"{_where(place, label)}: {place.text}" for place in self._places]
        if self._more:
            out.append(f"and {self._more} more places where pictures are damaged or do not come")
        if self.damaged > 1:
            out.append(f"{self.damaged} frames decoded with complaints and were left out")
        return out


def _where(place: _Place, label: Callable[[int], str | None]) -> str:
    if place.first == place.last:
        timecode = label(place.first)
        return f"frame {place.first}" + (f" ({timecode})" if timecode else "")
    first, last = label(place.first), label(place.last)
    return f"frames {place.first} to {place.last}" + (f" ({first} to {last})" if first and last else "")
