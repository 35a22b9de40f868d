"""Containers the encoder library will not write, put together from packets it made: for tests only.

Matroska by its specification (RFC 9559), with the codec named by a four-character code as old captures do; MOV by
renaming the codec in the sample description.
"""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path

import av

FIELD_ORDERS = {"progressive": 0, "top": 1, "unknown": 2, "bottom": 6, "bottom-interleaved": 9, "top-interleaved": 14}
"""FieldOrder of RFC 9559: 9 stores the top field first and shows the bottom field first, 14 the other way round."""


def element(ident: str, payload: bytes) -> bytes:
    """One EBML element with an eight-byte length."""
    return bytes.fromhex(ident) + struct.pack(">Q", len(payload) | 1 << 56) + payload


def number(ident: str, value: int) -> bytes:
    return element(ident, value.to_bytes(max(1, (value.bit_length() + 7) // 8), "big"))


def into_matroska(source: Path, path: Path, *, fourcc: bytes, rate: Fraction, field_order: str | None = None) -> Path:
    """The video packets of ``source`` in Matroska as V_MS/VFW/FOURCC."""
    with av.open(str(source)) as container:
        stream = container.streams.video[0]
        width, height = stream.codec_context.width, stream.codec_context.height
        extra = stream.codec_context.extradata or b""
        packets = [bytes(packet) for packet in container.demux(stream) if packet.size]
    bitmap = struct.pack("<IiiHH4sIiiII", 40 + len(extra), width, height, 1, 24, fourcc, len(packets[0]), 0, 0, 0, 0)
    video = number("B0", width) + number("BA", height)
    if field_order is not None:
        video += number("9A", 1) + number("9D", FIELD_ORDERS[field_order])
    track = number("D7", 1) + number("73C5", 1) + number("83", 1) + element("86", b"V_MS/VFW/FOURCC")
    track += element("63A2", bitmap + extra) + number("23E383", round(1_000_000_000 / rate)) + element("E0", video)
    info = number("2AD7B1", 1_000_000) + element("4D80", b"test") + element("5741", b"test")
    info += element("4489", struct.pack(">d", float(len(packets) / rate * 1000)))
    clusters = b""
    for count, data in enumerate(packets):
        block = b"\x81" + struct.pack(">hB", 0, 0x80) + data
        clusters += element("1F43B675", number("E7", round(count / rate * 1000)) + element("A3", block))
    head = number("4286", 1) + number("42F7", 1) + number("42F2", 4) + number("42F3", 8)
    head += element("4282", b"matroska") + number("4287", 4) + number("4285", 2)
    segment = element("1549A966", info) + element("1654AE6B", element("AE", track)) + clusters
    path.write_bytes(element("1A45DFA3", head) + element("18538067", segment))
    return path


def ffv1_into_mov(source: Path, path: Path, *, rate: Fraction) -> Path:
    """FFV1 version 1 (it needs no extra data) in MOV, written as another codec and renamed."""
    with av.open(str(source)) as container, av.open(str(path), "w") as out:
        stream = container.streams.video[0]
        size = {"width": stream.codec_context.width, "height": stream.codec_context.height}
        target = out.add_mux_stream("png", rate=rate, time_base=1 / rate, **size)
        for count, packet in enumerate(p for p in container.demux(stream) if p.size):
            fresh = av.Packet(bytes(packet))
            fresh.stream, fresh.pts, fresh.dts, fresh.duration = target, count, count, 1
            fresh.time_base, fresh.is_keyframe = 1 / rate, True
            out.mux(fresh)
    data = path.read_bytes()
    place = data.index(b"stsd")
    path.write_bytes(data[:place] + data[place:].replace(b"png ", b"FFV1", 1))
    return path
