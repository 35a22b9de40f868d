"""``python -m tests.bench_evidence --readings DIR``: how far apart the evidence for faults and for none lies, where judging draws lines.

Reads what ``bench_accuracy --readings DIR`` kept of the same ``--clips``, ``--first-seed`` and ``--seconds``, and decodes nothing.
``--write`` makes ``docs/evidence.md``.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from detect.judge.evidence import KNOWN_PHASE_RATIO, LEAST_STRENGTH, NEAR_ENOUGH, NULL_RATIO, Proof, evidence
from detect.judge.figures import terms_of
from detect.judge.found import known_jumps
from detect.judge.head_fit import NEIGHBOURS_ERROR, NEIGHBOURS_SHOW, fit_heads
from detect.judge.judged import JudgedFile, describe
from detect.judge.kinds import KINDS, OF_HEADS
from detect.judge.regimes import EDGES_MOVE
from detect.judge.row_evidence import heads_evidence, timing_evidence
from detect.judge.seen_in_part import PART_RATIO, best_part
from detect.judge.states import RELOCK_RATIO, settled, stretches_by_decoder
from detect.judge.stretch import EVIDENT_GAIN, Pooled
from detect.readings import Readings
from synthetic_clips.render import Truth
from tests.bench_accuracy import cases
from tests.bench_accuracy_tables import FAINT, KIND_OF
from tests.bench_material import TARGET, Case, kept_files

DOCUMENT = Path(__file__).parents[1] / "docs" / "evidence.md"
FIGURE_OF = {kind: figure for figure, kind in KIND_OF.items()}
TELLS = 0.1
"""Standard error of the share that neighbours show, up to which a tape tells it."""
PRESENT = 0.9
"""Share of the target size from which a fault counts as there; below ``FAINT`` it is absent, and between nothing is asked."""


def looked_at(case: Case, keep: Path) -> dict[str, Any] | None:
    """Evidence in each stretch of a kept tape; None where it was not kept."""
    readings, truth_file = kept_files(case, keep)
    if not (readings.exists() and truth_file.exists()):
        return None
    truth = Truth(**json.loads(truth_file.read_text("utf-8")))
    file, parts = stretches_by_decoder(describe(Readings(readings)))
    stretches = [_stretch(file, members, pooled, clean=case.name.startswith("clean")) for members, pooled in settled(file, parts)]
    return {
        "what": case.name.split()[0],
        "name": case.name,
        "regime": case.faults.regime,
        "blanking": case.faults.blanking,
        "sizes": {kind: _size(truth, figure) for kind, figure in FIGURE_OF.items() if figure in TARGET},
        "stretches": stretches,
    }


def _size(truth: Truth, figure: str) -> float:
    """The true figure in multiples of its target, the largest of the heads."""
    value = truth.faults[figure] if figure in ("skew_ns", "scallop_ns") else truth.relative[figure]
    return float(np.abs(value).max() / TARGET[figure])


def _stretch(file: JudgedFile, members: Any, pooled: Pooled, *, clean: bool) -> dict[str, Any]:
    by_kind = {}
    for kind in KINDS:
        if _averaged_away(file, kind.relation):
            continue
        known = known_jumps(kind.relation, pooled, file.view, file.standard)
        by_kind[f"{kind.kind} {kind.relation}"] = _proof(evidence(pooled.fit, kind.relation, kind.part, known=known))
    joint = {k: _proof(p) for k, p in _of_all_rows(file, pooled).items()}
    part = best_part(file, members) if clean else None
    return {
        "by_kind": by_kind,
        "joint": joint,
        "shows": _shown_beside(file, pooled),
        "null_ratio": pooled.fit.null_ratio,
        "part_ratio": None if part is None else part[1].null_ratio,
        "locked": pooled.locked,
        "regime": pooled.timing.regime,
        "gain": pooled.timing.gain,
        "edges_won": pooled.timing.edges_won,
    }


def _of_all_rows(file: JudgedFile, pooled: Pooled) -> dict[str, Proof]:
    """Evidence in the fit of all rows, by kind."""
    about = pooled.rows, file.view, file.standard, pooled.fit
    out = dict(timing_evidence(*about, edges=pooled.timing.edges))
    for kind in OF_HEADS:
        terms = terms_of(kind.relation, *about, pooled.timing)
        proof = heads_evidence(*about, kind.relation, terms) if not _averaged_away(file, kind.relation) else None
        if proof is not None:
            out[kind.kind] = proof
    return out


def _shown_beside(file: JudgedFile, pooled: Pooled) -> dict[str, tuple[float, float]]:
    """Share of a head's offset that pairs beside a boundary show, and its standard error, by relation."""
    out = {}
    for relation in ("level", "saturation"):
        heads = fit_heads(pooled.rows, file.view, file.standard, relation, pooled.fit.phase_lines)
        if heads is not None and np.isfinite(heads.shown_by_itself[1]):
            out[relation] = heads.shown_by_itself
    return out


def _averaged_away(file: JudgedFile, relation: str) -> bool:
    return file.standard.short_name == "625" and relation in ("hue", "hue_ramp")


def _proof(proof: Proof) -> dict[str, float]:
    return {"strength": proof.strength, "ratio": proof.ratio, "near": proof.near}


Values = list[float]


def document(tapes: list[dict[str, Any]], command: str) -> str:
    """The whole of ``docs/evidence.md``."""
    faulty = [t for t in tapes if t["what"] in ("faulty", "target", "large")]
    clean = [t for t in tapes if t["what"] == "clean"]
    parts = [
        HEAD.format(command=command, faulty=len(faulty), clean=len(clean)),
        RELATIONS.format(present=PRESENT, faint=FAINT, strength=LEAST_STRENGTH, known=KNOWN_PHASE_RATIO, null=NULL_RATIO, near=NEAR_ENOUGH),
        _evidence_table(faulty, clean, "by_kind"),
        JOINT,
        _evidence_table(faulty, clean, "joint"),
        "\n## The wheel, the time base and the edges\n",
        "| what | line drawn at | seen in | values | least | median | most |",
        "|---|---|---|---|---|---|---|",
        *_lines(tapes, faulty, clean),
        BESIDE.format(prior=NEIGHBOURS_SHOW, error=NEIGHBOURS_ERROR),
        *_beside(faulty),
    ]
    return "\n".join(parts) + "\n"


HEAD = """# How far apart the evidence lies

What `{command}`
printed, from the tapes of [accuracy.md](accuracy.md) that `bench_accuracy` was told to keep: {faulty} with faults of all sizes, {clean}
without any, most of them made to fool. Each table shows a quantity of which judging asks that it be beyond a line, for faults that
are there and for those that are not. What lies on the wrong side of one line is mostly held by another: a finding has to pass all.
"""
RELATIONS = """
## Single relations
*Ratio*: strength at the wheel's period over the largest at periods no wheel has; the line is at {null:g}, at {known:g} once another kind
has shown the phase. *Near*: strength at the best near period over that at the wheel's own; the line is at {near:g}. Present: {present:g}
of the target size and more, on tapes whose wheel was found; absent: below {faint:g} on such tapes; and clean ones. *Strong*: those with a
strength of {strength:g} and more, for weaker ones are not asked. Skew and quadrature: uncorrected tapes only.
"""
JOINT = """
## All rows together
The same in the fit of all rows (`judge/row_evidence.py`); skew, quadrature and scallop in uncorrected material.
"""


BESIDE = """
## Pairs beside a boundary
Share of a head's offset that pairs show whose outer lines alone cross a boundary, as each tape tells it by itself, where its standard
error is below 0.1. Taken for granted: {prior:g} with an error of {error:g}, unless the tape tells better (`judge/head_fit.py`).

| relation | tapes | mean, weighted | scatter beyond the errors |
|---|---|---|---|"""


def _beside(faulty: list[dict[str, Any]]) -> Iterable[str]:
    for relation in ("level", "saturation"):
        seen = [s["shows"][relation] for t in faulty for s in t["stretches"] if s["locked"] and relation in s["shows"]]
        told = np.array([s for s in seen if s[1] < TELLS])
        if not len(told):
            continue
        weight = 1 / (told[:, 1] ** 2 + NEIGHBOURS_ERROR**2)
        mean = float((weight * told[:, 0]).sum() / weight.sum())
        beyond = max(float(np.mean((told[:, 0] - mean) ** 2 - told[:, 1] ** 2)), 0.0)
        yield f"| {relation} | {len(told)} | {mean:.3f} | {np.sqrt(beyond):.3f} |"


def _evidence_table(faulty: list[dict[str, Any]], clean: list[dict[str, Any]], where: str) -> str:
    """Rows of kinds: the fault present, absent from a tape with others, and clean tapes."""
    asked = ("strong", "ratio: most", "the same, near below the line")
    heads = ["kind", "present", "ratio: least / median", "near: most", *(f"absent, {a}" for a in asked), *(f"clean, {a}" for a in asked)]
    lines = [f"| {' | '.join(heads)} |", "|---" * len(heads) + "|"]
    names = list(dict.fromkeys(n for t in faulty for s in t["stretches"] for n in s[where]))
    for name in names:
        size = name.split()[0]
        if size not in faulty[0]["sizes"]:
            continue
        shown = [(t["sizes"][size], s[where][name]) for t in faulty for s in t["stretches"] if _asked(name, where, t, s)]
        there, not_there = [p for x, p in shown if x >= PRESENT], [p for x, p in shown if x < FAINT]
        none = [s[where][name] for t in clean for s in t["stretches"] if name in s[where]]
        lines.append(f"| {name} | {_present(there)} | {_absent(not_there)} | {_absent(none)} |")
    return "\n".join(lines)


def _asked(name: str, where: str, tape: dict[str, Any], stretch: dict[str, Any]) -> bool:
    """Whether the wheel was found, and the time base, where it matters, is one that lets the fault through."""
    timing = name.split()[0] in ("skew", "quadrature") or name == "scallop"
    return bool(name in stretch[where] and stretch["locked"] and not (timing and tape["regime"] != "uncorrected"))


def _present(proofs: list[dict[str, float]]) -> str:
    if not proofs:
        return "0 | - | -"
    ratio, near = (np.array([p[k] for p in proofs]) for k in ("ratio", "near"))
    return f"{len(proofs)} | {ratio.min():.2f} / {np.median(ratio):.1f} | {near[ratio >= KNOWN_PHASE_RATIO].max(initial=0):.2f}"


def _absent(proofs: list[dict[str, float]]) -> str:
    strong = [p for p in proofs if p["strength"] >= LEAST_STRENGTH]
    if not strong:
        return f"0 of {len(proofs)} | - | -"
    ratio, near = (np.array([p[k] for p in strong]) for k in ("ratio", "near"))
    held = ratio[near < NEAR_ENOUGH]
    return f"{len(strong)} of {len(proofs)} | {ratio.max():.2f} | {f'{held.max():.2f}' if len(held) else '-'}"


def _lines(tapes: list[dict[str, Any]], faulty: list[dict[str, Any]], clean: list[dict[str, Any]]) -> Iterable[str]:
    def values(of: list[dict[str, Any]], key: str, chosen: Callable[[dict[str, Any], dict[str, Any]], bool]) -> Values:
        return [s[key] for t in of for s in t["stretches"] if s[key] is not None and np.isfinite(s[key]) and chosen(t, s)]

    def line(what: str, limit: float, seen: str, got: Values) -> str:
        shown = f"{min(got):.1f} | {np.median(got):.1f} | {max(got):.1f}" if got else "- | - | -"
        return f"| {what} | {limit:g} | {seen} | {len(got)} | {shown} |"

    def proven(t: dict[str, Any], s: dict[str, Any]) -> bool:
        return any(Proof(**s["joint"][k], z=0.0).holds for k in ("skew", "quadrature"))

    unseen = values(clean, "part_ratio", lambda t, s: not s["locked"])
    yield line("null ratio of the best part", PART_RATIO, "clean tapes whose wheel was not found", unseen)
    relocks = [t for t in tapes if t["what"] == "relock"]
    yield line("null ratio of a stretch", RELOCK_RATIO, "tapes with a re-lock", values(relocks, "null_ratio", lambda t, s: True))
    for blanking in ("tape", "reinserted"):
        chosen = partial(_blanked, blanking)
        yield line("chi-square won by moving edges", EDGES_MOVE, f"blanking {_OF[blanking]}, faulty", values(faulty, "edges_won", chosen))
    yield line("chi-square won by moving edges", EDGES_MOVE, "clean tapes", values(clean, "edges_won", lambda t, s: s["locked"]))
    for regime in ("uncorrected", "line-corrected"):
        got = [s["gain"] for t in faulty for s in t["stretches"] if s["locked"] and t["regime"] == regime and proven(t, s)]
        yield line("chi-square won by an uncorrected time base", EVIDENT_GAIN, f"{regime}, skew or quadrature seems proven", got)


_OF = {"tape": "of the tape", "reinserted": "put in afterwards"}


def _blanked(blanking: str, tape: dict[str, Any], stretch: dict[str, Any]) -> bool:
    return bool(tape["blanking"] == blanking and tape["regime"] == "uncorrected" and stretch["locked"])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clips", type=int, default=80)
    parser.add_argument("--first-seed", type=int, required=True)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--readings", type=Path, required=True, help="where bench_accuracy kept them")
    parser.add_argument("--write", action="store_true", help="write docs/evidence.md")
    given = parser.parse_args()
    with ProcessPoolExecutor(given.workers, mp_context=get_context("spawn")) as pool:
        work = partial(looked_at, keep=given.readings)
        tapes = [t for t in pool.map(work, cases(given.clips, given.first_seed, given.seconds)) if t is not None]
    if not tapes:
        sys.exit(f"{given.readings}: no readings of these seeds; first run bench_accuracy with --readings {given.readings}")
    command = (
        f"python -m tests.bench_evidence --readings DIR --clips {given.clips} --first-seed {given.first_seed}"
        f" --seconds {given.seconds:g} --write"
    )
    text = document(tapes, command)
    print(text)
    if given.write:
        DOCUMENT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
