"""Files written by the simulator, read back through PyAV."""

from __future__ import annotations

import json
from itertools import islice
from pathlib import Path

import av
import numpy as np
import pytest

from synthetic_clips.deck import DeckFaults
from synthetic_clips.demo import make_demo
from synthetic_clips.files import CODECS, Tone, truth_path, write_clip
from synthetic_clips.pictures import single_shot
from synthetic_clips.render import Frame, Tape, render
from synthetic_clips.subsampling import to_four_one_one, to_four_two_zero_interlaced

FIELD_ORDER = {True: 2, False: 3}
"""libavcodec: 2 is top field first, 3 bottom field first."""


def tape(standard: str, *, height: int, frames: int = 2, field_order: str = "usual") -> Tape:
    programme = single_shot(1, "pan", standard, kind="abstract")  # type: ignore[arg-type]
    faults = DeckFaults(standard=standard)  # type: ignore[arg-type]
    rng = np.random.default_rng(1)
    return render(programme, faults, frames=frames, height=height, rng=rng, field_order=field_order)  # type: ignore[arg-type]


def kept(source: Tape) -> tuple[list[Frame], Tape]:
    frames = list(source)
    return frames, Tape(iter(frames), source.truth)


def luma_of(picture: av.VideoFrame) -> np.ndarray:
    """(rows, 720) in 8-bit codes with fractions."""
    ten = "10" in picture.format.name
    plane = np.frombuffer(memoryview(picture.planes[0]), np.uint16 if ten else np.uint8).reshape(picture.height, -1)
    return (
        plane[:, 1:1440:2].astype(float) if picture.format.name == "uyvy422" else plane[:, :720] / (4.0 if ten else 1.0)
    )


LOSS = {"ffv1": 0.0, "v210": 0.0, "ffv1_8bit": 0.36, "uyvy": 0.36, "prores": 1.5, "mpeg2_intra": 2.5, "mpeg2_long": 6.0}
LOSS |= {"dv25": 3.5, "dv50": 2.0, "h264": 3.5, "h264_10bit": 1.5, "jpeg2000": 0.2}
LOSS |= {"prores_lt": 3.0, "mpeg2_intra30": 4.0, "mjpeg": 3.0, "vc3": 3.0}
"""Largest rms of the error in 8-bit codes; rounding to 8 bits alone gives 0.31. The rest is what such codecs do."""
CASES = [
    ("ffv1", ".mkv", "525", 486, "usual"),
    ("ffv1", ".avi", "625", 576, "usual"),
    ("ffv1_8bit", ".mkv", "525", 480, "usual"),
    ("v210", ".mov", "525", 486, "usual"),
    ("v210", ".avi", "625", 576, "usual"),
    ("uyvy", ".mov", "625", 576, "usual"),
    ("uyvy", ".mkv", "525", 486, "usual"),
    ("prores", ".mov", "525", 486, "usual"),
    ("prores_lt", ".mov", "625", 576, "usual"),
    ("mpeg2_intra", ".mxf", "525", 512, "usual"),
    ("mpeg2_intra", ".mxf", "625", 608, "usual"),
    ("mpeg2_intra30", ".mxf", "525", 512, "usual"),
    ("mjpeg", ".avi", "525", 486, "usual"),
    ("vc3", ".mov", "525", 486, "usual"),
    ("mpeg2_long", ".mkv", "625", 576, "usual"),
    ("dv25", ".dv", "525", 480, "bottom"),
    ("dv25", ".mov", "625", 576, "bottom"),
    ("dv50", ".avi", "525", 480, "bottom"),
    ("h264", ".mov", "525", 480, "top"),
    ("h264_10bit", ".mkv", "625", 576, "usual"),
    ("jpeg2000", ".mxf", "525", 486, "usual"),
]


@pytest.mark.parametrize(("codec", "suffix", "standard", "height", "order"), CASES)
def test_a_file_gives_back_its_pictures_and_flags(
    codec: str, suffix: str, standard: str, height: int, order: str, tmp_path: Path
) -> None:
    frames, source = kept(tape(standard, height=height, field_order=order))
    path = write_clip(tmp_path / f"clip{suffix}", source, codec=codec)
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        pictures = list(islice(container.decode(stream), 3))
        field_order = stream.codec_context.field_order
        assert (stream.width, stream.height) == (720, height)
    assert len(pictures) == 2
    for picture, frame in zip(pictures, frames, strict=True):
        error = luma_of(picture) - frame[0] / 4.0
        assert np.sqrt((error**2).mean()) <= LOSS[codec]
    if codec not in ("jpeg2000", "v210", "mjpeg", "vc3") and not (codec == "uyvy" and suffix == ".avi"):
        assert pictures[0].interlaced_frame
    if suffix in (".mkv", ".mov") and codec != "vc3":  # AVI and raw DV keep no order outside the essence, nor does VC-3
        assert field_order == FIELD_ORDER[source.truth.top_field_first]


def test_every_codec_is_among_the_cases() -> None:
    assert {c[0] for c in CASES} == set(CODECS)


@pytest.mark.parametrize("suffix", [".mkv", ".mov", ".avi", ".mxf"])
def test_the_start_timecode_and_tone_are_in_the_file(suffix: str, tmp_path: Path) -> None:
    """SMPTE ST 12-1: a semicolon before the frames means drop-frame. AES17: peak of a tone of -20 dBFS is 0.1."""
    codec = {".mkv": "ffv1", ".mov": "v210", ".avi": "uyvy", ".mxf": "mpeg2_long"}[suffix]
    source = tape("525", height=480 if codec == "mpeg2_long" else 486, frames=6, field_order="usual")
    path = write_clip(
        tmp_path / f"clip{suffix}", source, codec=codec, start_timecode="01:00:00;00", tone=Tone(1000.0, -20.0)
    )
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        names = {k.lower(): v for k, v in {**container.metadata, **stream.metadata}.items()}
        assert names["timecode"] == "01:00:00;00"
    with av.open(str(path)) as container:
        sound = np.concatenate([f.to_ndarray().reshape(-1, 2) for f in container.decode(audio=0)])
    assert len(sound) == pytest.approx(6 * 1601.6, abs=1)
    assert np.abs(sound).max() / 32767 == pytest.approx(0.1, abs=0.0005)


def test_colour_is_tagged_by_standard(tmp_path: Path) -> None:
    """ITU-T H.273: 6 is SMPTE 170M, 5 is BT.470 BG."""
    for standard, height, tags in (("525", 486, (6, 6, 6)), ("625", 576, (5, 6, 5))):
        path = write_clip(tmp_path / f"{standard}.mkv", tape(standard, height=height, frames=1))
        with av.open(str(path)) as container:
            context = container.streams.video[0].codec_context
            assert (context.color_primaries, context.color_trc, context.colorspace) == tags


def test_an_unflagged_file_says_nothing_of_fields(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "bare.mkv", tape("525", height=486, frames=1), flagged=False)
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        assert not next(container.decode(stream)).interlaced_frame
        assert stream.codec_context.colorspace == 2


def test_the_truth_lies_beside_the_file(tmp_path: Path) -> None:
    source = tape("525", height=486, frames=1)
    path = write_clip(tmp_path / "clip.mkv", source)
    truth = json.loads(truth_path(path).read_text(encoding="utf-8"))
    assert truth_path(path).name == "clip.mkv.truth.json"
    assert truth["standard"] == "525"
    assert truth["faults"]["phase_lines"] == 5.0
    assert sorted(p.name for p in tmp_path.iterdir()) == ["clip.mkv", "clip.mkv.truth.json"]


def test_nothing_is_left_behind_when_the_pictures_fail(tmp_path: Path) -> None:
    def broken():
        yield from tape("525", height=486, frames=1)
        raise RuntimeError("the deck stopped")

    with pytest.raises(RuntimeError, match="the deck stopped"):
        write_clip(tmp_path / "clip.mkv", broken(), standard="525", top_field_first=False)
    assert list(tmp_path.iterdir()) == []


def test_what_does_not_go_together_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"not written into \.mp4"):
        write_clip(tmp_path / "a.mp4", tape("525", height=486), codec="ffv1")
    with pytest.raises(ValueError, match="no codec is called"):
        write_clip(tmp_path / "a.mkv", tape("525", height=486), codec="ffv9")
    with pytest.raises(ValueError, match=r"stores \(480, 576\) rows; got 486"):
        write_clip(tmp_path / "a.mov", tape("525", height=486), codec="dv25")
    with pytest.raises(ValueError, match="no frames to write"):
        write_clip(tmp_path / "a.mkv", tape("525", height=486, frames=0))


def test_interlaced_four_two_zero_keeps_the_fields_apart() -> None:
    """ISO/IEC 13818-2: chroma of each field is made of that field's lines only."""
    chroma = np.zeros((8, 4), np.uint8)
    chroma[0::2], chroma[1::2] = 60, 200
    assert np.array_equal(to_four_two_zero_interlaced(chroma)[:, 0], [60, 200, 60, 200])
    ramp = np.repeat(np.arange(0, 160, 20, dtype=np.uint8)[:, None], 4, axis=1)
    # upper field lines 0, 40: a quarter of the way is 10; lower field lines 20, 60: three quarters is 50
    assert np.array_equal(to_four_two_zero_interlaced(ramp)[:2, 0], [10, 50])


def test_four_one_one_keeps_flat_colour_and_the_place_of_a_ramp() -> None:
    ramp = np.tile(np.arange(0, 160, 2, dtype=np.uint8), (2, 1))
    assert np.array_equal(to_four_one_one(ramp)[0, 1:-1], ramp[0, 2:-2:2])


def test_the_demo_writes_two_tapes_with_their_truths(tmp_path: Path) -> None:
    made = make_demo(tmp_path, seconds=0.08)
    assert [t.standard for _, t in made] == ["525", "625"]
    for path, truth in made:
        assert truth_path(path).exists()
        with av.open(str(path)) as container:
            assert sum(1 for _ in container.decode(video=0)) == truth.frames
