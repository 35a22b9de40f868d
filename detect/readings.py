"""What measuring leaves behind: window sums per line, candidate losses, stills; load, save, merge.

A readings file is one zip archive: ``header.json``, then ``chunk_NNNN.npz`` for each minute or so of windows, ``losses.npz``,
``cuts.npz``, ``stills/FRAME-STYLE.jpg`` and, on request, ``excerpt/FIRST-AFTER.mp4``. Chunks are written as they are
measured and read one at a time, so that memory does not grow with the tape. Sums are kept as ratio (float16) and
weight (one byte, logarithmic, 5 %): finer than their own noise.
"""

from __future__ import annotations

import copy
import io
import json
import os
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from detect.errors import BadReadings

READINGS_SCHEMA = 1
CHUNK_WINDOWS = 50
"""Windows in one chunk: about a minute."""
_LOG_STEP = 0.05
"""One step of the byte that holds a weight: 5 %, far below the scatter of any weight."""

F32 = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Sums:
    """Ratio and weight of one quantity: arrays (windows, rows, places); row r stands for the pair of frame rows r, r + 2.

    Combine by adding ``weight * ratio`` and ``weight``. Weight 0 means nothing measurable, and the ratio is 0 there.
    """

    ratio: F32
    weight: F32


@dataclass(frozen=True, slots=True)
class Chunk:
    """Some consecutive windows. ``start_frame`` and ``frames`` (measured ones) have one entry per window."""

    start_frame: NDArray[np.int64]
    end_frame: NDArray[np.int64]
    frames: NDArray[np.int64]
    sums: dict[str, Sums]
    scalars: dict[str, F32]
    """Per window figures without rows, (windows, n): mean level, chroma energy and the like. ``deshift`` (2, rows) is what was undone
    before measuring, in the windows for which ``undone`` (windows,) is 1."""
    grid_rows: int = 1
    """Frame rows after which the grid of coded blocks repeats; not stored, a lens tells."""

    def undone(self, windows: Sequence[int]) -> NDArray[np.float64] | None:
        """What was undone before measuring in some windows together, ns at the left and its growth to the right: (2, rows); or None."""
        deshift = self.scalars.get("deshift")
        if deshift is None:
            return None
        index = list(windows)
        there = self.scalars["undone"][index] if "undone" in self.scalars else np.ones(len(index))  # readings of before it could be partial
        frames = self.frames[index]
        return deshift.astype(np.float64) * float((there * frames).sum() / max(frames.sum(), 1))


@dataclass(frozen=True, slots=True)
class Header:
    """What is known of the file, as JSON-able values, and how it was measured."""

    transfer: dict[str, Any]
    measured: dict[str, Any] = field(default_factory=dict)
    """every, window_frames, frames_measured, frames_undecodable, first/last frame, corrections applied, losses_state..."""
    warnings: list[str] = field(default_factory=list)
    audio: list[dict[str, Any]] = field(default_factory=list)
    schema: int = READINGS_SCHEMA


@dataclass(frozen=True, slots=True)
class Excerpt:
    """A moving excerpt of frames ``start_frame`` to before ``end_frame``; ``ending`` is "mp4" or "webm"."""

    start_frame: int
    end_frame: int
    ending: str
    data: bytes


def _pack_weight(weight: F32) -> NDArray[np.uint8]:
    with np.errstate(divide="ignore"):
        code = np.round(np.log(weight) / _LOG_STEP) + 100
    return np.where(weight > 0, np.clip(code, 1, 255), 0).astype(np.uint8)


def _unpack_weight(code: NDArray[np.uint8]) -> F32:
    return np.where(code > 0, np.exp((code.astype(np.float32) - 100) * _LOG_STEP), 0).astype(np.float32)


def _npz(**arrays: NDArray[Any]) -> bytes:
    buffer = io.BytesIO()
    np.savez(buffer, **arrays)  # type: ignore[arg-type]
    return buffer.getvalue()


class ReadingsWriter:
    """Writes a readings file chunk by chunk to a temporary name; ``close`` renames it into place, ``abandon`` removes it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._temp = path.with_name(f".{path.name[:100]}.{os.getpid()}.part")
        self._zip = zipfile.ZipFile(self._temp, "w", zipfile.ZIP_DEFLATED, compresslevel=9)
        self._chunks = 0

    def add_chunk(self, chunk: Chunk) -> None:
        arrays: dict[str, NDArray[Any]] = {
            "start_frame": chunk.start_frame,
            "end_frame": chunk.end_frame,
            "frames": chunk.frames,
        }
        written: dict[bytes, str] = {}
        for name, sums in chunk.sums.items():
            scale = float(sums.weight.max(initial=0.0)) / np.exp((255 - 100) * _LOG_STEP) or 1.0
            arrays[f"s/{name}/ratio"] = np.clip(sums.ratio, -6e4, 6e4).astype(np.float16)
            arrays[f"s/{name}/scale"] = np.array(scale)
            weight = _pack_weight((sums.weight / scale).astype(np.float32))
            same = written.setdefault(weight.tobytes(), name)
            if same == name:
                arrays[f"s/{name}/weight"] = weight
            else:  # weighed as another quantity is
                arrays[f"s/{name}/weight_of"] = np.array(same)
        for name, values in chunk.scalars.items():
            arrays[f"w/{name}"] = values.astype(np.float32)
        self._zip.writestr(f"chunk_{self._chunks:05d}.npz", _npz(**arrays))
        self._chunks += 1

    def add_still(self, frame: int, style: str, jpeg: bytes) -> None:
        self._zip.writestr(zipfile.ZipInfo(f"stills/{frame}-{style}.jpg"), jpeg)

    def close(self, header: Header, *, losses: dict[str, NDArray[Any]], cuts: NDArray[np.int64]) -> None:
        self._zip.writestr("losses.npz", _npz(**losses))
        self._zip.writestr("cuts.npz", _npz(cuts=cuts))
        self._zip.writestr("header.json", json.dumps(asdict(header), indent=1))
        self._zip.close()
        os.replace(self._temp, self.path)

    def abandon(self) -> None:
        self._zip.close()
        self._temp.unlink(missing_ok=True)


class Readings:
    """A saved readings file, opened for judging. Raises BadReadings when damaged or of another schema."""

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        try:
            with zipfile.ZipFile(self.path) as archive:
                self._names = archive.namelist()
                raw = json.loads(archive.read("header.json"))
                self.losses: dict[str, NDArray[Any]] = _load(archive, "losses.npz")
                self.cuts: NDArray[np.int64] = _load(archive, "cuts.npz")["cuts"]
        except FileNotFoundError as error:
            raise BadReadings(f"{self.path}: no such readings file; scan the transfer first") from error
        except (OSError, zipfile.BadZipFile, KeyError, ValueError) as error:
            raise BadReadings(f"{self.path}: not a readings file, or damaged ({error}); scan the transfer again") from error
        if raw.get("schema") != READINGS_SCHEMA:
            raise BadReadings(
                f"{self.path}: readings schema {raw.get('schema')}, expected {READINGS_SCHEMA}; scan the transfer again"
            )
        self.header = Header(**raw)
        self._left_out: Mapping[int, NDArray[np.bool_]] = {}
        self._lens: Callable[[Chunk], Chunk] | None = None
        self._chunks = sorted(name for name in self._names if name.startswith("chunk_"))
        self._windows: dict[str, int] = {}

    def without(self, rows: Mapping[int, NDArray[np.bool_]]) -> Readings:
        """The same readings with some rows (rows,) of some windows, by their first frame, as if nothing had been measured there."""
        out = copy.copy(self)
        out._left_out = rows
        return out

    def with_losses(self, losses: dict[str, NDArray[Any]]) -> Readings:
        """The same readings with other candidate losses."""
        out = copy.copy(self)
        out.losses = losses
        return out

    def through(self, lens: Callable[[Chunk], Chunk]) -> Readings:
        """The same readings, each chunk as ``lens`` gives it in place of what an earlier lens gave."""
        out = copy.copy(self)
        out._lens = lens
        return out

    def chunks(self) -> Iterator[Chunk]:
        """Chunks in order of time, one in memory at once."""
        with zipfile.ZipFile(self.path) as archive:
            for name in self._chunks:
                yield self._unpacked(archive, name)

    def chosen(self, windows: NDArray[np.bool_]) -> Iterator[tuple[Chunk, NDArray[np.bool_]]]:
        """Chunks that hold chosen windows, and which of theirs are.

        ``windows``: one entry for each window of the file. Chunks that are known to hold none are not unpacked, so that looking at a part
        of a long tape costs no more than the part.
        """
        first = 0
        with zipfile.ZipFile(self.path) as archive:
            for name in self._chunks:
                known = self._windows.get(name)
                if known is None or windows[first : first + known].any():
                    chunk = self._unpacked(archive, name)
                    known = len(chunk.start_frame)
                    mask = windows[first : first + known]
                    if mask.any():
                        yield chunk, mask
                first += known

    def _unpacked(self, archive: zipfile.ZipFile, name: str) -> Chunk:
        chunk = _chunk(_load(archive, name))
        self._windows[name] = len(chunk.start_frame)
        for window, start in enumerate(chunk.start_frame):
            if int(start) in self._left_out:
                for sums in chunk.sums.values():
                    sums.weight[window, self._left_out[int(start)]] = 0.0
        return chunk if self._lens is None else self._lens(chunk)

    def stills(self) -> dict[tuple[int, str], bytes]:
        """JPEG data by (frame, style)."""
        out: dict[tuple[int, str], bytes] = {}
        with zipfile.ZipFile(self.path) as archive:
            for name in self._names:
                if name.startswith("stills/"):
                    frame, style = name[len("stills/") : -len(".jpg")].split("-", 1)
                    out[int(frame), style] = archive.read(name)
        return out

    def excerpt(self) -> Excerpt | None:
        """The moving excerpt, where one was asked for."""
        name = next((n for n in self._names if n.startswith("excerpt/")), None)
        if name is None:
            return None
        span, _, ending = name.removeprefix("excerpt/").partition(".")
        start, end = (int(part) for part in span.split("-"))
        with zipfile.ZipFile(self.path) as archive:
            return Excerpt(start, end, ending, archive.read(name))


def add_stills(path: Path, stills: dict[tuple[int, str], bytes]) -> None:
    """Add stills to a readings file in place, whole: a copy is renamed over it."""
    new = {f"stills/{frame}-{style}.jpg": jpeg for (frame, style), jpeg in sorted(stills.items())}
    _replace_members(path, "stills/", new)


def add_excerpt(path: Path, excerpt: Excerpt) -> None:
    """Put a moving excerpt into a readings file, instead of an earlier one; whole, like stills."""
    name = f"excerpt/{excerpt.start_frame}-{excerpt.end_frame}.{excerpt.ending}"
    _replace_members(path, "excerpt/", {name: excerpt.data})


def _replace_members(path: Path, prefix: str, members: dict[str, bytes]) -> None:
    temp = path.with_name(f".{path.name[:100]}.{os.getpid()}.part")
    try:
        with zipfile.ZipFile(path) as old, zipfile.ZipFile(temp, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as new:
            for item in old.infolist():
                if not item.filename.startswith(prefix):
                    new.writestr(item, old.read(item))
            for name, data in members.items():
                new.writestr(zipfile.ZipInfo(name), data)
        os.replace(temp, path)
    finally:
        temp.unlink(missing_ok=True)


def _load(archive: zipfile.ZipFile, name: str) -> dict[str, NDArray[Any]]:
    with np.load(io.BytesIO(archive.read(name)), allow_pickle=False) as data:
        return {key: data[key] for key in data.files}


def _chunk(raw: dict[str, NDArray[Any]]) -> Chunk:
    sums: dict[str, Sums] = {}
    scalars: dict[str, F32] = {}
    for key, array in raw.items():
        if key.startswith("s/") and key.endswith("/ratio"):
            name = key[2:-6]
            owner = str(raw[f"s/{name}/weight_of"]) if f"s/{name}/weight_of" in raw else name
            weight = _unpack_weight(raw[f"s/{owner}/weight"].reshape(array.shape)) * np.float32(raw[f"s/{name}/scale"])
            sums[name] = Sums(np.where(weight > 0, array.astype(np.float32), 0).astype(np.float32), weight)
        elif key.startswith("w/"):
            scalars[key[2:]] = array
    return Chunk(raw["start_frame"], raw["end_frame"], raw["frames"], sums, scalars)
