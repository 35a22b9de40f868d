"""Things in front of a picture: moving shapes, captions, rolling credits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_clips._sampling import band_limited, halved
from synthetic_clips.rasters import ACTIVE

Array = NDArray[np.float32]
Path = Callable[[float], tuple[float, float, float]]
"""Seconds to (column of the left edge, picture row of the top edge, opacity 0 to 1)."""

WORDS = (
    "harbour",
    "lantern",
    "meadow",
    "northern",
    "evening",
    "concert",
    "story",
    "garden",
    "weather",
    "village",
    "river",
    "winter",
    "studio",
    "camera",
    "sound",
    "design",
    "music",
    "editor",
    "script",
    "stage",
)
"""Invented captions are strung together from these."""


@dataclass(frozen=True, eq=False, slots=True)
class Sprite:
    """Planes already multiplied by their opacity, which is kept beside them; chroma at half the samples along."""

    y: Array
    cb: Array
    cr: Array
    alpha: Array
    chroma_alpha: Array
    path: Path

    @classmethod
    def from_mask(
        cls, mask: Array, colour: tuple[float, float, float], path: Path, *, shade: Array | None = None
    ) -> Sprite:
        """``mask`` (rows, columns) of 0 to 1; ``colour`` Y, Cb, Cr codes; ``shade`` multiplies the luma."""
        padded = np.pad(mask.astype(np.float32), ((8, 8), (16, 16 + mask.shape[1] % 2)))
        alpha = np.clip(band_limited(padded), 0, 1)
        luma = alpha * colour[0]
        if shade is not None:
            luma = band_limited(luma * np.pad(shade, ((8, 8), (16, 16 + mask.shape[1] % 2)), mode="edge"))
        chroma_alpha = np.clip(halved(padded), 0, 1)
        return cls(
            np.asarray(luma, np.float32),
            chroma_alpha * np.float32(colour[1]),
            chroma_alpha * np.float32(colour[2]),
            alpha,
            chroma_alpha,
            path,
        )

    @classmethod
    def drawn(cls, rng: np.random.Generator, picture_rows: int) -> Sprite:
        """A shape crossing the picture on a straight or waving way."""
        h, w = int(rng.integers(40, 160)), int(rng.integers(40, 200))
        canvas = np.zeros((h * 4, w * 4), np.float32)
        if rng.random() < 0.5:
            cv2.ellipse(canvas, (w * 2, h * 2), (w * 2 - 4, h * 2 - 4), 0, 0, 360, (1.0,), -1, cv2.LINE_8)
        else:
            angles = np.sort(rng.uniform(0, 2 * np.pi, 6))
            points = np.stack([w * 2 + w * 1.9 * np.cos(angles), h * 2 + h * 1.9 * np.sin(angles)], 1)
            cv2.fillPoly(canvas, [points.astype(np.int32)], (1.0,), cv2.LINE_8)
        mask = np.asarray(cv2.resize(canvas, (w, h), interpolation=cv2.INTER_AREA), np.float32)
        colour = (float(rng.uniform(30, 225)), float(rng.uniform(60, 196)), float(rng.uniform(60, 196)))
        shade = np.asarray(
            cv2.resize(rng.uniform(0.6, 1.1, (6, 6)).astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC),
            np.float32,
        )
        x, y, vx, vy = (
            rng.uniform(0, ACTIVE - w),
            rng.uniform(0, picture_rows - h),
            rng.normal(0, 140),
            rng.normal(0, 60),
        )
        wave, rate = rng.uniform(0, 40), rng.uniform(0.2, 1.5)

        def path(t: float) -> tuple[float, float, float]:
            column = (x + w + vx * t) % (ACTIVE + 2 * w) - w
            return (
                float(column - 16),
                float(_bounce(y + vy * t, picture_rows - h) + wave * np.sin(6.28 * rate * t) - 8),
                1.0,
            )

        return cls.from_mask(mask, colour, path, shade=shade)


def _bounce(value: float, limit: float) -> float:
    folded = value % (2 * limit)
    return folded if folded < limit else 2 * limit - folded


def lettering(
    lines: list[str], *, size: float = 1.1, thickness: int = 2, line_rows: int = 44, columns: int = 640
) -> Array:
    """A mask (rows, columns) of centred lines of text."""
    finer = 4
    canvas = np.zeros((line_rows * len(lines) * finer, columns * finer), np.uint8)
    font = cv2.FONT_HERSHEY_DUPLEX
    for i, text in enumerate(lines):
        (width, _), _ = cv2.getTextSize(text, font, size * finer, thickness * finer)
        origin = (max(0, (columns * finer - width) // 2), int((i + 0.75) * line_rows * finer))
        cv2.putText(canvas, text, origin, font, size * finer, (255,), thickness * finer, cv2.LINE_8)
    small = cv2.resize(canvas.astype(np.float32), (columns, line_rows * len(lines)), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32) / np.float32(255)


def invented_lines(rng: np.random.Generator, count: int) -> list[str]:
    return [" ".join(rng.choice(WORDS, int(rng.integers(1, 4)), replace=False)).title() for _ in range(count)]


def caption(rng: np.random.Generator, picture_rows: int, *, lines: int = 2) -> Sprite:
    """A lower third that stands still and fades in within half a second."""
    mask = lettering(invented_lines(rng, lines))
    top = picture_rows * 0.75 - mask.shape[0] / 2

    def path(t: float) -> tuple[float, float, float]:
        return 40.0 - 16, top - 8, float(np.clip(t / 0.5, 0, 1))

    return Sprite.from_mask(mask, (float(rng.uniform(180, 235)), 128.0, 128.0), path)


def credits_roll(rng: np.random.Generator, picture_rows: int, *, rows_per_s: float = 60.0, lines: int = 40) -> Sprite:
    """Credits rolling upwards for ever."""
    mask = lettering(invented_lines(rng, lines), size=0.8, line_rows=36)
    length = mask.shape[0] + picture_rows

    def path(t: float) -> tuple[float, float, float]:
        return 40.0 - 16, picture_rows * 0.6 - (rows_per_s * t) % length - 8, 1.0

    return Sprite.from_mask(mask, (225.0, 128.0, 128.0), path)
