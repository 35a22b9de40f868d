"""Still pictures to look into: drawn from a seed, or the stills that scikit-image brings along.

A plate is larger than the raster so that a view can wander over it. Rows are frame rows, columns luma samples.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_clips._sampling import KELL, LUMA_LIMIT_HZ, band_limited, halved

Array = NDArray[np.float32]
Rgb = NDArray[np.float32]

PLATE_ROWS = 760
PLATE_COLUMNS = 1080
FINER = 2
"""Drawing is done this much finer than the raster, then averaged, so that edges are not jagged."""
STILLS = (
    "chelsea.png",
    "coffee.png",
    "hubble_deep_field.jpg",
    "retina.jpg",
    "brick.png",
    "grass.png",
    "gravel.png",
    "moon.png",
    "coins.png",
    "ihc.png",
)
"""Bundled in the scikit-image wheel (0.26), showing neither people nor brands."""


@dataclass(frozen=True, eq=False, slots=True)
class Plate:
    """Luma (rows, columns) and colour differences (rows, columns / 2), float32, 8-bit codes of BT.601."""

    y: Array
    cb: Array
    cr: Array


def plate_from_rgb(rgb: Rgb, *, luma_limit_hz: float = LUMA_LIMIT_HZ, kell: float = KELL) -> Plate:
    """R'G'B' of 0 to 1, (rows, columns, 3), through the equations of BT.601 and a camera's band limits."""
    r, g, b = (np.ascontiguousarray(rgb[..., i], np.float32) for i in range(3))
    luma = np.float32(0.299) * r + np.float32(0.587) * g + np.float32(0.114) * b
    cb = (b - luma) / np.float32(1.772)
    cr = (r - luma) / np.float32(1.402)
    y = band_limited(16 + 219 * luma, limit_hz=luma_limit_hz, kell=kell)
    soft = [halved(band_limited(128 + 224 * c, kell=kell)) for c in (cb, cr)]
    return Plate(y, soft[0], soft[1])


def fractal(rng: np.random.Generator, rows: int, columns: int, *, slope: float = 1.0) -> Array:
    """Texture with amplitude falling as 1/f**slope; zero mean, unit deviation."""
    fy = np.fft.fftfreq(rows)[:, None].astype(np.float32)
    fx = np.fft.rfftfreq(columns)[None, :].astype(np.float32)
    radius = np.hypot(fy, fx)
    radius[0, 0] = np.inf
    spectrum = np.fft.rfft2(rng.standard_normal((rows, columns), dtype=np.float32)) / radius**slope
    out = np.fft.irfft2(spectrum, s=(rows, columns)).astype(np.float32)
    return np.asarray(out / out.std(), np.float32)


def _colour(rng: np.random.Generator, *, low: float = 0.1, high: float = 0.9) -> tuple[float, float, float]:
    return tuple(float(v) for v in rng.uniform(low, high, 3))  # type: ignore[return-value]


def _canvas(colour: tuple[float, float, float] = (0.5, 0.5, 0.5)) -> Rgb:
    out = np.empty((PLATE_ROWS * FINER, PLATE_COLUMNS * FINER, 3), np.float32)
    out[:] = colour
    return out


def _shrunk(canvas: Rgb) -> Rgb:
    return np.asarray(cv2.resize(canvas, (PLATE_COLUMNS, PLATE_ROWS), interpolation=cv2.INTER_AREA), np.float32)


def _polygon(canvas: Rgb, points: NDArray[Any], colour: tuple[float, ...]) -> None:
    cv2.fillPoly(canvas, [np.round(np.asarray(points) * FINER).astype(np.int32)], colour, cv2.LINE_8)


def _landscape(rng: np.random.Generator) -> Rgb:
    rows, columns = PLATE_ROWS, PLATE_COLUMNS
    down = np.linspace(0, 1, rows, dtype=np.float32)[:, None]
    sky, haze = np.array(_colour(rng, low=0.3)) * [0.6, 0.8, 1.0], np.array(_colour(rng, low=0.6))
    out = (sky * (1 - down[..., None]) + haze * down[..., None]) * np.ones((rows, columns, 1))
    clouds = np.clip(0.5 * fractal(rng, rows, columns, slope=1.4), 0, 1)[..., None]
    out = out * (1 - 0.7 * clouds) + 0.7 * clouds
    across = np.arange(columns)
    horizon = rng.uniform(0.25, 0.45) * rows
    for layer in range(int(rng.integers(3, 6))):
        ridge = (
            horizon
            + layer * rows * 0.13
            + np.cumsum(rng.standard_normal(columns)) * 0.9
            + 25 * np.sin(across * rng.uniform(0.004, 0.02) + rng.uniform(0, 6))
        )
        mask = (np.arange(rows)[:, None] > ridge[None, :])[..., None]
        shade = np.array(_colour(rng, low=0.1, high=0.6)) * [0.9, 1.1, 0.7]
        texture = 1 + 0.35 * fractal(rng, rows, columns, slope=rng.uniform(0.7, 1.1))[..., None]
        out = np.where(mask, shade * texture, out)
    return np.asarray(np.clip(out, 0, 1), np.float32)


def _buildings(rng: np.random.Generator) -> Rgb:
    canvas = _canvas(_colour(rng, low=0.4, high=0.9))
    for _ in range(int(rng.integers(14, 26))):
        x, width = rng.uniform(-60, PLATE_COLUMNS), rng.uniform(50, 190)
        top = rng.uniform(0.05, 0.7) * PLATE_ROWS
        wall, glass = _colour(rng), _colour(rng, low=0.02, high=0.95)
        lean = rng.normal(0, 12)
        corners = np.array([[x + lean, top], [x + width + lean, top], [x + width, PLATE_ROWS], [x, PLATE_ROWS]])
        _polygon(canvas, corners, wall)
        if rng.random() < 0.5:
            _polygon(
                canvas,
                np.array(
                    [
                        [x + lean - 6, top],
                        [x + width / 2 + lean, top - rng.uniform(20, 90)],
                        [x + width + lean + 6, top],
                    ]
                ),
                _colour(rng),
            )
        step_x, step_y = rng.uniform(14, 34), rng.uniform(17, 45)
        for wy in np.arange(top + 12, PLATE_ROWS - 20, step_y):
            slope = lean * (1 - (wy - top) / (PLATE_ROWS - top))
            for wx in np.arange(x + 8, x + width - step_x * 0.7, step_x):
                lit = tuple(min(1.0, c * float(rng.uniform(0.6, 1.4))) for c in glass)
                w, h = step_x * 0.55, step_y * 0.6
                _polygon(
                    canvas,
                    np.array([[wx + slope, wy], [wx + w + slope, wy], [wx + w + slope, wy + h], [wx + slope, wy + h]]),
                    lit,
                )
    out = _shrunk(canvas)
    out *= 1 + 0.06 * fractal(rng, PLATE_ROWS, PLATE_COLUMNS, slope=0.8)[..., None]
    return np.clip(out, 0, 1)


def _foliage(rng: np.random.Generator) -> Rgb:
    canvas = _canvas((0.1, 0.16, 0.08))
    tint = np.array(_colour(rng, low=0.3, high=1.0)) * [0.8, 1.0, 0.5]
    for _ in range(3500):
        centre = (int(rng.uniform(0, PLATE_COLUMNS) * FINER), int(rng.uniform(0, PLATE_ROWS) * FINER))
        axes = (int(rng.uniform(3, 22) * FINER), int(rng.uniform(1.5, 7) * FINER))
        colour = tuple(float(c) for c in np.clip(tint * rng.uniform(0.15, 1.0) + rng.normal(0, 0.06, 3), 0, 1))
        cv2.ellipse(canvas, centre, axes, float(rng.uniform(0, 180)), 0, 360, colour, -1, cv2.LINE_8)
    for _ in range(12):
        x = rng.uniform(0, PLATE_COLUMNS)
        cv2.line(
            canvas,
            (int(x * FINER), 0),
            (int((x + rng.normal(0, 120)) * FINER), PLATE_ROWS * FINER),
            (0.25, 0.18, 0.1),
            int(rng.integers(4, 24)),
            cv2.LINE_8,
        )
    return np.clip(_shrunk(canvas), 0, 1)


def _abstract(rng: np.random.Generator) -> Rgb:
    canvas = _canvas(_colour(rng))
    for _ in range(90):
        kind, colour = rng.integers(0, 3), _colour(rng, low=0.08, high=0.92)
        x, y, s = rng.uniform(0, PLATE_COLUMNS), rng.uniform(0, PLATE_ROWS), rng.uniform(15, 150)
        if kind == 0:
            cv2.circle(canvas, (int(x * FINER), int(y * FINER)), int(s * FINER / 2), colour, -1, cv2.LINE_8)
        else:
            angles = np.sort(rng.uniform(0, 2 * np.pi, 3 + int(rng.integers(0, 3))))
            _polygon(canvas, np.stack([x + s * np.cos(angles), y + s * np.sin(angles)], 1), colour)
    out = _shrunk(canvas)
    out *= 1 + 0.1 * fractal(rng, PLATE_ROWS, PLATE_COLUMNS, slope=1.1)[..., None]
    return np.clip(out, 0, 1)


def _graphics(rng: np.random.Generator) -> Rgb:
    canvas = _canvas(_colour(rng, low=0.3))
    for _ in range(22):
        x, y = rng.uniform(-50, PLATE_COLUMNS), rng.uniform(-50, PLATE_ROWS)
        w, h = rng.uniform(40, 260), rng.uniform(30, 200)
        colour = _colour(rng, low=0.08, high=0.92)
        if rng.random() < 0.5:
            lean = rng.normal(0, 0.3) * h
            _polygon(canvas, np.array([[x, y], [x + w, y], [x + w + lean, y + h], [x + lean, y + h]]), colour)
        else:
            cv2.ellipse(
                canvas,
                (int(x * FINER), int(y * FINER)),
                (int(w), int(h)),
                float(rng.uniform(0, 90)),
                0,
                360,
                colour,
                -1,
                cv2.LINE_8,
            )
            cv2.ellipse(
                canvas, (int(x * FINER), int(y * FINER)), (int(w), int(h)), 0, 0, 360, (0.08, 0.08, 0.08), 5, cv2.LINE_8
            )
    return np.clip(_shrunk(canvas), 0, 1)


def _texture(rng: np.random.Generator) -> Rgb:
    rows, columns = PLATE_ROWS, PLATE_COLUMNS
    base = np.array(_colour(rng, low=0.3, high=0.7))
    light = fractal(rng, rows, columns, slope=rng.uniform(0.8, 1.3))[..., None] * 0.16
    tints = np.stack([fractal(rng, rows, columns, slope=1.5) for _ in range(3)], -1) * 0.12
    return np.asarray(np.clip(base + light + tints, 0, 1), np.float32)


DRAWINGS: dict[str, Callable[[np.random.Generator], Rgb]] = {
    "landscape": _landscape,
    "buildings": _buildings,
    "foliage": _foliage,
    "abstract": _abstract,
    "graphics": _graphics,
    "texture": _texture,
}


@lru_cache(maxsize=12)
def drawn_plate(kind: str, seed: int) -> Plate:
    """A picture of one of the kinds in ``DRAWINGS``; the same seed draws the same picture."""
    return plate_from_rgb(DRAWINGS[kind](np.random.default_rng([seed, sorted(DRAWINGS).index(kind)])))


@lru_cache(maxsize=6)
def still_plate(name: str) -> Plate:
    """One of ``STILLS`` enlarged to cover a plate. Raises FileNotFoundError where the wheel does not bring it."""
    import skimage.data

    path = Path(skimage.data.__file__).parent / name
    raw = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if raw is None:
        raise FileNotFoundError(f"the still {name} is not bundled with this scikit-image")
    rgb = raw[..., ::-1].astype(np.float32) / 255
    scale = max(PLATE_ROWS / rgb.shape[0], PLATE_COLUMNS / rgb.shape[1])
    interpolation = cv2.INTER_CUBIC if scale >= 1 else cv2.INTER_AREA
    large = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=interpolation)
    top, left = (large.shape[0] - PLATE_ROWS) // 2, (large.shape[1] - PLATE_COLUMNS) // 2
    return plate_from_rgb(np.clip(large[top : top + PLATE_ROWS, left : left + PLATE_COLUMNS], 0, 1))
