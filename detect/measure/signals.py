"""Recognise line-up signals and kinds of picture, frame by frame, from a cheap look.

``describe`` reduces a frame to a :class:`FrameLook`; ``classify`` names it. A line-up signal is the same on every
line of a zone of the picture, so a look keeps a coarse thumbnail, how far its rows agree, and one line with the
frequencies along it. Nothing here is fitted to a clip: each signal is recognised by what defines it (the order and
ratios of the bars, packets of one frequency each in rising order, equal steps, one slope, narrow lines at one
spacing), and limits widen with the frame's noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from detect.measure import line_patterns
from detect.measure.fields import Frame, Plane, SampleFormat
from detect.measure.line_patterns import longest_run
from detect.standards import RASTERS, black_code, codes_per_ire

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
Kind = Literal["bars", "test_signal", "black", "picture"]

COLUMNS, ROWS = 48, 12
"""Cells of the thumbnail."""
_LINES_PER_ROW = 4
"""Field lines sampled for one row of the thumbnail."""
_EDGE_SHARE = 0.02
"""Share of the height left out at top and bottom: head-switch rows, half lines and crops."""

_AGREE_IRE = 4.0
"""Rows agree when most cells differ less than this: level banding of heads stays below 2 IRE."""
_AGREE_CHROMA_PCT = 8.0
"""The same for chroma, % of full swing: 10 % banding of 75 % bars is 4 %, 10 degrees 6 %."""
_AGREE_CELLS = 0.70
"""Share of cells that must agree; cells on the edges of bars move with the time base."""
_FULL_ROWS = 9
"""Rows (of 12) that must agree for a full-field signal: a quarter may carry something else, such as an
identification."""
_SPLIT_ROWS = 5
"""Rows in one run that must show bars: split bars give them at least the upper half, less its edge."""
_STILL_IRE = 1.5
"""Cells of a still signal differ less than this from one look to the next, besides noise."""
_STILL_CELLS = 0.9
_BLACK_IRE = 12.0
"""Black with setup (7.5 IRE, SMPTE 170M) and some lift."""
_MONO_PCT = 2.0
"""Chroma of a cell, % of full swing, that is still none: decoders leave up to about 1 % on a monochrome picture."""
_SIGMAS = 4.0
"""Limits on single cells widen by this many sigmas of the cell's noise (one in 16 000 cells beyond it)."""
_MAD_SIGMA = 1.4826
"""Sigma of a normal distribution over its median absolute deviation."""


@dataclass(frozen=True, slots=True)
class BarsLook:
    """Colour bars seen in ``rows`` (first, last exclusive, of 12).

    ``count`` is 8 with a black bar, 7 without (split bars).
    ``saturation`` 1 stands for 75 % bars, 1.33 for 100 %; ``hue_deg`` is positive counter-clockwise in (Cb, Cr).
    """

    rows: tuple[int, int]
    count: int
    saturation: float
    hue_deg: float
    white_ire: float
    monochrome: bool


@dataclass(frozen=True, slots=True)
class FrameLook:
    """One frame, seen coarsely. Luma in IRE, chroma in % of full swing (Cb, Cr within +-50).

    ``thumbnail`` is (12 rows, 48 columns, 3: Y, Cb, Cr), float32; chroma is 0 where the file has none.
    ``roughness_ire`` is the rms difference of field lines next to each other, ``detail_ire`` of samples next to each
    other along a line. ``noise_ire`` and ``chroma_noise_pct`` are robust estimates of one sample's noise.
    ``agreeing_rows`` counts rows like the median row. ``line_ire`` is a sharp line and ``mean_line_ire`` the mean of
    the agreeing rows; ``peak_mhz``, ``purity`` and ``power`` describe the short-time spectrum; all five are empty
    unless most rows agree and no bars were found. ``letterbox_rows`` are black frame rows at the top and the bottom
    of the picture.
    """

    frame: int
    mean_ire: float
    std_ire: float
    chroma_rms_pct: float
    roughness_ire: float
    detail_ire: float
    noise_ire: float
    chroma_noise_pct: float
    letterbox_rows: tuple[int, int]
    agreeing_rows: int
    thumbnail: F32
    line_ire: F32
    mean_line_ire: F32
    peak_mhz: F32
    purity: F32
    power: F32
    bars: BarsLook | None


@dataclass(frozen=True, slots=True)
class SignalKind:
    """What a frame shows. ``detail`` names the signal: "bars 75 % split", "multiburst", "staircase"; "" for a
    picture."""

    kind: Kind
    monochrome: bool
    detail: str = ""


def describe(frame: Frame, samples: SampleFormat) -> FrameLook:
    """A cheap look at a frame's first field (well under 1 ms for 720 x 486). Any raster; nothing is raised."""
    plane = frame.fields[0].y
    count, width = plane.shape
    top = RASTERS[2 * count].picture_row0 // 2 if 2 * count in RASTERS else 0
    lines = _sampled_lines(count, top)
    black = np.float32(black_code(samples.bit_depth, full_range=samples.full_range))
    scale = np.float32(1.0 / codes_per_ire(samples.bit_depth, full_range=samples.full_range))
    y = (plane[lines].astype(np.float32) - black) * scale
    inner = slice(width // 32, width - width // 32)
    rows = _without_extremes(y)
    chroma = _chroma_rows(frame.fields[0].cb, frame.fields[0].cr, count, lines, samples)
    thumbnail = np.zeros((ROWS, COLUMNS, 3), np.float32)
    for k, quantity in enumerate((rows, *(chroma or ()))):
        thumbnail[:, :, k] = quantity @ _cell_weights(quantity.shape[1])
    down = (plane[np.minimum(lines[::2] + 1, count - 1), ::2].astype(np.float32) - black) * scale - y[::2, ::2]
    noise = float(np.median(np.abs(down[:, ::5]))) * _MAD_SIGMA / np.sqrt(2)
    agreeing = _agreeing(thumbnail)
    bars = find_bars(rows, chroma)
    line = mean_line = peak = purity = power = np.zeros(0, np.float32)
    if int(agreeing.sum()) >= _FULL_ROWS and bars is None:
        line = (_sharp_line(plane, lines, agreeing) - black) * scale
        mean_line = rows[agreeing].mean(axis=0)
        peak, purity, power = line_patterns.short_spectrum(y[::_LINES_PER_ROW][agreeing])
    part = y[::2, inner]
    steps = part[:, 1:] - part[:, :-1]
    return FrameLook(
        frame=frame.number,
        mean_ire=float(part.mean()),
        std_ire=float(part.std()),
        chroma_rms_pct=0.0 if chroma is None else float(np.hypot(_rms(chroma[0]), _rms(chroma[1]))),
        roughness_ire=_rms(down),
        detail_ire=_rms(steps),
        noise_ire=noise,
        chroma_noise_pct=0.0 if chroma is None else _chroma_noise(chroma),
        letterbox_rows=_letterbox(plane[top:], black, scale),
        agreeing_rows=int(agreeing.sum()),
        thumbnail=thumbnail,
        line_ire=line,
        mean_line_ire=mean_line,
        peak_mhz=peak,
        purity=purity,
        power=power,
        bars=bars,
    )


def classify(look: FrameLook, previous_look: FrameLook | None = None) -> SignalKind:
    """Name the signal of a look. A flat field is only named with a ``previous_look`` that shows the same."""
    mono = _monochrome(look)
    if look.bars is not None:
        return SignalKind("bars", look.bars.monochrome, _bars_name(look.bars))
    flat = _is_flat(look)
    if flat and look.mean_ire < _BLACK_IRE and mono:
        return SignalKind("black", True, "black")
    if previous_look is not None and not is_still(look, previous_look):
        return SignalKind("picture", mono)
    name = "flat field" if flat and previous_look is not None else _pattern_name(look)
    return SignalKind("test_signal", mono, name) if name else SignalKind("picture", mono)


def is_still(look: FrameLook, previous: FrameLook) -> bool:
    """True when nine cells of ten show the same level and colour in both looks, to their noise."""
    change = np.abs(look.thumbnail - previous.thumbnail)
    limits = _STILL_IRE + 2.0 * np.sqrt(2) * _cell_sigmas(look)
    return bool(np.mean((change < limits).all(axis=2)) > _STILL_CELLS)


def _pattern_name(look: FrameLook) -> str:
    """Name of a patterned test signal that fills the field, "" for none."""
    if look.line_ire.size == 0:
        return ""
    if line_patterns.is_packets(look.peak_mhz, look.purity, look.power):
        return "multiburst"
    if _coloured_cells(look) == 0:
        if line_patterns.grille_spacing(look.line_ire) is not None:
            return "grille"
        if line_patterns.is_pulse_and_bar(look.line_ire):
            return "pulse and bar"
    line_noise = look.noise_ire / np.sqrt(_LINES_PER_ROW * look.agreeing_rows)
    if _coloured_cells(look) == 0 and line_patterns.is_ramp(look.mean_line_ire, noise_ire=line_noise):
        return "ramp"
    if _one_colour(look) and line_patterns.is_staircase(look.mean_line_ire, noise_ire=line_noise):
        return "staircase"
    return ""


# --- colour bars ------------------------------------------------------------------------------------------------------

_RGB_75 = 0.75 * np.array(
    [[1, 1, 1], [1, 1, 0], [0, 1, 1], [0, 1, 0], [1, 0, 1], [1, 0, 0], [0, 0, 1], [0, 0, 0]], np.float64
)
BAR_LUMA_IRE = _RGB_75 @ np.array([0.299, 0.587, 0.114]) * 100.0
"""White, yellow, cyan, green, magenta, red, blue, black at 75 % (BT.601 equations)."""
BAR_CHROMA_PCT = ((_RGB_75[:, 2] * 100 - BAR_LUMA_IRE) / 1.772) + 1j * ((_RGB_75[:, 0] * 100 - BAR_LUMA_IRE) / 1.402)
"""Cb + j Cr of the same bars, % of full swing (BT.601 equations)."""
_COLOURED = slice(1, 7)
_BARS_RESIDUAL = 0.22
"""Largest relative misfit of the six chroma vectors after one gain and angle: banding of +-10 %, +-10 deg stays
below."""
_BARS_HUE_DEG = 40.0
_BARS_LUMA_IRE = 6.0
"""Largest rms misfit of the luma of the bars after one gain and one lift."""
_BARS_LUMA_GAIN = (0.6, 1.6)
_FULL_SATURATION = 7 / 6
"""Half way between 75 % and 100 % bars, relative to 75 %."""
_FULL_WHITE_IRE = 87.5
"""Half way between a 75 % and a 100 % white bar."""
BAR_MARGIN = 0.010
"""Share of the line on each side of the bars: blanking leaves 0.7 to 1.4 % (BT.601, BT.1700)."""


@lru_cache(maxsize=16)
def bar_weights(width: int, count: int) -> F32:
    """(width, bars): mean over the middle half of each of ``count`` even bars."""
    left, step = BAR_MARGIN * width, (1 - 2 * BAR_MARGIN) * width / count
    out = np.zeros((width, count), np.float32)
    for k in range(count):
        centre = left + step * (k + 0.5)
        first, last = int(centre - 0.25 * step), max(int(centre + 0.25 * step), int(centre - 0.25 * step) + 1)
        out[first:last, k] = 1.0 / (last - first)
    return out


def find_bars(luma_rows: F32, chroma: tuple[F32, F32] | None) -> BarsLook | None:
    """Bars in the longest run of rows: ``luma_rows`` (12, width) IRE, chroma (12, chroma width) % each; None for
    none."""
    best: BarsLook | None = None
    for count in (8, 7):
        luma = luma_rows @ bar_weights(luma_rows.shape[1], count)
        # bars fall from yellow to blue; a cheap way out for programme
        if np.sum((luma[:, 1] > luma[:, 6 if count == 8 else 5] + 10.0) & (luma[:, 2] > luma[:, 4])) < _SPLIT_ROWS:
            continue
        colours = None
        if chroma is not None:
            weights = bar_weights(chroma[0].shape[1], count)
            colours = chroma[0] @ weights + 1j * (chroma[1] @ weights)
        found = _match_bars(luma.astype(np.float64), colours, count)
        if found is not None and (best is None or found.rows[1] - found.rows[0] > best.rows[1] - best.rows[0]):
            best = found
    return best


def _match_bars(luma: F64, chroma: NDArray[np.complexfloating] | None, count: int) -> BarsLook | None:
    expected = BAR_LUMA_IRE[1:count]
    dev, wanted = luma[:, 1:] - luma[:, 1:].mean(axis=1, keepdims=True), expected - expected.mean()
    slope = dev @ wanted / (wanted @ wanted)
    misfit = np.sqrt(np.mean((dev - slope[:, None] * wanted) ** 2, axis=1))
    good = (misfit < _BARS_LUMA_IRE) & (slope > _BARS_LUMA_GAIN[0]) & (slope < _BARS_LUMA_GAIN[1])
    good &= luma[:, 0] > luma[:, 1] - 3.0
    # without colour only the luma pattern is left, which must then fit closely
    plain = (misfit < _BARS_LUMA_IRE / 3) & (slope > 0.85)
    gain = np.zeros(luma.shape[0], complex)
    mono = True
    if chroma is None:
        good &= plain
    else:
        reference = BAR_CHROMA_PCT[_COLOURED]
        power = float(np.vdot(reference, reference).real)
        measured = chroma[:, _COLOURED]
        gain = measured @ reference.conj() / power
        rest = np.abs(measured - gain[:, None] * reference) ** 2
        size = np.abs(gain)
        coloured = (size > 0.4) & (size < 2.0) & (np.sqrt(rest.sum(axis=1) / power) < _BARS_RESIDUAL * size)
        coloured &= np.abs(np.angle(gain, deg=True)) < _BARS_HUE_DEG
        neutral = np.abs(measured).max(axis=1) < _MONO_PCT
        mono = bool(neutral.sum() > coloured.sum())
        good &= coloured | (neutral & plain)
    rows = longest_run(good)
    if rows[1] - rows[0] < _SPLIT_ROWS:
        return None
    mean = complex(np.mean(gain[slice(*rows)]))
    white = float(np.median(luma[slice(*rows), 0]))
    return BarsLook(rows, count, abs(mean), 0.0 if mono else float(np.angle(mean, deg=True)), white, mono)


def _bars_name(bars: BarsLook) -> str:
    if bars.monochrome:
        return "bars without colour"
    full, white = bars.saturation > _FULL_SATURATION, bars.white_ire > _FULL_WHITE_IRE
    name = "bars 100 %" if full else ("bars 100/0/75/0" if white else "bars 75 %")
    return name if bars.rows[1] - bars.rows[0] >= _FULL_ROWS else name + " split"


# --- parts of a look --------------------------------------------------------------------------------------------------


def _sampled_lines(count: int, top: int) -> NDArray[np.intp]:
    """Field lines looked at: 48, evenly over the picture, each with a line below it."""
    edge = max(1, int(_EDGE_SHARE * count))
    lines = np.linspace(top + edge, max(top + edge, count - edge - 4), ROWS * _LINES_PER_ROW)
    return np.clip(lines.astype(np.intp), 0, max(0, count - 2))


@lru_cache(maxsize=8)
def _cell_weights(width: int) -> F32:
    """(width, 48): means of equal stretches."""
    cell = np.minimum(np.arange(width) * COLUMNS // width, COLUMNS - 1)
    weights = np.zeros((width, COLUMNS), np.float32)
    weights[np.arange(width), cell] = 1.0
    return np.asarray(weights / np.maximum(weights.sum(axis=0), 1.0))


def _without_extremes(lines: F32) -> F32:
    """(48, width) -> (12, width): mean of the middle two of four lines, so that a dropout or a rule does not count."""
    a, b, c, d = (lines[k::_LINES_PER_ROW] for k in range(_LINES_PER_ROW))
    low, high = np.minimum(np.minimum(a, b), np.minimum(c, d)), np.maximum(np.maximum(a, b), np.maximum(c, d))
    return np.asarray((a + b + c + d - low - high) * np.float32(0.5))


def _chroma_rows(
    cb: Plane | None, cr: Plane | None, luma_lines: int, lines: NDArray[np.intp], samples: SampleFormat
) -> tuple[F32, F32] | None:
    """Cb and Cr, (12, chroma width), % of full swing."""
    if cb is None or cr is None or not samples.has_chroma:
        return None
    at = np.minimum(lines * cb.shape[0] // luma_lines, cb.shape[0] - 1)
    zero = np.float32(2 ** (samples.bit_depth - 1))
    swing = (2**samples.bit_depth - 1) if samples.full_range else 224.0 * 2 ** (samples.bit_depth - 8)
    out = []
    for plane in (cb, cr):
        out.append((_without_extremes(plane[at].astype(np.float32)) - zero) * np.float32(100.0 / swing))
    return out[0], out[1]


def _rms(values: F32) -> float:
    return float(np.sqrt(np.vdot(values, values) / values.size))


def _chroma_noise(chroma: tuple[F32, F32]) -> float:
    """Sigma of one chroma sample, from second differences along the mean rows; edges are few, so the median counts."""
    part = chroma[0][::2]
    if part.shape[1] < 8:
        return 0.0
    second = part[:, :-4:4] - 2 * part[:, 2:-2:4] + part[:, 4::4]
    return float(np.median(np.abs(second)) * _MAD_SIGMA / np.sqrt(6) * np.sqrt(_LINES_PER_ROW))


def _cell_sigmas(look: FrameLook) -> F64:
    """Noise of a cell of the thumbnail: Y, Cb, Cr. A cell averages four lines of 15 luma or about 7 chroma samples."""
    chroma = look.chroma_noise_pct / np.sqrt(7 * _LINES_PER_ROW)
    return np.array([look.noise_ire / np.sqrt(15 * _LINES_PER_ROW), chroma, chroma])


def _agreeing(thumbnail: F32) -> NDArray[np.bool_]:
    """Rows that look like the median row in most of their cells."""
    off = np.abs(thumbnail - np.median(thumbnail, axis=0))
    same = (off[:, :, 0] < _AGREE_IRE) & (off[:, :, 1] < _AGREE_CHROMA_PCT) & (off[:, :, 2] < _AGREE_CHROMA_PCT)
    return np.asarray(same.mean(axis=1) >= _AGREE_CELLS)


def _sharp_line(plane: Plane, lines: NDArray[np.intp], agreeing: NDArray[np.bool_]) -> F32:
    """Mean of three lines next to each other, codes, from the agreeing row whose mean is the median: no dropout, no
    rule."""
    starts = np.clip(lines[::_LINES_PER_ROW][agreeing], 0, max(0, plane.shape[0] - 3))
    triples = np.stack([plane[s : s + 3].astype(np.float32).mean(axis=0) for s in starts])
    level = triples.mean(axis=1)
    return np.asarray(triples[int(np.argsort(level)[level.size // 2])])


def _letterbox(plane: Plane, black: np.float32, scale: np.float32) -> tuple[int, int]:
    """Black frame rows at the top and bottom, when the picture is not black as a whole."""
    level = (plane[::2, ::12].astype(np.float32).mean(axis=1) - black) * scale
    on = np.flatnonzero(level > _BLACK_IRE)
    if on.size == 0:
        return (0, 0)
    top, bottom = 4 * int(on[0]), 4 * int(level.size - 1 - on[-1])
    return (top if top > 8 else 0, bottom if bottom > 8 else 0)


def _is_flat(look: FrameLook) -> bool:
    """One level and colour all over, the outermost columns and rows left out."""
    cells = look.thumbnail[1:-1, 2:-2].reshape(-1, 3)
    spread = np.ptp(cells, axis=0) - 2 * _SIGMAS * _cell_sigmas(look)
    return bool(np.all(spread < _AGREE_IRE))


def _coloured_cells(look: FrameLook) -> int:
    chroma = look.thumbnail[:, 1:-1, 1:]
    return int(np.sum(np.hypot(chroma[:, :, 0], chroma[:, :, 1]) > 2 * _MONO_PCT + _SIGMAS * _cell_sigmas(look)[1]))


def _one_colour(look: FrameLook) -> bool:
    """Neutral, or one phase of chroma all along (a staircase on subcarrier); bands of heads may turn it."""
    chroma = look.thumbnail[:, 3:-3, 1] + 1j * look.thumbnail[:, 3:-3, 2]
    mean = complex(chroma.mean())
    if abs(mean) < _MONO_PCT:
        return _coloured_cells(look) == 0
    turned = np.abs(np.angle(chroma * np.conj(mean), deg=True))
    return bool(np.mean((turned < 30.0) | (np.abs(chroma) < 0.5 * abs(mean))) > 0.95)


def _monochrome(look: FrameLook) -> bool:
    """No colour but the picture's own tint, and that one weak."""
    chroma = look.thumbnail[:, 1:-1, 1:]
    tint = np.median(chroma, axis=(0, 1))
    if np.hypot(*tint) > 2 * _MONO_PCT:
        return False
    off = np.hypot(chroma[:, :, 0] - tint[0], chroma[:, :, 1] - tint[1])
    return bool(np.mean(off > _MONO_PCT + _SIGMAS * _cell_sigmas(look)[1]) < 0.01)
