"""Writing clips: the codecs and containers of archives and their bad cousins, flagged as interlaced, with the truth
beside them."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from synthetic_clips.rasters import ACTIVE, LINES, StandardName
from synthetic_clips.render import Frame, Tape, Truth
from synthetic_clips.subsampling import to_eight_bits, to_four_one_one, to_four_two_zero_interlaced

LEAST_OF_RATE = 0.25
"""Of the nominal rate of MPEG-2: least that the encoder is told to use."""
AUDIO_RATE_HZ = 48_000
CONTAINERS = {".mkv": "matroska", ".mov": "mov", ".avi": "avi", ".mxf": "mxf", ".mp4": "mp4", ".dv": "dv"}
MPEG_COLOUR = {"525": (6, 6, 6), "625": (5, 6, 5)}
"""Primaries, transfer, matrix of ITU-T H.273: SMPTE 170M for 525; BT.470 BG primaries and matrix for 625."""
SAMPLE_ASPECT = {"525": Fraction(10, 11), "625": Fraction(12, 11)}
"""Written where the format keeps it (PyAV 18 does not pass it on to Matroska). For a 4:3 picture on the 704 or 702
columns of the active line (common practice)."""


@dataclass(frozen=True, slots=True)
class Codec:
    """How one kind of file is encoded."""

    encoder: str
    pixel_format: str
    containers: tuple[str, ...]
    options: dict[str, str] = field(default_factory=dict)
    bit_rate: int | None = None
    keyframe_distance: int | None = None
    b_frames: int = 0
    interlaced_tools: bool = False
    pixel_format_625: str | None = None
    heights: tuple[int, ...] = ()
    """Empty: any."""
    tag: str | None = None


_INTRA = {"intra_vlc": "1", "non_linear_quant": "1", "dc": "2", "qmin": "1", "qmax": "28"}
_FFV1 = {"level": "3", "coder": "1", "context": "0", "slices": "16", "slicecrc": "1"}
CODECS: dict[str, Codec] = {
    "ffv1": Codec("ffv1", "yuv422p10le", (".mkv", ".avi"), _FFV1, keyframe_distance=1),
    "ffv1_8bit": Codec("ffv1", "yuv422p", (".mkv", ".avi"), _FFV1, keyframe_distance=1),
    "v210": Codec("v210", "yuv422p10le", (".mov", ".avi")),
    "uyvy": Codec("rawvideo", "uyvy422", (".mov", ".avi", ".mkv")),
    "prores": Codec("prores_ks", "yuv422p10le", (".mov", ".mkv"), {"profile": "3"}, interlaced_tools=True),
    "prores_lt": Codec("prores_ks", "yuv422p10le", (".mov", ".mkv"), {"profile": "1"}, interlaced_tools=True),
    "mpeg2_intra": Codec("mpeg2video", "yuv422p", (".mxf", ".mov", ".mkv"), _INTRA, 50_000_000, 1, 0, True),
    "mpeg2_intra30": Codec("mpeg2video", "yuv422p", (".mxf", ".mov", ".mkv"), _INTRA, 30_000_000, 1, 0, True),
    # both fields in one block, as encoders do that know no interlace
    "mjpeg": Codec("mjpeg", "yuv422p", (".mov", ".avi", ".mkv"), {"strict": "unofficial", "qmin": "2", "qmax": "2"}, 25_000_000),
    # SMPTE ST 2019-1
    "vc3": Codec("dnxhd", "yuv422p", (".mov", ".mxf"), {"profile": "dnxhr_hq"}),
    "mpeg2_long": Codec("mpeg2video", "yuv420p", (".mxf", ".mov", ".mkv"), {}, 8_000_000, 15, 2, True),
    "dv25": Codec("dvvideo", "yuv411p", (".dv", ".mov", ".avi"), pixel_format_625="yuv420p", heights=(480, 576)),
    "dv50": Codec("dvvideo", "yuv422p", (".dv", ".mov", ".avi"), heights=(480, 576)),
    "h264": Codec(
        "libx264", "yuv420p", (".mkv", ".mov", ".mp4"), {"crf": "18", "preset": "veryfast"}, None, 30, 2, True
    ),
    "h264_10bit": Codec(
        "libx264", "yuv422p10le", (".mkv", ".mov"), {"crf": "6", "preset": "veryfast"}, None, 1, 0, True
    ),
    # the 9/7 wavelet, nearly lossless: the reversible 5/3 of libavcodec came back damaged in trials
    "jpeg2000": Codec("jpeg2000", "yuv422p10le", (".mxf", ".mov", ".mkv")),
}


@dataclass(frozen=True, slots=True)
class Tone:
    """Line-up tone on both channels; dBFS relative to a sine at full scale (AES17)."""

    frequency_hz: float = 1000.0
    level_dbfs: float = -20.0
    until_s: float | None = None
    """Silence from here on; None: to the end."""


def write_clip(
    path: Path | str,
    frames: Tape | Iterable[Frame],
    *,
    codec: str = "ffv1",
    standard: StandardName | None = None,
    top_field_first: bool | None = None,
    truth: Truth | None = None,
    start_timecode: str | None = None,
    tone: Tone | None = None,
    flagged: bool = True,
) -> Path:
    """Encode frames (y, cb, cr of 10 bits) to ``path``; its suffix chooses the container. Returns the path.

    A ``Tape`` brings its own standard, field order and truth; plain frames need the first two. The truth is written to
    ``PATH.truth.json``. ``flagged`` False leaves out every note of interlace and colour, as careless captures do.
    The file appears under its name only when it is complete. Raises ValueError for a codec, container or height
    that do not go together.
    """
    path = Path(path)
    if isinstance(frames, Tape):
        truth = truth or frames.truth
    if truth is not None:
        standard = standard or ("525" if truth.standard == "525" else "625")
        top_field_first = truth.top_field_first if top_field_first is None else top_field_first
    if standard is None or top_field_first is None:
        raise ValueError("plain frames need standard= and top_field_first=")
    how = _codec(codec, path)
    part = path.with_name(f".{path.name}.part")
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        _encode(
            part, CONTAINERS[path.suffix.lower()], frames, how, standard, top_field_first, start_timecode, tone, flagged
        )
        if truth is not None:
            _write_whole(
                truth_path(path),
                json.dumps({**truth.to_json(), "codec": codec, "start_timecode": start_timecode}, indent=1),
            )
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)
    return path


def truth_path(path: Path) -> Path:
    """Where the truth of a clip is kept."""
    return path.with_name(path.name + ".truth.json")


def _write_whole(path: Path, text: str) -> None:
    part = path.with_name(f".{path.name}.part")
    part.write_text(text, encoding="utf-8")
    os.replace(part, path)


def _codec(name: str, path: Path) -> Codec:
    if name not in CODECS:
        raise ValueError(f"no codec is called {name!r}; expected one of {sorted(CODECS)}")
    how = CODECS[name]
    if path.suffix.lower() not in how.containers:
        raise ValueError(
            f"{name} is not written into {path.suffix or 'a file without suffix'}; expected one of {how.containers}"
        )
    return how


def _encode(
    part: Path,
    container_format: str,
    frames: Iterable[Frame],
    how: Codec,
    standard: StandardName,
    top_first: bool,
    timecode: str | None,
    tone: Tone | None,
    flagged: bool,
) -> None:
    pixel_format = how.pixel_format_625 if how.pixel_format_625 and standard == "625" else how.pixel_format
    rate = LINES[standard].frame_rate
    iterator = iter(frames)
    try:
        first = next(iterator)
    except StopIteration:
        raise ValueError("no frames to write") from None
    height = first[0].shape[0]
    if how.heights and height not in how.heights:
        raise ValueError(f"{how.encoder} stores {how.heights} rows; got {height}")
    with av.open(str(part), "w", format=container_format) as container:
        if timecode and container_format != "mov":
            container.metadata["timecode"] = timecode
        stream = _video_stream(container, how, pixel_format, standard, height, top_first, flagged)
        if timecode and container_format == "mov":
            stream.metadata["timecode"] = timecode
        sound = _Sound(container, tone, rate) if tone is not None else None
        marked = _Marker(pixel_format, height, rate, standard, top_first) if flagged else None
        frame: Frame | None = first
        number = 0
        while frame is not None:
            picture = _picture(frame, pixel_format)
            picture.pts, picture.time_base = number, 1 / rate
            if marked is not None:
                picture = marked(picture)
            picture.pict_type = av.video.frame.PictureType.NONE
            container.mux(stream.encode(picture))
            if sound is not None:
                sound.until(number + 1)
            number += 1
            frame = next(iterator, None)
        container.mux(stream.encode(None))
        if sound is not None:
            sound.end()


def _video_stream(
    container: Any, how: Codec, pixel_format: str, standard: StandardName, height: int, top_first: bool, flagged: bool
) -> Any:
    options = dict(how.options)
    if flagged:
        options["field_order"] = "tt" if top_first else "bb"
    if how.interlaced_tools:
        options["flags"] = "+ildct+ilme" if how.encoder != "libx264" else "+ildct"
    if how.encoder == "libx264":
        options["x264-params"] = "tff=1" if top_first else "bff=1"
    stream = container.add_stream(how.encoder, rate=LINES[standard].frame_rate, options=options)
    stream.width, stream.height, stream.pix_fmt = ACTIVE, height, pixel_format
    context = stream.codec_context
    context.time_base = 1 / LINES[standard].frame_rate
    context.thread_count = min(4, os.cpu_count() or 1) if how.encoder == "ffv1" else 1
    if flagged:
        context.sample_aspect_ratio = SAMPLE_ASPECT[standard]
        context.color_range = 1
        context.color_primaries, context.color_trc, context.colorspace = MPEG_COLOUR[standard]
    if how.bit_rate is not None:
        context.bit_rate = how.bit_rate
        if how.encoder == "mpeg2video":
            context.options = {
                **options,
                # the encoder cannot stuff as much as plain pictures would need for a constant rate
                "minrate": str(int(LEAST_OF_RATE * how.bit_rate)),
                "maxrate": str(how.bit_rate),
                "bufsize": "2000000",
            }
    if how.keyframe_distance is not None:
        context.gop_size = how.keyframe_distance
    if how.encoder in ("mpeg2video", "libx264"):
        context.max_b_frames = how.b_frames
    return stream


class _Marker:
    """Passes pictures through a filter that marks them as interlaced: an encoder reads the order of fields off the
    picture."""

    def __init__(self, pixel_format: str, height: int, rate: Fraction, standard: StandardName, top_first: bool) -> None:
        graph = av.filter.Graph()
        source = graph.add_buffer(width=ACTIVE, height=height, format=av.VideoFormat(pixel_format), time_base=1 / rate)
        matrix = "smpte170m" if standard == "525" else "bt470bg"
        primaries = "smpte170m" if standard == "525" else "bt470bg"
        order = "tff" if top_first else "bff"
        mark = graph.add(
            "setparams",
            f"field_mode={order}:range=tv:color_primaries={primaries}:color_trc=smpte170m:colorspace={matrix}",
        )
        aspect = graph.add("setsar", f"{SAMPLE_ASPECT[standard].numerator}/{SAMPLE_ASPECT[standard].denominator}")
        sink = graph.add("buffersink")
        for a, b in ((source, mark), (mark, aspect), (aspect, sink)):
            a.link_to(b)
        graph.configure()
        self._graph = graph

    def __call__(self, picture: Any) -> Any:
        self._graph.push(picture)
        return self._graph.pull()


def _picture(frame: Frame, pixel_format: str) -> Any:
    y, cb, cr = frame
    if pixel_format == "yuv422p10le":
        return _filled(pixel_format, (y, cb, cr))
    y8, cb8, cr8 = (to_eight_bits(p) for p in frame)
    if pixel_format == "uyvy422":
        packed = np.empty((y.shape[0], ACTIVE * 2), np.uint8)
        packed[:, 1::2], packed[:, 0::4], packed[:, 2::4] = y8, cb8, cr8
        return _filled(pixel_format, (packed,))
    reduce = {"yuv411p": to_four_one_one, "yuv420p": to_four_two_zero_interlaced}.get(pixel_format)
    return _filled(pixel_format, (y8, cb8, cr8) if reduce is None else (y8, reduce(cb8), reduce(cr8)))


def _filled(pixel_format: str, planes: tuple[NDArray[Any], ...]) -> Any:
    height = planes[0].shape[0]
    picture = av.VideoFrame(ACTIVE, height, pixel_format)
    for target, plane in zip(picture.planes, planes, strict=True):
        view = np.frombuffer(memoryview(target), plane.dtype).reshape(target.height, -1)
        view[:, : plane.shape[1]] = plane
    return picture


class _Sound:
    """A sine on two channels, as long as the picture."""

    def __init__(self, container: Any, tone: Tone, rate: Fraction) -> None:
        self._container, self._tone, self._rate = container, tone, rate
        self._stream = container.add_stream("pcm_s16le", rate=AUDIO_RATE_HZ)
        self._stream.layout = "stereo"
        self._done = 0

    def until(self, video_frames: int) -> None:
        end = round(video_frames / self._rate * AUDIO_RATE_HZ)
        n = np.arange(self._done, end)
        wave = 10 ** (self._tone.level_dbfs / 20) * np.sin(2 * np.pi * self._tone.frequency_hz * n / AUDIO_RATE_HZ)
        if self._tone.until_s is not None:
            wave[n >= self._tone.until_s * AUDIO_RATE_HZ] = 0.0
        samples = np.repeat(np.round(wave * 32767).astype(np.int16), 2)[None, :]
        block = av.AudioFrame.from_ndarray(samples, format="s16", layout="stereo")
        block.sample_rate, block.pts, block.time_base = AUDIO_RATE_HZ, self._done, Fraction(1, AUDIO_RATE_HZ)
        self._container.mux(self._stream.encode(block))
        self._done = end

    def end(self) -> None:
        self._container.mux(self._stream.encode(None))
