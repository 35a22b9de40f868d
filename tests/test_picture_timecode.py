"""Timecode stored picture by picture: found where the standards put it, and its breaks named."""

from __future__ import annotations

from pathlib import Path

from carriers import Carrier, Scene, clip

from detect.measure.media import open_transfer, read_frames
from detect.measure.picture_timecode import MOST_NOTES, LabelWatch
from detect.timecode import Counting, label_of

FRAME_BYTES_525 = 120_000
"""DV25 of 525 lines: ten sequences of 150 blocks of 80 bytes (SMPTE ST 314)."""


def stamp(path: Path, labels: list[str]) -> None:
    """Write labels into the subcode of raw DV: pack 13h, frames, seconds, minutes, hours as BCD, drop flag 40h (ST
    314)."""
    data = bytearray(path.read_bytes())
    for count, label in enumerate(labels):
        hours, minutes, seconds, frames = (int(label[i : i + 2], 16) for i in (0, 3, 6, 9))
        place = count * FRAME_BYTES_525 + 80 + 3 + 3
        data[place : place + 5] = bytes([0x13, frames | (0x40 if ";" in label else 0), seconds, minutes, hours])
    path.write_bytes(bytes(data))


def test_dv_subcode_is_read_and_its_break_named(tmp_path: Path) -> None:
    counting = Counting(30, True)
    labels = [label_of(n, counting=counting) for n in (*range(1795, 1801), *range(9000, 9006))]
    path = clip(tmp_path, "dv25-411-raw", Scene(480, top_first=False), frames=12)
    stamp(path, labels)
    transfer = open_transfer(path)
    watch = LabelWatch(transfer)
    seen = []
    for frame in read_frames(transfer):
        seen.append(frame.timecode)
        watch.add(frame.number, frame.timecode)
    assert seen == labels
    assert seen[4:6] == ["00:00:59;29", "00:01:00;02"]
    (note,) = watch.notes()
    assert "+7199 frames" in note
    assert "at frame 6" in note
    assert transfer.start_timecode == labels[0]


def test_groups_of_mpeg_2_carry_labels_that_count_up(tmp_path: Path) -> None:
    options = {"g": "6", "bf": "2", "gop_timecode": "01:00:00;00"}
    carrier = Carrier("gop", "mpeg2video", "yuv420p", ".mkv", options, bit_rate=9_000_000)
    transfer = open_transfer(clip(tmp_path, carrier, Scene(480), frames=40))
    watch = LabelWatch(transfer)
    labels = []
    for frame in read_frames(transfer):
        watch.add(frame.number, frame.timecode)
        labels += [frame.timecode] if frame.timecode else []
    assert labels[0] == "01:00:00;00"
    assert len(labels) >= 6
    assert watch.notes() == []


def test_labels_that_stand_still_or_slip_once_are_no_break(tmp_path: Path) -> None:
    transfer = open_transfer(clip(tmp_path, "dv25-411-raw", Scene(480, top_first=False), frames=3))
    still, slip = LabelWatch(transfer), LabelWatch(transfer)
    for number in range(50):
        still.add(number, "00:00:00:00")
        label = label_of(number if number != 20 else 5, counting=Counting(30))
        slip.add(number, label)
    assert still.notes() == []
    assert slip.notes() == []


def test_endless_breaks_are_counted_not_listed(tmp_path: Path) -> None:
    transfer = open_transfer(clip(tmp_path, "dv25-411-raw", Scene(480, top_first=False), frames=3))
    watch = LabelWatch(transfer)
    for number in range(400):
        watch.add(number, label_of(number + 100 * (number // 4), counting=Counting(30)))
    notes = watch.notes()
    assert len(notes) == MOST_NOTES + 1
    assert f"{99 - MOST_NOTES} more jumps" in notes[-1]
