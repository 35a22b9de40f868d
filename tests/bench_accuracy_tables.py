"""Records of tapes into the tables of docs/accuracy.md."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from typing import Any

import numpy as np

from tests.bench_material import CORRECTED_SCALLOP_NS, DELAY_LINE, LOSSY_TARGET, MEMORY, OTHER_TARGET, RATE, TARGET

Record = dict[str, Any]
ANY_FAULTS = ("faulty", "decoded")
"""Tapes with a random choice of faults, of whatever size."""
KIND_OF = {
    "skew_ns": "skew",
    "scallop_ns": "scallop",
    "quadrature_ns": "quadrature",
    "velocity_error_ns": "velocity_error",
    "saturation_pct": "saturation_banding",
    "hue_deg": "hue_banding",
    "level_ire": "level_banding",
    "noise_db": "noise_banding",
    "response_db": "response_banding",
}
PROMISE = {
    "skew_ns": 2.0, "scallop_ns": 2.0, "quadrature_ns": 2.0, "saturation_pct": 0.5, "hue_deg": 0.4, "level_ire": 0.1, "noise_db": 0.3,
    "response_db": 0.5,
}  # fmt: skip
"""Standard errors due at the target size on ten seconds of varied, uncorrected material."""
SIZE_BINS = (0.0, 1.0, 2.0, 4.0, 1e9)
"""Multiples of the target size."""
LARGE_SHARE = 0.03
"""Share to which a fault of 300 ns should be measured."""
FAINT = 0.25
"""A fault below this share of the target counts as absent when findings are checked."""
VELOCITY_FAINT_NS = 1.0
GAIN_FROM = 1.0
"""Gain is taken from faults of the target size and more: smaller ones only add noise to it."""
FEWEST_FOR_GAIN = 3


def document(records: list[Record], command: str, losses: str) -> str:
    """The whole of ``docs/accuracy.md``; ``losses``: its last chapter, tables in Markdown."""
    faulty = [r for r in records if r["what"] in ANY_FAULTS]
    parts = [
        HEAD.format(command=command, tapes=len(records), **_counts(records)),
        "## What is promised\n" + PROMISED,
        _promised_table([r for r in records if r["what"] == "target" and r["carrier"] == MEMORY], 1.0),
        *_promised_lossy(records),
        _large([r for r in records if r["what"] == "large"]),
        "\n## Figures against the truth\n" + FIGURES,
        _figures_table(faulty, lambda r: r["regime"], "regime"),
        "\n### By carrier, uncorrected\n",
        _figures_table([r for r in faulty if r["regime"] == "uncorrected"], _carrier, "carrier"),
        "\n### By decoder, uncorrected\n",
        _figures_table([r for r in faulty if r["regime"] == "uncorrected" and r["carrier"] == MEMORY], _decoder, "decoder"),
        "\n### Coverage over everything\n" + _coverage(faulty),
        "\n## Found, against size\n" + FOUND,
        _detection_table(faulty),
        "\n## Faults that tell a cause\n" + OTHERS,
        _others_table(records),
        "\n## False findings\n" + FALSE,
        _false_table(records),
        "\n## The wheel\n" + _wheel(records),
        "\n## Beginnings and ends\n" + _onsets(records),
        "\n## Time base\n" + _time_base(faulty),
        LOSSES + losses,
    ]
    return "\n".join(parts) + "\n"


HEAD = """# How well it measures

What `{command}`
measured; the tables are its output. {tapes} tapes: {faulty} with a random choice of faults,
{decoded} such through a composite signal and a decoder (notch, comb, in 625 with a delay line or without),
{target} with faults of just the size that should be found, {large} with a very large one, {clean} without any ({fool} of them pictures
built to fool), {onset} with a fault that begins and ends, {relock} with a re-lock, {other} with a fault that tells a cause.
{files} tapes went through a real encoder and decoder, the others were measured from the rendered 10-bit frames, which is
what FFV1 and v210 give back.

Every tape has its own seed: content (drawn and photographed plates moved in ten ways with cuts, and a film), phase of the wheel,
noise (40 to 46 dB), and of each fault whether it is there and how large (half to twelve times the target size, for response half
to four times, evenly in the logarithm). The simulator and the measuring code share nothing, but both follow the same physics;
real tapes have more in them.
"""
FIGURES = """
The figures of the whole tape (`summary`) less the truth. *null*: share of tapes where no figure is given. *gain*: median of
measured over true, faults of the target size and more. *bias* and *scatter*: mean and 1.48 times the median absolute
deviation from it. *stated*: median sigma. *1 sigma*, *2 sigma*: share of errors within so many stated sigmas (68 and 95 are due).
Figures per head count four values a tape. A fault that a corrector removed is stated before correction, so null is right there.
"""
PROMISED = """
Uncorrected tapes of varied content with cuts, as FFV1 gives them back; each kind of fault is on them or not, with just the target
size (of one head against the mean of the four, as figures are published). *due*, *reached*: the error
that 68 in 100 values are to stay within, and what 68 in 100 did. *within*: share of the values within what is due. *found* and
*confirmed*: of the tapes with the fault. *false*: findings of it on tapes without. Hue of a head is asked of 525 lines only.
"""
FOUND = """
Share of tapes with the fault in which a finding of its kind names it (for one head: the right one), by size in multiples of the
target (in parentheses). Below its limit for a note (docs/limits.md) a fault is measured but not made a finding. Number of tapes
in parentheses. Hue is asked of 525 lines only, scallop not behind a velocity corrector: there null is right.
"""
OTHERS = """
Each is the only fault on its 525 tape of ten seconds, but the skew or scallop that shows the wheel, at one to four times the size in
parentheses; saturation behind the delay line of a 625 decoder likewise, which a scallop takes away and gives back at every head change.
*told*: a finding names the head and, as its first cause, this fault. *gain*, *1 sigma* and *2 sigma* as above, over the
four heads of these tapes; *absent*: the same over all other tapes, where the figure should be nought, with their number in
parentheses. *falsely told*: on these.
"""
FIRST_CAUSE = {
    "differential_phase_deg": "differential phase", "differential_gain_pct": "differential gain", "head_skew_ns": "the tips of the heads",
    "noise_along_pass_db": "tips and tape", DELAY_LINE: "gain of that head's channel",
}  # fmt: skip
"""How the first cause of a finding of each begins."""
FALSE = """
Findings of a kind of fault that is not on the tape. "Confirmed" is what would cost an archive another transfer.
"""
LOSSES = """
## Losses of signal
Played by `tests/bench_losses.py`: real footage, stills and drawn scenes the score was not fitted to, with losses put in and without,
and light that poses as losses; 5 to 7 seconds a clip. *Visible*: 1 us and more that change the picture by 15 IRE rms. *Compensated*:
5 us and more; in MPEG-2 they are looked for only where noise has outlasted coding. *Worst minute*: of the clips laid end to end.
Figures in brackets are numbers of losses. What it means, and what does not hold: [dropouts.md](dropouts.md).

"""


def _counts(records: list[Record]) -> dict[str, int]:
    what = Counter(r["what"] for r in records)
    fool = sum(r["what"] == "clean" and _fools(r) for r in records)
    files = sum(r["carrier"] != MEMORY for r in records)
    kinds = ("faulty", "decoded", "target", "large", "clean", "onset", "relock", "other")
    return {**{k: what[k] for k in kinds}, "fool": fool, "files": files}


def _fools(record: Record) -> bool:
    from synthetic_clips.foolers import FOOLERS

    return record["content"] in FOOLERS


def _carrier(record: Record) -> str:
    return str(record["carrier"])


def _decoder(record: Record) -> str:
    return str(record["decoder"])


def _table(heads: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    heads = list(heads)
    lines = ["| " + " | ".join(heads) + " |", "|---" * len(heads) + "|"]
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in rows)])


def pairs(records: Iterable[Record], name: str) -> np.ndarray:
    """(n, 3): true, value, sigma of every value given."""
    rows = []
    for r in records:
        figure = r["figures"][name]
        for true, value, sigma in zip(figure["true"], figure["value"], figure["sigma"], strict=True):
            if value is not None and sigma is not None and true is not None:
                rows.append((true, value, sigma))
    return np.array(rows, float).reshape(-1, 3)


def _figures_table(records: list[Record], group: Callable[[Record], str], title: str) -> str:
    rows = []
    for name in KIND_OF:
        for key in sorted({group(r) for r in records}):
            members = [r for r in records if group(r) == key]
            got = pairs(members, name)
            null = np.mean([r["figures"][name]["value"][0] is None for r in members])
            cells = [name, key, str(len(members)), f"{100 * null:.0f} %"]
            one = len(members[0]["figures"][name]["true"]) == 1
            rows.append([*cells, *_figures_of(got, TARGET.get(name, 3.0), biased=one)])
    heads = ["figure", title, "tapes", "null", "gain", "bias", "scatter", "stated", "1 sigma", "2 sigma"]
    return _table(heads, rows)


def _promised_lossy(records: list[Record]) -> Iterator[str]:
    """The same for each lossy carrier, with faults of twice the size."""
    for carrier in sorted({r["carrier"] for r in records if r["what"] == "target"} - {MEMORY}):
        members = [r for r in records if r["what"] == "target" and r["carrier"] == carrier]
        yield f"\nThrough {carrier}, faults twice as large, and twice the error due:\n\n" + _promised_table(members, LOSSY_TARGET)


def _promised_table(records: list[Record], times: float) -> str:
    rows = []
    for name, once in PROMISE.items():
        due = times * once
        members = [r for r in records if name != "hue_deg" or r["standard"] == "525"]
        there = [r for r in members if _size(r, name) > 0]
        got = pairs(members, name)
        if not there or len(got) < FEWEST_FOR_GAIN:
            continue
        error = np.abs(got[:, 1] - got[:, 0])
        any_, sure = (sum(_found(r, name, confirmed=c) for r in there) for c in (False, True))
        false = sum(f["kind"] == KIND_OF[name] for r in members for f in false_findings(r))
        rows.append([
            f"{KIND_OF[name]} ({times * TARGET[name]:g})", str(len(there)), f"{any_} ({100 * any_ / len(there):.0f} %)", str(sure),
            f"{false} in {len(members) - len(there)}", f"{due:g}", f"{np.quantile(error, 0.68):.2g}",
            f"{100 * np.mean(error <= due):.0f} %",
        ])  # fmt: skip
    return _table(["kind (target)", "tapes", "found", "confirmed", "false", "due", "reached", "within"], rows)


def _large(records: list[Record]) -> str:
    """One sentence on the tapes with a single very large timing fault."""
    said, errors = [], []
    for r in records:
        name = max(("skew_ns", "scallop_ns", "quadrature_ns"), key=lambda n: _size(r, n))
        figure = r["figures"][name]
        at = int(np.argmax(np.abs(figure["true"])))
        true, value = figure["true"][at], figure["value"][at]
        said.append(f"{name.split('_')[0]} {true:+.0f}: {'null' if value is None else f'{value:+.1f}'}")
        errors.append(1.0 if value is None else abs(value / true - 1))
    if not said:
        return ""
    within = sum(e <= LARGE_SHARE for e in errors)
    return f"\nVery large faults, true and measured ns: {', '.join(said)}. Within 3 %: {within} of {len(said)}.\n"


def _figures_of(got: np.ndarray, target: float, *, biased: bool) -> list[str]:
    if len(got) < 4:
        return ["-"] * 6
    true, value, sigma = got.T
    error = value - true
    large = np.abs(true) >= GAIN_FROM * target
    gain = float(np.median(value[large] / true[large])) if large.sum() >= FEWEST_FOR_GAIN else None
    ratio = np.abs(error) / sigma
    return [
        "-" if gain is None else f"{gain:.3f}",
        f"{error.mean():+.3g}" if biased else "-",  # four heads about their mean cannot be off together
        f"{1.48 * np.median(np.abs(error - np.median(error))):.3g}",
        f"{np.median(sigma):.3g}",
        f"{100 * np.mean(ratio <= 1):.0f} %",
        f"{100 * np.mean(ratio <= 2):.0f} %",
    ]


def _coverage(records: list[Record]) -> str:
    """Fits, and the share of errors within one and two sigmas, over all kinds."""
    ratios = []
    fits = 0
    for name in KIND_OF:
        got = pairs(records, name)
        fits += sum(r["figures"][name]["value"][0] is not None for r in records)
        ratios.append(np.abs(got[:, 1] - got[:, 0]) / got[:, 2])
    ratio = np.concatenate(ratios) if ratios else np.zeros(0)
    if not len(ratio):
        return "No figures.\n"
    return (
        f"{fits} fits with {len(ratio)} values: {100 * np.mean(ratio <= 1):.0f} % of the errors within one stated sigma, "
        f"{100 * np.mean(ratio <= 2):.0f} % within two, {100 * np.mean(ratio <= 3):.0f} % within three.\n"
    )


def _size(record: Record, name: str) -> float:
    return float(np.max(np.abs(record["figures"][name]["true"])))


def _target(record: Record, name: str) -> float:
    return CORRECTED_SCALLOP_NS if name == "scallop_ns" and record["regime"] != "uncorrected" else TARGET[name]


def _found(record: Record, name: str, *, confirmed: bool) -> bool:
    true = np.array(record["figures"][name]["true"], float)
    for f in record["findings"]:
        if f["kind"] != KIND_OF[name] and not (name == "noise_db" and f["kind"] == "head_loss"):
            continue
        if confirmed and f["status"] != "confirmed":
            continue
        if len(true) == 1 or "ABCD"[int(np.argmax(np.abs(true)))] in f["heads"]:
            return True
    return False


def _detection_table(records: list[Record]) -> str:
    rows = []
    for name in TARGET:
        for regime in sorted({r["regime"] for r in records}):
            members = [r for r in records if r["regime"] == regime]
            if regime != "uncorrected" and name in ("skew_ns", "quadrature_ns"):
                continue  # the corrector has removed them: null is the right answer
            if regime == "velocity-corrected" and name == "scallop_ns":
                continue  # likewise
            if name == "hue_deg":
                members = [r for r in members if r["standard"] == "525"]  # in 625 the decoder or the V switch takes it away
            if not members:
                continue
            cells = [f"{KIND_OF[name]} ({_target(members[0], name):g})", regime]
            for low, high in itertools.pairwise(SIZE_BINS):
                here = [r for r in members if _size(r, name) / _target(r, name) > FAINT and low <= _size(r, name) / _target(r, name) < high]
                if not here:
                    cells.append("-")
                    continue
                any_, sure = (100 * np.mean([_found(r, name, confirmed=c) for r in here]) for c in (False, True))
                cells.append(f"{any_:.0f} %, confirmed {sure:.0f} % ({len(here)})")
            rows.append(cells)
    return _table(["kind (target)", "regime", "below 1", "1 to 2", "2 to 4", "above 4"], rows)


def _others_table(records: list[Record]) -> str:
    rows = []
    for name, target in OTHER_TARGET.items():
        mine = [r for r in records if r["what"] == "other" and r["name"].endswith(name)]
        rest = [r for r in records if r not in mine]
        told = sum(any(_tells(f, name, r) for f in r["findings"]) for r in mine)
        false = sum(any(f["cause"].startswith(FIRST_CAUSE[name]) for f in r["findings"]) for r in rest)
        cells = [f"{name} ({target:g})", str(len(mine)), str(told)]
        if name == "noise_along_pass_db":
            rows.append([*cells, "-", "-", "-", "-", f"{false} in {len(rest)}"])
            continue
        if name == DELAY_LINE:
            there = _figures_of(pairs(mine, name), target, biased=False)
            rows.append([*cells, there[0], there[4], there[5], "-", "-"])
            continue
        there, absent = _figures_of(pairs(mine, name), target, biased=False), pairs(rest, name)
        of_absent = _figures_of(absent, target, biased=False)
        rows.append([*cells, there[0], there[4], there[5], f"{of_absent[4]}, {of_absent[5]} ({len(absent)})", f"{false} in {len(rest)}"])
    return _table(["fault (size)", "tapes", "told", "gain", "1 sigma", "2 sigma", "absent", "falsely told"], rows)


def _tells(finding: dict[str, Any], name: str, record: Record) -> bool:
    """Whether a finding names the fault, and the right head or end of the passes."""
    if not finding["cause"].startswith(FIRST_CAUSE[name]):
        return False
    if name == "noise_along_pass_db":
        start, _, end = record["noise_by_position_db"]
        return finding["value"] * (start + end) > 0 and finding["text"].startswith("The start" if start else "The end")
    true = np.array(record["figures"][name]["true"], float)
    return "ABCD"[int(np.argmax(np.abs(true)))] in finding["heads"]


def false_findings(record: Record) -> list[dict[str, Any]]:
    """Findings of kinds that the tape does not have."""
    name_of = {kind: name for name, kind in KIND_OF.items()}
    out = []
    for f in record["findings"]:
        if f["kind"] == "relock":
            if len(record["true_wheel"]) < 2:
                out.append(f)
            continue
        if record["what"] in ("onset", "relock"):
            continue  # judged by their own tables
        name = name_of.get("noise_banding" if f["kind"] == "head_loss" else f["kind"])
        if name is None or _size(record, name) < (VELOCITY_FAINT_NS if name == "velocity_error_ns" else FAINT * TARGET[name]):
            out.append(f)
    return out


def _false_table(records: list[Record]) -> str:
    rows = []
    groups = [
        ("clean, varied content", lambda r: r["what"] == "clean" and not _fools(r)),
        ("clean, built to fool", lambda r: r["what"] == "clean" and _fools(r)),
        ("faulty, kinds that are not there", lambda r: r["what"] == "faulty"),
        ("the same through composite, kinds that are not there", lambda r: r["what"] == "decoded"),
    ]
    for words, belongs in groups:
        members = [r for r in records if belongs(r)]
        wrong = [(r, f) for r in members for f in false_findings(r)]
        sure = [(r, f) for r, f in wrong if f["status"] == "confirmed"]
        again = sum(r["outcome"] == "adjust_and_replay" for r in members) if "kinds" not in words else None
        names = "; ".join(
            f"{f['kind']} {f['value']:.3g}{'' if f['status'] == 'confirmed' else ' unconfirmed'} ({r['name']})" for r, f in wrong
        )
        numbers = [str(len(members)), str(len(sure)), str(len(wrong) - len(sure)), "-" if again is None else str(again)]
        rows.append([words, *numbers, names or "none"])
    return _table(["tapes", "number", "confirmed", "unconfirmed", "transfer again", "which"], rows)


def _phase_errors(records: list[Record]) -> list[float]:
    out = []
    for r in records:
        if not any(f["status"] == "confirmed" for f in r["findings"]):
            continue
        for state in r["wheel"]:
            if not state["locked"]:
                continue
            middle = (state["start_frame"] + state["end_frame"]) / 2
            true = next((t for t in r["true_wheel"] if t["start_frame"] <= middle < t["end_frame"]), r["true_wheel"][-1])
            step = state["phase_lines"] - true["phase_lines"]
            out.append(float((step + r["period"] / 2) % r["period"] - r["period"] / 2))
    return out


def _wheel(records: list[Record]) -> str:
    errors = np.array(_phase_errors(records))
    lines = []
    if len(errors):
        lines.append(
            f"Phase in {len(errors)} stretches of tapes with a confirmed finding: within half a line in "
            f"{int((np.abs(errors) <= 0.5).sum())}; rms of those {np.sqrt(np.mean(errors[np.abs(errors) <= 0.5] ** 2)):.3f} lines; "
            f"largest error {np.abs(errors).max():.2f} lines.\n"
        )
    relocks = [r for r in records if r["what"] == "relock"]
    found, delays = 0, []
    for r in relocks:
        at = r["true_wheel"][1]["start_frame"]
        near = [abs(f["start_frame"] - at) / RATE[r["standard"]] for f in r["findings"] if f["kind"] == "relock"]
        if near:
            delays.append(min(near))
            found += min(near) <= 1.0
    false = sum(f["kind"] == "relock" for r in records for f in false_findings(r))
    lines.append(
        f"Re-locks: {found} of {len(relocks)} found within 1 s"
        + (f" (distances {', '.join(f'{d:.2f}' for d in sorted(delays))} s)" if delays else "")
        + f"; false re-locks in all tapes: {false}.\n"
    )
    return "\n".join(lines)


def _onsets(records: list[Record]) -> str:
    starts, ends, missed = [], [], 0
    tapes = [r for r in records if r["what"] == "onset"]
    for r in tapes:
        onset = r["onsets"][0]
        kind = KIND_OF[onset["parameter"]]
        got = [f for f in r["findings"] if f["kind"] == kind]
        if not got:
            missed += 1
            continue
        rate = RATE[r["standard"]]
        best = max(got, key=lambda f: f["end_frame"] - f["start_frame"])
        starts.append((best["start_frame"] - onset["start_frame"]) / rate)
        ends.append((best["end_frame"] - onset["end_frame"]) / rate)
    text = f"{len(tapes)} tapes with a strong fault (80 ns skew or 12 % saturation of one head) for part of the time: {missed} missed."
    if starts:
        text += (
            f" In points off by {', '.join(f'{s:+.2f}' for s in starts)} s, out points by {', '.join(f'{e:+.2f}' for e in ends)} s."
        )
    return text + "\n"


def _time_base(records: list[Record]) -> str:
    rows = []
    for regime in sorted({r["regime"] for r in records}):
        said = Counter(r["time_base"] for r in records if r["regime"] == regime)
        rows.append([regime, *(str(said[k]) for k in ("uncorrected", "line-corrected", "undetermined"))])
    return _table(["regime of the tape", "said uncorrected", "said line-corrected", "undetermined"], rows)
