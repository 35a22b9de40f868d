"""Relations between adjacent lines of one field: what differs from one line to the next, whatever the cause.

For a pair of lines a, b (p above a, n below b) a constant fault of one of them shows in b against a, while picture content shows
alike in n against p. So every relation takes (b - a) - (n - p)/3, which is zero for content that changes evenly down the picture.
A jump J between a and b gives 2/3 J, so ratios are scaled by 3/2 and read as the jump. The pixel weights come from the OUTER
differences a - p and n - b only; they never look at the jump itself and cannot shrink it. See docs/how_it_measures.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import signal

from detect.measure import kernels
from detect.measure.chroma_by_luma import chroma_by_luma, luma_at_chroma
from detect.measure.chroma_lines import MOST_APART, line_products
from detect.measure.fields import Field, SampleFormat
from detect.standards import NS_PER_SAMPLE, V_OVER_U, black_code, codes_per_ire

F32 = NDArray[np.float32]

TIMING_SECTIONS = 5
CHROMA_SECTIONS = 4
EDGE_MARGIN_SAMPLES = 20
"""Columns left out at each end: blanking in both standards ends within 10 (BT.601, BT.1700), and time errors move it."""
RESPONSE_MHZ = (1.0, 2.0, 3.0, 4.2)
"""Centres of the response bands."""
_BAND_SIGMA_SAMPLES = 4.5
"""Half a MHz wide: pictures fall off so steeply that a wider band would speak for a lower frequency."""
_TUNED_UP_MHZ = 0.13
"""Measured on drawn and photographed pictures: the middle of the energy lay 0.07 to 0.14 MHz below the taps' own."""
_BAND_REACH = 16
CELL_SAMPLES = 16
_QUIETEST = 0.05
"""Share of a field's cells whose energy is taken for noise alone."""
_TEXTURE_OVER_NOISE = 30.0
"""Texture counts for the response where its energy is this many times that of the quietest cells: noise then hides under 4 % of it."""
MOIRE_PCT = 20.0
"""Chroma amplitude, % of full colour difference swing, at which a cell has half a say in the noise: half of what bars of 75 % have.
Beats grow at least as fast as the amplitude (house value)."""
_EDGE_REACH = 28
_LEAST_EDGE_IRE = 12.0
_CHROMA_SEEN = 8.0
"""Standard errors by which the chroma that adjacent lines share must stand out of its noise; chroma noise is smooth along the line,
so that these are five true ones. A section of a line without chroma says nothing about it, whatever its noise does from head to head."""
_LEAST_S2_IRE2 = 0.5
"""Floor of the line-difference variance: about the noise of a 46 dB tape, twice over."""

KEPT_TO = {"edges": 1.0}
"""Quantities that are kept to a step, ns, so that readings stay small: the error of rounding is 0.3 of it (1 / root of 12)."""

QUANTITIES = {
    "timing": TIMING_SECTIONS,
    "timing_plain": 1,
    "edges": 2,
    "chroma_re": CHROMA_SECTIONS,
    "chroma_im": CHROMA_SECTIONS,
    "chroma_re_v": CHROMA_SECTIONS,
    "chroma_im_u": 1,
    "chroma_cross": 1,
    "chroma_re_luma": 1,
    "chroma_im_luma": 1,
    "level": 1,
    "noise": 1,
    "noise_log": 1,
    "response": len(RESPONSE_MHZ),
}
"""Name of each quantity in the sums and its number of places."""


def section_bounds(width: int, sections: int, margin: int) -> NDArray[np.int64]:
    """Columns of the horizontal sections: (sections + 1,)."""
    return np.round(np.linspace(margin, width - margin, sections + 1)).astype(np.int64)


def band_taps(mhz: float, sample_mhz: float = 13.5) -> F32:
    """Symmetric band-pass taps (1, taps) of unit power: a cosine under a Gaussian, made blind to a constant.

    Tuned a little high: pictures fall off with frequency, so that the energy in the band has its middle at ``mhz``.
    """
    mhz += _TUNED_UP_MHZ
    k = np.arange(-_BAND_REACH, _BAND_REACH + 1)
    window = np.exp(-0.5 * (k / _BAND_SIGMA_SAMPLES) ** 2)
    taps = window * np.cos(2 * np.pi * mhz / sample_mhz * k)
    taps -= window * taps.sum() / window.sum()
    return np.asarray(taps[None, :] / np.sqrt(np.sum(taps**2)), dtype=np.float32)


def _gradient_taps() -> F32:
    """Derivative of a Gaussian, (1, taps), unit slope reads 1: keeps to frequencies where a jump is a small part of a period."""
    k = np.arange(-5, 6)
    taps = k * np.exp(-0.5 * (k / _GRAD_SIGMA_SAMPLES) ** 2)
    return np.asarray((taps / np.sum(taps * k))[None, :], dtype=np.float32)


def _sinc_table(phases: int = 64, taps: int = 12) -> F32:
    """Windowed-sinc interpolation, (phases + 1, taps); tap t stands for sample base + t - taps/2 + 1."""
    at = np.arange(taps) - taps // 2 + 1
    f = np.arange(phases + 1)[:, None] / phases
    d = at[None, :] - f
    table = np.sinc(d) * np.cos(np.pi * d / (taps + 1)) ** 2
    return np.asarray(table / table.sum(axis=1, keepdims=True), dtype=np.float32)


_SOFT_MHZ = 2.7
_SOFT_TAPS = signal.firwin(19, _SOFT_MHZ, fs=13.5, window=("kaiser", 4.0)).astype(np.float32)[None, :]
"""Displacement and level are read below the subcarrier, of which a comb leaves much in the lines beside a head change: it is alike in lines
two apart, and would pass for detail that no error displaces. Pictures have little to say there, and the derivative of a Gaussian takes next
to nothing of it."""
_SLOPE_TAPS = np.array([[-1, 9, -45, 0, 45, -9, 1]], dtype=np.float32) / np.float32(60)
"""Derivative along the line, true to omega^6/140."""
_GRAD_SIGMA_SAMPLES = 1.5
_GRAD_TAPS = _gradient_taps()
_NOISE_GAIN = 0.8
"""Share of the noise power that the high pass lets through: 0.66 of white noise, 0.95 of noise rising with frequency (FM)."""


def _noise_taps() -> F32:
    """What is left of a line after a Gaussian of 1.5 samples: above about 1.7 MHz; flat noise of unit power reads about one."""
    k = np.arange(-5, 6)
    smooth = np.exp(-0.5 * (k / 1.5) ** 2)
    taps = (k == 0) - smooth / smooth.sum()
    return np.asarray((taps / np.sqrt(_NOISE_GAIN))[None, :], dtype=np.float32)


_NOISE_TAPS = _noise_taps()
_TAPE_MHZ, _TAPE_SHARE = 5.0, 0.54
"""No tape of either standard has more than 5 MHz of picture and noise to say much of; above that, what corrects the time base shapes noise
along the pass (a converter that interpolates lets 5.5 MHz and more through or not, by where between two samples a line falls). Comparisons
keep below it; of the power of flat noise that the high pass lets through, so much is left there."""


def _tape_taps() -> F32:
    """The same below 5 MHz only: what noise is compared by."""
    low = signal.firwin(13, _TAPE_MHZ, fs=13.5, window=("kaiser", 3.0)).astype(np.float32)
    return np.asarray(low[None, :] / np.sqrt(_TAPE_SHARE), np.float32)


_TAPE_TAPS = _tape_taps()


TO_THE_END = 2**31
"""Instead of an end frame: the length of a file is not known while it is read."""


@dataclass(frozen=True, slots=True)
class Deshift:
    """A known displacement to undo before measuring: per frame row, ns at the line's left and its growth to the right; in windows whose
    middle is at ``start_frame`` <= frame < ``end_frame``. The last window is taken to be as long as the others: what is to be undone in it
    ends at ``TO_THE_END``."""

    start_ns: F32
    growth_ns: F32
    start_frame: int = 0
    end_frame: int = TO_THE_END


@dataclass(frozen=True, slots=True)
class FieldFigures:
    """Figures of one field as a whole, for telling the parts of a file apart."""

    coherence: float
    """Correlation of the gradients of adjacent lines: falls where lines are torn."""
    edge_jitter_samples: float
    """Median line-to-line change of the left blanking edge; NaN where there is no edge."""
    difference_ire: float
    """Root mean square difference of adjacent lines."""


class WindowSums:
    """Running sums of one window. Arrays are (rows, places); row r is the pair of frame rows r and r + 2."""

    def __init__(self, height: int) -> None:
        self.num = {name: np.zeros((height, k)) for name, k in QUANTITIES.items()}
        self.den = {name: np.zeros((height, k)) for name, k in QUANTITIES.items()}
        self.curve = np.zeros(2)
        self.centre = np.zeros((len(RESPONSE_MHZ), 2))
        """Of each response band: sum of 1 - cos of where its detail lies (``kernels.band_centre``), and of how many cells."""
        self.line_products = np.zeros((1 + MOST_APART, 2))
        """Of chroma lines 0, 1, ... apart: products of their noise, and its energy (``chroma_lines``)."""

    def ratios(self) -> tuple[dict[str, F32], dict[str, F32]]:
        """Ratio and weight of each quantity; a weight that is not positive counts as nothing."""
        ratio: dict[str, F32] = {}
        weight: dict[str, F32] = {}
        for name in QUANTITIES:
            num, den = self.num[name], self.den[name]
            good = den > 0
            value = np.divide(num, den, out=np.zeros_like(num), where=good)
            step = KEPT_TO.get(name)
            if step is not None:
                value = np.round(value / step) * step
            ratio[name] = value.astype(np.float32)
            weight[name] = np.where(good, den, 0.0).astype(np.float32)
        return ratio, weight


class LineRelations:
    """Measures fields of one format into window sums. Keeps scratch arrays; not to be shared between threads."""

    def __init__(
        self, samples: SampleFormat, *, width: int, deshift: Deshift | None = None, alternating: bool = False
    ) -> None:
        self.samples = samples
        self.alternating = alternating
        self.width = width
        self.deshift = deshift
        self.undoing = deshift is not None
        """Whether ``deshift`` is undone in the fields to come."""
        depth, full = samples.bit_depth, samples.full_range
        self._y_black = black_code(depth, full_range=full)
        self._y_scale = 1.0 / codes_per_ire(depth, full_range=full)
        self._c_black = 2.0 ** (depth - 1)
        self._c_scale = 100.0 / ((2**depth - 1) if full else 224.0 * 2 ** (depth - 8))
        self._bounds = section_bounds(width, TIMING_SECTIONS, EDGE_MARGIN_SAMPLES)
        c_width = width // samples.chroma_step_x
        self._c_bounds = section_bounds(c_width, CHROMA_SECTIONS, -(-EDGE_MARGIN_SAMPLES // samples.chroma_step_x))
        self._bands = [band_taps(mhz) for mhz in RESPONSE_MHZ]
        self._table = _sinc_table()
        self._scratch: dict[tuple[str, int, int], F32] = {}
        self._cells = (width - 2 * EDGE_MARGIN_SAMPLES) // CELL_SAMPLES
        self._before: dict[int, tuple[int, F32]] = {}
        self._chroma_before: tuple[int, F32, F32] = (-2, np.zeros((0, 0), np.float32), np.zeros((0, 0), np.float32))

    def _array(self, name: str, n: int, width: int) -> F32:
        key = (name, n, width)
        if key not in self._scratch:
            self._scratch[key] = np.zeros((n, width), np.float32)
        return self._scratch[key]

    def _lines(
        self, name: str, plane: NDArray[np.generic], black: float, scale: float, rows: slice, step_x: int
    ) -> F32:
        n, width = plane.shape
        out = self._array(name, n, width)
        kernels.to_ire(plane, black, scale, out)
        if self.deshift is None or not self.undoing:
            return out
        moved = self._array(name + "moved", n, width)
        per = np.float32(1.0 / (NS_PER_SAMPLE * step_x))
        start, growth = self.deshift.start_ns[rows] * per, self.deshift.growth_ns[rows] * per
        kernels.shift_lines(out, start, growth, self._table, moved)
        return moved

    def luma(self, field: Field) -> F32:
        """The field's luma in IRE, (lines, width), de-shifted where that was asked for; valid until the next call."""
        return self._lines("y", field.y, self._y_black, self._y_scale, slice(field.row0, None, 2), 1)

    def measure(
        self, field: Field, into: WindowSums, *, response: bool, noise: bool, before_noise: bool = False
    ) -> FieldFigures:
        """Add one field to the sums. ``response`` and ``noise`` choose the costlier relations, which need not see every field.

        ``before_noise``: the next frame will be asked for its noise; what does not move between them cancels.
        """
        y = self.luma(field)
        n, width = y.shape
        rows = slice(field.row0, field.row0 + 2 * n, 2)
        grad, slope = self._array("grad", n, width), self._array("slope", n, width)
        soft = self._array("soft", n, width)
        cv2.filter2D(y, -1, _SOFT_TAPS, dst=soft)
        cv2.filter2D(soft, -1, _GRAD_TAPS, dst=grad)
        cv2.filter2D(soft, -1, _SLOPE_TAPS, dst=slope)
        first, last = int(self._bounds[0]), int(self._bounds[-1])
        s2 = max(kernels.difference_variance(soft, first, last), _LEAST_S2_IRE2)
        num, den = self._array("num", n, TIMING_SECTIONS), self._array("den", n, TIMING_SECTIONS)
        plain, level, weight = (np.zeros(n, np.float32) for _ in range(3))
        curve = np.zeros(2)
        kernels.luma_pairs(soft, grad, slope, self._bounds, s2, num, den, plain, level, weight, curve)
        into.curve += curve
        into.num["timing"][rows] += num * NS_PER_SAMPLE
        into.den["timing"][rows] += den
        into.num["timing_plain"][rows, 0] += plain * NS_PER_SAMPLE
        into.den["timing_plain"][rows, 0] += den.sum(axis=1)
        into.num["level"][rows, 0] += 1.5 * level
        into.den["level"][rows, 0] += weight
        if self.samples.has_chroma and field.cb is not None and field.cr is not None:
            self._chroma(field, y if response else None, into)
            if field.index == 0:
                self._line_products(field, into, noise=noise, before_noise=before_noise)
        if response:
            self._response(y, into, rows)
        if noise or before_noise:
            band = self._array("band", n, width)
            cv2.filter2D(y, -1, _NOISE_TAPS, dst=band)
            if noise:
                self._noise(field, band, into, rows)
            if before_noise:
                kept = self._array(f"before {field.index}", n, width)
                np.copyto(kept, band)
                self._before[field.index] = (field.frame, kept)
        jitter = self._edges(y, into, rows)
        part = slope[1:-2:4, first:last]
        below = slope[2:-1:4, first:last]
        power = float(np.vdot(part, part) + np.vdot(below, below)) / 2
        coherence = float(np.vdot(part, below)) / power if power > 0 else 0.0
        return FieldFigures(coherence, jitter, float(np.sqrt(s2)))

    def _chroma(self, field: Field, y: F32 | None, into: WindowSums) -> None:
        step_y = self.samples.chroma_step_y
        n = field.cb.shape[0]  # type: ignore[union-attr]
        rows = slice(field.row0, field.row0 + 2 * step_y * n, 2 * step_y)
        u = self._lines("u", field.cb, self._c_black, self._c_scale, rows, self.samples.chroma_step_x)  # type: ignore[arg-type]
        v = self._lines("v", field.cr, self._c_black, self._c_scale, rows, self.samples.chroma_step_x)  # type: ignore[arg-type]
        s2 = max(
            kernels.difference_variance(u, int(self._c_bounds[0]), int(self._c_bounds[-1]))
            + kernels.difference_variance(v, int(self._c_bounds[0]), int(self._c_bounds[-1])),
            _LEAST_S2_IRE2,
        )
        re, im, den = (self._array(k, n, CHROMA_SECTIONS) for k in ("re", "im", "cden"))
        re_v, den_v, im_u, cross = (self._array(k, n, CHROMA_SECTIONS) for k in ("re v", "den v", "im u", "cross"))
        if self.alternating:
            kernels.chroma_pairs_alternating(u, v, self._c_bounds, s2, re, im, den)
        else:
            kernels.chroma_pairs(u, v, self._c_bounds, s2, re, im, den, re_v, den_v, im_u, cross)
        # what noise alone would make of a denominator: two products in each of two components, s2 / 4 of noise in each factor
        den[den < _CHROMA_SEEN * s2 / 2 * np.sqrt(np.diff(self._c_bounds))] = 0.0
        for part in (re, im, re_v, den_v, im_u, cross):
            part[den == 0.0] = 0.0
        height = into.num["chroma_re"].shape[0]
        count = len(range(*rows.indices(height)))
        for name, part, weight in (("chroma_re", re, den), ("chroma_im", im, den), ("chroma_re_v", re_v, den_v)):
            into.num[name][rows] += 1.5 * part[:count]
            into.den[name][rows] += weight[:count]
        if not self.alternating:
            for name, part, gain in (("chroma_im_u", im_u, 1.5), ("chroma_cross", cross, 1.0)):
                into.num[name][rows, 0] += gain * part[:count].sum(axis=1)
                into.den[name][rows, 0] += den[:count].sum(axis=1)
        if y is None:
            return
        luma = self._array("cluma", *u.shape)
        luma_at_chroma(y, self.samples.chroma_step_x, step_y, luma)
        columns = int(self._c_bounds[0]), int(self._c_bounds[-1])
        scaled = self._array("v scaled", *v.shape)
        np.multiply(v, np.float32(V_OVER_U), out=scaled)
        wide = max(kernels.difference_variance(u, *columns) + kernels.difference_variance(scaled, *columns), _LEAST_S2_IRE2)
        slope_re, slope_im, spread = chroma_by_luma(u, scaled, luma, columns, s2=wide, seen=_CHROMA_SEEN)
        for name, slope in (("chroma_re_luma", slope_re), ("chroma_im_luma", slope_im)):
            into.num[name][rows, 0] += 1.5 * slope[:count]
            into.den[name][rows, 0] += spread[:count]

    def _line_products(self, field: Field, into: WindowSums, *, noise: bool, before_noise: bool) -> None:
        """Of one field of a frame, against the frame before."""
        u, v = (self._scratch[name, len(field.cb), self.width // self.samples.chroma_step_x] for name in ("u", "v"))  # type: ignore[arg-type]
        frame, before_u, before_v = self._chroma_before
        if noise and frame + 1 == field.frame and before_u.shape == u.shape:
            into.line_products += line_products(u, v, before_u, before_v, int(self._c_bounds[0]), int(self._c_bounds[-1]))
        if before_noise:
            self._chroma_before = field.frame, u.copy(), v.copy()

    def _response(self, y: F32, into: WindowSums, rows: slice) -> None:
        n, width = y.shape
        band, energy = self._array("band", n, width), self._array("energy", n, self._cells)
        ratio, count = np.zeros(n, np.float32), np.zeros(n, np.float32)
        for k, taps in enumerate(self._bands):
            cv2.filter2D(y, -1, taps, dst=band)
            kernels.cell_energy(band, EDGE_MARGIN_SAMPLES, CELL_SAMPLES, energy)
            quiet = max(float(np.quantile(energy[::4], _QUIETEST)), float(kernels.LEAST_ENERGY))
            kernels.textured_cells(energy, _TEXTURE_OVER_NOISE * quiet, quiet, ratio, count)
            into.num["response"][rows, k] += ratio
            into.den["response"][rows, k] += count
            into.centre[k] += kernels.band_centre(band, EDGE_MARGIN_SAMPLES, CELL_SAMPLES, energy, _TEXTURE_OVER_NOISE * quiet)

    def _noise(self, field: Field, band: F32, into: WindowSums, rows: slice) -> None:
        """``band``: what the high pass leaves of the field."""
        n, width = band.shape
        energy = self._array("energy", n, self._cells)
        still = self._array("still", n, self._cells)
        whole, whole_still = self._array("whole", n, self._cells), self._array("whole still", n, self._cells)
        below = self._array("below", n, width)
        self._energies(band, below, whole, energy)
        frame, before = self._before.pop(field.index, (-1, band))
        if frame + 1 == field.frame and before.shape == band.shape:
            np.subtract(band, before, out=before)
            self._energies(before, below, whole_still, still)
            whole_still *= np.float32(0.5)
            still *= np.float32(0.5)
        else:
            whole_still[:] = still[:] = 0.0
        ratio, log_a, weight = (np.zeros(n, np.float32) for _ in range(3))
        kernels.quiet_cells(energy, still, whole, whole_still, self._colour(field, n), ratio, log_a, weight)
        into.num["noise"][rows, 0] += ratio
        into.den["noise"][rows, 0] += weight
        into.num["noise_log"][rows, 0] += log_a
        into.den["noise_log"][rows, 0] += weight

    @staticmethod
    def _energies(band: F32, below: F32, whole: F32, of_tape: F32) -> None:
        """Energy of the cells of what the high pass leaves, and of the part of it that a tape can hold."""
        kernels.cell_energy(band, EDGE_MARGIN_SAMPLES, CELL_SAMPLES, whole)
        cv2.filter2D(band, -1, _TAPE_TAPS, dst=below)
        kernels.cell_energy(below, EDGE_MARGIN_SAMPLES, CELL_SAMPLES, of_tape)

    def _colour(self, field: Field, n: int) -> F32:
        """Power of the chroma in the cells of ``n`` lines of luma, in units of ``MOIRE_PCT`` squared: (lines, cells)."""
        colour = self._array("colour", n, self._cells)
        colour[:] = 0.0
        if not self.samples.has_chroma or field.cb is None or field.cr is None:
            return colour
        step_x, step_y = self.samples.chroma_step_x, self.samples.chroma_step_y
        lines = len(field.cb)
        of_one = self._array("colour of one", lines, self._cells)
        whole = np.zeros((lines, self._cells), np.float32)
        for name in ("u", "v"):  # as they were left by _chroma
            plane = self._scratch[name, lines, self.width // step_x]
            kernels.cell_energy(plane, EDGE_MARGIN_SAMPLES // step_x, CELL_SAMPLES // step_x, of_one)
            whole += of_one
        at = np.minimum(np.arange(n) // step_y, lines - 1)
        np.multiply(whole[at], np.float32(MOIRE_PCT**-2), out=colour)
        return colour

    def _edges(self, y: F32, into: WindowSums, rows: slice) -> float:
        n = y.shape[0]
        left, right = np.zeros(n, np.float32), np.zeros(n, np.float32)
        kernels.edge_positions(y, _EDGE_REACH, _LEAST_EDGE_IRE, left, right)
        for side, (at, end) in enumerate(((left, 0), (right, self.width))):  # from the end of the line: readings keep four digits
            good = at >= 0
            into.num["edges"][rows, side] += np.where(good, (at - end) * NS_PER_SAMPLE, 0)
            into.den["edges"][rows, side] += good
        steps = np.abs(np.diff(left))[(left[1:] >= 0) & (left[:-1] >= 0)]
        return float(np.median(steps)) if steps.size > n // 4 else float("nan")
