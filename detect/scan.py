"""The one place that joins the wings: measure a file into readings, judge them, fetch the stills that findings name."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from detect.errors import BadSettings, CannotRead, HeadpassError
from detect.findings import Findings
from detect.judge.limits import Limits, default_limits, parse_limits
from detect.judge.line_up_tone import only_line_up_tone
from detect.judge.second_visit import MOST_ROUNDS, SETTLED_NS, change_ns, displacement_to_undo
from detect.judge.verdict import judge
from detect.lineup.deck_on_findings import apply_deck
from detect.measure.audio import SoundTap
from detect.measure.decoding import read_frames
from detect.measure.fields import Transfer
from detect.measure.losses import LossFinder
from detect.measure.ltc import Ltc, first_label, notes_of, with_ltc
from detect.measure.media import open_transfer
from detect.measure.picture_timecode import LabelWatch
from detect.measure.relations import Deshift
from detect.measure.sound import SoundMeter
from detect.measure.stills import make_stills
from detect.measure.tones import ToneReading
from detect.measure.troubles import TroubleLog
from detect.measure.windows import WindowMeasurer
from detect.readings import Header, Readings, ReadingsWriter, add_stills
from detect.timecode import label_after

MOST_STILLS = 12
"""Findings that get pictures; the page shows the ten worst."""


@dataclass(frozen=True, slots=True)
class ScanOptions:
    """How to scan; the same words as the command's options."""

    every: int = 1
    standard: str = "auto"
    field_order: str = "auto"
    start_timecode: str | None = None
    tape_speed: str = "15"
    workers: int = 1
    limits: Path | None = None
    deck: Path | None = None
    stills: bool = True


Progress = Callable[[int, int | None], None]


def read_limits(path: Path | None) -> Limits:
    """Limits of a file, or the defaults. Raises BadSettings."""
    if path is None:
        return default_limits()
    try:
        return parse_limits(Path(path).read_text("utf-8"), where=str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise BadSettings(f"{path}: cannot read limits ({error}); give a TOML file") from error


def scan_file(path: str | Path, *, options: ScanOptions, readings_path: Path, progress: Progress | None = None) -> Findings:
    """Measure one transfer into ``readings_path`` and judge it. Raises HeadpassError; leaves nothing half-written."""
    read_limits(options.limits)
    transfer = open_transfer(path, standard=options.standard, field_order=options.field_order, start_timecode=options.start_timecode)
    measure_file(transfer, readings_path, options=options, progress=progress)
    try:
        findings = judge_file(readings_path, limits=options.limits, deck=options.deck)
        findings = _measure_again(transfer, readings_path, findings, options)
        if options.stills:
            _fetch_stills(transfer, readings_path, findings, options)
    except HeadpassError:
        readings_path.unlink(missing_ok=True)
        raise
    return findings


def _measure_again(transfer: Transfer, readings_path: Path, findings: Findings, options: ScanOptions) -> Findings:
    """Large displacements: move the lines back by the estimate and measure again, until it settles.

    The other stated second visit to the file. Only where one wheel holds for nearly all of the programme.
    """
    for _ in range(MOST_ROUNDS):
        found = displacement_to_undo(findings, transfer.standard, height=transfer.height)
        if found is None:
            return findings
        before = findings.summary
        first = Readings(readings_path)
        measure_file(transfer, readings_path, options=options, deshift=Deshift(*found), keep=first)
        findings = judge_file(readings_path, limits=options.limits, deck=options.deck)
        if change_ns(before, findings.summary) < SETTLED_NS:
            return findings
    return findings


def judge_file(readings_path: str | Path, *, limits: Path | None = None, deck: Path | None = None) -> Findings:
    """Judge saved readings, without decoding."""
    readings = Readings(readings_path)
    speed = float(readings.header.measured.get("tape_speed_ips", 15.0))
    findings = only_line_up_tone(judge(readings, read_limits(limits), tape_speed_ips=speed))
    return findings if deck is None else apply_deck(findings, Path(deck))


def measure_file(
    transfer: Transfer,
    readings_path: Path,
    *,
    options: ScanOptions,
    progress: Progress | None = None,
    deshift: Deshift | None = None,
    keep: Readings | None = None,
) -> None:
    """Decode and measure: one pass, memory independent of the length.

    ``deshift`` is undone before measuring; losses are then taken over from the earlier readings ``keep``.
    """
    cv2.setNumThreads(1)
    readings_path.parent.mkdir(parents=True, exist_ok=True)
    writer = ReadingsWriter(readings_path)
    try:
        windows = WindowMeasurer(
            transfer.samples, height=transfer.height, width=transfer.width, frame_rate=transfer.frame_rate,
            sink=writer.add_chunk, every=options.every, deshift=deshift, codec=transfer.codec,
        )  # fmt: skip
        losses = LossFinder(
            transfer.samples, height=transfer.height, width=transfer.width, standard=transfer.standard,
            first_line=max(1, transfer.raster.picture_row0 // 2), codec=transfer.codec,
        )  # fmt: skip
        sound = None if keep is not None else SoundMeter(transfer)
        tap = SoundTap(transfer, sound.tracks, sound.push) if sound is not None and sound.tracks else None
        search = options.every == 1 and keep is None
        troubles, labels = TroubleLog(), LabelWatch(transfer)
        measured = 0
        last = -1
        rows0 = (0, 1)
        for frame in read_frames(
            transfer, every=options.every, on_trouble=troubles.take, on_sound=tap.take if tap is not None else None,
            threads=max(1, options.workers),
        ):  # fmt: skip
            cut = windows.push(frame)
            if search:
                losses.push(frame, cut=cut)
            labels.add(frame.number, frame.timecode)
            rows0 = (frame.fields[0].row0, frame.fields[1].row0)
            last = frame.number
            if frame.damaged:
                troubles.take_damaged(frame)
            else:
                measured += 1
            if progress is not None:
                progress(frame.number + 1, transfer.frames_expected)
        if measured == 0:
            raise CannotRead(f"{transfer.path}: no frame could be decoded; check the copy against its checksum")
        windows.finish()
        if tap is not None:
            tap.finish()
        heard = sound.finish() if sound is not None else None
        known = with_ltc(transfer, heard.ltc) if heard is not None else transfer
        frames = max(last + 1, 0)
        found = losses.finish() if search else (keep.losses if keep is not None else {})
        sound_notes = notes_of(transfer, heard.ltc) if heard is not None else _kept_notes(keep)
        warnings = [
            *transfer.warnings, *labels.notes(), *sound_notes, *transfer.limits, *troubles.lines(partial(_label, known)),
        ]  # fmt: skip
        if search and losses.compensated_share < NEARLY_ALL:
            warnings.append(_compensated_note(transfer.codec, losses.compensated_share))
        if losses.dropped:
            warnings.append(f"{losses.dropped} more candidate dropouts found no room and are not listed")
        expected = transfer.frames_expected
        if expected and frames < expected - transfer.timing.length_slack_frames:
            warnings.append(f"the file ends early: {frames} of {expected} frames; measured as far as it goes")
        writer.close(
            Header(
                transfer={
                    **_transfer_info(known, frames, measured, troubles.undecodable),
                    **(_kept_timecode(keep) if heard is None else _ltc_info(known, heard.ltc)),
                },
                measured={
                    "every": options.every, "rows0": list(rows0), "first_sample": transfer.first_sample,
                    "chroma_step_y": transfer.samples.chroma_step_y, "tape_speed_ips": float(options.tape_speed),
                    "losses": options.every == 1, "deshifted": deshift is not None, "sound_notes": sound_notes,
                },
                warnings=warnings,
                audio=[_tone(known, t, frames) for t in heard.tones] if heard is not None else keep.header.audio if keep else [],
            ),
            losses=found,
            cuts=np.array(windows.cuts, np.int64),
        )  # fmt: skip
    except BaseException:
        writer.abandon()
        raise


NEARLY_ALL = 0.95
"""Share of the fields in which compensated losses were looked for, from which nothing is said: the first of each shot are left out."""


def _compensated_note(codec: str, share: float) -> str:
    """What a low count of compensated dropouts is worth; ``share`` of the fields they were looked for in."""
    if share == 0:
        return f"{codec} does not keep copies exact: compensated dropouts cannot be told here, and none is listed"
    return (
        f"{codec} does not keep copies exact: compensated dropouts were looked for in {100 * share:.0f} % of the fields, "
        "where noise has outlasted coding; their number says nothing of the others"
    )


def _label(transfer: Transfer, frame: int) -> str | None:
    if transfer.start_timecode is None:
        return None
    return label_after(transfer.start_timecode, frame, frame_rate=transfer.frame_rate)


def _tone(transfer: Transfer, tone: ToneReading, frames: int) -> dict[str, Any]:
    start, end = (min(max(round(s * transfer.frame_rate), 0), frames) for s in (tone.start_s, tone.end_s))
    return {
        "channel": tone.channel, "tone_hz": round(tone.hz, 2), "tone_dbfs": round(tone.level_dbfs, 2), "start_frame": start,
        "end_frame": end, "start_timecode": _label(transfer, start), "end_timecode": _label(transfer, end),
    }  # fmt: skip


def _ltc_info(transfer: Transfer, ltc: Ltc | None) -> dict[str, Any]:
    if ltc is None:
        return {}
    return {"ltc_start_timecode": first_label(ltc, frame_rate=transfer.frame_rate), "ltc_channel": ltc.channel}


def _kept_timecode(keep: Readings | None) -> dict[str, Any]:
    """What the first reading learned from the sound."""
    names = ("start_timecode", "timecode_source", "drop_frame", "ltc_start_timecode", "ltc_channel")
    return {k: keep.header.transfer[k] for k in names if k in keep.header.transfer} if keep is not None else {}


def _kept_notes(keep: Readings | None) -> list[str]:
    return list(keep.header.measured.get("sound_notes", [])) if keep is not None else []


def _transfer_info(transfer: Transfer, frames: int, measured: int, undecodable: int) -> dict[str, Any]:
    return {
        "path": transfer.path, "size_bytes": transfer.size_bytes, "container": transfer.container, "codec": transfer.codec,
        "pixel_format": transfer.pixel_format, "width": transfer.width, "height": transfer.height,
        "field_order": "top" if transfer.first_field_is_top else "bottom",
        "field_order_source": transfer.field_order_source,
        "frame_rate": f"{transfer.frame_rate.numerator}/{transfer.frame_rate.denominator}",
        "frames": frames, "frames_measured": measured, "frames_undecodable": undecodable,
        "duration_s": round(float(frames / transfer.frame_rate), 4), "start_timecode": transfer.start_timecode,
        "timecode_source": transfer.timecode_source, "drop_frame": transfer.drop_frame, "standard": transfer.standard.name,
    }  # fmt: skip


def _fetch_stills(transfer: Transfer, readings_path: Path, findings: Findings, options: ScanOptions) -> None:
    """The stated second visit: one frame for each of the worst findings."""
    wanted: dict[int, list[tuple[int, int]]] = {}
    for finding in findings.findings[:MOST_STILLS]:
        if finding.evidence is not None:
            at = finding.evidence.frame - finding.evidence.frame % options.every
            wanted.setdefault(at, list(finding.evidence.lines))
    stills: dict[tuple[int, str], bytes] = {}
    for number, rows in wanted.items():
        for frame in read_frames(transfer, start=number, stop=number + 1):
            for style, jpeg in make_stills(frame, transfer.samples, rows=rows).items():
                stills[number, style] = jpeg
    if stills:
        add_stills(readings_path, stills)
