"""Open a transfer: what the file says of itself, checked against what the picture shows.

``open_transfer`` looks at a file once and says whether it can be measured; ``read_frames`` (in ``decoding``) then
yields frames, also to several workers at once, each with its own slice. A ``Transfer`` is plain data and can be sent
to another process.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import islice
from typing import Any

import av
import av.logging

from detect.errors import BadSettings, BadTimecode, CannotRead, NotMeasurable
from detect.measure import field_order as motion
from detect.measure import fitness
from detect.measure.decoding import Trouble, number_of, open_container, read_frames
from detect.measure.fields import SampleFormat, Timing, Transfer
from detect.measure.planes import PLANAR_TWIN
from detect.standards import RASTERS, STANDARDS, Raster, Standard
from detect.timecode import counting_of, frame_of

__all__ = ["Trouble", "open_transfer", "read_frames"]

# fmt: off
NO_FILM_OF_FRAMES = {
    "tty", "hls", "dash", "concat", "image2", "sdp", "rtsp", "srt", "webvtt", "lavfi", "ass", "subviewer",
}
# fmt: on
"""Demuxers that read text, playlists or stills as if they were video."""
WIDTHS = {720: 0, 704: 8}
"""Luma samples in a row, and which sample of the 720-sample active line the first is (BT.601; 704 is its middle)."""
# fmt: off
ALWAYS_INTRA = {
    "prores", "dvvideo", "v210", "v210x", "rawvideo", "mjpeg", "jpeg2000", "huffyuv", "utvideo", "dnxhd", "v308",
    "v410", "yuv4",
}
# fmt: on
"""Codecs whose every picture stands alone."""
FLAGGED_PER_PICTURE = {"mpeg2video", "h264", "dvvideo", "prores"}
"""Codecs whose pictures carry a field order that their decoder passes on."""
PROBED_PACKETS = 60
"""Packets looked at when opening; longer than the usual group of 12 to 15 pictures."""
PTS_JITTER_FRAMES = 0.3
"""Time stamps further than this from a picture's due time are not trusted; millisecond stamps are within 0.02."""
RATE_TOLERANCE = 2e-4
"""Relative; 30 for 30000/1001 differs by 1e-3."""
FIRST_IS_TOP = {2: True, 3: False, 4: False, 5: True}
"""FFmpeg's AVFieldOrder: TT, BB, TB (top stored first, bottom shown first), BT."""
PROGRESSIVE_FLAG = 1


def open_transfer(
    path: str | os.PathLike[str],
    *,
    standard: str = "auto",
    field_order: str = "auto",
    start_timecode: str | None = None,
) -> Transfer:
    """Look at a file and say what it is.

    ``standard``: "auto", "525" or "625"; ``field_order``: "auto", "top" or "bottom" (which field is first in time);
    ``start_timecode``: label of the first frame, instead of the file's own.

    Raises:
        CannotRead: no such file, no video, nothing decodes.
        NotMeasurable: it decodes, but its rows are not the tape's lines.
        BadSettings: an option does not fit the file (BadTimecode: the label does not exist).
    """
    name = _readable(os.fspath(path))
    _check_options(standard, field_order)
    container = open_container(name)
    try:
        probe = _probe(name, container)
    finally:
        container.close()
    raster, notes = _raster(name, probe, standard)
    timecode, source, tc_notes = _start_timecode(probe, raster.standard, start_timecode)
    transfer = Transfer(
        path=name,
        size_bytes=os.path.getsize(name),
        container=probe.container,
        codec=probe.codec,
        pixel_format=probe.pixel_format,
        width=probe.width,
        height=probe.height,
        raster=raster,
        standard=raster.standard,
        samples=_samples(name, probe),
        first_field_is_top=raster.top_row_is_first_field,
        field_order_source="raster",
        frame_rate=raster.standard.frame_rate,
        frames_expected=probe.frames,
        start_timecode=timecode,
        timecode_source=source,
        drop_frame=timecode is not None and ";" in timecode,
        intra_only=probe.intra_only,
        warnings=tuple(notes + tc_notes),
        timing=probe.timing,
        first_sample=WIDTHS[probe.width],
    )
    return _looked_at(transfer, probe, field_order)


# --- the file --------------------------------------------------------------------------------------------------------


def _readable(path: str) -> str:
    if not os.path.lexists(path):
        raise CannotRead(f"{path}: no such file")
    if os.path.isdir(path):
        raise CannotRead(f"{path}: is a folder; name a file in it")
    if not os.path.isfile(path):
        raise CannotRead(f"{path}: is no regular file")
    if not os.access(path, os.R_OK):
        raise CannotRead(f"{path}: may not be read by this user")
    if os.path.getsize(path) == 0:
        raise CannotRead(f"{path}: is empty (0 bytes)")
    return path


def _check_options(standard: str, field_order: str) -> None:
    if standard not in ("auto", *STANDARDS):
        raise BadSettings(f"standard {standard!r}: use auto, 525 or 625")
    if field_order not in ("auto", "top", "bottom"):
        raise BadSettings(f"field order {field_order!r}: use auto, top or bottom")


@dataclass(frozen=True, slots=True)
class _Probe:
    """What the container, the first packets and the first picture say."""

    container: str
    codec: str
    pixel_format: str
    width: int
    height: int
    rate: Fraction
    frames: int | None
    timing: Timing
    intra_only: bool
    container_order: int
    picture_order: str
    full_range: bool
    matrix: str
    format: Any
    timecodes: tuple[tuple[str, str], ...]


def _probe(path: str, container: Any) -> _Probe:
    video = [s for s in container.streams.video if not s.disposition & av.stream.Disposition.attached_pic]
    if container.format.name in NO_FILM_OF_FRAMES or container.format.name.endswith("_pipe"):
        raise CannotRead(f"{path}: is no video file")
    if not video:
        what = "sound only, no picture" if container.streams.audio else "no picture in it"
        raise CannotRead(f"{path}: {what}")
    stream = video[0]
    rate = stream.guessed_rate or stream.average_rate or stream.base_rate
    if not rate:
        raise CannotRead(f"{path}: states no picture rate")
    context = stream.codec_context
    codec = context.name
    context.thread_count = 1
    order = context.field_order
    packets, picture, kind = _first_picture(path, container, stream)
    timing = _timing(stream, packets, Fraction(rate))
    frames, slack = _length(container, stream, timing.file_rate)
    index = stream.index_entries
    entries = list(islice(index, 100_000)) if len(index) > len(packets) else []
    return _Probe(
        container=container.format.name,
        codec=codec,
        pixel_format=picture.format.name,
        width=picture.width,
        height=picture.height,
        rate=Fraction(rate),
        frames=frames,
        timing=replace(timing, length_slack_frames=slack),
        intra_only=codec in ALWAYS_INTRA
        or (all(p[1] for p in packets) and (not entries or all(e.is_keyframe for e in entries))),
        container_order=order,
        picture_order=kind if codec in FLAGGED_PER_PICTURE else "",
        full_range=int(picture.color_range) == 2 or picture.format.name.startswith("yuvj"),
        matrix=_matrix(int(picture.colorspace)),
        format=picture.format,
        timecodes=_timecodes(container, stream),
    )


def _first_picture(path: str, container: Any, stream: Any) -> tuple[list[tuple[int | None, bool]], Any, str]:
    """(pts, keyframe) of the first packets, the first picture that decodes, and its own field order flag."""
    packets: list[tuple[int | None, bool]] = []
    picture: Any = None
    reason = "no picture comes out of the decoder"
    with av.logging.Capture(True):
        try:
            for packet in container.demux(stream):
                if packet.size and not packet.is_discard:
                    packets.append((packet.pts, packet.is_keyframe))
                if picture is None:
                    try:
                        picture = next(iter(packet.decode()), None)
                    except (av.error.FFmpegError, EOFError) as error:
                        reason = str(error)
                if len(packets) >= PROBED_PACKETS and (picture is not None or len(packets) > 20 * PROBED_PACKETS):
                    break
        except av.error.FFmpegError as error:
            reason = str(error)
    if picture is None:
        raise CannotRead(f"{path}: {stream.codec_context.name} picture cannot be decoded ({reason})")
    return packets, picture, motion.flag_of_picture(picture)


def _timing(stream: Any, packets: list[tuple[int | None, bool]], rate: Fraction) -> Timing:
    known = sorted(p for p, _ in packets if p is not None)
    base = Timing(stream.index, Fraction(stream.time_base), known[0] if known else 0, rate, False)
    if len(known) < len(packets) or not known:
        return base
    numbers = [number_of(p, base) for p in known]
    steps = [float((p - known[0]) * base.time_base * rate) for p in known]
    steady = all(abs(s - n) < PTS_JITTER_FRAMES for s, n in zip(steps, numbers, strict=True))
    return replace(base, by_pts=steady and len(set(numbers)) == len(numbers))


def _length(container: Any, stream: Any, rate: Fraction) -> tuple[int | None, int]:
    """Pictures the file says it holds, and by how many that may be off."""
    if stream.frames:
        return int(stream.frames), 1
    if stream.duration and stream.time_base:
        return round(stream.duration * stream.time_base * rate), 1
    tagged = stream.metadata.get("DURATION")
    if tagged and tagged.count(":") == 2:
        hours, minutes, seconds = tagged.split(":")
        return round((int(hours) * 3600 + int(minutes) * 60 + float(seconds)) * float(rate)), 1
    if container.duration:
        return round(Fraction(container.duration, av.time_base) * rate), max(2, round(rate / 2))
    return None, 0


def _matrix(code: int) -> str:
    return {1: "bt709", 5: "bt601", 6: "bt601"}.get(code, "unspecified")


# --- raster, rate, sample layout -------------------------------------------------------------------------------------


def _raster(path: str, probe: _Probe, wanted: str) -> tuple[Raster, list[str]]:
    size = f"{probe.width}x{probe.height}"
    raster = RASTERS.get(probe.height)
    if raster is None or probe.width not in WIDTHS:
        known = ", ".join(f"720x{h}" for h in RASTERS)
        raise NotMeasurable(
            f"{path}: pictures are {size}; only unscaled transfers can be measured ({known}, or 704 wide): "
            "use the preservation master"
        )
    rate, due = probe.rate, raster.standard.frame_rate
    if wanted != "auto" and STANDARDS[wanted] is not raster.standard:
        raise BadSettings(f"{path}: {size} is a {raster.standard.name} raster, not {wanted}")
    if abs(float(rate / due) - 1) <= RATE_TOLERANCE:
        return raster, []
    text = f"{path}: {size} belongs to {raster.standard.name}, but the file runs at {float(rate):.5g} pictures a second"
    if wanted != "auto" or (round(rate) == round(due) and abs(float(rate / due) - 1) < 2e-3):
        return raster, [f"{text}; taken as {raster.standard.name}"]
    if abs(float(rate / (2 * due)) - 1) < 2e-3:
        raise NotMeasurable(
            f"{text}: one picture to a field, so deinterlaced or stored field by field; use an interlaced file"
        )
    raise NotMeasurable(
        f"{text}: standards-converted, or stamped wrongly (then say --standard {raster.standard.short_name})"
    )


def _samples(path: str, probe: _Probe) -> SampleFormat:
    layout = av.VideoFormat(PLANAR_TWIN.get(probe.pixel_format, probe.pixel_format))
    parts = layout.components
    if layout.is_rgb or layout.has_palette:
        raise NotMeasurable(
            f"{path}: stored as {probe.pixel_format}; only Y'CbCr can be measured, use the original transfer"
        )
    gray = len(parts) in (1, 2)
    planar = all(part.plane == i for i, part in enumerate(parts))
    if not planar or layout.is_big_endian or layout.is_bit_stream or (not gray and len(parts) < 3):
        raise NotMeasurable(
            f"{path}: pixel layout {probe.pixel_format} is not known; convert to planar 4:2:2 without scaling"
        )
    step_x = 1 if gray else -(-720 // layout.chroma_width(720))
    step_y = 1 if gray else -(-720 // layout.chroma_height(720))
    if step_x > 4 or step_y > 2:
        raise NotMeasurable(
            f"{path}: chroma of {probe.pixel_format} is too coarse to measure; use the original transfer"
        )
    return SampleFormat(parts[0].bits, step_x, step_y, probe.full_range, not gray, probe.matrix)


# --- timecode --------------------------------------------------------------------------------------------------------


def _timecodes(container: Any, stream: Any) -> tuple[tuple[str, str], ...]:
    """(label, where) in the order of trust: a timecode track, the video stream, the container, another stream."""
    tracks = [s for s in container.streams if s.type == "data"]
    others = [s for s in container.streams if s.type not in ("data",) and s.index != stream.index]
    places = [(s.metadata, "timecode track") for s in tracks]
    places += [(stream.metadata, "video stream"), (container.metadata, "container")]
    places += [(s.metadata, f"{s.type} stream") for s in others]
    return tuple((v, where) for data, where in places for k, v in data.items() if k.lower() == "timecode")


def _start_timecode(probe: _Probe, standard: Standard, wanted: str | None) -> tuple[str | None, str | None, list[str]]:
    rate = standard.frame_rate
    if wanted is not None:
        return _checked_label(wanted, rate), "option", []
    notes: list[str] = []
    good: list[tuple[str, str]] = []
    for label, where in probe.timecodes:
        try:
            good.append((_checked_label(label, rate), where))
        except BadTimecode as error:
            notes.append(f"start timecode in the {where} not used: {error}")
    if not good:
        return None, None, notes
    first, where = good[0]
    for other, place in good[1:]:
        if other != first:
            notes.append(f"start timecode {first} in the {where}, {other} in the {place}: the first is used")
    return first, where, list(dict.fromkeys(notes))


def _checked_label(label: str, rate: Fraction) -> str:
    """The label in the one form used here: drop-frame as ``;`` before the frames."""
    counting = counting_of(label, frame_rate=rate)
    frame_of(label, counting=counting)
    text = label.strip()
    return f"{text[:2]}:{text[3:5]}:{text[6:8]}{';' if counting.drop else ':'}{text[9:]}"


# --- what the picture shows ------------------------------------------------------------------------------------------


def _looked_at(transfer: Transfer, probe: _Probe, wanted: str) -> Transfer:
    """Field order and fitness from the picture, at places spread over the file."""
    pairs: list[motion.Pair] = []
    look = fitness.PictureLook()
    for run in motion.runs(transfer):
        pairs += motion.pairs_of(run)
        look.add(run)
    seen = motion.weigh(pairs)
    verdict = fitness.judge(look, seen, transfer)
    if verdict.refused is not None:
        raise NotMeasurable(
            f"{transfer.path}: {verdict.refused}; rows are not the tape's lines, use the original transfer"
        )
    known = replace(transfer, warnings=(*transfer.warnings, *verdict.notes), limits=verdict.limits)
    return _with_field_order(known, probe, seen, wanted)


def _with_field_order(transfer: Transfer, probe: _Probe, seen: motion.MotionEvidence, wanted: str) -> Transfer:
    """Settle which field is first: the option, else the picture's motion, else the flags, else the raster's usual
    order."""
    flags = {"top": True, "bottom": False}
    flagged = FIRST_IS_TOP.get(probe.container_order, flags.get(probe.picture_order))
    notes = list(transfer.warnings)
    names = {True: "top", False: "bottom"}
    if wanted != "auto":
        first, source = flags[wanted], "option"
        if seen.first_is_top is not None and seen.first_is_top != first:
            notes.append(f"field order: {wanted} field first by option, but the picture moves the other way")
    elif seen.first_is_top is not None:
        first, source = seen.first_is_top, "flag" if flagged == seen.first_is_top else "picture"
        if flagged is not None and flagged != first:
            notes.append(
                f"field order: flagged {names[flagged]} field first, but motion shows {names[first]} first; "
                "motion is followed"
            )
        elif flagged is None:
            said = "flagged progressive" if probe.container_order == PROGRESSIVE_FLAG else "no flag"
            notes.append(f"field order: {said}; motion shows {names[first]} field first")
    elif flagged is not None:
        first, source = flagged, "flag"
    else:
        first, source = transfer.raster.top_row_is_first_field, "raster"
        notes.append(
            f"field order: no flag and no motion to tell it by; {names[first]} field first taken as usual for "
            f"{transfer.height} rows (--field-order to change)"
        )
    return replace(
        transfer,
        raster=replace(transfer.raster, top_row_is_first_field=first),
        first_field_is_top=first,
        field_order_source=source,
        warnings=tuple(notes),
    )
