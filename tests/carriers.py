"""Small moving pictures and the files they are stored in, made by the real encoders: for tests only.

Pictures are a band-limited random texture that pans, with noise of its own in every line, 10-bit 4:2:2 in BT.601 codes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

RATES = {480: Fraction(30_000, 1001), 486: Fraction(30_000, 1001), 512: Fraction(30_000, 1001)}
RATES |= {576: Fraction(25), 608: Fraction(25)}
Picture = tuple[NDArray[np.uint16], NDArray[np.uint16], NDArray[np.uint16]]
FIELD_ORDER = {"top": 2, "bottom": 3, "progressive": 1, "top-interleaved": 5, "bottom-interleaved": 4, "none": 0}


@dataclass(frozen=True)
class Scene:
    """A texture that pans ``speed_px`` luma samples a field. ``motion``: "fields" (each field its own instant),
    "frames" (both fields one instant, as film and progressive pictures), "still"."""

    height: int
    width: int = 720
    top_first: bool = True
    motion: str = "fields"
    speed_px: int = 4
    noise_codes: float = 4.0
    seed: int = 1

    def frames(self, count: int) -> Iterator[Picture]:
        rng = np.random.default_rng(self.seed)
        luma = _texture(rng, self.height, self.width, 220.0, 502.0)
        chroma = [_texture(rng, self.height, self.width // 2, 120.0, 512.0) for _ in "br"]
        noise = _Noise(rng, 2 * luma.size, self.noise_codes)
        for number in range(count):
            yield self._frame(noise, luma, chroma, number)

    def _frame(
        self, noise: _Noise, luma: NDArray[np.float32], chroma: Sequence[NDArray[np.float32]], number: int
    ) -> Picture:
        planes = []
        for plane, divisor in ((luma, 1), (chroma[0], 2), (chroma[1], 2)):
            rows = np.empty_like(plane)
            for row0 in (0, 1):
                instant = self._instant(number, row0)
                rows[row0::2] = np.roll(plane[row0::2], instant * self.speed_px // divisor, axis=1)
            rows += noise.like(rows)
            planes.append(np.clip(np.rint(rows), 64, 940).astype(np.uint16))
        return planes[0], planes[1], planes[2]

    def _instant(self, number: int, row0: int) -> int:
        if self.motion == "still":
            return 0
        if self.motion == "frames":
            return 2 * number
        return 2 * number + int((row0 == 0) != self.top_first)


class _Noise:
    """Normal noise cut from one long stretch at random places: drawing it anew for each plane would take most of the
    time."""

    def __init__(self, rng: np.random.Generator, length: int, sigma_codes: float) -> None:
        self.rng = rng
        self.stretch = rng.normal(0.0, sigma_codes, length).astype(np.float32)

    def like(self, rows: NDArray[np.float32]) -> NDArray[np.float32]:
        start = int(self.rng.integers(0, len(self.stretch) - rows.size + 1))
        return self.stretch[start : start + rows.size].reshape(rows.shape)


def _texture(rng: np.random.Generator, rows: int, columns: int, swing: float, middle: float) -> NDArray[np.float32]:
    raw = ndimage.gaussian_filter(rng.normal(size=(rows, columns)), (2.5, 3.0), mode="wrap")
    raw += 0.15 * ndimage.gaussian_filter(rng.normal(size=(rows, columns)), (1.0, 1.2), mode="wrap")
    return (middle + swing * np.tanh(raw / raw.std())).astype(np.float32)


@dataclass(frozen=True)
class Carrier:
    """How a clip is stored. ``flag``: the field order written into the file, whatever the picture does."""

    name: str
    codec: str
    pixel_format: str
    suffix: str
    options: dict[str, str] = field(default_factory=dict)
    container_options: dict[str, str] = field(default_factory=dict)
    bit_rate: int | None = None
    format: str | None = None
    settings: dict[str, Any] = field(default_factory=dict)
    mute_flags: bool = False
    """Neither stream nor pictures say anything of fields."""


def store(
    path: Path,
    pictures: Sequence[Picture] | Iterator[Picture],
    carrier: Carrier,
    *,
    rate: Fraction,
    flag: str = "top",
    timecode: str | None = None,
    metadata_on_stream: bool = False,
    full_range: bool = False,
    sound: NDArray[np.float32] | None = None,
) -> Path:
    """Encode pictures; ``sound`` is (samples, channels) at 48 kHz in -1..1."""
    with av.open(str(path), "w", format=carrier.format, options=carrier.container_options) as out:
        stream: Any = None
        track: Any = None
        graph: _Flagged | None = None
        for number, planes in enumerate(pictures):
            height, width = planes[0].shape
            if stream is None:
                stream = _video_stream(out, carrier, rate, width, height, flag, full_range)
                graph = _Flagged(width, height, rate, carrier.pixel_format, "" if carrier.mute_flags else flag)
                track = _sound_stream(out, sound, carrier.suffix)
                if timecode is not None:
                    (stream if metadata_on_stream else out).metadata["timecode"] = timecode
            assert graph is not None
            for packet in stream.encode(graph.frame(planes, number)):
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)
        if track is not None and sound is not None:
            _mux_sound(out, track, sound)
    return path


def _video_stream(
    out: Any, carrier: Carrier, rate: Fraction, width: int, height: int, flag: str, full_range: bool
) -> Any:
    stream = out.add_stream(carrier.codec, rate=rate, options=dict(carrier.options))
    stream.width, stream.height, stream.pix_fmt = width, height, carrier.pixel_format
    context = stream.codec_context
    if carrier.bit_rate:
        context.bit_rate = carrier.bit_rate
    if full_range:
        context.color_range = 2
    if not carrier.mute_flags:
        context.field_order = FIELD_ORDER[flag]
        if flag not in ("progressive", "none"):
            flags = av.codec.context.Flags
            context.flags |= int(flags.interlaced_dct) | int(flags.interlaced_me)
    for name, value in carrier.settings.items():
        setattr(context, name, value)
    return stream


class _Flagged:
    """Turns arrays into frames of the carrier's layout with their field flags set, through a filter graph."""

    def __init__(self, width: int, height: int, rate: Fraction, pixel_format: str, flag: str) -> None:
        self.rate = rate
        graph = av.filter.Graph()
        self.source = graph.add_buffer(width=width, height=height, format="yuv422p10le", time_base=1 / rate)
        mode = {"top": "tff", "bottom": "bff", "progressive": "prog"}.get(flag.split("-")[0], "auto")
        chain = [self.source]
        if pixel_format != "yuv422p10le":
            # rows of 4:2:0 chroma are those of its own field: the scaler must know before it converts
            chain.append(graph.add("setfield", "tff"))
            chain.append(graph.add("scale", "interl=1:flags=bilinear:sws_dither=none"))
            chain.append(graph.add("format", pixel_format))
        chain.append(graph.add("setfield", mode if mode != "auto" else "prog"))
        self.sink = graph.add("buffersink")
        for one, two in zip(chain, [*chain[1:], self.sink], strict=True):
            one.link_to(two)
        graph.configure()
        self.graph = graph
        self.size = (width, height)

    def frame(self, planes: Picture, number: int) -> Any:
        frame = av.VideoFrame(*self.size, "yuv422p10le")
        for plane, values in zip(frame.planes, planes, strict=True):
            rows = np.frombuffer(plane, np.uint16).reshape(plane.height, -1)
            rows[:, : values.shape[1]] = values
        frame.pts, frame.time_base = number, 1 / self.rate
        self.source.push(frame)
        return self.sink.pull()


def _sound_stream(out: Any, sound: NDArray[np.float32] | None, suffix: str) -> Any:
    if sound is None:
        return None
    return out.add_stream("pcm_s16le", rate=48_000, layout="stereo" if sound.shape[1] == 2 else "mono")


def _mux_sound(out: Any, track: Any, sound: NDArray[np.float32]) -> None:
    codes = np.clip(np.rint(sound * 32767), -32768, 32767).astype(np.int16)
    for first in range(0, len(codes), 1920):
        block = codes[first : first + 1920]
        frame = av.AudioFrame.from_ndarray(
            np.ascontiguousarray(block.reshape(1, -1)), "s16", "stereo" if sound.shape[1] == 2 else "mono"
        )
        frame.sample_rate, frame.pts, frame.time_base = 48_000, first, Fraction(1, 48_000)
        for packet in track.encode(frame):
            out.mux(packet)
    for packet in track.encode(None):
        out.mux(packet)


_FFV1 = {"level": "3", "g": "1", "slicecrc": "1", "slices": "4"}
_MPEG_INTRA = {"g": "1", "bf": "0", "intra_vlc": "1", "dc": "10"}
_X264 = {"preset": "superfast", "crf": "14"}
CARRIERS = {
    c.name: c
    for c in (
        Carrier("ffv1-3-10bit-mkv", "ffv1", "yuv422p10le", ".mkv", _FFV1),
        Carrier("ffv1-3-8bit-mkv", "ffv1", "yuv422p", ".mkv", _FFV1),
        Carrier("ffv1-1-8bit-mkv", "ffv1", "yuv422p", ".mkv", {"level": "1", "g": "1"}),
        Carrier("ffv1-3-10bit-avi", "ffv1", "yuv422p10le", ".avi", _FFV1),
        Carrier("ffv1-3-420-mkv", "ffv1", "yuv420p", ".mkv", _FFV1),
        Carrier("v210-mov", "v210", "yuv422p10le", ".mov"),
        Carrier("v210-avi", "v210", "yuv422p10le", ".avi"),
        Carrier("uyvy-mov", "rawvideo", "uyvy422", ".mov"),
        Carrier("uyvy-avi", "rawvideo", "uyvy422", ".avi"),
        Carrier("uyvy-mkv", "rawvideo", "uyvy422", ".mkv"),
        Carrier("yuyv-avi", "rawvideo", "yuyv422", ".avi"),
        Carrier("prores-hq-mov", "prores_ks", "yuv422p10le", ".mov", {"profile": "3"}),
        Carrier("prores-lt-mov", "prores_ks", "yuv422p10le", ".mov", {"profile": "1"}),
        Carrier("prores-4444-mov", "prores_ks", "yuv444p10le", ".mov", {"profile": "4"}),
        Carrier("prores-mkv", "prores_ks", "yuv422p10le", ".mkv", {"profile": "3"}),
        Carrier("prores-mxf", "prores_ks", "yuv422p10le", ".mxf", {"profile": "3"}),
        Carrier("mpeg2-intra-mxf", "mpeg2video", "yuv422p", ".mxf", _MPEG_INTRA, bit_rate=50_000_000),
        Carrier("mpeg2-intra-mov", "mpeg2video", "yuv422p", ".mov", _MPEG_INTRA, bit_rate=50_000_000),
        Carrier("mpeg2-intra-mkv", "mpeg2video", "yuv422p", ".mkv", _MPEG_INTRA, bit_rate=50_000_000),
        Carrier("mpeg2-gop-mpg", "mpeg2video", "yuv420p", ".mpg", {"g": "12", "bf": "2"}, bit_rate=9_000_000),
        Carrier("mpeg2-gop-mkv", "mpeg2video", "yuv420p", ".mkv", {"g": "12", "bf": "2"}, bit_rate=9_000_000),
        Carrier("mpeg2-gop-mxf", "mpeg2video", "yuv422p", ".mxf", {"g": "12", "bf": "2"}, bit_rate=20_000_000),
        Carrier("mpeg2-gop-ts", "mpeg2video", "yuv420p", ".ts", {"g": "12", "bf": "2"}, bit_rate=9_000_000),
        Carrier("dv25-411-mov", "dvvideo", "yuv411p", ".mov"),
        Carrier("dv25-411-avi", "dvvideo", "yuv411p", ".avi"),
        Carrier("dv25-411-raw", "dvvideo", "yuv411p", ".dv"),
        Carrier("dv25-411-mxf", "dvvideo", "yuv411p", ".mxf"),
        Carrier("dv25-420-mov", "dvvideo", "yuv420p", ".mov"),
        Carrier("dv25-420-avi", "dvvideo", "yuv420p", ".avi"),
        Carrier("dv25-420-raw", "dvvideo", "yuv420p", ".dv"),
        Carrier("dv50-mov", "dvvideo", "yuv422p", ".mov"),
        Carrier("dv50-avi", "dvvideo", "yuv422p", ".avi"),
        Carrier("dv50-mxf", "dvvideo", "yuv422p", ".mxf"),
        Carrier("h264-10bit-intra-mov", "libx264", "yuv422p10le", ".mov", {**_X264, "g": "1"}),
        Carrier("h264-8bit-gop-mp4", "libx264", "yuv420p", ".mp4", {**_X264, "g": "12", "bf": "2"}),
        Carrier("h264-8bit-gop-mkv", "libx264", "yuv420p", ".mkv", {**_X264, "g": "12", "bf": "2"}),
        Carrier("h264-10bit-gop-mkv", "libx264", "yuv422p10le", ".mkv", {**_X264, "g": "12"}),
        Carrier("jpeg2000-mxf", "jpeg2000", "yuv422p10le", ".mxf"),
        Carrier("jpeg2000-mov", "jpeg2000", "yuv422p10le", ".mov"),
        Carrier("ffvhuff-avi", "ffvhuff", "yuv422p", ".avi"),
        Carrier("utvideo-avi", "utvideo", "yuv422p", ".avi"),
    )
}
LOSSLESS = ("ffv1", "v210", "uyvy", "yuyv", "ffvhuff", "utvideo")


def clip(
    folder: Path, carrier: str | Carrier, scene: Scene, *, frames: int = 8, flag: str | None = None, **more: Any
) -> Path:
    """A clip of ``scene`` in one carrier, flagged as the picture moves unless told otherwise."""
    how = CARRIERS[carrier] if isinstance(carrier, str) else carrier
    honest = "top" if scene.top_first else "bottom"
    chosen = flag or honest
    if how.codec == "libx264":
        side = {"top": "tff=1", "bottom": "bff=1"}.get(chosen)
        options = dict(how.options) | ({"x264-params": side} if side else {})
        how = Carrier(**{**how.__dict__, "options": options})
    path = folder / f"{how.name}-{scene.height}-{chosen}-{scene.motion}-{frames}{how.suffix}"
    rate = more.pop("rate", RATES.get(scene.height, Fraction(25)))
    return store(path, scene.frames(frames), how, rate=rate, flag=chosen, **more)
