"""Timecode stored picture by picture, and where it stops counting up.

Three places: subcode of DV (IEC 61834-2, SMPTE ST 314: pack 13h), time code of MPEG-2 groups of pictures (ITU-T
H.262), and SMPTE ST 12-1 labels carried with H.264 pictures.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from detect.errors import BadTimecode
from detect.measure.fields import Transfer
from detect.timecode import Counting, counting_of, frame_of, label_of, labels_per_s

DV_PACK = 0x13
"""Identity of the timecode pack (ST 314)."""
DV_PLACE = 80 * 1 + 3 + 3
"""Where it lies: in block 1 of 80 bytes, after the identities of block and subcode (three bytes each)."""
GROUP_SLACK = 3
"""Frames: a group's label may belong to the first picture shown or to the first stored."""
LEAST_RUN = 3
"""Labels in step that make a run; single wrong labels are no break."""
MOST_NOTES = 20


def label_of_packet(packet: Any, codec: str) -> str | None:
    """Label in a DV packet (any buffer of bytes), or None: none there, or not written (all ones)."""
    if codec != "dvvideo":
        return None
    data = memoryview(packet)
    if len(data) < DV_PLACE + 5 or data[DV_PLACE] != DV_PACK:
        return None
    frames, seconds, minutes, hours = data[DV_PLACE + 1 : DV_PLACE + 5]
    return _label(_bcd(hours & 0x3F), _bcd(minutes & 0x7F), _bcd(seconds & 0x7F), _bcd(frames & 0x3F), frames & 0x40)


def label_of_picture(picture: Any, codec: str) -> str | None:
    """Label carried with a decoded picture (MPEG-2 group, H.264), or None."""
    if codec not in ("mpeg2video", "h264"):
        return None
    for data in picture.side_data:
        kind = getattr(data.type, "name", "")
        if kind == "GOP_TIMECODE":
            code = int.from_bytes(bytes(data)[:8], "little")
            return _label(code >> 19 & 31, code >> 13 & 63, code >> 6 & 63, code & 63, code >> 24 & 1)
        if kind == "S12M_TIMECODE":
            words = memoryview(bytes(data)).cast("I")
            if len(words) > 1 and words[0]:
                code = words[1]
                figures = (_bcd(code & 0x3F), _bcd(code >> 8 & 0x7F), _bcd(code >> 16 & 0x7F), _bcd(code >> 24 & 0x3F))
                return _label(*figures, code >> 30 & 1)
    return None


def _bcd(code: int) -> int:
    return 10 * (code >> 4) + (code & 15)


def _label(hours: int, minutes: int, seconds: int, frames: int, drop: int) -> str | None:
    if hours > 23 or minutes > 59 or seconds > 59 or frames > 29:
        return None
    return f"{hours:02d}:{minutes:02d}:{seconds:02d}{';' if drop else ':'}{frames:02d}"


@dataclass(slots=True)
class _Run:
    lead: int
    first: int
    last: int
    labels: int = 1


@dataclass(slots=True)
class LabelWatch:
    """Follows labels through a file, picture by picture, and keeps only where they break."""

    transfer: Transfer
    _run: _Run | None = None
    _settled: _Run | None = None
    _start: str = ""
    _breaks: list[str] = field(default_factory=list)
    _many: int = 0

    def add(self, number: int, label: str | None) -> None:
        """Take the label of picture ``number``; None is passed over."""
        if label is None:
            return
        rate = labels_per_s(self.transfer.frame_rate)
        counting = Counting(rate, ";" in label and rate == 30)
        try:
            lead = frame_of(label, counting=counting) - number
        except BadTimecode:
            return
        if self._run is not None and abs(lead - self._run.lead) <= self._slack:
            self._run.last = number
            self._run.labels += 1
        else:
            self._run = _Run(lead, number, number)
        if self._run.labels == LEAST_RUN:
            self._settle(self._run, counting)

    def _settle(self, run: _Run, counting: Counting) -> None:
        before, self._settled = self._settled, run
        if before is None:
            self._compare_start(run, counting)
        if before is None or before.lead == run.lead:
            return
        self._many += 1
        if self._many <= MOST_NOTES:
            label = label_of(run.lead + run.first, counting=counting)
            self._breaks.append(
                f"timecode stored with the pictures jumps by {run.lead - before.lead:+d} frames to {label} at frame {run.first}"
            )

    def _compare_start(self, run: _Run, counting: Counting) -> None:
        """Both times, where they differ. Groups counted from zero were never set."""
        own, slack = self.transfer.start_timecode, self._slack
        here = label_of(run.lead, counting=counting)
        if own is None or here == own or (abs(run.lead) <= slack and self.transfer.codec == "mpeg2video"):
            return
        stated = counting_of(own, frame_rate=self.transfer.frame_rate)
        if stated == counting and abs(frame_of(own, counting=stated) - run.lead) <= slack:
            return
        self._start = f"timecode stored with the pictures says {here} at the first picture, the file {own}"

    @property
    def _slack(self) -> int:
        return GROUP_SLACK if self.transfer.codec == "mpeg2video" and not self.transfer.intra_only else 0

    def notes(self) -> list[str]:
        """Sentences for the reader, in order."""
        more = self._many - MOST_NOTES
        return (
            ([self._start] if self._start else [])
            + self._breaks
            + ([f"and {more} more jumps of the timecode stored with the pictures"] if more > 0 else [])
        )
