"""A scan reads the sound in the same pass: line-up tone beside bars, timecode on a channel, both times where they differ."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from carriers import CARRIERS, RATES, Picture, Scene, store
from lineup_material import bars, stored
from test_ltc import RATE_525, labels_from, waveform

from detect.findings import Findings
from detect.measure.audio import SoundTap, audio_tracks, read_audio
from detect.measure.decoding import Trouble
from detect.measure.fields import Frame
from detect.measure.media import open_transfer, read_frames
from detect.measure.tones import MOST_WINDOWS, ToneMeter
from detect.measure.troubles import MOST_LISTED, TroubleLog
from detect.scan import ScanOptions, scan_file
from detect.timecode import Counting

DROP = Counting(30, True)
BARS_FRAMES = 75
FRAMES = 165


def pictures() -> list[Picture]:
    """Bars, then a picture that pans; bottom field first."""
    card = [stored(bars(), seed=k) for k in range(3)]
    moving = list(Scene(486, top_first=False).frames(30))
    return [card[k % 3] for k in range(BARS_FRAMES)] + [moving[k % 30] for k in range(FRAMES - BARS_FRAMES)]


def ltc_wave(first: str, jump_at: int, then: str) -> np.ndarray:
    labels = labels_from(first, jump_at, DROP) + labels_from(then, FRAMES - jump_at, DROP)
    return waveform(labels, rate=RATE_525)


def tone_wave(samples: int) -> np.ndarray:
    """1 kHz at -20 dBFS (SMPTE RP 155) beside the bars, then a note of music held for two seconds."""
    t = np.arange(samples) / 48_000
    end = BARS_FRAMES / float(RATE_525)
    note = 0.05 * np.sin(2 * np.pi * 440 * t) * (t > end + 0.5) * (t < end + 2.5)
    return 0.1 * np.sin(2 * np.pi * 1000 * t) * (t < end) + note


def written(path: Path, *, timecode: str | None) -> Path:
    wave = ltc_wave("01:00:58;00", 120, "05:00:00;00")
    sound = np.stack([tone_wave(len(wave)), wave], axis=1).astype(np.float32)
    return store(path, pictures(), CARRIERS["v210-mov"], rate=RATES[486], flag="bottom", timecode=timecode, sound=sound)


def scan(path: Path) -> Findings:
    # every fifth picture, all of the sound
    return scan_file(path, options=ScanOptions(stills=False, every=5), readings_path=path.with_name(path.name + ".readings.zip"))


@pytest.fixture(scope="module")
def stamped(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Findings]:
    path = written(tmp_path_factory.mktemp("sound") / "reel.mov", timecode="01:00:10;00")
    return path, scan(path)


def test_line_up_tone_is_given_with_frequency_level_and_place(stamped: tuple[Path, Findings]) -> None:
    (tone,) = stamped[1].audio
    assert tone.channel == 1
    assert tone.tone_hz == pytest.approx(1000.0, abs=0.1)
    assert tone.tone_dbfs == pytest.approx(-20.0, abs=0.02)
    assert tone.start_frame == pytest.approx(0, abs=4)
    assert tone.end_frame == pytest.approx(BARS_FRAMES, abs=7)
    assert tone.start_timecode is not None
    assert tone.start_timecode.startswith("01:00:10;0")


def test_both_times_are_given_where_file_and_sound_differ(stamped: tuple[Path, Findings]) -> None:
    transfer = stamped[1].transfer
    assert (transfer.start_timecode, transfer.timecode_source) == ("01:00:10;00", "timecode track")
    assert (transfer.ltc_start_timecode, transfer.ltc_channel) == ("01:00:58;00", 2)
    assert any("01:00:58;00" in w and "01:00:10;00" in w and "+1440 frames" in w for w in stamped[1].warnings)


def test_a_jump_of_the_timecode_on_the_sound_is_named_with_its_frame(stamped: tuple[Path, Findings]) -> None:
    (note,) = [w for w in stamped[1].warnings if "jumps" in w]
    assert "05:00:00;00 at frame 120" in note


def test_timecode_on_the_sound_stands_in_where_the_file_states_none(tmp_path: Path) -> None:
    findings = scan(written(tmp_path / "mute.mov", timecode=None))
    transfer = findings.transfer
    assert (transfer.start_timecode, transfer.drop_frame) == ("01:00:58;00", True)
    assert transfer.timecode_source == "LTC on sound channel 2"
    # the tone ends 75 pictures on, across the minute at which drop-frame counting leaves out two labels (ST 12-1)
    (tone,) = findings.audio
    assert tone.end_frame is not None
    assert tone.end_frame > 62
    assert tone.end_timecode == labels_from("01:00:58;00", FRAMES, DROP)[tone.end_frame]
    assert any("states none" in w for w in findings.warnings)


def test_sound_in_passing_is_the_sound_read_alone(stamped: tuple[Path, Findings]) -> None:
    transfer = open_transfer(stamped[0])
    tracks = audio_tracks(transfer)
    heard: list[tuple[float, np.ndarray]] = []
    tap = SoundTap(transfer, tracks, lambda b: heard.append((float(b.start_s), b.samples)))
    count = sum(1 for _ in read_frames(transfer, on_sound=tap.take))
    tap.finish()
    assert count == FRAMES
    alone = [(float(b.start_s), b.samples) for b in read_audio(transfer, tracks[0])]
    assert [s for s, _ in heard] == [s for s, _ in alone]
    np.testing.assert_array_equal(np.concatenate([x for _, x in heard]), np.concatenate([x for _, x in alone]))


def test_an_hour_of_tone_holds_no_more_than_two_minutes_of_windows() -> None:
    meter = ToneMeter(8000, 1)
    second = (0.1 * np.sin(2 * np.pi * 1000 * np.arange(8000) / 8000))[:, None]
    for s in range(180):
        meter.push(float(s), second)
    assert [len(r.windows) for r in meter._runs[0]] == [MOST_WINDOWS]
    (tone,) = meter.tones()
    assert (tone.start_s, tone.end_s) == pytest.approx((0.1, 179.9))
    assert tone.level_dbfs == pytest.approx(-20.0, abs=0.01)


def test_damaged_and_missing_pictures_are_listed_with_frame_and_timecode() -> None:
    log = TroubleLog()
    fields = next(iter(read_noise())).fields
    for number in (10, 11):
        log.take_damaged(Frame(number, fields, damaged=True, complaint="slice checksum"))
    log.take(Trouble(30, 4, "missing", "left out by the times"))
    log.take(Trouble(50, 1, "undecodable", "no picture"))
    lines = log.lines(lambda n: f"TC{n}")
    assert lines[0] == "frames 10 to 11 (TC10 to TC11): decoded with complaints, left out (slice checksum)"
    assert lines[1] == "frames 30 to 33 (TC30 to TC33): left out by the times"
    assert lines[2] == "frame 50 (TC50): no picture"
    assert (log.undecodable, log.missing) == (3, 4)


def test_a_file_damaged_throughout_gives_a_sum_and_no_endless_list() -> None:
    log = TroubleLog()
    for number in range(0, 4 * MOST_LISTED, 2):
        log.take(Trouble(number, 1, "undecodable", "no picture"))
    lines = log.lines(lambda _: None)
    assert len(lines) == MOST_LISTED + 1
    assert f"{MOST_LISTED} more" in lines[-1]
    assert log.undecodable == 2 * MOST_LISTED


def read_noise() -> list[Frame]:
    from lineup_material import flat, frame_of

    return [frame_of(stored(flat()))]
