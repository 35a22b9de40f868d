"""Scenes and programmes: moving pictures sampled field by field, as an interlaced camera samples them.

A scene gives one field at a time: luma (rows, columns) and colour differences (rows, columns / 2), float32, in
8-bit codes of BT.601 with fractions. Picture coordinates: rows of the full frame (486 or 576), columns of the
active line; ``margin`` asks for so many more luma columns on each side, which a displaced line needs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from synthetic_clips._sampling import look, overlay
from synthetic_clips.plates import DRAWINGS, STILLS, Plate, drawn_plate, still_plate
from synthetic_clips.rasters import ACTIVE, LINES, StandardName
from synthetic_clips.sprites import Sprite, caption, credits_roll

Array = NDArray[np.float32]
FieldPlanes = tuple[Array, Array, Array]


class Scene(Protocol):
    """Anything that can be looked at a field at a time."""

    def field(self, time_s: float, rows: Array, *, margin: int = 0) -> FieldPlanes:
        """Luma (rows, 720 + 2 margin), Cb and Cr (rows, 360 + margin); ``margin`` even. ``rows`` are picture rows."""
        ...


@dataclass(frozen=True, slots=True)
class View:
    """Where a camera looks on a plate: centre (column, row), enlargement, turn in radians."""

    column: float
    row: float
    scale: float = 1.0
    turn: float = 0.0


Motion = Callable[[float], View]


@dataclass(frozen=True, slots=True)
class PlateScene:
    """A view wandering over a plate."""

    plate: Plate
    motion: Motion
    picture_rows: int = 486

    def field(self, time_s: float, rows: Array, *, margin: int = 0) -> FieldPlanes:
        view = self.motion(time_s)
        c, s = np.cos(view.turn) / view.scale, np.sin(view.turn) / view.scale
        left, top = -margin - ACTIVE / 2, -self.picture_rows / 2
        x0 = view.column + left * c - top * s
        y0 = view.row + left * s + top * c
        rows = np.asarray(rows, np.float32)
        columns = ACTIVE + 2 * margin
        y = look(self.plate.y, rows, columns, x0, c, -s, y0, c, s)
        chroma = [look(p, rows, columns // 2, x0 / 2, c, -s / 2, y0, c, 2 * s) for p in (self.plate.cb, self.plate.cr)]
        return y, chroma[0], chroma[1]


@dataclass(frozen=True, slots=True)
class LayeredScene:
    """Sprites in front of another scene."""

    background: Scene
    sprites: tuple[Sprite, ...]

    def field(self, time_s: float, rows: Array, *, margin: int = 0) -> FieldPlanes:
        rows = np.asarray(rows, np.float32)
        y, cb, cr = (p.copy() for p in self.background.field(time_s, rows, margin=margin))
        for sprite in self.sprites:
            x, top, opacity = sprite.path(time_s)
            overlay(y, sprite.y, sprite.alpha, rows, -margin, 1.0, x, top, opacity)
            overlay(cb, sprite.cb, sprite.chroma_alpha, rows, -margin, 2.0, x, top, opacity)
            overlay(cr, sprite.cr, sprite.chroma_alpha, rows, -margin, 2.0, x, top, opacity)
        return y, cb, cr


@dataclass(frozen=True, slots=True)
class FlatScene:
    """One colour all over, codes of BT.601."""

    y: float = 16.0
    cb: float = 128.0
    cr: float = 128.0

    def field(self, time_s: float, rows: Array, *, margin: int = 0) -> FieldPlanes:
        n, columns = len(rows), ACTIVE + 2 * margin
        planes = [
            np.full((n, w), v, np.float32)
            for w, v in ((columns, self.y), (columns // 2, self.cb), (columns // 2, self.cr))
        ]
        return planes[0], planes[1], planes[2]


@dataclass(frozen=True, slots=True)
class FormulaScene:
    """A picture given by a formula of time, columns (1, n) and rows (m, 1): luma and colour differences in codes.

    The formula is asked once with luma columns and once with chroma columns; it must keep its detail below the band
    limit.
    """

    formula: Callable[[float, Array, Array], tuple[Array, Array, Array]]

    def field(self, time_s: float, rows: Array, *, margin: int = 0) -> FieldPlanes:
        down = np.asarray(rows, np.float32)[:, None]
        fine = np.arange(-margin, ACTIVE + margin, dtype=np.float32)[None, :]
        shape = (down.shape[0], fine.shape[1])
        y = self.formula(time_s, fine, down)[0]
        _, cb, cr = self.formula(time_s, fine[:, ::2], down)
        half = (shape[0], shape[1] // 2)
        full = [
            np.ascontiguousarray(np.broadcast_to(np.asarray(p, np.float32), s))
            for p, s in ((y, shape), (cb, half), (cr, half))
        ]
        return full[0], full[1], full[2]


class StillScene:
    """Another scene stopped at its beginning; the fields are kept, so it costs nothing."""

    def __init__(self, scene: Scene) -> None:
        self._scene = scene
        self._kept: dict[tuple[float, float, int, int], FieldPlanes] = {}

    def field(self, time_s: float, rows: Array, *, margin: int = 0) -> FieldPlanes:
        key = (float(rows[0]), float(rows[-1]), len(rows), margin)
        if key not in self._kept:
            self._kept[key] = self._scene.field(0.0, rows, margin=margin)
        return self._kept[key]


@dataclass(frozen=True, slots=True)
class Programme:
    """Scenes one after the other with cuts between them; the last one lasts for ever."""

    shots: tuple[tuple[Scene, float], ...]
    """(scene, seconds)."""
    name: str = "programme"

    def field(self, time_s: float, rows: Array, *, margin: int = 0) -> FieldPlanes:
        start = 0.0
        for scene, seconds in self.shots[:-1]:
            if time_s < start + seconds - 1e-6:
                return scene.field(time_s - start, rows, margin=margin)
            start += seconds
        return self.shots[-1][0].field(time_s - start, rows, margin=margin)

    def cut_times_s(self) -> tuple[float, ...]:
        return tuple(float(t) for t in np.cumsum([s for _, s in self.shots])[:-1])


def still_view(column: float = 540.0, row: float = 380.0) -> Motion:
    return lambda time_s: View(column, row)


def pan(column: float, row: float, *, columns_per_s: float = 0.0, rows_per_s: float = 0.0) -> Motion:
    """Steady movement; a plate mirrors at its edges, so there is no end to it."""
    return lambda t: View(column + columns_per_s * t, row + rows_per_s * t)


def zoom(column: float, row: float, *, rate_per_s: float) -> Motion:
    """Slow breathing between 1 and 1 + a little: enlargement grows by ``rate_per_s`` a second, at most to 3."""
    return lambda t: View(column, row, float(np.clip(np.exp(rate_per_s * t), 1.0, 3.0)))


def turn(column: float, row: float, *, degrees_per_s: float) -> Motion:
    return lambda t: View(column, row, 1.15, float(np.radians(degrees_per_s * t)))


def handheld(rng: np.random.Generator, column: float, row: float, *, size: float = 6.0) -> Motion:
    """Unsteady camera: a sum of slow sines, some columns and rows wide."""
    rates, phases = rng.uniform(0.3, 2.5, (2, 4)), rng.uniform(0, 6.28, (2, 4))

    def motion(t: float) -> View:
        dx, dy = size * np.sin(2 * np.pi * rates * t + phases).mean(axis=1) * 2
        return View(column + float(dx), row + float(dy))

    return motion


MOTIONS = ("static", "pan", "slow pan", "vertical", "zoom", "turn", "handheld", "sprites", "caption", "credits")


def shot(rng: np.random.Generator, motion: str, standard: StandardName, *, plate: Plate | None = None) -> Scene:
    """One scene with a motion out of ``MOTIONS`` over a plate (drawn at random if none is given)."""
    picture_rows = LINES[standard].picture_rows
    if plate is None:
        plate = _any_plate(rng)
    column, row = float(rng.uniform(420, 660)), float(rng.uniform(330, 430))
    sign = float(rng.choice([-1.0, 1.0]))
    paths: dict[str, Motion] = {
        "static": still_view(column, row),
        "pan": pan(column, row, columns_per_s=sign * rng.uniform(60, 300), rows_per_s=rng.normal(0, 8)),
        "slow pan": pan(column, row, columns_per_s=sign * rng.uniform(5, 40)),
        "vertical": pan(column, row, rows_per_s=sign * rng.uniform(20, 120), columns_per_s=rng.normal(0, 5)),
        "zoom": zoom(column, row, rate_per_s=float(rng.uniform(0.04, 0.25))),
        "turn": turn(column, row, degrees_per_s=sign * float(rng.uniform(1, 8))),
        "handheld": handheld(rng, column, row),
    }
    scene = PlateScene(plate, paths.get(motion, paths["slow pan"]), picture_rows)
    if motion == "static":
        return StillScene(scene)
    if motion == "sprites":
        return LayeredScene(
            StillScene(PlateScene(plate, paths["static"], picture_rows)),
            tuple(Sprite.drawn(rng, picture_rows) for _ in range(4)),
        )
    if motion == "caption":
        return LayeredScene(scene, (caption(rng, picture_rows),))
    if motion == "credits":
        return LayeredScene(
            StillScene(PlateScene(plate, paths["static"], picture_rows)), (credits_roll(rng, picture_rows),)
        )
    return scene


def _any_plate(rng: np.random.Generator) -> Plate:
    if rng.random() < 0.3:
        return still_plate(str(rng.choice(STILLS)))
    return drawn_plate(str(rng.choice(sorted(DRAWINGS))), int(rng.integers(1 << 31)))


class LateScene:
    """A scene that is drawn when it is first looked at, so that a long programme starts at once."""

    def __init__(self, build: Callable[[], Scene]) -> None:
        self._build = lru_cache(maxsize=1)(build)

    def field(self, time_s: float, rows: Array, *, margin: int = 0) -> FieldPlanes:
        return self._build().field(time_s, rows, margin=margin)


def varied_programme(
    seed: int, seconds: float, standard: StandardName = "525", *, film: Path | None = None
) -> Programme:
    """Varied content with a cut every 1 to 4 s; the same seed gives the same programme."""
    rng = np.random.default_rng([seed, 525])
    shots: list[tuple[Scene, float]] = []
    total = 0.0
    weights = np.array([2, 3, 3, 2, 2, 1, 3, 2, 1, 1], float)
    while total < seconds or not shots:
        length = float(rng.uniform(1, 4))
        motion = str(rng.choice(MOTIONS, p=weights / weights.sum()))
        shot_seed = int(rng.integers(1 << 31))
        shots.append((LateScene(_shot_builder(shot_seed, motion, standard, film)), length))
        total += length
    return Programme(tuple(shots), f"varied {seed}")


def _shot_builder(seed: int, motion: str, standard: StandardName, film: Path | None) -> Callable[[], Scene]:
    def build() -> Scene:
        rng = np.random.default_rng(seed)
        if film is not None and rng.random() < 0.5:
            from synthetic_clips.film import FilmScene

            return FilmScene.opened(film, standard, offset_frames=int(rng.integers(0, 100)), rng=rng)
        return shot(rng, motion, standard)

    return build


def single_shot(seed: int, motion: str, standard: StandardName = "525", *, kind: str | None = None) -> Programme:
    """One shot that never cuts: ``motion`` out of ``MOTIONS``; ``kind`` a drawing of ``DRAWINGS`` or a still of
    ``STILLS``."""
    rng = np.random.default_rng([seed, 1])
    plate = None
    if kind is not None:
        plate = drawn_plate(kind, seed) if kind in DRAWINGS else still_plate(kind)
    return Programme(((shot(rng, motion, standard, plate=plate), 1e9),), f"{motion} {seed}")
