"""A line-up capture from file to result: the one place in this package that opens a video file."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

from detect import __version__
from detect.errors import BadSettings, NotMeasurable
from detect.lineup.advice import advise
from detect.lineup.capture import Capture
from detect.lineup.muted import find_muted, loses_a_head, numbers_from_muted
from detect.lineup.pool import Lock, locks_of
from detect.lineup.readings import BlockReadings, read_block
from detect.lineup.result import Audio, ChannelPair, ChannelTone, Equivalents, Figures, LineupResult, Signal, Wheel
from detect.lineup.summary import summarise
from detect.measure.audio import audio_tracks, read_audio
from detect.measure.decoding import read_frames
from detect.measure.fields import Frame, SampleFormat, Transfer
from detect.measure.media import open_transfer
from detect.measure.tones import EBU_REFERENCE_DBFS, SMPTE_REFERENCE_DBFS, ToneMeter
from detect.standards import Standard

Progress = Callable[[int, int | None], None]
MOST_PAIR_CHANNELS = 8
_SOURCES = {SMPTE_REFERENCE_DBFS: "SMPTE RP 155", EBU_REFERENCE_DBFS: "EBU R 68"}
_OF_MOTION = "both fields of each picture show one instant"
"""How a warning begins that tells of film or progressive content: a line-up signal stands still, so it means nothing here."""
_SEVERAL_LOCKS_S = 1.0
"""A lock shorter than this is a passing disturbance and is not told."""


@dataclass(frozen=True, slots=True)
class Options:
    """``reference_dbfs`` None: -20 for 525 (SMPTE RP 155), -18 for 625 (EBU R 68). ``muted``: number of the muted
    head."""

    standard: str = "auto"
    field_order: str = "auto"
    reference_dbfs: float | None = None
    muted: int | None = None


def measure_lineup(path: str | Path, *, options: Options | None = None, progress: Progress | None = None) -> LineupResult:
    """Measure a capture of alignment tape or line-up signals.

    Raises:
        CannotRead: the file does not decode.
        NotMeasurable: it shows no line-up signal, or no muted head where one was promised.
        BadSettings: an option is wrong.
    """
    chosen = options or Options()
    if chosen.muted is not None and not 1 <= chosen.muted <= 4:
        raise BadSettings(f"--muted {chosen.muted}: heads are numbered 1 to 4")
    transfer = open_transfer(path, standard=chosen.standard, field_order=chosen.field_order)
    reported = _reported(read_frames(transfer), transfer, progress)
    audio = _audio(transfer, chosen)
    return measure_frames(
        reported,
        samples=transfer.samples,
        standard=transfer.standard,
        frame_rate=transfer.frame_rate,
        path=str(path),
        audio=audio,
        muted=chosen.muted,
        warnings=[w for w in (*transfer.warnings, *transfer.limits) if not w.startswith(_OF_MOTION)],
    )


def _reported(frames: Iterable[Frame], transfer: Transfer, progress: Progress | None) -> Iterable[Frame]:
    for frame in frames:
        yield frame
        if progress is not None:
            progress(frame.number + 1, transfer.frames_expected)


def measure_frames(
    frames: Iterable[Frame],
    *,
    samples: SampleFormat,
    standard: Standard,
    frame_rate: Fraction,
    path: str = "",
    audio: Audio | None = None,
    muted: int | None = None,
    warnings: list[str] | None = None,
) -> LineupResult:
    """Measure frames of a line-up capture, however they came. Raises NotMeasurable when no signal is found."""
    capture = Capture(samples, frame_rate, lost=loses_a_head if muted is not None else None)
    readings: list[BlockReadings] = []
    latest: dict[str, BlockReadings] = {}
    height = width = 0
    for block in capture.blocks(frames):
        height, width = block.y.shape
        found = read_block(block, like=latest.get(block.name))
        if found is not None:
            readings.append(found)
            latest[block.name] = found
    stretches = capture.lasting()
    if not readings:
        seen = f"only {', '.join(sorted({s.name for s in stretches}))}" if stretches else "no line-up signal"
        raise NotMeasurable(
            f"{path or 'capture'}: {seen} in {capture.frames_seen} frames; capture ten seconds of bars, multiburst, staircase "
            "or grille from an alignment tape"
        )
    notes = list(warnings or [])
    if capture.frames_damaged:
        notes.append(f"{capture.frames_damaged} frames decoded with complaints and were left out")
    if capture.left_out:
        notes.append(f"only the first two minutes of each signal were measured ({capture.left_out} s left out)")
    locks = [k for k in locks_of(readings, standard) if k.phase.curve.any()]
    if not locks:
        locks = locks_of(readings, standard)
    lock = max(locks, key=lambda k: (k.phase.locked, len({b.name for b in k.blocks}), k.frames))
    notes += _lock_notes(lock, locks, float(frame_rate))
    figures, equivalents, said = summarise(lock, standard)
    notes += said
    if not lock.phase.locked:
        notes.append("no head stands out from the others: either the deck is set as finely as can be seen, or the signals "
                     "are too short; the letters of the heads mean nothing")  # fmt: skip
    wheel = _wheel(lock, capture, standard, muted=muted, path=path)
    steps, first = advise(figures, equivalents, audio, locked=lock.phase.locked, numbers=wheel.head_numbers)
    used = {b.name for b in lock.blocks}
    return LineupResult(
        headpass=__version__,
        created=datetime.now(UTC).isoformat(timespec="seconds"),
        path=path,
        standard=standard.name,
        width=width,
        height=height,
        frames=capture.frames_seen,
        signals=[
            Signal(
                name=s.name,
                start_frame=s.start_frame,
                end_frame=s.end_frame,
                start_s=float(s.start_frame / frame_rate),
                end_s=float(s.end_frame / frame_rate),
                measured=s.name in used,
            )
            for s in stretches
        ],
        wheel=wheel,
        figures=figures if lock.phase.locked else _without_heads(figures),
        equivalents=equivalents if lock.phase.locked else Equivalents(
            guide_position_um=equivalents.guide_position_um, guide_height_um=equivalents.guide_height_um
        ),
        audio=audio,
        steps=steps,
        first_to_touch=first,
        warnings=list(dict.fromkeys(notes)),
    )  # fmt: skip


def _without_heads(figures: Figures) -> Figures:
    """The guide's figures and the common ones only: letters mean nothing when no head stands out."""
    return Figures(
        time_base=figures.time_base,
        skew_ns=figures.skew_ns,
        scallop_ns=figures.scallop_ns,
        velocity_error_ns=figures.velocity_error_ns,
        saturation_of_nominal_pct=figures.saturation_of_nominal_pct,
        hue_of_nominal_deg=figures.hue_of_nominal_deg,
        white_ire=figures.white_ire,
        white_nominal_ire=figures.white_nominal_ire,
        response=figures.response,
        differential_phase_deg=figures.differential_phase_deg,
        differential_gain_pct=figures.differential_gain_pct,
        snr_db=figures.snr_db,
    )


def _lock_notes(lock: Lock, locks: list[Lock], rate: float) -> list[str]:
    others = [k for k in locks if k is not lock and k.frames / rate >= _SEVERAL_LOCKS_S]
    if not others:
        return []
    first = lock.blocks[0].start_frame / rate
    last = lock.blocks[-1].end_frame / rate
    names = sorted({b.name for k in others for b in k.blocks} - {b.name for b in lock.blocks})
    missing = f"; {', '.join(names)} left out" if names else ""
    return [
        f"the wheel locked anew within the capture: figures are from {first:.1f} to {last:.1f} s{missing}; letters of heads do "
        "not carry over a new lock"
    ]


def _wheel(lock: Lock, capture: Capture, standard: Standard, *, muted: int | None, path: str) -> Wheel:
    numbers, said = None, None
    phase = lock.phase.phase_lines
    if muted is not None:
        known = phase if lock.phase.locked else None
        band = find_muted(capture.strays, standard, phase_lines=known)
        if band is None:
            raise NotMeasurable(
                f"{path or 'capture'}: no band is lost for a second as by a muted channel; mute channel {muted} for a second while "
                "bars play, dropout compensation off, and do not let the servo lock anew"
            )
        numbers = numbers_from_muted(band.letter, muted)
        if known is None:
            phase = band.phase_lines
        said = (
            f"channel {muted} was muted in frames {band.frames[0]} to {band.frames[1] - 1}: band {'ABCD'[band.letter]} was lost on "
            f"{100 * band.lost_share:.0f} % of its lines, no other on more than {100 * band.others_lost:.0f} %"
        )
    return Wheel(
        phase_lines=phase,
        phase_sigma_lines=lock.phase.sigma_lines,
        locked=lock.phase.locked,
        significance=lock.phase.gain,
        null_ratio=lock.phase.null_ratio,
        head_numbers=numbers,
        numbering=said,
    )


def _audio(transfer: Transfer, options: Options) -> Audio | None:
    reference = options.reference_dbfs
    if reference is None:
        reference = SMPTE_REFERENCE_DBFS if transfer.standard.short_name == "525" else EBU_REFERENCE_DBFS
    tones: list[ChannelTone] = []
    pairs: list[ChannelPair] = []
    tracks = audio_tracks(transfer)
    for track in tracks:
        meter = ToneMeter(track.sample_rate_hz, track.channels, first_channel=track.first_channel)
        for block in read_audio(transfer, track):
            meter.push(float(block.start_s), block.samples)
        tones += [
            ChannelTone(
                channel=t.channel, start_s=t.start_s, end_s=t.end_s, hz=t.hz, level_dbfs=t.level_dbfs, sigma_db=t.sigma_db,
                above_reference_db=t.level_dbfs - reference, distortion_pct=t.distortion_pct,
            )
            for t in meter.tones()
        ]  # fmt: skip
        if track.channels <= MOST_PAIR_CHANNELS:
            pairs += [
                ChannelPair(
                    channels=p.channels,
                    balance_db=p.balance_db,
                    phase_deg=p.phase_deg,
                    phase_sigma_deg=p.phase_sigma_deg,
                )
                for p in meter.pairs()
            ]
    if not tracks:
        return None
    source = _SOURCES.get(reference, "as given")
    return Audio(reference_dbfs=reference, reference_source=source, tones=tones, pairs=pairs)
