"""Copies that no longer hold the tape's lines, made from interlaced pictures: for tests only."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from fractions import Fraction
from itertools import pairwise
from typing import Any

import av
import numpy as np
from carriers import Picture


def filtered(pictures: Iterable[Picture], *chain: tuple[str, str], top_first: bool = True) -> Iterator[Picture]:
    """Pictures through a chain of (filter name, arguments) of a general filter library."""
    graph: Any = None
    for number, planes in enumerate(pictures):
        height, width = planes[0].shape
        if graph is None:
            graph = av.filter.Graph()
            source = graph.add_buffer(width=width, height=height, format="yuv422p10le", time_base=Fraction(1, 25))
            steps = [source, graph.add("setfield", "tff" if top_first else "bff")]
            steps += [graph.add(name, text) for name, text in chain]
            steps += [graph.add("format", "yuv422p10le"), graph.add("buffersink")]
            for one, two in pairwise(steps):
                one.link_to(two)
            graph.configure()
            sink = steps[-1]
        frame = av.VideoFrame(width, height, "yuv422p10le")
        for plane, values in zip(frame.planes, planes, strict=True):
            np.frombuffer(plane, np.uint16).reshape(plane.height, -1)[:, : values.shape[1]] = values
        frame.pts, frame.time_base = number, Fraction(1, 25)
        source.push(frame)
        yield from _pulled(sink)
    source.push(None)
    yield from _pulled(sink)


def _pulled(sink: Any) -> Iterator[Picture]:
    while True:
        try:
            frame = sink.pull()
        except (av.error.BlockingIOError, av.error.EOFError):
            return
        planes = []
        for plane in frame.planes:
            rows = np.frombuffer(plane, np.uint16).reshape(plane.height, -1)[:, : plane.width]
            planes.append(rows.copy())
        yield planes[0], planes[1], planes[2]


def by_planes(change: Callable[[np.ndarray], np.ndarray]) -> Callable[[Iterable[Picture]], Iterator[Picture]]:
    def run(pictures: Iterable[Picture]) -> Iterator[Picture]:
        for planes in pictures:
            done = [np.clip(np.rint(change(plane.astype(np.float64))), 4, 1019).astype(np.uint16) for plane in planes]
            yield done[0], done[1], done[2]

    return run


def _line_doubled(rows: np.ndarray) -> np.ndarray:
    out = rows.copy()
    below = np.vstack([rows[2::2], rows[-2:-1]]) if len(rows) % 2 == 0 else rows[2::2]
    out[1::2] = (rows[0::2][: len(out[1::2])] + below[: len(out[1::2])]) / 2
    return out


def _blended(rows: np.ndarray) -> np.ndarray:
    padded = np.pad(rows, ((1, 1), (0, 0)), mode="edge")
    return (padded[:-2] + 2 * padded[1:-1] + padded[2:]) / 4


line_doubled = by_planes(_line_doubled)
"""Every second row the mean of its neighbours."""
blended = by_planes(_blended)
"""Each row mixed with both neighbours of the other field."""


def repeated(pictures: Iterable[Picture], *, every: int) -> Iterator[Picture]:
    """Each ``every``-th picture given twice."""
    for number, planes in enumerate(pictures):
        yield planes
        if number % every == every - 1:
            yield planes


def pulled_down_from_film(film: Iterable[Picture], *, noise_codes: float, seed: int = 9) -> Iterator[Picture]:
    """3:2 pull-down of film pictures into fields (SMPTE RP 197), each field then with noise of its own, as on tape."""
    rng = np.random.default_rng(seed)
    fields: list[Picture] = []
    for number, planes in enumerate(film):
        fields += [planes] * (3 if number % 2 else 2)
        while len(fields) >= 2:
            first, second, *fields = fields
            out = []
            for one, two in zip(first, second, strict=True):
                rows = one.astype(np.float64)
                rows[1::2] = two[1::2]
                out.append(np.clip(np.rint(rows + rng.normal(0, noise_codes, rows.shape)), 4, 1019).astype(np.uint16))
            yield out[0], out[1], out[2]
