"""The deck file: what is known of one machine, in TOML that people may edit. Comments and order survive when it is added to.

Layout: ``[deck]`` with a name and notes; ``[limits]`` by figure, for the history; one ``[[lineup]]`` per dated
capture, with figures, their sigmas and, where the heads are numbered, lists in the order of the numbers 1 to 4. See
docs/deck_file.md.
"""

from __future__ import annotations

import os
import re
import tomllib
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit

from detect.errors import BadSettings, OutputClash
from detect.findings import HeadValues, Value
from detect.lineup.result import LineupResult
from detect.standards import HEADS

DECK_SCHEMA = 1
SINGLE = ("skew_ns", "scallop_ns", "velocity_error_ns", "snr_db")
PER_HEAD = (
    "quadrature_ns",
    "saturation_pct",
    "hue_deg",
    "level_ire",
    "noise_db",
    "differential_phase_deg",
)
_DIGITS = 4


@dataclass(frozen=True, slots=True)
class Entry:
    """One line-up. ``single`` maps a figure to (value, sigma); ``per_head`` to (values[4], sigmas[4]) in the order of
    ``order``: "numbers" 1 to 4, or "letters" A to D of that play, which mean nothing elsewhere. ``response`` likewise
    per
    packet: MHz to (dB[4], sigmas[4]). ``tones``: channel to dB above reference."""

    when: datetime
    file: str
    standard: str
    order: str
    single: dict[str, tuple[float, float]] = field(default_factory=dict)
    per_head: dict[str, tuple[list[float], list[float]]] = field(default_factory=dict)
    response: dict[float, tuple[list[float], list[float]]] = field(default_factory=dict)
    tones: dict[int, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Deck:
    """A deck file as read. ``entries`` are in order of time."""

    name: str
    entries: tuple[Entry, ...]
    limits: dict[str, float]

    def latest(self, *, standard: str | None = None, numbered: bool = False) -> Entry | None:
        fit = [e for e in self.entries if (standard is None or e.standard == standard) and (not numbered or e.order == "numbers")]
        return fit[-1] if fit else None


def read_deck(path: str | Path) -> Deck:
    """Read a deck file. Raises BadSettings naming what is wrong and where."""
    try:
        raw = tomllib.loads(Path(path).read_text("utf-8"))
    except FileNotFoundError as error:
        raise BadSettings(f"{path}: no such deck file; headpass lineup FILE --deck {path} starts one") from error
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise BadSettings(f"{path}: cannot read this deck file ({error})") from error
    if raw.get("schema", DECK_SCHEMA) != DECK_SCHEMA:
        raise BadSettings(f"{path}: deck file schema {raw['schema']}, expected {DECK_SCHEMA}")
    entries = [_entry(e, f"{path}: [[lineup]] {k + 1}") for k, e in enumerate(_tables(raw, "lineup", path))]
    limits = raw.get("limits", {})
    if not isinstance(limits, dict) or not all(_is_number(v) and v > 0 for v in limits.values()):
        raise BadSettings(f"{path}: [limits] holds figure = number, above zero")
    name = raw.get("deck", {}).get("name", Path(path).stem) if isinstance(raw.get("deck", {}), dict) else Path(path).stem
    return Deck(str(name), tuple(sorted(entries, key=lambda e: e.when)), {k: float(v) for k, v in limits.items()})


def _tables(raw: dict[str, Any], key: str, path: str | Path) -> list[dict[str, Any]]:
    tables = raw.get(key, [])
    if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        raise BadSettings(f"{path}: write [[{key}]] with double brackets, once for each")
    return tables


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and bool(np.isfinite(value))


def _numbers(value: Any, count: int, where: str) -> list[float]:
    if not isinstance(value, list) or len(value) != count or not all(_is_number(v) for v in value):
        raise BadSettings(f"{where}: expected a list of {count} numbers, got {value!r}")
    return [float(v) for v in value]


def _entry(raw: dict[str, Any], where: str) -> Entry:
    when = raw.get("date")
    if isinstance(when, date) and not isinstance(when, datetime):
        when = datetime(when.year, when.month, when.day, tzinfo=UTC)
    if not isinstance(when, datetime):
        raise BadSettings(f"{where}: date = {when!r} is no date; write it as 2031-05-04 or 2031-05-04T10:30:00Z")
    order = raw.get("order", "letters")
    if order not in ("numbers", "letters"):
        raise BadSettings(f'{where}: order = {order!r}; write "numbers" or "letters"')
    single: dict[str, tuple[float, float]] = {}
    for key in SINGLE:
        if key in raw:
            if not _is_number(raw[key]):
                raise BadSettings(f"{where}: {key} = {raw[key]!r} is not a number")
            sigma = raw.get(f"{key}_sigma", 0.0)
            if not _is_number(sigma) or sigma < 0:
                raise BadSettings(f"{where}: {key}_sigma = {sigma!r} is not a number of zero or more")
            single[key] = (float(raw[key]), float(sigma))
    per_head = {}
    for key in PER_HEAD:
        if key in raw:
            sigmas = raw.get(f"{key}_sigma", [0.0] * HEADS)
            per_head[key] = (
                _numbers(raw[key], HEADS, f"{where}: {key}"),
                _numbers(sigmas, HEADS, f"{where}: {key}_sigma"),
            )
    response = {}
    for k, packet in enumerate(_tables(raw, "response", where)):
        here = f"{where}, [[lineup.response]] {k + 1}"
        if not _is_number(packet.get("mhz")):
            raise BadSettings(f"{here}: mhz is missing")
        sigmas = packet.get("sigma_db", [0.0] * HEADS)
        response[float(packet["mhz"])] = (
            _numbers(packet.get("db"), HEADS, f"{here}: db"),
            _numbers(sigmas, HEADS, f"{here}: sigma_db"),
        )
    tones = {}
    for tone in _tables(raw, "tone", where):
        if not _is_number(tone.get("channel")) or not _is_number(tone.get("db")):
            raise BadSettings(f"{where}: [[lineup.tone]] needs channel and db")
        tones[int(tone["channel"])] = float(tone["db"])
    aware = when if when.tzinfo is not None else when.replace(tzinfo=UTC)
    return Entry(aware, str(raw.get("file", "")), str(raw.get("standard", "")), order, single, per_head, response, tones)


# --- writing ----------------------------------------------------------------------------------------------------------


def _clean(values: HeadValues) -> tuple[list[float], list[float]] | None:
    if any(v is None for v in (*values.values, *values.sigmas)):
        return None
    return [float(v) for v in values.values if v is not None], [float(s) for s in values.sigmas if s is not None]


def _by_number(values: list[float], numbers: list[int] | None) -> list[float]:
    """Heads A to D in the order of their numbers 1 to 4, where these are known."""
    if numbers is None:
        return values
    out = [0.0] * HEADS
    for letter, number in enumerate(numbers):
        out[number - 1] = values[letter]
    return out


def entry_of(result: LineupResult) -> Entry:
    """A line-up result as an entry of the deck file."""
    numbers = result.wheel.head_numbers
    single: dict[str, tuple[float, float]] = {}
    for key in SINGLE:
        value: Value | None = getattr(result.figures, key)
        if value is not None and value.value is not None and value.sigma is not None:
            single[key] = (value.value, value.sigma)
    per_head = {}
    for key in PER_HEAD:
        found: HeadValues | None = getattr(result.figures, key)
        clean = _clean(found) if found is not None else None
        if clean is not None:
            per_head[key] = (_by_number(clean[0], numbers), _by_number(clean[1], numbers))
    response = {}
    if result.figures.response is not None:
        r = result.figures.response
        for k, mhz in enumerate(r.mhz):
            clean = _clean(HeadValues(values=[row[k] for row in r.db], sigmas=[row[k] for row in r.sigma_db]))
            if clean is not None:
                response[round(mhz, 3)] = (_by_number(clean[0], numbers), _by_number(clean[1], numbers))
    tones = {}
    if result.audio is not None:
        tones = {t.channel: t.above_reference_db for t in result.audio.tones if t.above_reference_db is not None}
    return Entry(
        when=datetime.fromisoformat(result.created),
        file=Path(result.path).name,
        standard=result.standard,
        order="numbers" if numbers is not None else "letters",
        single=single,
        per_head=per_head,
        response=response,
        tones=tones,
    )


def add_entry(path: str | Path, entry: Entry, *, name: str | None = None) -> None:
    """Add an entry to a deck file, or start one; whole or not at all. Raises BadSettings for a damaged file, OutputClash when it
    cannot be written."""
    target = Path(path)
    if target.exists():
        read_deck(target)
        document = tomlkit.parse(target.read_text("utf-8"))
    else:
        document = tomlkit.document()
        document.add("schema", tomlkit.item(DECK_SCHEMA))
        about = tomlkit.table()
        about.add("name", name or target.stem)
        document.add("deck", about)
        document.add("limits", tomlkit.table())
    if "lineup" not in document:
        document.add("lineup", tomlkit.aot())
    document["lineup"].append(_table(entry))
    temporary = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        temporary.write_text(_spaced(tomlkit.dumps(document)), "utf-8")
        os.replace(temporary, target)
    except OSError as error:
        raise OutputClash(f"{path}: cannot be written ({error.strerror}); choose another place for the deck file") from error
    finally:
        temporary.unlink(missing_ok=True)


def _spaced(text: str) -> str:
    """An empty line before each line-up; a comment just above one stays with it."""
    return re.sub(r"(?m)^(?!#)(.+)\n(?=\[\[lineup\]\])", r"\1\n\n", text)


def _rounded(values: list[float]) -> list[float]:
    return [round(v, _DIGITS) for v in values]


def _table(entry: Entry) -> Any:
    table = tomlkit.table()
    table.add("date", entry.when.replace(microsecond=0))
    table.add("file", entry.file)
    table.add("standard", entry.standard)
    table.add("order", entry.order)
    for key, (value, sigma) in entry.single.items():
        table.add(key, round(value, _DIGITS))
        table.add(f"{key}_sigma", round(sigma, _DIGITS))
    for key, (values, sigmas) in entry.per_head.items():
        table.add(key, _rounded(values))
        table.add(f"{key}_sigma", _rounded(sigmas))
    if entry.response:
        packets = tomlkit.aot()
        for mhz, (db, sigmas) in entry.response.items():
            packet = tomlkit.table()
            packet.add("mhz", mhz)
            packet.add("db", _rounded(db))
            packet.add("sigma_db", _rounded(sigmas))
            packets.append(packet)
        table.add("response", packets)
    if entry.tones:
        tones = tomlkit.aot()
        for channel, level in entry.tones.items():
            tone = tomlkit.table()
            tone.add("channel", channel)
            tone.add("db", round(level, _DIGITS))
            tones.append(tone)
        table.add("tone", tones)
    return table
