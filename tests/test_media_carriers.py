"""Every codec, container and raster that can be encoded here: opened, read and in order."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from carriers import CARRIERS, LOSSLESS, RATES, Scene, clip
from wrappings import FIELD_ORDERS, ffv1_into_mov, into_matroska

from detect.measure.media import Trouble, open_transfer, read_frames
from detect.standards import RASTERS

CANNOT_BE = {
    ("dv", 486): "DV has 480 or 576 rows (SMPTE ST 314)",
    ("dv", 512): "DV has 480 or 576 rows (SMPTE ST 314)",
    ("dv", 608): "DV has 480 or 576 rows (SMPTE ST 314)",
    ("dv25-420", 480): "DV25 of 525 lines is 4:1:1 (SMPTE ST 314)",
    ("h264-8bit", 486): "interlaced 4:2:0 needs a number of rows that divides by four (H.264)",
}
MATRIX = [
    (name, height)
    for name in CARRIERS
    for height in RASTERS
    if not any(name.startswith(kind) and rows == height for kind, rows in CANNOT_BE)
]
QUICK = {("mpeg2-intra-mov", 512), ("dv50-avi", 480), ("h264-10bit-intra-mov", 576), ("prores-mxf", 486)}
QUICK |= {("mpeg2-gop-ts", 480), ("ffv1-3-8bit-mkv", 608), ("dv25-420-raw", 576)}


def check(folder: Path, name: str, height: int, top_first: bool) -> None:
    scene = Scene(height, top_first=top_first)
    count = 6
    path = clip(folder, name, scene, frames=count)
    transfer = open_transfer(path)
    troubles: list[Trouble] = []
    stored = [planes[0].astype(float) for planes in scene.frames(count)]
    scale = 2.0 ** (10 - transfer.samples.bit_depth)
    limit = 3.0 if name.startswith(LOSSLESS) else 30.0
    numbers = []
    for frame in read_frames(transfer, on_trouble=troubles.append):
        numbers.append(frame.number)
        for field in frame.fields:
            errors = np.abs(field.y * scale - stored[frame.number][field.row0 :: 2])
            assert np.median(errors) < limit, "the stored lines, in codes of 10 bits"
    assert numbers == list(range(count))
    assert troubles == []
    assert transfer.frames_expected == count
    assert transfer.standard is RASTERS[height].standard
    assert transfer.first_field_is_top == top_first
    assert not any("no flag" in w for w in transfer.warnings) or path.suffix in (".avi", ".mxf"), transfer.warnings
    path.unlink()


@pytest.mark.parametrize(
    ("name", "height"), [pytest.param(*case, marks=[] if case in QUICK else [pytest.mark.long]) for case in MATRIX]
)
def test_every_carrier_that_can_be_encoded_here_is_read(tmp_path: Path, name: str, height: int) -> None:
    check(tmp_path, name, height, top_first=RASTERS[height].top_row_is_first_field)


@pytest.mark.long
@pytest.mark.parametrize(("name", "height"), MATRIX)
def test_every_carrier_is_read_with_the_other_field_first(tmp_path: Path, name: str, height: int) -> None:
    check(tmp_path, name, height, top_first=not RASTERS[height].top_row_is_first_field)


@pytest.mark.parametrize(
    ("name", "fourcc", "codec"),
    [("v210-mov", b"v210", "v210"), ("dv25-411-avi", b"dvsd", "dvvideo"), ("ffv1-1-8bit-mkv", b"FFV1", "ffv1")],
)
def test_matroska_with_old_style_codec_names_is_read(tmp_path: Path, name: str, fourcc: bytes, codec: str) -> None:
    source = clip(tmp_path, name, Scene(480, top_first=False), frames=5)
    path = into_matroska(source, tmp_path / "old.mkv", fourcc=fourcc, rate=RATES[480], field_order="bottom")
    transfer = open_transfer(path)
    assert (transfer.codec, transfer.container.split(",")[0]) == (codec, "matroska")
    mine = [frame.fields[0].y.tobytes() for frame in read_frames(transfer)]
    assert mine == [frame.fields[0].y.tobytes() for frame in read_frames(open_transfer(source))]


@pytest.mark.parametrize("order", [o for o in FIELD_ORDERS if o not in ("progressive", "unknown")])
def test_each_field_order_code_of_matroska_means_what_rfc_9559_says(tmp_path: Path, order: str) -> None:
    source = clip(tmp_path, "v210-mov", Scene(486, motion="still"), frames=3)
    path = into_matroska(source, tmp_path / "coded.mkv", fourcc=b"v210", rate=RATES[486], field_order=order)
    transfer = open_transfer(path)
    assert transfer.field_order_source == "flag"
    assert transfer.first_field_is_top == order.startswith("top")


def test_ffv1_in_mov_is_read(tmp_path: Path) -> None:
    source = clip(tmp_path, "ffv1-1-8bit-mkv", Scene(576), frames=5)
    transfer = open_transfer(ffv1_into_mov(source, tmp_path / "ffv1.mov", rate=RATES[576]))
    assert transfer.codec == "ffv1"
    assert [frame.number for frame in read_frames(transfer)] == [0, 1, 2, 3, 4]
