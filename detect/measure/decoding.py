"""Pictures out of a file: packets in, frames with both fields as views of the decoder's buffers out.

Decoder complaints are part of what is measured. A slice checksum error in FFV1 leaves only a log line and a picture
that looks whole (RFC 9043 leaves concealment to the decoder), so the log is captured around each packet and tied to
the picture by its pts.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any, Literal

import av
import av.logging
from av.video.reformatter import VideoReformatter

from detect.errors import CannotRead
from detect.measure.fields import Frame, Timing, Transfer
from detect.measure.picture_timecode import label_of_packet, label_of_picture
from detect.measure.planes import fields_of, planes_of

TroubleKind = Literal["undecodable", "missing", "cut_off", "time"]

SEEK_MARGINS_S = (0, 1, 4, 16, 64)
"""How far before the wanted picture to look for a keyframe, in turn; the start of the file is the last resort."""
STREAMED = {"mpeg", "mpegts", "mpegvideo", "h264"}
"""Containers without an index: seeking lands inside a picture, and the first packets may carry a neighbour's time."""
UNSURE_AFTER_SEEK = 3
"""Packets not trusted after seeking in those."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """Pictures that did not come: ``frames`` of them from picture ``frame`` on.

    "undecodable": in the file, but the decoder gave no picture. "missing": the file's own times leave them out.
    "cut_off": the file ends before its header says. "time": a picture whose time is not after the one before; left out.
    """

    frame: int
    frames: int
    kind: TroubleKind
    text: str


Report = Callable[[Trouble], None]


def open_container(path: str) -> Any:
    """The container of a local file (``av.container.InputContainer``), never a playlist or a network address.

    Raises:
        CannotRead: the demuxer does not take it.
    """
    _listen()
    with av.logging.Capture(True) as log:
        try:
            return av.open(f"file:{path}", metadata_errors="replace")
        except (av.error.FFmpegError, OSError, ValueError) as error:
            if any("moov atom not found" in text for _, _, text in log):
                why = "its index is missing: cut off before it was closed; copy it again or have the index rebuilt"
                raise CannotRead(f"{path}: cannot be read, {why}") from error
            raise CannotRead(f"{path}: cannot be read as video ({_reason(error)})") from error


def read_frames(
    transfer: Transfer,
    *,
    start: int = 0,
    stop: int | None = None,
    every: int = 1,
    on_trouble: Report | None = None,
    on_sound: Callable[[Any], None] | None = None,
    threads: int = 1,
) -> Iterator[Frame]:
    """Frames ``start`` <= number < ``stop`` whose number divides by ``every``, in time order.

    However a file is cut into such slices, the frames and their numbers are the same. Planes are views of the decoder's
    buffers. With ``every`` > 1 packets are skipped undecoded where each is a keyframe. ``on_sound`` is given every packet
    of the sound streams in passing. ``threads``: decoder threads within one picture (0: as many as there are cores).

    Raises:
        CannotRead: the file can no longer be opened.
    """
    seek, begin, known = start > 0, start, transfer
    while True:
        with _opened(transfer.path, transfer.timing, threads) as (container, stream):
            piece = _Slice(begin, stop, max(1, every), seek)
            reader = _Reader(known, container, stream, piece, on_trouble, threads == 1, on_sound)
            yield from reader.frames()
        if reader.again == "as long-GOP":
            begin, known = reader.due, replace(known, intra_only=False)
        elif reader.again == "from the start":
            seek = False
        else:
            return


@contextmanager
def _opened(path: str, timing: Timing, threads: int) -> Iterator[tuple[Any, Any]]:
    container = open_container(path)
    try:
        stream = container.streams[timing.stream_index]
        stream.codec_context.thread_count = threads
        stream.codec_context.thread_type = "SLICE"
        yield container, stream
    finally:
        container.close()


def number_of(pts: int, timing: Timing) -> int:
    """Picture number of a time stamp (nearest, exact integer arithmetic)."""
    scale = timing.time_base * timing.file_rate
    return (2 * (pts - timing.origin_pts) * scale.numerator + scale.denominator) // (2 * scale.denominator)


def pts_of(number: int, timing: Timing) -> int:
    """Time stamp at which picture ``number`` is due (rounded down)."""
    return timing.origin_pts + int(number / (timing.time_base * timing.file_rate))


@dataclass(frozen=True, slots=True)
class _Slice:
    start: int
    stop: int | None
    every: int
    seek: bool


class _Reader:
    """One pass over one slice of a file. State: the next number due, packets fed, complaints not yet tied to a
    picture."""

    def __init__(
        self,
        transfer: Transfer,
        container: Any,
        stream: Any,
        piece: _Slice,
        on_trouble: Report | None,
        local_log: bool,
        on_sound: Callable[[Any], None] | None,
    ) -> None:
        self.on_sound = on_sound
        self.transfer, self.container, self.stream = transfer, container, stream
        self.start, self.stop, self.every, self.seek = piece.start, piece.stop, piece.every, piece.seek
        self.report: Report = on_trouble or (lambda _trouble: None)
        self.timing = transfer.timing
        self.local_log = local_log
        self.skipping = transfer.intra_only and self.every > 1
        self.due = self.start
        self.counted = 0
        self.fed: dict[int, str] = {}
        self.labels: dict[int, str] = {}
        self.tainted = ""
        self.first_key: int | None = None
        self.reformatter = VideoReformatter()
        self.ended = False
        self.again: Literal["", "as long-GOP", "from the start"] = ""
        """Why the slice is to be read once more: a packet was no picture of its own, or seeking found no way in."""

    def frames(self) -> Iterator[Frame]:
        for packet in self._packets():
            number = self._number_packet(packet)
            if number is not None and self.transfer.intra_only:
                if self.stop is not None and number >= self.stop:
                    yield from self._frames_of(self._flush())
                    self.ended = True
                    break
                if number < self.start:
                    continue
                if not packet.is_keyframe:
                    self.again = "as long-GOP"
                    return
                if self.skipping and number % self.every:
                    continue
            yield from self._frames_of(self._decode(packet, number))
            if self.ended:
                break
        if not self.again:
            self._close()

    def _frames_of(self, pictures: list[Any]) -> Iterator[Frame]:
        for picture in pictures:
            frame = self._frame_of(picture)
            if self.ended:
                return
            if frame is not None and frame.number % self.every == 0:
                yield frame

    # --- packets ---------------------------------------------------------------------------------------------------

    def _packets(self) -> Iterator[Any]:
        if not (self.seek and self.timing.by_pts):
            yield from self._demux()
            return
        for margin in SEEK_MARGINS_S:
            target = self.start - round(margin * float(self.timing.file_rate))
            try:
                offset = pts_of(max(0, target), self.timing)
                self.container.seek(offset, stream=self.stream, backward=True, any_frame=False)
            except av.error.FFmpegError:
                break
            packets = self._demux()
            unsure = UNSURE_AFTER_SEEK if self.transfer.container in STREAMED else 0
            first = next((p for p in islice(packets, unsure, None) if p.is_keyframe and p.pts is not None), None)
            if first is not None and number_of(first.pts, self.timing) <= self.start:
                yield first
                yield from packets
                return
            if target <= 0:
                break
        self.again = "from the start"

    def _demux(self) -> Iterator[Any]:
        sound = tuple(self.container.streams.audio) if self.on_sound is not None else ()
        packets = self.container.demux(self.stream, *sound)
        while True:
            try:
                with av.logging.Capture(self.local_log):
                    packet = next(packets)
            except (StopIteration, EOFError):
                return
            except av.error.FFmpegError as error:
                at = f"reading stops here ({_reason(error)})"
                self.report(Trouble(self.due, 0, "cut_off", at))
                return
            if packet.stream_index == self.timing.stream_index:
                yield packet
            elif self.on_sound is not None:
                self.on_sound(packet)

    def _number_packet(self, packet: Any) -> int | None:
        """Number of the picture in a packet; None where only the decoder can tell (flush, counting with reordering)."""
        if packet.size == 0:
            return None
        if self.timing.by_pts:
            number = None if packet.pts is None else number_of(packet.pts, self.timing)
            if self.first_key is None and packet.is_keyframe:
                self.first_key = number
            return number
        if self.transfer.intra_only:
            self.counted += 1
            return self.counted - 1
        return None

    # --- decoding --------------------------------------------------------------------------------------------------

    def _decode(self, packet: Any, number: int | None) -> list[Any]:
        error: Exception | None = None
        pictures: list[Any] = []
        with av.logging.Capture(self.local_log) as log:
            try:
                pictures = packet.decode()
            except (av.error.FFmpegError, EOFError) as caught:
                error = caught
        complaint = _complaint(log) if log else ""
        if packet.size and packet.is_corrupt:
            complaint = complaint or "packet is incomplete"
        if error is not None and packet.size:
            complaint = complaint or _reason(error)
        leading = number is not None and self.first_key is not None and number < self.first_key
        if packet.size and packet.is_keyframe:
            self.tainted = ""
        if complaint and not leading and not self.transfer.intra_only:
            self.tainted = complaint
        if number is not None and not leading:
            self.fed[number] = complaint or self.tainted
            label = label_of_packet(packet, self.transfer.codec)
            if label is not None:
                self.labels[number] = label
        elif complaint and not self.timing.by_pts:
            self.tainted = complaint
        if error is not None and number is not None and self.transfer.intra_only and not self.timing.by_pts:
            self._account(number)
            self.report(Trouble(number, 1, "undecodable", self.fed.pop(number)))
            self.due = number + 1
        return pictures

    def _flush(self) -> list[Any]:
        """Pictures a decoder holds back, when reading stops before the end of the file."""
        try:
            return list(self.stream.codec_context.decode(None))
        except (av.error.FFmpegError, EOFError):
            return []

    def _frame_of(self, picture: Any) -> Frame | None:
        number = self._number_picture(picture)
        complaint = self.fed.pop(number, "" if self.timing.by_pts or self.transfer.intra_only else self.tainted)
        if number < self.start:
            return None
        if number < self.due:
            self.report(Trouble(number, 1, "time", "its time is not after that of the picture before; left out"))
            return None
        self._account(number)
        if self.stop is not None and number >= self.stop:
            self.ended = True
            return None
        self.due = number + 1
        if (picture.width, picture.height) != (self.transfer.width, self.transfer.height):
            self.report(Trouble(number, 1, "undecodable", f"picture size changes to {picture.width}x{picture.height}"))
            return None
        if picture.is_corrupt:
            complaint = complaint or "the decoder calls the picture corrupt"
        planes = planes_of(picture, self.transfer.samples, self.reformatter)
        return Frame(
            number=number,
            fields=fields_of(number, planes, first_is_top=self.transfer.first_field_is_top),
            damaged=bool(complaint),
            keyframe=bool(picture.key_frame),
            complaint=complaint,
            timecode=self.labels.pop(number, None) or label_of_picture(picture, self.transfer.codec),
        )

    def _number_picture(self, picture: Any) -> int:
        if self.timing.by_pts:
            return number_of(picture.pts, self.timing) if picture.pts is not None else self.due
        if self.transfer.intra_only:
            return min(self.fed, default=self.due)
        self.counted += 1
        return self.counted - 1

    def _account(self, number: int) -> None:
        """Report pictures due before ``number`` that did not come."""
        missing: list[int] = []
        last = number if self.stop is None else min(number, self.stop)
        step = self.every if self.skipping else 1
        due = self.due + (-self.due) % step
        if last - due > 100 * step and not self.fed:
            missing = list(range(due, last, step))
        else:
            for late in range(due, last, step):
                if late in self.fed:
                    text = self.fed.pop(late) or "the decoder gave no picture"
                    self.report(Trouble(late, 1, "undecodable", text))
                else:
                    missing.append(late)
        if missing:
            self.report(Trouble(missing[0], len(missing), "missing", "the file's times leave these pictures out"))
        self.due = max(self.due, last)

    def _close(self) -> None:
        """At the end of the slice: pictures fed but never given, and a file shorter than it says."""
        if self.ended:
            if self.stop is not None and self.due < self.stop:
                self._account(self.stop)
            return
        for late in sorted(n for n in self.fed if n >= self.due and (self.stop is None or n < self.stop)):
            self._account(late)
            self.report(Trouble(late, 1, "undecodable", self.fed.pop(late) or "the decoder gave no picture"))
            self.due = late + 1
        expected = self.transfer.frames_expected
        if expected is None:
            return
        wanted = expected if self.stop is None else min(self.stop, expected)
        if wanted - self.due > self.timing.length_slack_frames:
            text = f"the file ends here; its header says {expected} pictures"
            self.report(Trouble(self.due, wanted - self.due, "cut_off", text))


# --- the decoder's log -----------------------------------------------------------------------------------------------


def _listen() -> None:
    """Let FFmpeg's complaints through, each one, and to nobody but our captures."""
    if av.logging.get_level() is None:
        av.logging.set_level(av.logging.ERROR)
    av.logging.set_skip_repeated(False)
    logger = logging.getLogger("libav")
    if not logger.handlers:
        logger.addHandler(logging.NullHandler())


def _complaint(log: list[tuple[int, str, str]]) -> str:
    errors = [f"{name}: {' '.join(text.split())}" for level, name, text in log if level <= av.logging.ERROR]
    return errors[0] if errors else ""


def _reason(error: BaseException) -> str:
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return " ".join(str(text).split())
