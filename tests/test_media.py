"""Opening files and reading frames: what comes out is what was stored, wherever a reader starts, and trouble is
named."""

from __future__ import annotations

import shutil
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import av
import numpy as np
import pytest
from carriers import CARRIERS, RATES, Carrier, Scene, clip, store

from detect.errors import BadSettings, BadTimecode, CannotRead, NotMeasurable
from detect.measure.fields import Frame, Transfer
from detect.measure.media import Trouble, open_transfer, read_frames
from detect.standards import RASTERS

FFV1 = "ffv1-3-8bit-mkv"


def later(*names: str) -> list[object]:
    """Cases of the long tier."""
    return [pytest.param(name, marks=pytest.mark.long) for name in names]


def numbers(transfer: Transfer, **options: object) -> list[int]:
    return [frame.number for frame in read_frames(transfer, **options)]  # type: ignore[arg-type]


def contents(transfer: Transfer, **options: object) -> dict[int, tuple[bytes, bytes, bool]]:
    frames = read_frames(transfer, **options)  # type: ignore[arg-type]
    return {f.number: (f.fields[0].y.tobytes(), f.fields[1].y.tobytes(), f.damaged) for f in frames}


def woven(frame: Frame) -> list[np.ndarray]:
    """Planes of a frame put together again from its fields."""
    planes = []
    for name in ("y", "cb", "cr"):
        parts = {f.row0: getattr(f, name) for f in frame.fields}
        rows = np.empty((len(parts[0]) + len(parts[1]), parts[0].shape[1]), parts[0].dtype)
        rows[0::2], rows[1::2] = parts[0], parts[1]
        planes.append(rows)
    return planes


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("clips")


@pytest.fixture(scope="module")
def ffv1(folder: Path) -> Path:
    return clip(folder, FFV1, Scene(486, top_first=False), frames=8)


# --- what comes out is what was stored -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["ffv1-3-10bit-mkv", "v210-mov", "uyvy-mov", *later("uyvy-avi", "yuyv-avi")])
def test_lossless_carriers_give_back_each_code_of_each_plane(folder: Path, name: str) -> None:
    scene = Scene(486, top_first=False)
    transfer = open_transfer(clip(folder, name, scene, frames=4))
    depth = 10 if CARRIERS[name].pixel_format.endswith("10le") else 8
    stored = list(scene.frames(4))
    seen = 0
    for frame, planes in zip(read_frames(transfer), stored, strict=True):
        for got, put in zip(woven(frame), planes, strict=True):
            if depth == 10:
                np.testing.assert_array_equal(got, put)
            else:
                assert np.abs(got.astype(float) - put / 4.0).max() <= 1.0
        seen += 1
    assert seen == 4
    assert transfer.samples.bit_depth == depth


def test_fields_come_in_time_order_as_views_of_one_picture(ffv1: Path) -> None:
    transfer = open_transfer(ffv1)
    frame = next(read_frames(transfer))
    first, second = frame.fields
    assert (first.index, second.index) == (0, 1)
    assert (first.row0, second.row0) == (1, 0), "bottom field first: the first field starts on row 1"
    assert first.y.shape == second.y.shape == (243, 720)
    assert first.cb is not None
    assert first.cb.shape == (243, 360)
    assert not first.y.flags.owndata


@pytest.mark.parametrize(
    ("name", "height", "chroma"),
    [("ffv1-3-420-mkv", 576, (144, 360)), ("dv25-411-mov", 480, (240, 180)), ("prores-4444-mov", 486, (243, 720))],
)
def test_coarse_chroma_keeps_the_lines_of_its_own_field(
    folder: Path, name: str, height: int, chroma: tuple[int, int]
) -> None:
    scene = Scene(height, top_first=False, speed_px=40, noise_codes=0.0)
    transfer = open_transfer(clip(folder, name, scene, frames=3))
    stored = list(scene.frames(3))
    frame = list(read_frames(transfer))[1]
    step_x, step_y = transfer.samples.chroma_step_x, transfer.samples.chroma_step_y
    scale = 2 ** (10 - transfer.samples.bit_depth)
    for field in frame.fields:
        assert field.cb is not None
        assert field.cb.shape == chroma
        errors = []
        for source in (0, 1):
            lines = stored[1][1][source::2].astype(float)
            lines = lines.reshape(-1, step_y, lines.shape[1]).mean(axis=1)
            if step_x == 1:
                lines = np.repeat(lines, 2, axis=1)
            elif step_x == 4:
                lines = lines.reshape(len(lines), -1, 2).mean(axis=2)
            errors.append(float(np.abs(field.cb * float(scale) - lines)[:, 8:-8].mean()))
        assert errors[field.row0] < 0.5 * errors[1 - field.row0]


# --- slices ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", [FFV1, "mpeg2-gop-mpg", *later("mpeg2-intra-mxf", "mpeg2-gop-mkv", "h264-8bit-gop-mp4", "mpeg2-gop-ts")]
)
def test_however_a_file_is_sliced_the_frames_are_the_same(folder: Path, name: str) -> None:
    frames = 32 if "gop" in name else 10
    transfer = open_transfer(clip(folder, name, Scene(480, top_first=True), frames=frames))
    whole = contents(transfer)
    assert list(whole) == list(range(frames))
    for cuts in ([0, 1, frames], [0, frames // 3, frames // 2, frames - 1, frames]):
        pieces: dict[int, tuple[bytes, bytes, bool]] = {}
        for start, stop in pairwise(cuts):
            pieces |= contents(transfer, start=start, stop=stop)
        assert pieces == whole


@pytest.mark.parametrize("name", [FFV1, "mpeg2-gop-mkv"])
def test_every_third_frame_is_the_same_frame_skipped_or_decoded(folder: Path, name: str) -> None:
    transfer = open_transfer(clip(folder, name, Scene(480), frames=10))
    assert transfer.intra_only == (name == FFV1)
    whole = contents(transfer)
    troubles: list[Trouble] = []
    assert contents(transfer, every=3, on_trouble=troubles.append) == {n: whole[n] for n in (0, 3, 6, 9)}
    assert contents(transfer, every=3, start=2, stop=7) == {n: whole[n] for n in (3, 6)}
    assert not troubles


def test_a_file_wrongly_taken_for_intra_only_is_read_right_all_the_same(folder: Path) -> None:
    transfer = open_transfer(clip(folder, "mpeg2-gop-mkv", Scene(480), frames=10))
    assert contents(replace(transfer, intra_only=True)) == contents(transfer)


def test_decoder_threads_change_nothing(ffv1: Path) -> None:
    transfer = open_transfer(ffv1)
    assert contents(transfer, threads=2) == contents(transfer)


# --- trouble ---------------------------------------------------------------------------------------------------------


def packets_of(path: Path) -> list[tuple[int, int]]:
    """(place in the file, size) of the video packets."""
    with av.open(str(path)) as container:
        return [(p.pos, p.size) for p in container.demux(container.streams.video[0]) if p.size]


def flip(path: Path, copy: Path, places: list[int]) -> Path:
    data = bytearray(path.read_bytes())
    for place in places:
        data[place] ^= 0x55
    copy.write_bytes(bytes(data))
    return copy


def test_one_flipped_byte_in_an_ffv1_slice_marks_its_frame_and_no_other(folder: Path, ffv1: Path) -> None:
    """FFV1 version 3 slices end in a checksum (RFC 9043); the decoder only logs that it does not fit."""
    packets = packets_of(ffv1)
    hit = [packets[n][0] + packets[n][1] // 2 for n in (3, 4, 7)]
    transfer = open_transfer(flip(ffv1, folder / "flipped.mkv", hit))
    for threads in (1, 2):
        frames = list(read_frames(transfer, threads=threads))
        assert [f.number for f in frames if f.damaged] == [3, 4, 7]
        assert len(frames) == 8
        assert "CRC" in next(f.complaint for f in frames if f.damaged)


def test_a_picture_that_cannot_be_decoded_is_counted_and_shifts_no_other(folder: Path) -> None:
    path = clip(folder, "prores-hq-mov", Scene(486, top_first=False), frames=8)
    packets = packets_of(path)
    broken = flip(path, folder / "undecodable.mov", [packets[3][0] + i for i in range(4, 40)])
    troubles: list[Trouble] = []
    transfer = open_transfer(broken)
    assert numbers(transfer, on_trouble=troubles.append) == [0, 1, 2, 4, 5, 6, 7]
    assert [(t.frame, t.frames, t.kind) for t in troubles] == [(3, 1, "undecodable")]
    troubles.clear()
    assert numbers(transfer, start=3, stop=4, on_trouble=troubles.append) == []
    assert [(t.frame, t.kind) for t in troubles] == [(3, "undecodable")]


def test_damage_in_a_long_group_of_pictures_lasts_to_the_next_keyframe(folder: Path) -> None:
    path = clip(folder, "mpeg2-gop-mkv", Scene(480), frames=30)
    clean = open_transfer(path)
    keys = [f.number for f in read_frames(clean) if f.keyframe]
    packets = packets_of(path)
    broken = flip(path, folder / "gop.mkv", [packets[0][0] + packets[0][1] // 2 + i for i in range(12)])
    frames = list(read_frames(open_transfer(broken)))
    damaged = [f.number for f in frames if f.damaged]
    assert damaged
    assert damaged[0] == keys[0]
    assert max(damaged) < keys[1]


@pytest.mark.parametrize(
    "name", [FFV1, "dv25-411-raw", *later("v210-avi", "mpeg2-intra-mxf", "mpeg2-gop-mpg", "prores-mxf")]
)
def test_a_file_cut_off_half_way_is_read_as_far_as_it_goes_and_said_so(folder: Path, name: str) -> None:
    path = clip(folder, name, Scene(480), frames=20)
    whole = contents(open_transfer(path))
    cut = folder / f"cut-{path.name}"
    cut.write_bytes(path.read_bytes()[: int(path.stat().st_size * 0.55)])
    troubles: list[Trouble] = []
    transfer = open_transfer(cut)
    got = contents(transfer, on_trouble=troubles.append)
    assert 8 <= len(got) <= 12
    unhurt = {n: content for n, content in got.items() if not content[2] and n < max(got)}
    assert all(whole[n][:2] == content[:2] for n, content in unhurt.items())
    if transfer.frames_expected is not None and transfer.frames_expected > len(got) + 1:
        assert troubles


def test_a_mov_that_lost_the_index_at_its_end_is_refused_with_the_way_out(folder: Path) -> None:
    path = clip(folder, "v210-mov", Scene(480), frames=4)
    cut = folder / "no-index.mov"
    cut.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(CannotRead, match="index is missing"):
        open_transfer(cut)


def test_a_mov_with_its_index_in_front_is_read_as_far_as_it_goes(folder: Path) -> None:
    front = replace(CARRIERS["v210-mov"], name="front", container_options={"movflags": "faststart"})
    path = clip(folder, front, Scene(480), frames=12)
    cut = folder / "front.mov"
    cut.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    troubles: list[Trouble] = []
    transfer = open_transfer(cut)
    got = numbers(transfer, on_trouble=troubles.append)
    assert got in (list(range(5)), list(range(6)))
    assert transfer.frames_expected == 12
    assert sum(t.frames for t in troubles) == 12 - len(got)


def test_frames_left_out_by_the_time_stamps_do_not_shift_later_ones(folder: Path) -> None:
    scene = Scene(486, top_first=False)
    path = folder / "gap.mkv"
    lost = {4, 5}
    with av.open(str(clip(folder, FFV1, scene, frames=10))) as source, av.open(str(path), "w") as out:
        stream = out.add_stream_from_template(source.streams.video[0])
        frame_ms = float(1 / RATES[486]) * 1000
        for packet in source.demux(source.streams.video[0]):
            if packet.size and round(packet.pts / frame_ms) not in lost:
                packet.stream = stream
                out.mux(packet)
    troubles: list[Trouble] = []
    assert numbers(open_transfer(path), on_trouble=troubles.append) == [0, 1, 2, 3, 6, 7, 8, 9]
    assert [(t.frame, t.frames, t.kind) for t in troubles] == [(4, 2, "missing")]


# --- refused, in one line --------------------------------------------------------------------------------------------


def one_line(error: BaseException) -> str:
    text = str(error)
    assert "\n" not in text
    assert len(text) > 10
    return text


def test_what_is_no_transfer_is_refused_in_one_line(folder: Path) -> None:
    (folder / "empty.mkv").write_bytes(b"")
    (folder / "notes.txt").write_text("reel 7, second half\n" * 50)
    (folder / "notes.mkv").write_text("no video at all")
    sound = folder / "sound.wav"
    with av.open(str(sound), "w") as out:
        track = out.add_stream("pcm_s16le", rate=48_000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 4800), np.int16), "s16", "mono")
        frame.sample_rate = 48_000
        out.mux(track.encode(frame))
    for name, words in {
        "empty.mkv": "empty",
        "notes.txt": "no video",
        "notes.mkv": "cannot be read",
        "sound.wav": "sound only",
        "nowhere.mkv": "no such file",
        ".": "folder",
    }.items():
        with pytest.raises(CannotRead, match=words) as caught:
            open_transfer(folder / name)
        assert name.strip(".") in one_line(caught.value)


def test_a_file_that_may_not_be_read_is_named(folder: Path, ffv1: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.access", lambda *_: False)
    with pytest.raises(CannotRead, match="may not be read"):
        open_transfer(ffv1)


@pytest.mark.parametrize(
    ("size", "rate", "words"),
    [
        ((1920, 1080), Fraction(25), "1920x1080"),
        ((640, 480), Fraction(30_000, 1001), "640x480"),
        ((720, 480), Fraction(25), "standards-converted"),
        ((720, 576), Fraction(50), "one picture to a field"),
        ((720, 480), Fraction(24_000, 1001), "23.976"),
    ],
)
def test_pictures_that_are_no_interlaced_raster_are_refused_with_the_reason(
    folder: Path, size: tuple[int, int], rate: Fraction, words: str
) -> None:
    path = folder / f"refused-{size[1]}-{float(rate):.0f}.mkv"
    store(path, Scene(size[1], size[0]).frames(2), CARRIERS["uyvy-mkv"], rate=rate)
    with pytest.raises(NotMeasurable, match=words) as caught:
        open_transfer(path)
    one_line(caught.value)


def test_a_wrongly_stamped_rate_can_be_overruled(folder: Path) -> None:
    path = store(folder / "stamped.mkv", Scene(480).frames(6), CARRIERS[FFV1], rate=Fraction(25))
    transfer = open_transfer(path, standard="525")
    assert transfer.standard.name == "525/59.94"
    assert transfer.frame_rate == Fraction(30_000, 1001)
    assert numbers(transfer) == list(range(6))
    assert any("25" in w for w in transfer.warnings)


def test_options_that_do_not_fit_the_file_are_refused(ffv1: Path) -> None:
    with pytest.raises(BadSettings, match="625"):
        open_transfer(ffv1, standard="625")
    with pytest.raises(BadSettings, match="pal"):
        open_transfer(ffv1, standard="pal")
    with pytest.raises(BadSettings, match="sideways"):
        open_transfer(ffv1, field_order="sideways")
    with pytest.raises(BadTimecode, match="does not exist"):
        open_transfer(ffv1, start_timecode="00:01:00;00")


def test_rgb_is_refused_and_monochrome_is_not(folder: Path) -> None:
    rgb = Carrier("rgb", "ffv1", "gbrp10le", ".mkv")
    path = store(folder / "rgb.mkv", Scene(480).frames(3), rgb, rate=RATES[480])
    with pytest.raises(NotMeasurable, match="Y'CbCr"):
        open_transfer(path)
    gray = Carrier("gray", "ffv1", "gray", ".mkv", {"g": "1"})
    transfer = open_transfer(store(folder / "gray.mkv", Scene(480).frames(6), gray, rate=RATES[480]))
    assert not transfer.samples.has_chroma
    assert next(read_frames(transfer)).fields[0].cb is None


def test_rows_704_wide_start_at_sample_8(folder: Path) -> None:
    path = store(folder / "w704.mkv", Scene(480, 704).frames(4), CARRIERS[FFV1], rate=RATES[480])
    assert open_transfer(path).first_sample == 8


# --- what the file says of itself ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "height", "label", "where"),
    [
        (FFV1, 486, "01:00:00;00", "container"),
        ("v210-mov", 576, "10:00:00:00", "timecode track"),
        ("mpeg2-intra-mxf", 486, "09:59:50;12", "container"),
        ("mpeg2-intra-mxf", 576, "09:59:50:12", "container"),
        ("v210-avi", 576, "10:00:00:05", "container"),
    ],
)
def test_start_timecode_is_found_where_each_container_keeps_it(
    folder: Path, name: str, height: int, label: str, where: str
) -> None:
    path = clip(folder, name, Scene(height), frames=4, timecode=label)
    transfer = open_transfer(path)
    if name == "v210-avi" and transfer.start_timecode is None:
        pytest.fail("AVI keeps a container timecode")
    assert (transfer.start_timecode, transfer.timecode_source) == (label, where)
    assert transfer.drop_frame == (";" in label)
    path.unlink()


def test_the_option_overrules_the_files_timecode(folder: Path) -> None:
    path = clip(folder, FFV1, Scene(486), frames=3, timecode="01:00:00;00")
    transfer = open_transfer(path, start_timecode="02:00:00:00")
    assert (transfer.start_timecode, transfer.timecode_source) == ("02:00:00:00", "option")
    path.unlink()


def test_a_timecode_that_does_not_exist_is_named_and_not_used(folder: Path) -> None:
    path = clip(folder, FFV1, Scene(486), frames=3, timecode="00:01:00;00")
    transfer = open_transfer(path)
    assert transfer.start_timecode is None
    assert any("does not exist" in w for w in transfer.warnings)
    path.unlink()


def test_full_range_and_matrix_are_taken_from_the_file(folder: Path) -> None:
    path = clip(folder, FFV1, Scene(480), frames=3, full_range=True)
    assert open_transfer(path).samples.full_range
    path.unlink()


def test_every_raster_opens_as_the_standard_its_rate_says(folder: Path) -> None:
    for height, raster in RASTERS.items():
        path = clip(folder, "uyvy-mkv", Scene(height, top_first=raster.top_row_is_first_field), frames=4)
        transfer = open_transfer(path)
        assert transfer.standard is raster.standard
        assert transfer.first_field_is_top == raster.top_row_is_first_field
        assert transfer.frames_expected == 4


def test_a_name_with_colons_and_percents_is_a_name(folder: Path, ffv1: Path) -> None:
    odd = folder / "concat:reel %03d.mkv"
    shutil.copy(ffv1, odd)
    assert len(numbers(open_transfer(odd))) == 8
