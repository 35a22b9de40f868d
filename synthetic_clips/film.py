"""Film on tape: frames of a progressive video file, held for two or three fields as a telecine does."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_clips._sampling import band_limited
from synthetic_clips.pictures import FieldPlanes, Motion, PlateScene, still_view
from synthetic_clips.plates import Plate
from synthetic_clips.rasters import ACTIVE, LINES, StandardName

Array = NDArray[np.float32]
SPARE_COLUMNS = 120
SPARE_ROWS = 60
"""Enlarged so far beyond the raster, so that a pan has somewhere to go."""
FILM_RATE = {"525": 24 * 1000 / 1001, "625": 25.0}
"""Film frames a second: 2:3 pulldown onto 59.94 fields, or one film frame to a frame of 50 fields (common practice)."""


@lru_cache(maxsize=2)
def _decoded(path: str, limit: int) -> tuple[tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]], ...]:
    frames: list[tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]] = []
    with av.open(path) as container:
        for frame in container.decode(video=0) if container.streams.video else ():
            planes: NDArray[np.uint8] = np.asarray(frame.reformat(format="yuv444p").to_ndarray(), np.uint8)
            frames.append((planes[0], np.ascontiguousarray(planes[1, :, ::2]), np.ascontiguousarray(planes[2, :, ::2])))
            if len(frames) == limit:
                break
    if not frames:
        raise ValueError(f"{path}: no picture in it")
    return tuple(frames)


class FilmScene:
    """A scene whose pictures change at film rate; both fields of the same film frame show the same moment.

    The file plays forwards and backwards in turn, so that it never ends. ``motion`` moves the view (a pan on a
    telecine).
    """

    def __init__(
        self,
        path: Path,
        standard: StandardName,
        *,
        motion: Motion | None = None,
        offset_frames: int = 0,
        limit_frames: int = 120,
    ) -> None:
        self._frames = _decoded(str(path), limit_frames)
        self._rate = FILM_RATE[standard]
        self._rows = LINES[standard].picture_rows
        self._offset = offset_frames
        self._size = (ACTIVE + SPARE_COLUMNS, self._rows + SPARE_ROWS)
        self._motion = motion or still_view(self._size[0] / 2, self._size[1] / 2)
        self._kept: tuple[int, Plate] | None = None

    @classmethod
    def opened(
        cls, path: Path, standard: StandardName, *, offset_frames: int = 0, rng: np.random.Generator | None = None
    ) -> FilmScene:
        """A film, panned a little when ``rng`` is given."""
        motion = None
        if rng is not None:
            centre = ((ACTIVE + SPARE_COLUMNS) / 2, (LINES[standard].picture_rows + SPARE_ROWS) / 2)
            rate, size = float(rng.uniform(0.05, 0.2)), float(rng.uniform(0, 40))
            from synthetic_clips.pictures import View

            def motion(t: float) -> View:
                return View(centre[0] + size * float(np.sin(6.28 * rate * t)), centre[1])

        return cls(path, standard, motion=motion, offset_frames=offset_frames)

    def _plate(self, index: int) -> Plate:
        if self._kept is None or self._kept[0] != index:
            y, cb, cr = self._frames[index]
            width, height = self._size
            scale = max(width / y.shape[1], height / y.shape[0])
            interpolation = cv2.INTER_CUBIC if scale >= 1 else cv2.INTER_AREA
            crop_w, crop_h = round(width / scale), round(height / scale)
            left, top = (y.shape[1] - crop_w) // 2 // 2 * 2, (y.shape[0] - crop_h) // 2
            planes = []
            for plane, step in ((y, 1), (cb, 2), (cr, 2)):
                part = plane[top : top + crop_h, left // step : (left + crop_w) // step].astype(np.float32)
                planes.append(
                    np.asarray(cv2.resize(part, (width // step, height), interpolation=interpolation), np.float32)
                )
            self._kept = (index, Plate(band_limited(planes[0]), planes[1], planes[2]))
        return self._kept[1]

    def field(self, time_s: float, rows: Array, *, margin: int = 0) -> FieldPlanes:
        n = len(self._frames)
        index = (int(np.floor(time_s * self._rate + 1e-6)) + self._offset) % max(1, 2 * n - 2)
        plate = self._plate(index if index < n else 2 * n - 2 - index)
        return PlateScene(plate, self._motion, self._rows).field(time_s, rows, margin=margin)
