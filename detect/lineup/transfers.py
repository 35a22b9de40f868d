"""An old and a new transfer of one tape: what got better, worse, or moved."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np

from detect.errors import NotMeasurable
from detect.findings import Findings, HeadValues, Value, WindowReadings

Outcome = Literal["better", "worse", "same", "moved", "only in one"]
_SIGMAS = 4.0
_SINGLE = (("skew_ns", "ns"), ("scallop_ns", "ns"), ("velocity_error_ns", "ns"))
_PER_HEAD = (
    ("quadrature_ns", "ns"),
    ("saturation_pct", "%"),
    ("hue_deg", "degrees"),
    ("level_ire", "IRE"),
    ("noise_db", "dB"),
    ("response_db", "dB"),
)
_SAME_LENGTH = 0.2
"""Two transfers whose lengths differ by more than this part of the longer are hardly of one tape: said, not refused."""


@dataclass(frozen=True, slots=True)
class Row:
    """One figure in both. Per-head figures are told by the spread of the heads (rms): letters mean nothing between files."""

    figure: str
    unit: str
    old: float | None
    new: float | None
    sigma: float | None
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class TransferComparison:
    rows: tuple[Row, ...]
    findings_gone: tuple[str, ...]
    findings_new: tuple[str, ...]
    verdicts: tuple[str, str]
    notes: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


def compare_transfers(old: Findings, new: Findings) -> TransferComparison:
    """Compare two findings of one tape. Raises NotMeasurable for transfers of different standards."""
    if old.transfer.standard != new.transfer.standard:
        raise NotMeasurable(
            f"{old.transfer.path} is {old.transfer.standard}, {new.transfer.path} is {new.transfer.standard}; compare transfers of one tape"
        )
    rows = [
        *(_single(name, unit, getattr(old.summary, name), getattr(new.summary, name)) for name, unit in _SINGLE),
        *(_heads(name, unit, getattr(old.summary, name), getattr(new.summary, name)) for name, unit in _PER_HEAD),
        _floor("snr_db", "dB", _snr(old.summary), _snr(new.summary)),
        _plain("dropouts a minute", "", _losses(old.summary), _losses(new.summary)),
    ]
    kinds = {f.kind for f in old.findings}, {f.kind for f in new.findings}
    notes = []
    lengths = old.transfer.duration_s, new.transfer.duration_s
    if abs(lengths[0] - lengths[1]) > _SAME_LENGTH * max(lengths):
        notes.append(f"lengths differ ({lengths[0]:.0f} and {lengths[1]:.0f} s): make sure they are of one tape")
    if old.summary.time_base != new.summary.time_base:
        notes.append(f"time base: {old.summary.time_base} before, {new.summary.time_base} now; timing figures compare only roughly")
    return TransferComparison(
        rows=tuple(r for r in rows if r.old is not None or r.new is not None),
        findings_gone=tuple(sorted(kinds[0] - kinds[1])),
        findings_new=tuple(sorted(kinds[1] - kinds[0])),
        verdicts=(old.verdict.text, new.verdict.text),
        notes=tuple(notes),
    )


def _outcome(old: float | None, new: float | None, sigma: float | None) -> Outcome:
    if old is None or new is None:
        return "only in one"
    if sigma is None or abs(new - old) <= _SIGMAS * sigma:
        return "same"
    if abs(new) < abs(old) - _SIGMAS * sigma:
        return "better"
    if abs(new) > abs(old) + _SIGMAS * sigma:
        return "worse"
    return "moved"


def _single(name: str, unit: str, old: Value | None, new: Value | None) -> Row:
    a, b = (v.value if v is not None else None for v in (old, new))
    sigmas = [v.sigma for v in (old, new) if v is not None and v.sigma is not None]
    sigma = math.hypot(*sigmas) if len(sigmas) == 2 else None
    return Row(name, unit, a, b, sigma, _outcome(a, b, sigma))


def _spread(values: HeadValues | None) -> tuple[float, float] | None:
    if values is None or any(v is None for v in (*values.values, *values.sigmas)):
        return None
    v, s = np.array(values.values, float), np.array(values.sigmas, float)
    rms = float(np.sqrt(np.mean((v - v.mean()) ** 2)))
    return rms, float(np.sqrt(np.mean(s**2)))


def _heads(name: str, unit: str, old: HeadValues | None, new: HeadValues | None) -> Row:
    a, b = _spread(old), _spread(new)
    sigma = float(np.hypot(a[1], b[1])) if a is not None and b is not None else None
    low, high = (p[0] if p is not None else None for p in (a, b))
    return Row(f"{name} (spread of heads)", unit, low, high, sigma, _outcome(low, high, sigma))


def _snr(readings: WindowReadings) -> float | None:
    return readings.snr_db.value if readings.snr_db is not None else None


def _floor(name: str, unit: str, old: float | None, new: float | None) -> Row:
    """A figure that is better when higher; 0.5 dB is the least that counts."""
    outcome = _outcome(None if old is None else -old + 100, None if new is None else -new + 100, 0.125)
    return Row(name, unit, old, new, None, outcome)


def _losses(readings: WindowReadings) -> tuple[float, float] | None:
    if readings.dropouts is None or readings.dropouts.per_minute is None:
        return None
    per_minute, count = readings.dropouts.per_minute, readings.dropouts.count
    # counting statistics (Poisson)
    return per_minute, per_minute / max(count, 1) ** 0.5


def _plain(name: str, unit: str, old: tuple[float, float] | None, new: tuple[float, float] | None) -> Row:
    sigma = float(np.hypot(old[1], new[1])) if old is not None and new is not None else None
    low, high = (p[0] if p is not None else None for p in (old, new))
    return Row(name, unit, low, high, sigma, _outcome(low, high, sigma))
