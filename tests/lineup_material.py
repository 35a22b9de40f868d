"""Line-up signals drawn from formulas, for tests: scenes the simulator can record, and single frames for recognisers.

Levels are those of the standards named beside each drawing (ITU-R BT.601 equations for the colour bars, SMPTE EG 1
for the split bars, FCC and NTC-7 multiburst packets, CCIR 473 for the European ones, NTC-7 staircase). Positions
count in luma columns of the digital active line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detect.measure.fields import Field, Frame, SampleFormat

Array = NDArray[np.float32]
Line = Callable[[NDArray[np.float64]], NDArray[np.float64]]
TEN_BIT = SampleFormat(bit_depth=10, chroma_step_x=2, chroma_step_y=1, full_range=False, has_chroma=True)
EIGHT_BIT = SampleFormat(bit_depth=8, chroma_step_x=2, chroma_step_y=1, full_range=False, has_chroma=True)
PICTURE_COLUMNS = {"525": (4.9, 715.8), "625": (9.75, 711.75)}
"""Columns of the picture between blanking (BT.1700 and BT.601)."""
US = 13.5
"""Columns in a microsecond."""

FCC_MHZ = (0.5, 1.0, 2.0, 3.0, 3.58, 4.1)
"""FCC multiburst: 60 IRE peak to peak on 40."""
NTC7_MHZ = (0.5, 1.0, 2.0, 3.0, 3.58, 4.2)
"""NTC Report 7 multiburst: 50 IRE peak to peak on 50 (the 3 MHz packet from memory)."""
CCIR_MHZ = (0.5, 1.0, 2.0, 4.0, 4.8, 5.8)
"""CCIR 473 line 18: 60 % peak to peak on 50 %."""
GENERATOR_625_MHZ = (0.5, 1.0, 2.0, 3.0, 4.43, 5.8)
"""A generator's own choice (common practice)."""


def step(x: NDArray[np.float64], at: float, rise_ns: float = 200.0) -> NDArray[np.float64]:
    """A sine-squared edge from 0 to 1 at half amplitude ``at``; ``rise_ns`` from 10 to 90 %."""
    length = rise_ns / 74.074 / 0.5903
    return np.sin(np.pi / 2 * np.clip((x - at) / length + 0.5, 0, 1)) ** 2


def stairs(
    x: NDArray[np.float64], edges: Sequence[float], levels: Sequence[float], rise_ns: float = 200.0
) -> NDArray[np.float64]:
    """Levels between edges; one more level than edges."""
    out = np.full_like(x, levels[0], dtype=np.float64)
    for at, before, after in zip(edges, levels[:-1], levels[1:], strict=True):
        out += (after - before) * step(x, at, rise_ns)
    return out


RGB = {
    "white": (1, 1, 1), "yellow": (1, 1, 0), "cyan": (0, 1, 1), "green": (0, 1, 0),
    "magenta": (1, 0, 1), "red": (1, 0, 0), "blue": (0, 0, 1), "black": (0, 0, 0),
}  # fmt: skip
ORDER = tuple(RGB)


def ycc(rgb: Sequence[float]) -> tuple[float, float, float]:
    """Y in IRE, Cb and Cr in % of full swing, from R, G, B of 0 to 1 (BT.601 equations)."""
    y = 0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2]
    return 100 * y, 100 * (rgb[2] - y) / 1.772, 100 * (rgb[0] - y) / 1.402


@dataclass(frozen=True)
class Lineup:
    """A picture made of lines: zones of rows (fractions of the height), each with luma (IRE) and chroma (%) along the
    line."""

    zones: tuple[tuple[float, Line, Line | None, Line | None], ...]
    """(end of the zone as a fraction of the height, luma, Cb, Cr)."""
    picture_rows: int = 486
    rules: tuple[float, ...] = ()
    """Rows (fractions) with a white horizontal line, two frame rows tall: a crosshatch."""

    def field(self, time_s: float, rows: Array, *, margin: int = 0) -> tuple[Array, Array, Array]:
        """One field in 8-bit codes with fractions: (rows, 720 + 2 margin), (rows, 360 + margin) twice."""
        x = np.arange(-margin, 720 + margin, dtype=np.float64)
        y = np.zeros((rows.size, x.size), np.float32)
        c = [np.zeros((rows.size, x.size // 2), np.float32) for _ in range(2)]
        start = 0.0
        for end, luma, cb, cr in self.zones:
            here = (rows / self.picture_rows >= start) & (rows / self.picture_rows < end)
            y[here] = luma(x)
            for plane, line in zip(c, (cb, cr), strict=True):
                if line is not None:
                    plane[here] = line(x[::2])
            start = end
        for rule in self.rules:
            y[np.abs(rows - rule * self.picture_rows) < 1.0] = 100.0
        return (16 + 2.19 * y).astype(np.float32), 128 + np.float32(2.24) * c[0], 128 + np.float32(2.24) * c[1]


def _of(zone: tuple[Line, Line | None, Line | None], standard: str, **more: object) -> Lineup:
    return Lineup(((1.1, *zone),), 486 if standard == "525" else 576, **more)  # type: ignore[arg-type]


def bar_zone(colours: Sequence[tuple[float, float, float]], edges: Sequence[float]) -> tuple[Line, Line, Line]:
    """Luma and chroma along bars; chroma edges as slow as 1.3 MHz allows."""
    values = [ycc(c) for c in colours]

    def part(index: int, rise_ns: float) -> Line:
        return lambda x: stairs(x, edges, [v[index] for v in values], rise_ns)

    return part(0, 200.0), part(1, 450.0), part(2, 450.0)


def even_edges(count: int, standard: str) -> list[float]:
    left, right = PICTURE_COLUMNS[standard]
    return [left + (right - left) * k / count for k in range(1, count)]


def bars(standard: str = "525", *, white: float = 0.75, colour: float = 0.75, count: int = 8) -> Lineup:
    """Full-field bars (BT.471 names them 75/0/75/0, 100/0/100/0, 100/0/75/0)."""
    colours = [tuple(white * v for v in RGB["white"])] + [tuple(colour * v for v in RGB[c]) for c in ORDER[1:count]]
    return _of(bar_zone(colours, even_edges(count, standard)), standard)  # type: ignore[arg-type]


def eg1_bars(standard: str = "525") -> Lineup:
    """SMPTE EG 1: 2/3 of seven bars, 1/12 of reversed blue bars, 1/4 with -I, white, +Q, black and PLUGE."""
    left, right = PICTURE_COLUMNS[standard]
    width = (right - left) / 7
    top = bar_zone([tuple(0.75 * v for v in RGB[c]) for c in ORDER[:7]], even_edges(7, standard))  # type: ignore[misc]
    middle_colours = ["blue", "black", "magenta", "black", "cyan", "black", "white"]
    middle = bar_zone([tuple(0.75 * v for v in RGB[c]) for c in middle_colours], even_edges(7, standard))  # type: ignore[misc]
    edges = [left + width * w for w in (1.25, 2.5, 3.75, 5.0, 5 + 1 / 3, 5 + 2 / 3, 6.0)]
    luma_levels = [0, 100, 0, 0, -4, 0, 4, 0]
    cb_levels = [13.4, 0, 20.7, 0, 0, 0, 0, 0]  # -I 158-128 = 30, +Q 175-128 = 47 codes of 224 (setup removed)
    cr_levels = [-14.7, 0, 9.4, 0, 0, 0, 0, 0]
    bottom = (
        lambda x: stairs(x, edges, luma_levels),
        lambda x: stairs(x, edges, cb_levels, 450.0),
        lambda x: stairs(x, edges, cr_levels, 450.0),
    )
    rows = 486 if standard == "525" else 576
    return Lineup(((2 / 3, *top), (3 / 4, *middle), (1.1, *bottom)), rows)


@dataclass(frozen=True)
class Packets:
    """Where the packets of a drawn multiburst lie: (first, last) column of each, and of the flag."""

    mhz: tuple[float, ...]
    spans: tuple[tuple[float, float], ...]
    flag: tuple[float, float] | None


def packet_places(mhz: Sequence[float], *, flag: bool = True, first: float = 30.0, last: float = 700.0) -> Packets:
    """Flag of 4 us (NTC-7), then packets of equal length with gaps of 0.4 us."""
    start = first + 4.0 * US + 10 if flag else first
    each = (last - start) / len(mhz)
    spans = tuple((start + k * each, start + (k + 1) * each - 0.4 * US) for k in range(len(mhz)))
    return Packets(tuple(mhz), spans, (first, first + 4.0 * US) if flag else None)


def multiburst(
    standard: str = "525",
    *,
    mhz: Sequence[float] = FCC_MHZ,
    peak_to_peak_ire: float = 60.0,
    pedestal_ire: float = 40.0,
    flag_ire: float | None = 100.0,
) -> Lineup:
    """A white flag and packets of one frequency each."""
    places = packet_places(mhz, flag=flag_ire is not None)

    def luma(x: NDArray[np.float64]) -> NDArray[np.float64]:
        out = np.full_like(x, pedestal_ire)
        if places.flag is not None and flag_ire is not None:
            a, b = places.flag
            out += (flag_ire - pedestal_ire) * (step(x, a) - step(x, b))
        for f, (a, b) in zip(places.mhz, places.spans, strict=True):
            envelope = step(x, a + 4, 300.0) - step(x, b - 4, 300.0)
            out += 0.5 * peak_to_peak_ire * envelope * np.sin(2 * np.pi * f * (x - a) / US)
        return out

    return _of((luma, None, None), standard)


def staircase(standard: str = "525", *, rise_ire: float = 18.0, steps: int = 5, chroma_ire: float = 40.0) -> Lineup:
    """NTC-7: blanking and five steps of 18 IRE; with chroma of 40 IRE peak to peak at 180 degrees (the burst's) on each step.

    In Cb, Cr the modulation stands on the -Cb axis: U = 20 IRE of a composite 92.5 IRE, Cb = U/0.493/1.772 (BT.601,
    BT.1700).
    """
    left, right = PICTURE_COLUMNS[standard]
    edges = [left + (right - left) * (k + 1) / (steps + 1) for k in range(steps)]
    cb = -0.5 * chroma_ire / 0.493 / 1.772 if chroma_ire else 0.0

    def colour(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return cb * (step(x, left + 20, 450.0) - step(x, right - 20, 450.0))

    return _of(
        (lambda x: stairs(x, edges, [rise_ire * k for k in range(steps + 1)]), colour if cb else None, None), standard
    )


def ramp(standard: str = "525") -> Lineup:
    left, right = PICTURE_COLUMNS[standard]
    return _of((lambda x: 100 * np.clip((x - left - 30) / (right - left - 60), 0, 1), None, None), standard)


def pulse_and_bar(standard: str = "525") -> Lineup:
    """2T pulse (half amplitude 250 or 200 ns, CCIR 567) and a bar of 18 us, 100 IRE."""
    half_ns = 250.0 if standard == "525" else 200.0
    width = half_ns / 74.074

    def luma(x: NDArray[np.float64]) -> NDArray[np.float64]:
        u = np.clip((x - 150.0) / width, -1, 1)
        return 100 * np.cos(np.pi / 2 * u) ** 2 + 100 * (step(x, 300.0) - step(x, 300.0 + 18 * US))

    return _of((luma, None, None), standard)


def grille(standard: str = "525", *, spacing: float = 39.0, rules: tuple[float, ...] = ()) -> Lineup:
    """Vertical white lines of 2T shape on black; with ``rules`` a crosshatch."""

    def luma(x: NDArray[np.float64]) -> NDArray[np.float64]:
        u = np.clip(((x - 30.0 + spacing / 2) % spacing - spacing / 2) / 3.4, -1, 1)
        return np.asarray(5.0 + 85.0 * np.cos(np.pi / 2 * u) ** 2)

    return _of((luma, None, None), standard, rules=rules)


def flat(standard: str = "525", *, ire: float = 50.0) -> Lineup:
    return _of((lambda x: np.full_like(x, ire), None, None), standard)


SIGNALS: dict[str, Callable[[str], Lineup]] = {
    "bars": bars,
    "multiburst": multiburst,
    "staircase": staircase,
    "ramp": ramp,
    "pulse and bar": pulse_and_bar,
    "grille": grille,
    "flat field": flat,
}


@dataclass(frozen=True)
class Sequence_:
    """Several line-ups one after another: (seconds, scene) each."""

    parts: tuple[tuple[float, Lineup], ...]

    def field(self, time_s: float, rows: Array, *, margin: int = 0) -> tuple[Array, Array, Array]:
        left = time_s
        for seconds, scene in self.parts:
            if left < seconds - 1e-6:
                return scene.field(left, rows, margin=margin)
            left -= seconds
        return self.parts[-1][1].field(left, rows, margin=margin)


def frame_of(
    planes: tuple[NDArray[np.uint16], NDArray[np.uint16], NDArray[np.uint16]],
    number: int = 0,
    *,
    top_first: bool = False,
) -> Frame:
    """A frame of whole planes, split into fields in time order."""
    rows = (0, 1) if top_first else (1, 0)
    fields = [Field(number, i, r, *(p[r::2] for p in planes)) for i, r in enumerate(rows)]
    return Frame(number, (fields[0], fields[1]))


def stored(
    scene: Lineup,
    *,
    height: int = 486,
    offset: int = 0,
    noise_db: float = 43.0,
    seed: int = 0,
    saturation: float = 1.0,
    hue_deg: float = 0.0,
    setup: bool = False,
    band_pct: Sequence[float] = (0, 0, 0, 0),
    band_deg: Sequence[float] = (0, 0, 0, 0),
    bit_depth: int = 10,
    blanking: bool = True,
) -> tuple[NDArray[np.uint16], NDArray[np.uint16], NDArray[np.uint16]]:
    """Whole planes of one frame with simple banding (16.4 lines a band) and white noise; no time errors."""
    rng = np.random.default_rng(seed)
    rows = np.arange(height, dtype=np.float32) + offset
    y, cb, cr = scene.field(0.0, rows)
    head = (np.arange(height) / 2 / 16.40625).astype(int) % 4
    gain = (
        saturation
        * (1 + np.asarray(band_pct)[head] / 100)
        * np.exp(1j * np.radians(hue_deg + np.asarray(band_deg)[head]))
    )[:, None]
    chroma = ((cb - 128) + 1j * (cr - 128)) * gain
    luma = y - 16
    if setup:
        luma = luma * 0.925 + 7.5 * 2.19
    x = np.arange(720.0)
    if blanking:
        left, right = PICTURE_COLUMNS["525" if scene.picture_rows == 486 else "625"]
        mask = step(x, left, 170.0) - step(x, right, 170.0)
        luma, chroma = luma * mask, chroma * mask[::2]
    outside = (rows < 0) | (rows >= scene.picture_rows)
    luma[outside], chroma[outside] = 0, 0
    sigma = 219 * 10 ** (-noise_db / 20)
    planes = []
    for plane, zero in ((luma, 16.0), (chroma.real, 128.0), (chroma.imag, 128.0)):
        noisy = plane + zero + sigma * rng.standard_normal(plane.shape)
        scale = 2 ** (bit_depth - 8)
        planes.append(np.clip(np.round(noisy * scale), scale, 255 * scale - 1).astype(np.uint16))
    return planes[0], planes[1], planes[2]


def frames_of(
    tape: Iterator[tuple[NDArray[np.uint16], NDArray[np.uint16], NDArray[np.uint16]]], *, top_first: bool = False
) -> Iterator[Frame]:
    """Frames of a rendered tape."""
    for number, planes in enumerate(tape):
        yield frame_of(planes, number, top_first=top_first)
