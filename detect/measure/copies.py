"""Compensated losses: runs that equal an earlier piece of picture far better than noise allows.

A compensator in the player puts the line one or two above, or the field before, in place of what was lost. Such a run
shows nothing outside any range, but it repeats its source, noise and all. Two kinds of carrier:

* *exact* ones (``COPY_FLOOR_CODES``) keep a repeat equal; runs are sought among mean differences (copy_kernels.py);
* *coded* ones (``CODED_CODES2``) leave a known difference between equal pieces, and a repeat is told where noise makes
  lines differ by far more (copy_coded_kernels.py). A field whose noise coding has drowned is not searched: repeats in it
  cannot be known from lines that are equal by themselves.

The first frame of a shot is not either: coders are at their coarsest there, and nothing tells noise from detail. What
repeats lines that no compensator copies from is given as decoys, for judging.

Either way the score is the log likelihood ratio less the logarithm of the number of places and sources tried.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from detect.measure import copy_coded_kernels, copy_kernels
from detect.measure.copy_coded_kernels import BLOCK_SAMPLES, DECOYS_FROM, FREE_VALUES, NOISE_ALONG, SOURCES

COPY_BLOCKS = 3
"""Blocks of 16 samples in succession that must be alike: 3.6 us; every piece of 5 us holds as many whole ones."""
COPY_SHARE = 0.45
"""... each differing by less than this share of what noise makes two lines differ."""
COPY_MOST_IRE = 0.15
"""... and by less than this in any case: noise of 0.3 IRE (50 dB), quieter than any such tape, makes lines differ by 0.34."""
QUIETEST_BLOCK = 0.5
"""One block in a hundred differs by no more than this share of what noise does on average (16 samples, 10 free values)."""
LEAST_ROUGHNESS = 0.2
"""Neighbouring samples of a repeat differ by at least this share of what noise makes lines differ: by 0.72 of it on average where noise
fills 4.2 of 6.75 MHz (root of 1 - sinc(2 x 4.2 / 13.5), BT.601 sampling), and by nothing in blanked lines and clipped black."""
COPY_TRIALS = 18.0
"""ln of the number of places and sources tried in some minutes of an exact carrier: the prior odds against a copy."""
CODED_TRIALS = 21.1
"""... and of a coded one, where a repeat may begin at any independent sample: ln of 0.62 x 708 of them, 240 lines, 4 sources and
3600 fields a minute. Of so many, m, chance makes m exp(-s) pieces of log likelihood ratio s or fewer (Karlin and Altschul 1990,
10.1073/pnas.87.6.2264; from memory)."""
MOST_COPIES = 200
FEWEST_BLOCKS = 100
"""Blocks of a field that tell its noise."""
COPY_FLOOR_CODES = dict.fromkeys(["ffv1", "v210", "v210x", "v410", "rawvideo", "huffyuv", "ffvhuff", "utvideo"], 0.3)
"""Exact carriers (FFmpeg names), and the difference they leave between equal pieces of line, 10-bit codes."""
COPY_ROUNDING = 0.4
"""... and what rounding hides, in steps of the file: differences of 8-bit files are coarse."""
CODED_CODES2 = {"mpeg2video": 30.0}
"""Coded carriers, and the mean square difference they leave between equal pieces of line, 10-bit codes squared: 20 to 38
in intra MPEG-2 at 50 Mb/s (development clips, noise of 1 IRE and more), of which rounding to 8 bits makes 3."""
NOISE_SHOWS = 100.0
"""Noise must make lines differ by this mean square, codes squared: 0.8 IRE. With less, 5 us (42 free values) cannot reach
even 11 of the 23 that are needed."""
TAPE_NOISE_IN = 10
"""The tape's own noise is that of its quieter fields: of one in so many it is less. Noise lies on every picture, while detail that
passes for it while it moves (a zoom, texture) does so in some shots. Of black and drawn fields, in which nothing of it can be seen,
those below ``SEEN_NOISE`` do not count."""
SEEN_NOISE = 0.1
"""IRE; ten times quieter than a tape on which repeats can be told."""
NOISE_STEP, NOISE_STEPS = 0.1, 400
"""Noise of fields is counted in steps of so many codes."""
NOISE_TOO_LOUD = 1000.0
"""What looks like noise of 2.5 IRE and more is fine detail of the picture."""
NOISE_KEPT = 1.5
"""Lines differ by twice the variance of the noise and by what coding adds; of the quietest cells, which tell the noise,
coding has taken some. 1.0 to 2.1 times as much as they tell was measured (development clips)."""
NOISE_ALIKE = 2.0
"""Seen along lines alone, noise has 0.8 to 1.6 times the variance that is seen across lines (development clips, noise of
1 IRE and more); most texture that fills the picture, 2.2 to 4.4 times."""
QUIET_CELL = 1.7
"""Variance over the 10 % quantile of means of 16 squares, as ``losses.NOISE_BIAS``."""
QUIET_BLOCKS = ((100, 0.111), (10, 0.322))
"""One block in so many is as quiet, in parts of the mean: quantiles of chi-square / 5 (5 free values in a block)."""
DECOY_ODDS = 3.0
"""A repeat must be so much likelier than the best decoy of its field, log likelihood: e^3 to 1 (house practice)."""
CODED_NEED = 8.0
"""Log likelihood from which a piece of line is weighed; 18 at least is kept."""
MIRRORED = 0.5
"""A line of which more than this share repeats others in a coded file lies on the axis of a mirror (water, a wall), or its picture
repeats itself; one loss in two hundred is as long (log-normal, median 3 us, deviation 0.85: house practice)."""
COLUMNS = 5
"""Of a repeat, see ``CopyFinder.find``."""
CODED_LEAST_SCORE = -3.0
"""Log odds from which candidates are kept for a second look, as ``losses.KEPT``."""


class CopyFinder:
    """Finds repeats in fields of a stack (fields, lines, samples), 16-bit luma, 10-bit codes.

    ``share_searched``: of the fields, those in which repeats could be told from lines that are alike by themselves.
    ``tape_is_quiet``: coding hides what noise the tape has, and what passed for noise in some of its shots was detail.
    """

    def __init__(self, codec: str, *, shift: int, ire: float, lines: int, first: int, left: int, right: int) -> None:
        """``shift``: 10 less the bits of the file; ``ire``: codes an IRE; searched are lines ``first`` on, samples
        ``left <= x < right``."""
        self._exact, self._coded = codec in COPY_FLOOR_CODES, CODED_CODES2.get(codec)
        self._floor = max(COPY_FLOOR_CODES.get(codec, 0.0), COPY_ROUNDING * 2**shift)
        self._most = COPY_MOST_IRE * ire
        self._first, self._last, self._left, self._right = first, lines - 1, left, right
        wide = 16 if self._exact else BLOCK_SAMPLES
        self._sums = np.zeros((4 if self._exact else SOURCES, lines, (right - left) // wide), np.int32)
        self._found = np.zeros((MOST_COPIES, 6), np.float32)
        self._segments = np.zeros((MOST_COPIES, 4), np.int32)
        self._weighed = np.zeros((MOST_COPIES, 5))
        self._cells = np.zeros(3000, np.float32)
        self._between = np.zeros(self._sums.shape[1] * self._sums.shape[2], np.int32)
        self._fields = self._searched = 0
        self._seen_noise = SEEN_NOISE * ire
        self._noises = np.zeros(NOISE_STEPS, np.int64)

    @property
    def share_searched(self) -> float:
        """0 before the first field of a coded carrier, and on tapes too quiet for it."""
        if self._exact:
            return 1.0
        return 0.0 if self.tape_is_quiet else self._searched / max(self._fields, 1)

    @property
    def tape_is_quiet(self) -> bool:
        """Of a coded carrier, once all fields have been seen: its repeats are not to be believed."""
        if self._exact or not self._noises.any():
            return False
        quiet = int(np.searchsorted(np.cumsum(self._noises), self._noises.sum() / TAPE_NOISE_IN, "right"))
        return NOISE_KEPT * 2 * ((quiet + 1) * NOISE_STEP) ** 2 < NOISE_SHOWS

    @property
    def looks(self) -> bool:
        """Whether the carrier may show repeats at all."""
        return self._exact or self._coded is not None

    def find(
        self, y: NDArray[np.int16], *, here: int, before: int, two_before: int, half: int, noise: float, intra: bool = True
    ) -> NDArray[np.float64]:
        """Repeats in the field at place ``here``, (repeats, COLUMNS): line, x0, x1, score (log odds), whether it is a decoy.

        ``before``, ``two_before``: places of the fields before, -1 where there are none; ``noise``: standard deviation in codes;
        ``intra``: neither this frame nor those beside it is predicted from others, whose noise would be theirs.
        """
        self._fields += 1
        if self._exact:
            return self._in_exact(y, here, before, half)
        if noise >= self._seen_noise:
            self._noises[min(int(noise / NOISE_STEP), NOISE_STEPS - 1)] += 1
        if (
            self._coded is None
            or not intra
            or two_before < 0
            or not NOISE_SHOWS <= NOISE_KEPT * 2 * noise**2 <= NOISE_KEPT * NOISE_TOO_LOUD
        ):
            return np.zeros((0, COLUMNS))
        usual = self._usual(y, here, two_before, noise)
        return self._in_coded(y, here, before, half, usual, self._coded)

    def _in_exact(self, y: NDArray[np.int16], here: int, before: int, half: int) -> NDArray[np.float64]:
        copy_kernels.copy_blocks(y, here, before, half, self._left, self._sums.shape[2], self._sums)
        some = self._known_blocks()
        if len(some) < FEWEST_BLOCKS:
            return np.zeros((0, COLUMNS))
        usual = _quiet(some, 100) / 16 / QUIETEST_BLOCK
        bound = max(min(COPY_SHARE * usual, self._most), self._floor)
        found = copy_kernels.find_copies(
            y, here, before, half, self._left, self._right, self._sums, bound, self._first, self._last, COPY_BLOCKS,
            LEAST_ROUGHNESS * usual, self._found,
        )  # fmt: skip
        line, x0, x1, _, own, control = self._found[:found].T
        control = np.minimum(control, usual)
        ratio = np.minimum(np.maximum(own, self._floor) / np.maximum(control, self._floor), 1.0)
        score = FREE_VALUES * (x1 - x0) * (-np.log(ratio) - (1 - ratio**2) / 2) - COPY_TRIALS
        return np.stack([line, x0, x1, score, np.zeros(found)], 1).astype(np.float64)

    def _usual(self, y: NDArray[np.int16], here: int, two_before: int, noise: float) -> float:
        """Mean square by which noise makes lines differ, codes squared.

        Fine detail looks like noise; so no more is believed than is seen along the lines alone (stripes; far more is
        texture), and between
        fields two apart (still texture).
        """
        usual = NOISE_KEPT * 2 * noise**2
        if usual < NOISE_SHOWS:
            return usual
        count = copy_coded_kernels.noise_along(y, here, self._first, self._last, self._left, self._right, self._cells)
        along = _quiet(self._cells[:count], 10) * QUIET_CELL / NOISE_ALONG if count else 0.0
        if along > NOISE_ALIKE * noise**2:
            return 0.0
        usual = min(usual, NOISE_KEPT * 2 * along)
        count = copy_coded_kernels.squares_between(
            y, here, two_before, self._first, self._last, self._left, self._sums.shape[2], self._between
        )
        return min(usual, _least_usual(self._between[:count]))

    def _in_coded(self, y: NDArray[np.int16], here: int, before: int, half: int, usual: float, coded: float) -> NDArray[np.float64]:
        if usual >= NOISE_SHOWS:
            copy_coded_kernels.squares(y, here, before, half, self._left, self._sums.shape[2], self._sums)
            usual = min(usual, _least_usual(self._known_blocks()))
        if usual < NOISE_SHOWS:
            return np.zeros((0, COLUMNS))
        self._searched += 1
        count = copy_coded_kernels.find_segments(self._sums, usual, coded, self._first, self._last, CODED_NEED, self._segments)
        if count == len(self._segments):  # a picture that repeats itself everywhere; there is no room for its decoys
            return np.zeros((0, COLUMNS))
        kept = copy_coded_kernels.weigh_segments(
            y, here, before, half, self._left, self._right, usual, coded, 2 * NOISE_KEPT / NOISE_ALONG, self._segments[:count],
            self._weighed,
        )
        weighed = self._weighed[:kept]
        is_decoy = weighed[:, 4] >= DECOYS_FROM
        found, decoys = weighed[~is_decoy], weighed[is_decoy]
        found[:, 3] -= max(CODED_TRIALS, float(decoys[:, 3].max(initial=0.0)) + DECOY_ODDS)
        decoys[:, 3] -= CODED_TRIALS
        out = [_best_of_each_place(part[part[:, 3] >= CODED_LEAST_SCORE]) for part in (found, decoys)]
        out[0] = _without_mirrors(out[0], MIRRORED * (self._right - self._left))
        return np.concatenate([np.insert(part[:, :4], 4, decoy, axis=1) for decoy, part in enumerate(out)])

    def _known_blocks(self) -> NDArray[np.int32]:
        """Sums between lines and those above them; equal ones are clipped black, a border, a drawn area: they tell of no
        noise."""
        some = self._sums[0, self._first : self._last : 4].ravel()
        return some[some > 0]


def _least_usual(sums: NDArray[np.int32]) -> float:
    """The mean square that blocks so quiet come of, if noise is all they hold."""
    if len(sums) < FEWEST_BLOCKS:
        return 0.0
    return min(_quiet(sums, one_in) / BLOCK_SAMPLES / part for one_in, part in QUIET_BLOCKS)


def _quiet(values: NDArray[Any], one_in: int) -> float:
    at = len(values) // one_in
    return float(np.partition(values, at)[at])


def _best_of_each_place(found: NDArray[np.float64]) -> NDArray[np.float64]:
    """Of repeats that overlap in one line, as those of several sources do, the likeliest; in order of line and place."""
    taken: list[NDArray[np.float64]] = []
    for row in found[np.argsort(-found[:, 3], kind="stable")]:
        if not any(row[0] == t[0] and row[1] < t[2] and t[1] < row[2] for t in taken):
            taken.append(row)
    return np.array(sorted(taken, key=lambda r: (r[0], r[1]))).reshape(-1, 5)


def _without_mirrors(found: NDArray[np.float64], most: float) -> NDArray[np.float64]:
    """Repeats of lines in which they cover no more than ``most`` samples."""
    _, at = np.unique(found[:, 0], return_inverse=True)
    covered = np.bincount(np.asarray(at).ravel(), found[:, 2] - found[:, 1])
    return found[covered[np.asarray(at).ravel()] <= most]
