"""What one block says about its lines: the same few series for every signal, whatever the signal can show."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from detect.lineup.capture import Block
from detect.lineup.colours import BarRows, StepRows, bar_rows, step_rows
from detect.lineup.displacement import Displacement, measure_displacement
from detect.lineup.packets import Layout, amplitudes, clipped_packets, find_packets, flag_heights
from detect.lineup.zones import flat_columns, zone_rows
from detect.measure.signals import bar_weights
from detect.standards import NS_PER_SAMPLE

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

_LEAST_ROWS = 64
"""Rows a zone needs: about two turns of the wheel."""
_LEAST_FLAT = 12
"""Columns of flat picture needed to read noise or level."""


@dataclass(frozen=True, slots=True)
class BlockReadings:
    """Series over the rows of one block. Rows outside ``rows`` mean nothing. Missing quantities are None."""

    name: str
    start_frame: int
    end_frame: int
    frames: int
    rows: Mask
    displacement: Displacement | None
    level_ire: F64 | None
    """Luma of the signal's flat parts."""
    noise_ire2: F64 | None
    bars: BarRows | None = None
    layout: Layout | None = None
    packets_ire: F64 | None = None
    flag_ire: F64 | None = None
    steps: StepRows | None = None
    series: dict[str, F64] = field(default_factory=dict)
    """What the phase of the wheel is sought in, (rows,) each."""


def read_block(block: Block, *, like: BlockReadings | None = None) -> BlockReadings | None:
    """Read one block; ``like``: the block before of the same signal, to begin from. None when too few rows show the
    signal."""
    rows = zone_rows(block)
    if rows.sum() < _LEAST_ROWS:
        return None
    start = like.displacement if like is not None and np.array_equal(like.rows, rows) else None
    d = measure_displacement(block.y, rows, start_ns=start, rounds=3 if start is None else 2)
    ruler = d if np.any(d.weight > 0) else None
    shift = np.nan_to_num(d.row_means()) / NS_PER_SAMPLE if ruler is not None else np.zeros(len(rows))
    flat = flat_columns(d.pattern.astype(np.float32))
    series: dict[str, F64] = {}
    if ruler is not None:
        series["displacement"] = d.row_means()
        series["growth"] = _growth(d)
    bars = layout = packets = flag = steps = None
    if block.kind == "bars":
        bars = _read_bars(block)
        flat = flat & _neutral_columns(block)
        if bars.gain is not None:
            pooled = bars.pooled()
            series["saturation"], series["hue"] = np.abs(pooled), np.angle(pooled)
        series["luma gain"] = bars.luma_gain
    elif block.name == "multiburst":
        layout = find_packets(d.pattern)
        if layout.packets:
            packets = amplitudes(block.y, layout, shift)
            flag = flag_heights(block.y, layout)
            with np.errstate(divide="ignore"):
                logs = np.log(np.maximum(packets, 1e-3))
            series |= {f"packet {k}": logs[:, k] for k in range(logs.shape[1])}
            packets = np.where(clipped_packets(block.y, layout), np.nan, packets)
    elif block.name == "staircase":
        steps = step_rows(block, d.pattern)
        if steps is not None and steps.chroma is not None:
            mean = steps.chroma.mean(axis=1)
            series["saturation"], series["hue"] = np.abs(mean), np.angle(mean * np.conj(np.median(mean[rows])))
    level = noise = None
    if flat.sum() >= _LEAST_FLAT:
        level = block.y[:, flat].mean(axis=1, dtype=np.float64)
        noise = block.noise[:, flat].mean(axis=1, dtype=np.float64)
        series["level"] = level
        if block.frames >= 4:
            series["noise"] = np.log(np.maximum(noise, 1e-9))
    return BlockReadings(
        name=block.name,
        start_frame=block.start_frame,
        end_frame=block.end_frame,
        frames=block.frames,
        rows=rows,
        displacement=ruler,
        level_ire=level,
        noise_ire2=noise,
        bars=bars,
        layout=layout,
        packets_ire=packets,
        flag_ire=flag,
        steps=steps,
        series=series,
    )


def _growth(d: Displacement) -> F64:
    """Growth of the displacement along the line, ns per line of picture, (rows,)."""
    total = d.weight.sum(axis=1)
    safe = np.where(total > 0, total, 1.0)
    x = (d.columns - d.columns.mean()) / d.pattern.size
    mean = (d.weight * x).sum(axis=1) / safe
    off = x[None, :] - mean[:, None]
    spread = (d.weight * off**2).sum(axis=1)
    slope = np.divide((d.weight * off * d.ns).sum(axis=1), spread, out=np.zeros_like(spread), where=spread > 0)
    return np.asarray(slope, np.float64)


def _read_bars(block: Block) -> BarRows:
    full = block.name.startswith("bars 100 %")
    white = full or block.name.startswith("bars 100/0/75/0")
    return bar_rows(block, count=block.bar_count, full=full, white_full=white)


def _neutral_columns(block: Block) -> Mask:
    """Columns of the white and the black bar: saturated bars carry beats (moire), which are no noise."""
    weights = bar_weights(block.y.shape[1], block.bar_count)
    neutral = weights[:, 0] > 0
    if block.bar_count == 8:
        neutral = neutral | (weights[:, 7] > 0)
    return np.asarray(neutral)
