"""Losses of signal (dropouts) as seen in the picture: candidates with a score, those below the threshold kept too.

A loss is a piece of a line, sharply ended, that nothing around it explains. Steps, each for fewer samples than the
last:

1. *Range.* A sample is suspect when it lies outside the range of its neighbours: the lines above and below in its
   field, the same place in the fields one and two before and after, all widened along the line.
2. *Motion.* Only where suspects are left: the optical flow of the picture (OpenCV, DIS, on a small picture) to the
   fields two before and two after moves these neighbours to where the picture content was and will be, and the range
   is asked again. The lines next to the run are put to the same question: where they too fail, prediction fails there,
   and it is no loss. What is left is looked for, with its lines above and below, near that place in the fields around.
3. *Score.* ``loss_score`` turns these measures into log odds.

Where neighbours span so much that no range tells anything, pieces like nothing around are looked for instead (``loss_again``).

What comes back in every pass stands in the picture and lies inside every range; it is found apart too (``standing_losses``).

Compensated losses show nothing outside any range; they are found apart (``copies``), as a run that repeats an earlier
piece of picture. That works only where the carrier keeps noise.

A field is searched with the frames before and after its own, so a slice of a file given ``OVERLAP_FRAMES`` more on
either side finds the same losses as the whole file.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.measure import loss_again
from detect.measure import loss_kernels as kernels
from detect.measure.copies import COLUMNS as COPY_COLUMNS
from detect.measure.copies import CopyFinder
from detect.measure.fields import Field, Frame, SampleFormat
from detect.measure.line_ends import dashes_at_ends
from detect.measure.loss_candidates import KINDS, OUTPUT, bands_out, copies_out, dashes_out, pieces_out, runs_out, standing_out
from detect.measure.loss_leak import leaks_of_runs
from detect.measure.loss_score import COLUMNS, log_odds, with_again_at_best
from detect.measure.loss_weighing import FEATURES, Search, weigh_runs
from detect.measure.noise_bands import BandCourse, noise_bands
from detect.measure.standing_losses import StandingFinder
from detect.standards import ACTIVE_SAMPLES, Standard, codes_per_ire

OVERLAP_FRAMES = 1
"""Frames a slice needs before its first and after its last to find the same losses as the whole file."""
LIKELY = 2.0
"""Log odds from which a candidate counts as a loss unless judging knows better: set on development footage at two
false ones a minute or fewer."""
KEPT = -3.0
"""Log odds from which candidates are kept for a second look."""
MOST_KEPT = 200_000
"""Candidates kept in memory (13 MB); beyond that the least likely are dropped and ``dropped`` counts them."""
REACH_SAMPLES = 3
"""How far along the line a neighbour's range is widened: a quarter of a microsecond."""
SUSPECT_IRE = 2.3
"""Least excess of a suspect sample."""
GAP_SAMPLES = 6
"""Holes in a run that are bridged."""
LEAST_SAMPLES = 4
"""Suspect samples in a run."""
SHORTEST_SAMPLES = 5
"""Length of a run: losses shorter than 0.5 us (7 samples) do not occur (common practice), and ends are soft."""
ENDS_EVERY = 15
"""Frames from one look at the ends of the lines to the next: what switching leaves stands still."""
MOST_RUNS = 4000
"""Runs noted in one field."""
MOST_WEIGHED = 300
"""Runs weighed in one field, those with the greatest excess; bounds the cost where the picture cannot be predicted."""
MOST_SEARCHED = 60
"""Runs looked for in the fields around, of one field: the most promising."""
FLOW_PIXEL = (3, 2)
"""A pixel of the small picture for the optical flow: samples by lines."""
NOISE_BIAS = 1.7
"""Variance over the 10 % quantile of means of 16 squares, noise of 4.2 MHz bandwidth (chi-square, some 10 free
values)."""
LEAST_NOISE_CODES = 0.8
"""Noise is never taken lower: rounding alone is 0.3 codes, and pictures without noise are synthetic."""
_LINE, _X0, _X1, _AGAIN = (COLUMNS.index(name) for name in ("line", "x0", "x1", "again"))
_NOTHING = 6
"""Place in the stack of the field that restricts nothing."""


class LossFinder:
    """Fed with frames in order; gathers candidate losses. See the module's docstring.

    ``dropped``: candidates that found no room.
    """

    def __init__(
        self,
        samples: SampleFormat,
        *,
        height: int,
        width: int,
        standard: Standard,
        first_line: int = 1,
        codec: str = "ffv1",
        keep_runs: bool = False,
    ) -> None:
        """``first_line``: first field line that is picture (lines above carry data); ``codec``: FFmpeg name of the
        carrier.

        ``keep_runs`` also keeps what was measured of every run, for fitting the score.
        """
        self._shift = 10 - samples.bit_depth
        self.dropped = 0
        self._lines, self._width = height // 2, width
        self._ire = codes_per_ire(10, full_range=samples.full_range)
        self._first = max(1, first_line)
        crop = max(0, (ACTIVE_SAMPLES - width) // 2)
        # the picture proper, BT.601 and BT.1700: samples 4.9 to 715.8 (525), 9.75 to 711.75 (625), less one
        edges = (6, 714) if standard.short_name == "525" else (11, 710)
        self._left, self._right = max(edges[0] - crop, 0), min(edges[1] - crop, width)
        shape = (7, self._lines, width)
        self._y, self._tall, self._low = (np.zeros(shape, np.int16) for _ in range(3))
        self._tall[_NOTHING], self._low[_NOTHING] = np.int16(-32768), np.int16(32767)
        self._small: list[NDArray[np.uint8] | None] = [None] * 6
        self._noises: list[float | None] = [None] * 6
        self._flows: dict[tuple[int, int], NDArray[np.float32]] = {}
        self._widen = np.ones((1, 2 * REACH_SAMPLES + 1), np.uint8)
        self._flow = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_ULTRAFAST)
        # samples and lines in a pixel of the small picture, laid out like a flow
        self._flow_units = np.tile(np.array(FLOW_PIXEL, np.float32), (self._lines // FLOW_PIXEL[1], width // FLOW_PIXEL[0], 1))
        self._excess = np.zeros(shape[1:], np.int16)
        self._top = np.zeros(self._lines, np.int16)
        self._runs = np.zeros((MOST_RUNS, kernels.RUN_COLUMNS), np.int32)
        self._features = np.zeros((MOST_WEIGHED, FEATURES), np.float32)
        self._moves = np.zeros((MOST_WEIGHED, 3, 4, 2), np.float32)
        self._beside = np.zeros((MOST_WEIGHED, 2), np.int32)
        self._cells = np.zeros(3000, np.float32)
        self._copies = CopyFinder(
            codec,
            shift=self._shift,
            ire=self._ire,
            lines=self._lines,
            first=self._first,
            left=self._left,
            right=self._right,
        )
        self._steep = np.zeros((self._lines, -(-width // loss_again.CELL_SAMPLES)), np.int16)
        self._pieces = np.zeros((loss_again.MOST_PIECES, loss_again.PIECE_COLUMNS), np.float32)
        self._frames: list[tuple[int, int, tuple[int, int]]] = []  # number, first place in the stack, row0 of the fields
        self._starts: list[bool] = []  # whether nothing before this frame can be compared with it
        self._intra: list[bool] = []  # whether the frame was coded by itself
        self._pending: list[NDArray[np.float32]] = []
        self._kept: list[dict[str, NDArray[Any]]] = []
        self._bands = BandCourse()
        self._standing = StandingFinder(standard, (self._first, self._lines, self._left, self._right), ire=self._ire)
        self._all_runs: list[NDArray[np.float32]] | None = [] if keep_runs else None

    @property
    def compensated_share(self) -> float:
        """Share of the fields in which they were looked for; in the others coding has drowned the noise."""
        return self._copies.share_searched

    def push(self, frame: Frame, *, cut: bool) -> None:
        """Take the next frame; the frame before it is searched now. Keeps no view of the frame.

        ``cut``: the frame begins a new shot. After a gap in the frame numbers, and around damaged frames, fields are
        searched without the neighbours that are missing. Damaged frames themselves are not searched.
        """
        number, slot, _ = self._frames[-1] if self._frames else (frame.number - 1, 4, (0, 0))
        slot = (slot + 2) % 6
        gap = frame.number != number + 1
        for field in frame.fields:
            self._store(field, slot + field.index)
        if frame.damaged:
            self.flush()
            return
        self._frames.append((frame.number, slot, (frame.fields[0].row0, frame.fields[1].row0)))
        self._intra.append(frame.keyframe)
        self._starts.append(cut or gap)
        if len(self._frames) > 1:
            self._search(len(self._frames) - 2)
        if len(self._frames) > 2:
            self._frames.pop(0)
            self._starts.pop(0)
            self._intra.pop(0)

    def flush(self) -> None:
        """Search the last frame without a frame after it, and forget what came before."""
        if self._frames:
            self._search(len(self._frames) - 1)
        self._frames.clear()
        self._starts.clear()
        self._intra.clear()

    def finish(self) -> dict[str, NDArray[Any]]:
        """Candidates in order of time, one array entry each.

        frame, field (0 first in time), line, x0, x1 (x0 <= x < x1), kind (see ``loss_candidates.KINDS``; 4 for dashes that stand at the
        ends of lines, of every ``ENDS_EVERY``th frame, score -3; 5 for bands without picture,
        see ``bands_out``; 6 and 7 for dashes that come back in every pass, score -3), score (log odds), run (the
        same number for adjacent lines of one loss), neighbours (fields around that could be asked: 4, fewer at cuts),
        contrast_ire (mean distance from the lines above and below; of ``loss_again``, from the likest place around),
        crowd (suspect runs in that field, before motion was considered; of ``loss_again``, pieces), leak (share of it that the
        next lines show too), stack (adjacent lines with runs; 0 for
        decoys of compensated losses, which are none).
        """
        self.flush()
        self._settle()
        self.dropped += self._bands.dropped + self._standing.dropped
        if self._bands.bands:
            self._kept.append(bands_out(self._bands.bands, self._left, self._right))
        if not any(len(k["frame"]) for k in self._kept):
            return {name: np.zeros(0, kind) for name, kind in OUTPUT.items()}
        out = {name: np.concatenate([k[name] for k in self._kept]) for name in OUTPUT}
        if self._copies.tape_is_quiet:
            out = {name: values[out["kind"] != KINDS.index("compensated")] for name, values in out.items()}
        order = np.lexsort((out["x0"], out["line"], out["field"], out["frame"]))
        return {name: values[order] for name, values in out.items()}

    def runs(self) -> NDArray[np.float32]:
        """What was measured of every run, (runs, loss_score.COLUMNS); only with ``keep_runs``, after ``finish``."""
        parts = self._all_runs or []
        return np.concatenate(parts) if parts else np.zeros((0, len(COLUMNS)), np.float32)

    def _store(self, field: Field, place: int) -> None:
        y = self._y[place]
        kernels.as_ten_bits(field.y, self._shift, y)
        cv2.dilate(y, self._widen, dst=self._tall[place])
        cv2.erode(y, self._widen, dst=self._low[place])
        self._small[place] = None
        self._noises[place] = None
        for pair in [p for p in self._flows if place in p]:
            del self._flows[pair]

    def _search(self, at: int) -> None:
        number, slot, row0 = self._frames[at]
        past = at > 0 and not self._starts[at]
        future = at + 1 < len(self._frames) and not self._starts[at + 1]
        before, after = (slot + 4) % 6, (slot + 2) % 6
        for index in (0, 1):
            here = slot + index
            if index == 0:
                refs = [before if past else -1, before + 1 if past else -1, here + 1, after if future else -1]
            else:
                refs = [before + 1 if past else -1, slot, after if future else -1, after + 1 if future else -1]
            half = 0 if row0[index] == 1 else -1
            copies = self._find_copies(here, refs, half, intra=all(self._intra[max(at - 1, 0) : at + 2]))
            runs = self._find_runs(number, index, here, half, np.array(refs))
            self._find_bands(number, index, here, before + index if past else -1, runs)
            if min(refs) >= 0:
                self._find_unlike(number, index, here, half, np.array(refs), runs)
            if len(runs) or len(copies):
                self._note(number, index, runs, copies)
            dashes = self._standing.find(self._y, self._tall, self._low, here, number, index)
            if len(dashes):
                self._kept.append(standing_out(number, index, dashes, self._ire, score=KEPT))
            if number % ENDS_EVERY == 0:
                self._note_ends(number, index, here)

    def _find_runs(self, number: int, index: int, here: int, half: int, refs: NDArray[np.int64]) -> NDArray[np.float32]:
        stack = (self._y, self._tall, self._low)
        kernels.range_excess(*stack, np.where(refs < 0, _NOTHING, refs), here, half, self._excess, self._top)
        count = kernels.find_runs(
            self._excess,
            self._top,
            int(SUSPECT_IRE * self._ire),
            self._first,
            self._lines - 1,
            self._left,
            self._right,
            GAP_SAMPLES,
            LEAST_SAMPLES,
            self._runs,
        )
        if count == 0:
            return np.zeros((0, len(COLUMNS)), np.float32)
        crowd, runs = count, self._runs[:count]
        if count > MOST_WEIGHED:
            greatest = np.sort(np.argpartition(-runs[:, 3], MOST_WEIGHED)[:MOST_WEIGHED])
            runs, count = runs[greatest], MOST_WEIGHED
        up, down = np.zeros(count, np.int32), np.zeros(count, np.int32)
        kernels.neighbours_of_runs(runs, count, up, down)
        past, past_span = self._flow_to(here, int(refs[0]), int(refs[1]))
        ahead, ahead_span = self._flow_to(here, int(refs[3]), int(refs[2]))
        noise = self._noise(here)
        around = Search(*stack, here, half, refs, past, ahead, np.array([past_span, ahead_span], np.float32), self._left, self._right)
        moves, beside = self._moves, self._beside
        left = weigh_runs(around, runs, up, down, noise, LEAST_SAMPLES, SHORTEST_SAMPLES, self._features, moves, beside)
        features = self._features[:left]
        head = np.tile(np.array([number, index, (refs >= 0).sum(), noise, crowd], np.float32), (left, 1))
        which = promising(np.concatenate([head, features], 1))
        leaks_of_runs(self._y, here, half, refs, beside, self._left, self._right, features, which)
        loss_again.search_runs(self._y, here, refs, moves, beside, features, which)
        return np.concatenate([head, features], 1)

    def _find_unlike(
        self, number: int, index: int, here: int, half: int, refs: NDArray[np.int64], runs: NDArray[np.float32]
    ) -> None:
        """Pieces like nothing around, where the range of neighbours tells nothing; runs of the range they make better are dropped."""
        stack, bounds = (self._tall, self._low), (self._first, self._lines - 1, self._left, self._right)
        if loss_again.share_blind(*stack, here, *bounds, int(loss_again.BLIND_IRE * self._ire)) < loss_again.BLIND_SHARE:
            return
        past, past_span = self._flow_to(here, int(refs[0]), int(refs[1]))
        ahead, ahead_span = self._flow_to(here, int(refs[3]), int(refs[2]))
        spans, least = np.array([past_span, ahead_span], np.float32), loss_again.LEAST_STEP_IRE * self._ire
        count = loss_again.unlike_pieces(self._y, here, half, refs, past, ahead, spans, *bounds, least, self._steep, self._pieces)
        pieces = self._pieces[:count].copy()
        score = loss_again.odds(pieces)
        keep = score >= KEPT
        sure = log_odds(runs) >= LIKELY
        for at in np.flatnonzero(keep):
            shared = (runs[:, _LINE] == pieces[at, 0]) & (runs[:, _X0] < pieces[at, 2]) & (runs[:, _X1] > pieces[at, 1])
            keep[at] = not np.any(shared & sure)
            if keep[at]:
                runs[shared, _AGAIN] = -1
        if keep.any():
            self._kept.append(pieces_out(number, index, pieces[keep], score[keep], self._y[here], self._ire))

    def _find_bands(self, number: int, index: int, here: int, before: int, runs: NDArray[np.float32]) -> None:
        """Lines without any picture; runs on them are dropped."""
        bands = noise_bands(
            self._y[here], self._y[before] if before >= 0 else None, first=self._first, last=self._lines, left=self._left,
            right=self._right, ire=self._ire,
        )  # fmt: skip
        for a, b in bands:
            runs[(runs[:, _LINE] >= a) & (runs[:, _LINE] < b), _AGAIN] = -1
        self._bands.add(number, index, bands)

    def _find_copies(self, here: int, refs: list[int], half: int, *, intra: bool) -> NDArray[np.float64]:
        if not self._copies.looks:
            return np.zeros((0, COPY_COLUMNS))
        noise = self._noise(here)
        return self._copies.find(self._y, here=here, before=refs[1], two_before=refs[0], half=half, noise=noise, intra=intra)

    def _noise(self, here: int) -> float:
        known = self._noises[here]
        if known is not None:
            return known
        count = kernels.noise_floor(self._y, here, self._first, self._lines, self._left, self._right, self._cells)
        quiet = np.partition(self._cells[:count], count // 10)[count // 10] if count else 0.0
        noise = self._noises[here] = max(float(np.sqrt(quiet / 3 * NOISE_BIAS)), LEAST_NOISE_CODES)
        return noise

    def _flow_to(self, here: int, far: int, near: int) -> tuple[NDArray[np.float32], float]:
        """Flow (rows, columns, 2) in samples and field lines to the field two away, or one away where that is missing.

        Both fields of a frame use the flow between the first fields of two frames: things hardly change their speed in
        a field.
        """
        if far >= 0:
            return self._flow_between(here - here % 2, far - far % 2), 2.0
        if near >= 0:
            return self._flow_between(here, near), 1.0
        return np.zeros((1, 1, 2), np.float32), 1.0

    def _flow_between(self, here: int, other: int) -> NDArray[np.float32]:
        flow = self._flows.get((here, other))
        if flow is None:
            start, end = self._small_of(here), self._small_of(other)
            flow = np.asarray(self._flow.calc(start, end, None), np.float32)  # type: ignore[call-overload]
            flow *= self._flow_units
            self._flows[here, other] = flow
        return flow

    def _small_of(self, place: int) -> NDArray[np.uint8]:
        small = self._small[place]
        if small is None:
            small = self._small[place] = np.empty(self._flow_units.shape[:2], np.uint8)
            kernels.small_picture(self._y[place], *FLOW_PIXEL, small)
        return small

    def _note(self, number: int, index: int, runs: NDArray[np.float32], copies: NDArray[np.float64]) -> None:
        if self._all_runs is not None:
            self._all_runs.append(runs)
        self._pending.append(runs)
        if len(copies):
            self._kept.append(copies_out(number, index, copies))
        if sum(len(p) for p in self._pending) > 4000:
            self._settle()

    def _note_ends(self, number: int, index: int, here: int) -> None:
        dashes = dashes_at_ends(
            self._y[here], first=self._first, left=self._left, right=self._right, noise=self._noise(here), ire=self._ire
        )
        self._kept.append(dashes_out(number, index, dashes, score=KEPT))

    def _settle(self) -> None:
        """Score what is pending, keep what may be a loss, and stay within bounds."""
        if self._pending:
            runs = np.concatenate(self._pending)
            self._pending.clear()
            score = log_odds(runs)
            keep = (score >= KEPT) & (runs[:, COLUMNS.index("again")] >= 0)
            self._kept.append(runs_out(runs[keep], score[keep], self._ire))
        total = sum(len(k["frame"]) for k in self._kept)
        if total > MOST_KEPT:
            whole = {name: np.concatenate([k[name] for k in self._kept]) for name in OUTPUT}
            best = np.sort(np.argpartition(-whole["score"], MOST_KEPT // 2)[: MOST_KEPT // 2])
            self.dropped += total - len(best)
            self._kept = [{name: values[best] for name, values in whole.items()}]


def promising(runs: NDArray[np.float32]) -> NDArray[np.int64]:
    """Rows of the runs (runs, COLUMNS) worth the search of the fields around: kept if nothing like them is found there,
    the likeliest first, ``MOST_SEARCHED`` at most."""
    if not len(runs):
        return np.zeros(0, np.int64)
    score = log_odds(with_again_at_best(runs))
    order = np.argsort(-score, kind="stable")[:MOST_SEARCHED]
    return np.asarray(order[score[order] >= KEPT], np.int64)
