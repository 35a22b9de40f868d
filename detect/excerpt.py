"""The moving excerpt of a transfer's worst three seconds, on request: which they are, from the right file, into the readings."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from detect.errors import BadReadings, CannotRead
from detect.findings import Finding, Findings
from detect.measure.decoding import read_frames
from detect.measure.excerpt import encode_fields
from detect.measure.fields import Transfer
from detect.measure.media import open_transfer
from detect.measure.stills import MARGIN_PX, make_stills
from detect.output.words import ranked
from detect.readings import Excerpt, Readings, add_excerpt

SECONDS = 3
MOST_BYTES = 1_500_000
"""4 Mbit/s, plenty for three seconds of standard definition, and in base64 a sixth of what a page may weigh."""
LARGEST_DIFFERENCE = 4.0
"""Mean difference, in codes of 8 bits, between a still kept by the scan and the same frame now: JPEG of one picture by
another version of its library differs by less than 1, two pictures by 20 and more (display choice between the two)."""


def make_excerpt(readings_path: Path, video: Path, *, findings: Findings) -> Excerpt:
    """Encode the worst seconds out of ``video`` (the transfer, or the folder it lies in) and keep them with the readings.

    Raises:
        CannotRead: the transfer is not there, or does not decode.
        BadReadings: it is another file than the one that was scanned; there is no finding to show; damaged readings.
    """
    readings = Readings(readings_path)
    worst = next((f for f in ranked(findings) if f.evidence is not None), None)
    if worst is None:
        raise BadReadings(f"{readings_path}: no finding with a moment to show, so there is no excerpt to make")
    transfer = _same_file(readings, video, findings=findings)
    start, stop = worst_seconds(worst, findings=findings)
    encoded = encode_fields(
        lambda: read_frames(transfer, start=start, stop=stop),
        transfer.samples, frame_rate=transfer.frame_rate, most_bytes=MOST_BYTES,
    )  # fmt: skip
    excerpt = Excerpt(start, stop, encoded.ending, encoded.data)
    add_excerpt(readings_path, excerpt)
    return excerpt


def worst_seconds(worst: Finding, *, findings: Findings) -> tuple[int, int]:
    """First frame and frame after of the seconds about the evidence, kept within the finding where it is long enough."""
    assert worst.evidence is not None
    length = round(SECONDS * findings.transfer.frames / max(findings.transfer.duration_s, 1e-9))
    start = worst.evidence.frame - length // 2
    start = max(worst.start_frame, min(start, worst.end_frame - length))
    start = max(0, min(start, findings.transfer.frames - length))
    return start, min(start + length, findings.transfer.frames)


def _same_file(readings: Readings, video: Path, *, findings: Findings) -> Transfer:
    """The transfer the readings were made from, opened. Size and a still kept by the scan must agree with it."""
    was = readings.header.transfer
    path = video / Path(str(was["path"])).name if video.is_dir() else video
    if not path.is_file():
        raise CannotRead(f"{path}: no such file; the excerpt needs the transfer that was scanned ({was['path']})")
    size = path.stat().st_size
    other = f"{path}: not the file that was scanned"
    if size != was["size_bytes"]:
        raise BadReadings(f"{other} ({size} bytes, then {was['size_bytes']}); give that file, or scan this one")
    standard = findings.transfer.standard.partition("/")[0]
    transfer = open_transfer(path, standard=standard, field_order=findings.transfer.field_order)
    kept = {frame: jpeg for (frame, style), jpeg in readings.stills().items() if style == "frame"}
    for number in sorted(kept)[:1]:
        for frame in read_frames(transfer, start=number, stop=number + 1):
            now = make_stills(frame, transfer.samples, rows=[])["frame"]
            if _difference(kept[number], now) > LARGEST_DIFFERENCE:
                raise BadReadings(f"{other} (frame {number} shows another picture); give that file, or scan this one")
    return transfer


def _difference(one: bytes, other: bytes) -> float:
    """Mean absolute difference of two stills inside their margins; infinite where their sizes differ."""
    a, b = (cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR) for data in (one, other))
    if a is None or b is None or a.shape != b.shape:
        return float("inf")
    inside = slice(MARGIN_PX, a.shape[1] - MARGIN_PX)
    return float(np.abs(a[:, inside].astype(float) - b[:, inside]).mean())
