"""Response of each head at each packet of a multiburst, and what the packets cannot tell."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from detect.lineup.packets import HIGHEST_MHZ
from detect.lineup.pool import Lock, Pool
from detect.lineup.readings import BlockReadings
from detect.lineup.result import Response, ShapeOf
from detect.lineup.shapes import common_part, shape_of
from detect.standards import HEADS

F64 = NDArray[np.float64]
DB_PER_LN = 20 / np.log(10)

RESPONSE_FLOOR_DB = 0.03
"""Systematic error of a packet's amplitude, from rendered captures: ends of packets, slope of the response across
one."""
_CLIPPED_SHARE = 0.02
"""Share of lines on which a packet may meet the end of the codes (losses of signal do) before it is left out."""


def find_response(pool: Pool) -> Response | None:
    """Per-head response at each packet: against the white flag where there is one, else against the first packet.

    With a flag, each head's packets are divided by its own flag, and the scale is set so that the mean of the heads
    reads 0 dB at the first packet: how tall packets are against the flag differs between generators (60 or 50 IRE on
    100).
    """
    blocks = [b for b in pool.lock.blocks if b.layout is not None and b.packets_ire is not None]
    if not blocks:
        return None
    first = blocks[0]
    assert first.layout is not None
    count = len(first.layout.packets)
    mhz = np.array([p.mhz for p in first.layout.packets])
    flagged = first.layout.flag is not None

    def log_of(k: int) -> Callable[[BlockReadings], F64 | None]:
        def take(b: BlockReadings) -> F64 | None:
            if b.packets_ire is None or b.packets_ire.shape[1] != count:
                return None
            reference = b.flag_ire if flagged else b.packets_ire[:, 0]
            if reference is None:
                return None
            with np.errstate(divide="ignore", invalid="ignore"):
                ratio = np.maximum(b.packets_ire[:, k], 1e-3) / np.maximum(reference, 1e-3)
                return np.asarray(DB_PER_LN * np.log(ratio), np.float64)

        return take

    lost = clipped_at(pool.lock)
    readable = [
        k
        for k in range(count)
        if np.isfinite(first.packets_ire[first.rows, k]).any() and float(mhz[k]) not in lost  # type: ignore[index]
    ]
    found = {k: pool.means(log_of(k), relative=False, inner_rows_only=True, floor=RESPONSE_FLOOR_DB) for k in readable}
    kept = [k for k in readable if found[k] is not None]
    if len(kept) < 2:
        return None
    db = np.stack([found[k].values for k in kept], axis=1)  # type: ignore[union-attr]
    sigma = np.stack([found[k].sigmas for k in kept], axis=1)  # type: ignore[union-attr]
    db = db - db[:, 0].mean()
    common = common_part(db)
    f = mhz[kept]
    shapes = [shape_of(f, db[h] - common, sigma[h]) for h in range(HEADS)]
    shared = shape_of(f, common, sigma.mean(axis=0))
    return Response(
        mhz=[float(x) for x in f],
        db=[[float(x) for x in row] for row in db],
        sigma_db=[[float(x) for x in row] for row in sigma],
        reference="white flag" if flagged else "first packet",
        common_db=[float(x) for x in common],
        shapes=[ShapeOf(word=s.word, mhz=s.mhz, db=s.db) for s in shapes],
        common_shape=ShapeOf(word=shared.word, mhz=shared.mhz, db=shared.db),
    )


def clipped_at(lock: Lock) -> list[float]:
    """Frequencies (MHz) of packets that meet the ends of the codes on more lines than losses explain: they read low."""
    blocks = [b for b in lock.blocks if b.layout is not None and b.packets_ire is not None]
    if not blocks or blocks[0].layout is None:
        return []
    packets = [b.packets_ire[b.rows] for b in blocks if b.packets_ire is not None]
    same = [p for p in packets if p.shape[1] == packets[0].shape[1]]
    share = np.isnan(np.concatenate(same)).mean(axis=0)
    found = zip(blocks[0].layout.packets, share, strict=True)
    return [p.mhz for p, s in found if p.mhz <= HIGHEST_MHZ and s > _CLIPPED_SHARE]
