"""Timecode labels and frame counts: pure arithmetic of SMPTE ST 12-1 (IEC 60461), drop-frame and non-drop.

Drop-frame counting leaves out labels ``;00`` and ``;01`` at the start of each minute not divisible by ten, so

    frame = 108000 h + 1800 m + 30 s + f - 2 (M - floor(M / 10)),   M = 60 h + m

and a day has 2 589 408 labels. No frame of the picture is dropped: only labels are.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from detect.errors import BadTimecode

DROPPED_PER_MINUTE = 2
"""Labels left out at a minute (ST 12-1, 30-frame counting)."""
LABEL = re.compile(r"^(\d{2})[:;.](\d{2})[:;.](\d{2})([:;.,])(\d{2})$")
DROP_MARKS = ";,"
"""Before the frames: drop-frame (common practice; a full stop is used both ways and read as drop only at 30 frames)."""


@dataclass(frozen=True, slots=True)
class Counting:
    """How labels count: ``frames_per_s`` labels to a second (25 or 30, a whole number), drop-frame or not."""

    frames_per_s: int
    drop: bool = False

    def __post_init__(self) -> None:
        if self.drop and self.frames_per_s != 30:
            raise BadTimecode(f"drop-frame counting exists at 30 labels a second only, not {self.frames_per_s}")

    @property
    def frames_per_day(self) -> int:
        """Labels in 24 hours: 2 589 408 drop-frame, 2 592 000 at 30, 2 160 000 at 25."""
        whole = 86_400 * self.frames_per_s
        return whole - DROPPED_PER_MINUTE * (1440 - 144) if self.drop else whole


def labels_per_s(frame_rate: Fraction) -> int:
    """Whole labels to a second for a picture rate: 30 for 30000/1001, 25 for 25."""
    return round(float(frame_rate))


def counting_of(label: str, *, frame_rate: Fraction) -> Counting:
    """The counting a label announces by its mark before the frames.

    Raises:
        BadTimecode: no label of that form, or drop-frame where there is none.
    """
    found = LABEL.match(label.strip())
    if found is None:
        raise BadTimecode(f"timecode {label!r} is not of the form hh:mm:ss:ff or hh:mm:ss;ff")
    rate = labels_per_s(frame_rate)
    mark = found.group(4)
    return Counting(rate, mark in DROP_MARKS or (mark == "." and rate == 30))


def frame_of(label: str, *, counting: Counting) -> int:
    """Frames from label 00:00:00:00 to ``label`` (ST 12-1).

    Raises:
        BadTimecode: wrong form, a figure out of range, or a label that drop-frame counting leaves out.
    """
    found = LABEL.match(label.strip())
    if found is None:
        raise BadTimecode(f"timecode {label!r} is not of the form hh:mm:ss:ff or hh:mm:ss;ff")
    hours, minutes, seconds, frames = (int(found.group(i)) for i in (1, 2, 3, 5))
    if hours > 23 or minutes > 59 or seconds > 59 or frames >= counting.frames_per_s:
        raise BadTimecode(
            f"timecode {label!r} does not exist: hours to 23, minutes and seconds to 59, frames to "
            f"{counting.frames_per_s - 1}"
        )
    total = (hours * 3600 + minutes * 60 + seconds) * counting.frames_per_s + frames
    if not counting.drop:
        return total
    if frames < DROPPED_PER_MINUTE and seconds == 0 and minutes % 10:
        raise BadTimecode(
            f"timecode {label!r} does not exist: drop-frame counting leaves it out; the next is "
            f"{hours:02d}:{minutes:02d}:00;02"
        )
    minute = 60 * hours + minutes
    return total - DROPPED_PER_MINUTE * (minute - minute // 10)


def label_of(frame: int, *, counting: Counting) -> str:
    """The label of a frame count; wraps at 24 hours, also below zero (ST 12-1)."""
    rate = counting.frames_per_s
    count = frame % counting.frames_per_day
    if counting.drop:
        per_minute = 60 * rate - DROPPED_PER_MINUTE
        per_ten = 10 * per_minute + DROPPED_PER_MINUTE
        tens, rest = divmod(count, per_ten)
        count += DROPPED_PER_MINUTE * 9 * tens
        if rest >= DROPPED_PER_MINUTE:
            count += DROPPED_PER_MINUTE * ((rest - DROPPED_PER_MINUTE) // per_minute)
    seconds, frames = divmod(count, rate)
    mark = ";" if counting.drop else ":"
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{mark}{frames:02d}"


def label_after(start: str | None, frames: int, *, frame_rate: Fraction) -> str:
    """The label ``frames`` pictures after ``start`` (None: from zero, non-drop).

    Raises:
        BadTimecode: ``start`` is no label that exists.
    """
    if start is None:
        return label_of(frames, counting=Counting(labels_per_s(frame_rate)))
    counting = counting_of(start, frame_rate=frame_rate)
    return label_of(frame_of(start, counting=counting) + frames, counting=counting)
