"""A deck over days: each figure's trend, how long until it meets its limit, and a page that plots it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from detect.lineup.deck_file import Deck, Entry
from detect.standards import HEADS

DEFAULT_LIMITS: dict[str, float] = {
    "skew_ns": 25.0,
    "scallop_ns": 40.0,
    "quadrature_ns": 20.0,
    "saturation_pct": 5.0,
    "hue_deg": 5.0,
    "level_ire": 1.0,
    "noise_db": 2.0,
    "response_db": 2.0,
    "tone_db": 1.0,
    "snr_db": 34.0,
}
"""What flags a transfer (see the limits of scan, where each states its origin); a deck file's [limits] go before these.
snr_db is a floor."""
LEAST_POINTS = 4
_LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class Trend:
    """One figure over time, in one standard. ``days`` count from the first line-up.

    ``slope_per_day`` and its 95 % interval are Theil and Sen's; None with fewer than four points. ``days_to_limit`` from the
    last line-up on: 0 when it is past, None when the trend does not lead there (an interval that holds zero is no trend).
    """

    name: str
    unit: str
    days: list[float]
    values: list[float]
    sigmas: list[float]
    limit: float | None
    slope_per_day: float | None
    slope_low: float | None
    slope_high: float | None
    days_to_limit: float | None
    standard: str = ""

    @property
    def latest(self) -> float:
        return self.values[-1]


def unit_of(name: str) -> str:
    return {"ns": "ns", "pct": "%", "deg": "degrees", "ire": "IRE", "db": "dB"}[name.split("@")[0].rsplit("_", 1)[-1].split(" ")[0]]


def _points(deck: Deck, standard: str) -> dict[str, list[tuple[Entry, float, float]]]:
    """Figure name to (entry, value, sigma) in one standard; heads by number, only where an entry numbers them."""
    out: dict[str, list[tuple[Entry, float, float]]] = {}
    for entry in (e for e in deck.entries if e.standard == standard):
        for key, (value, sigma) in entry.single.items():
            out.setdefault(key, []).append((entry, value, sigma))
        for key, (values, sigmas) in entry.per_head.items():
            if entry.order == "numbers":
                for h in range(HEADS):
                    out.setdefault(f"{key} head {h + 1}", []).append((entry, values[h], sigmas[h]))
            else:
                worst = int(np.argmax(np.abs(values)))
                out.setdefault(f"{key} worst head", []).append((entry, abs(values[worst]), sigmas[worst]))
        for mhz, (db, sigma_db) in entry.response.items():
            if entry.order == "numbers":
                for h in range(HEADS):
                    out.setdefault(f"response_db@{mhz:g} head {h + 1}", []).append((entry, db[h], sigma_db[h]))
        for channel, level in entry.tones.items():
            out.setdefault(f"tone_db channel {channel}", []).append((entry, level, 0.0))
    return out


def trends(deck: Deck) -> list[Trend]:
    """Trends of all figures of a deck, standard by standard, in the order of the first appearance."""
    standards = dict.fromkeys(e.standard for e in deck.entries)
    return [trend for standard in standards for trend in _trends(deck, standard)]


def _trends(deck: Deck, standard: str) -> list[Trend]:
    start = deck.entries[0].when
    out = []
    for name, points in _points(deck, standard).items():
        key = name.split(" ")[0]
        base = key.split("@")[0]
        limit = deck.limits.get(key, deck.limits.get(base, DEFAULT_LIMITS.get(base)))
        days = [(e.when - start).total_seconds() / 86_400 for e, _, _ in points]
        values = [v for _, v, _ in points]
        slope = low = high = left = None
        if len(points) >= LEAST_POINTS and np.ptp(days) > 0:
            found = stats.theilslopes(values, days, alpha=_LEVEL)
            slope, low, high = float(found.slope), float(found.low_slope), float(found.high_slope)
            left = _days_left(float(found.intercept + slope * days[-1]), slope, low, high, limit, floor=base == "snr_db")
        elif _past(values[-1], limit, floor=base == "snr_db"):
            left = 0.0
        out.append(Trend(name, unit_of(key), days, values, [s for _, _, s in points], limit, slope, low, high, left, standard))
    return out


def _past(now: float, limit: float | None, *, floor: bool) -> bool:
    return limit is not None and (now <= limit if floor else abs(now) >= limit)


def _days_left(now: float, slope: float, low: float, high: float, limit: float | None, *, floor: bool) -> float | None:
    """Days until the trend line meets the limit; 0 when it is past; None when there is no trend towards it."""
    if limit is None:
        return None
    if _past(now, limit, floor=floor):
        return 0.0
    if low <= 0 <= high:
        return None
    if floor:
        return (limit - now) / slope if slope < 0 else None
    goal = limit if slope > 0 else -limit
    return (goal - now) / slope


def history_page(deck: Deck, found: list[Trend]) -> str:
    """One self-contained HTML page with a plot per figure."""
    import plotly.graph_objects as go
    from plotly.subplots import make_subplots

    groups: dict[tuple[str, str], list[Trend]] = {}
    for trend in found:
        groups.setdefault((trend.standard, trend.name.split(" ")[0]), []).append(trend)
    several = len({standard for standard, _ in groups}) > 1
    titles = [f"{k.split('@')[0]}{_at(k)}" + (f", {standard}" if several else "") for standard, k in groups]
    figure = make_subplots(rows=len(groups), cols=1, subplot_titles=titles)
    dates = np.array([np.datetime64(e.when.replace(tzinfo=None), "s") for e in deck.entries])
    start = dates[0]
    for row, ((_, key), members) in enumerate(groups.items(), 1):
        for trend in members:
            when = [start + np.timedelta64(round(d * 86_400), "s") for d in trend.days]
            label = trend.name.partition(" ")[2] or key
            figure.add_trace(
                go.Scatter(
                    x=when, y=trend.values, mode="lines+markers", name=label,
                    error_y={"type": "data", "array": trend.sigmas, "visible": True, "thickness": 1},
                ),
                row=row, col=1,
            )  # fmt: skip
        limit = members[0].limit
        if limit is not None:
            one_sided = key == "snr_db" or all(m.name.endswith("worst head") for m in members)
            low = () if one_sided else (-limit,)
            for at in (limit, *low):
                figure.add_hline(y=at, line={"dash": "dot", "width": 1, "color": "#777777"}, row=row, col=1)
        figure.update_yaxes(title_text=members[0].unit, row=row, col=1)
    figure.update_layout(
        title=f"{deck.name}: line-ups from {deck.entries[0].when:%Y-%m-%d} to {deck.entries[-1].when:%Y-%m-%d}",
        height=260 * len(groups) + 120, template="plotly_white", showlegend=True,
    )  # fmt: skip
    return str(figure.to_html(include_plotlyjs=True, full_html=True))


def _at(key: str) -> str:
    mhz = key.partition("@")[2]
    return f" at {mhz} MHz" if mhz else ""
