"""The parts of a file: programme, bars, test signals, black, unlocked picture. Only programme decides the verdict."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from detect.findings import Section, SectionKind
from detect.measure.windows import FRAME_FIGURES, SIGNAL_CODES

COLUMN = {name: k for k, name in enumerate(FRAME_FIGURES)}
SHORTEST_S = 0.5
"""Parts shorter than this go to their neighbours: a black frame between shots is no section."""
SHORTEST_SIGNAL_S = 2.0
"""Bars and test signals last at least this long; shorter ones are pictures that look like them."""
TORN_COHERENCE = 0.35
TORN_JITTER_SAMPLES = 2.0
"""Median step of the blanking edge from line to line where lines are torn; a locked tape stays under 1. The gradients of
torn lines also agree little."""
TORN_KINDS = 4
"""Different displacements of torn lines within half a second: twice what patterns have; an unlocked picture has 8
to 12 of the 12 there are, fewer where it shows little."""
MONO_CHROMA_PCT = 0.6
"""Chroma rms, % of full swing, below which a picture has none: noise of a 40 dB chroma channel."""


@dataclass(frozen=True, slots=True)
class Parts:
    """Sections in order, and the kind of every frame of the file as a code into ``KINDS``."""

    sections: list[Section]
    kind: NDArray[np.int8]


KINDS: tuple[SectionKind, ...] = ("programme", "bars", "test_signal", "black", "unlocked", "monochrome_programme")


def find_sections(numbers: NDArray[np.int64], figures: NDArray[np.float32], *, frames: int, frame_rate: Fraction) -> Parts:
    """Sections from the per-frame table: ``numbers`` (n,) frame numbers, ``figures`` (n, len(FRAME_FIGURES))."""
    code = np.zeros(frames, np.int8)
    if len(numbers) == 0:
        return Parts([], code)
    if figures.shape[1] < len(FRAME_FIGURES):  # readings from before a column was added
        figures = np.pad(figures, ((0, 0), (0, len(FRAME_FIGURES) - figures.shape[1])))
    signal = figures[:, COLUMN["signal"]].astype(int)
    kind = np.zeros(len(numbers), np.int8)
    for name in ("bars", "test_signal", "black"):
        kind[signal == SIGNAL_CODES.index(name)] = KINDS.index(name)
    jitter = figures[:, COLUMN["edge_jitter_samples"]]
    coherence = figures[:, COLUMN["coherence"]]
    torn = (coherence < TORN_COHERENCE) & (jitter > TORN_JITTER_SAMPLES)
    torn |= _torn_stretches(numbers, figures[:, COLUMN["tears"]].astype(int), round(SHORTEST_S * float(frame_rate)))
    kind[torn & (kind == 0)] = KINDS.index("unlocked")
    at = np.clip(np.searchsorted(numbers, np.arange(frames), side="right") - 1, 0, len(numbers) - 1)
    code = kind[at]
    rate = float(frame_rate)
    for shortest, kinds in ((SHORTEST_S, range(len(KINDS))), (SHORTEST_SIGNAL_S, (1, 2)), (SHORTEST_S, range(len(KINDS)))):
        code = _absorb(code, round(shortest * rate), kinds)
    programme = code == 0
    chroma = figures[at, COLUMN["chroma_pct"]]
    if programme.any() and float(np.quantile(chroma[programme], 0.9)) < MONO_CHROMA_PCT:
        code[programme] = KINDS.index("monochrome_programme")
    return Parts(
        [Section(kind=KINDS[code[a]], start_frame=int(a), end_frame=int(b)) for a, b in _runs(code)],
        code,
    )


def _torn_stretches(numbers: NDArray[np.int64], tears: NDArray[np.int64], span: int) -> NDArray[np.bool_]:
    """Measured frames (n,) in stretches whose tears within ``span`` frames are of many kinds, from first to last tear."""
    out = np.zeros(len(numbers), bool)
    seen = np.flatnonzero(tears)
    first = 0
    for last in range(len(seen)):
        while numbers[seen[last]] - numbers[seen[first]] > span:
            first += 1
        kinds = int(np.bitwise_or.reduce(tears[seen[first : last + 1]]))
        if kinds.bit_count() >= TORN_KINDS:
            out[seen[first] : seen[last] + 1] = True
    return out


def _runs(code: NDArray[np.int8]) -> list[tuple[int, int]]:
    bounds = [0, *(np.flatnonzero(np.diff(code)) + 1).tolist(), len(code)]
    return list(itertools.pairwise(bounds))


def _absorb(code: NDArray[np.int8], shortest: int, kinds: range | tuple[int, ...]) -> NDArray[np.int8]:
    """Give runs of ``kinds`` that are too short to the longer neighbour, the shortest first."""
    code = code.copy()
    while True:
        runs = _runs(code)
        short = [(b - a, a, b, i) for i, (a, b) in enumerate(runs) if b - a < shortest and code[a] in kinds]
        if not short or len(runs) == 1:
            return code
        _, a, b, i = min(short)
        left = runs[i - 1] if i > 0 else None
        right = runs[i + 1] if i + 1 < len(runs) else None
        longer = max((r for r in (left, right) if r is not None), key=lambda r: r[1] - r[0])
        code[a:b] = code[longer[0]]
