"""The lists of a batch, worst first: transfer_again.csv, batch.csv and the index page."""

from __future__ import annotations

import csv
import io
import json
import os
import time
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from detect.archive.ledger import Ledger
from detect.output.csv_file import safe_cell
from detect.output.files import write_whole
from detect.output.page import TEMPLATES
from detect.output.words import KIND_WORDS, OUTCOME_MARKS, OUTCOME_WORDS, one_line

ALL_NAME = "batch.csv"
AGAIN_NAME = "transfer_again.csv"
INDEX_NAME = "index.html"
MOST_LISTED = 20_000
"""Rows on the index page, so that it stays near 5 MB and opens at once; the table holds all."""
COLUMNS = (
    "file", "state", "outcome", "transfer_again", "text", "worst_start", "worst_end", "affected_pct", "kinds", "heads",
    "deck", "operator", "duration_s", "warnings", "reason", "report",
)  # fmt: skip
WORST_FIRST = ("inspect_before_playing", "adjust_and_replay", "", "not_judged", "look", "recorded_in", "accept")
"""Outcomes in order of what they ask for; "" stands for files that could not be measured."""
_READ = (
    "place", "path", "state", "outcome", "transfer_again", "sentence", "worst_in", "worst_out", "affected_pct", "kinds",
    "heads", "deck", "operator", "duration_s", "warnings", "reason",
)  # fmt: skip
_ORDER = (
    "CASE WHEN state NOT IN ('done', 'failed') THEN 99 WHEN state = 'failed' THEN 2 "
    + " ".join(f"WHEN outcome = '{outcome}' THEN {n}" for n, outcome in enumerate(WORST_FIRST) if outcome)
    + " ELSE 98 END, COALESCE(affected_pct, -1) DESC, place"
)


def write_lists(ledger: Ledger, out: Path) -> None:
    """Write all three, each whole. Raises OutputClash."""
    rows = list(ledger.tuples(_READ, order=_ORDER))
    write_whole(out / ALL_NAME, table(rows))
    write_whole(out / AGAIN_NAME, table([row for row in rows if row[2] == "done" and row[4]]))
    write_whole(out / INDEX_NAME, index_page(rows[:MOST_LISTED], total=len(rows)).encode("utf-8", "replace"))


def write_index(ledger: Ledger, out: Path) -> None:
    """The index page alone."""
    rows = list(ledger.tuples(_READ, order=_ORDER, most=MOST_LISTED))
    total = sum(row[1] for row in ledger.sums())
    write_whole(out / INDEX_NAME, index_page(rows, total=total).encode("utf-8", "replace"))


def _name(stored: bytes) -> str:
    return os.fsdecode(stored).encode("utf-8", "replace").decode()


def _plain(text: str | None) -> str:
    """As ``safe_cell``, which looks at every character, with a short way for what cannot need it."""
    if not text:
        return ""
    return text if text[0].isalnum() and text.isprintable() else safe_cell(text)


def _figure(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def _report(row: tuple[Any, ...]) -> str:
    return quote(row[0] + b".report.html") if row[2] == "done" else ""


def table(rows: list[tuple[Any, ...]]) -> bytes:
    """A CSV like findings.csv: UTF-8 with a byte order mark, RFC 4180, no cell that a spreadsheet would run."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for row in rows:
        (
            _,
            path,
            state,
            outcome,
            again,
            sentence,
            worst_in,
            worst_out,
            pct,
            kinds,
            heads,
            deck,
            operator,
            duration,
            warnings,
            why,
        ) = row
        done = state == "done"
        writer.writerow((
            _plain(_name(path)), state, outcome if done else "", ("yes" if again else "no") if done else "",
            _plain(sentence if done else None), _plain(worst_in), _plain(worst_out), _figure(pct), kinds or "",
            heads or "", _plain(deck), _plain(operator), _figure(duration if done else None),
            "" if warnings is None else warnings, _plain(why), _report(row),
        ))  # fmt: skip
    return buffer.getvalue().encode("utf-8-sig", "replace")


def index_page(rows: list[tuple[Any, ...]], *, total: int) -> str:
    """The page with its rows inside; ``total`` counts the rows of the whole ledger."""
    env = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    listed = [_listed(row) for row in rows]
    present = {row["o"] for row in listed}
    return env.get_template("index.html.j2").render(
        data=_script_json({"rows": listed, "marks": OUTCOME_MARKS, "words": OUTCOME_WORDS, "kinds": KIND_WORDS}),
        style=Markup((TEMPLATES / "style.css").read_text("utf-8")),
        outcomes=[(o, OUTCOME_WORDS[o]) for o in WORST_FIRST if o and o in present],
        failed="failed" in present,
        kinds=[(k, KIND_WORDS[k]) for k in KIND_WORDS if any(k in row["k"] for row in listed)],
        decks=sorted({row["d"] for row in listed if row["d"]}),
        operators=sorted({row["p"] for row in listed if row["p"]}),
        total=total,
        listed=len(listed),
        all_name=ALL_NAME,
        again_name=AGAIN_NAME,
        again=sum(row["a"] for row in listed),
        written=time.strftime("%Y-%m-%d %H:%M"),
    )


def _listed(row: tuple[Any, ...]) -> dict[str, Any]:
    (
        place,
        _,
        state,
        outcome,
        again,
        sentence,
        worst_in,
        worst_out,
        pct,
        kinds,
        heads,
        deck,
        operator,
        duration,
        _,
        why,
    ) = row
    done = state == "done"
    return {
        "f": one_line(_name(place)), "o": outcome if done else state, "a": int(bool(done and again)),
        "t": (sentence if done else one_line(why or "")) or "", "i": worst_in or "", "u": worst_out or "",
        "c": None if pct is None else round(pct, 1), "k": (kinds or "").split(), "h": heads or "", "d": deck or "",
        "p": operator or "", "s": duration, "r": _report(row),
    }  # fmt: skip


def _script_json(value: Any) -> Markup:
    """JSON that cannot end the script element it stands in."""
    return Markup(json.dumps(value, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c"))
