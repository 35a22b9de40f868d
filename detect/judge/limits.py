"""Limits applied to readings: one TOML file, its defaults beside this module, each stating its origin."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib import resources
from typing import Any

from detect.errors import BadSettings


@dataclass(frozen=True, slots=True)
class Limits:
    """``table[key]`` holds "note" and "flag" figures; see limits.toml for keys, units and origins."""

    table: dict[str, dict[str, float]]

    def note(self, key: str) -> float:
        return self.table[key].get("note", self.table[key].get("flag", 0.0))

    def flag(self, key: str) -> float:
        return self.table[key].get("flag", float("inf"))

    def as_dict(self) -> dict[str, Any]:
        return {k: dict(v) for k, v in self.table.items()}


def default_limits() -> Limits:
    return Limits(tomllib.loads(resources.files("detect.judge").joinpath("limits.toml").read_text("utf-8")))


def parse_limits(text: str, *, where: str) -> Limits:
    """Defaults with the given TOML text laid over them. Raises BadSettings naming the key that is wrong."""
    table = {k: dict(v) for k, v in default_limits().table.items()}
    try:
        given = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadSettings(f"{where}: not a TOML file ({error}); start from the limits in docs/limits.md") from error
    for key, values in given.items():
        if key not in table or not isinstance(values, dict):
            raise BadSettings(f"{where}: no limit is called {key!r}; known: {', '.join(sorted(table))}")
        for name, value in values.items():
            if name not in ("note", "flag", "affected_pct") or isinstance(value, bool) or not isinstance(value, (int, float)):
                raise BadSettings(f"{where}: {key}.{name} = {value!r} is not a limit; give note or flag as a number")
            table[key][name] = float(value)
    return Limits(table)
