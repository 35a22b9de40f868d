"""Timecode on a sound channel, against a waveform built bit by bit from the table of SMPTE ST 12-1."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from carriers import CARRIERS, RATES, Scene, store
from scipy import signal

from detect.measure.audio import audio_tracks, read_audio
from detect.measure.ltc import decode, notes_of, read_ltc
from detect.measure.media import open_transfer
from detect.timecode import Counting, frame_of, label_of

RATE_525 = Fraction(30_000, 1001)
SYNC_ST12 = "0011111111111101"


def word_bits(label: str) -> str:
    """The 80 bits of a label in the order sent: each figure units first, least significant bit first; user bits 0."""

    def digits(text: str, tens_bits: int) -> tuple[str, str]:
        return f"{int(text[1]):04b}"[::-1], f"{int(text[0]):0{tens_bits}b}"[::-1]

    hours, minutes, seconds, frames = label[:2], label[3:5], label[6:8], label[9:]
    (fu, ft), (su, st), (mu, mt), (hu, ht) = digits(frames, 2), digits(seconds, 3), digits(minutes, 3), digits(hours, 2)
    drop = "1" if ";" in label else "0"
    user = "0000"
    body = fu + user + ft + drop + "0" + user + su + user + st + "0" + user
    body += mu + user + mt + "0" + user + hu + user + ht + "00" + user
    return body + SYNC_ST12


def waveform(labels: list[str], *, rate: Fraction, sample_rate: int = 48_000, speed: float = 1.0) -> np.ndarray:
    """Biphase mark, oversampled and then limited to the band of a sound channel."""
    over = 8
    bits = "".join(word_bits(label) for label in labels)
    half = sample_rate * over / (80 * float(rate) * 2 * speed)
    level, levels = 1.0, []
    for bit in bits:
        level = -level
        levels.append(level)
        if bit == "1":
            level = -level
        levels.append(level)
    index = (np.arange(int(len(levels) * half)) / half).astype(int)
    square = np.array(levels)[np.minimum(index, len(levels) - 1)]
    return 0.3 * signal.resample_poly(square, 1, over).astype(np.float32)


def labels_from(first: str, count: int, counting: Counting) -> list[str]:
    start = frame_of(first, counting=counting)
    return [label_of(start + i, counting=counting) for i in range(count)]


def test_the_code_word_has_the_sync_word_and_figures_of_st_12_1() -> None:
    """Bit numbers 0-3 frame units, 10 drop flag, 16-19 second units, 64-79 sync (SMPTE ST 12-1)."""
    bits = word_bits("12:34:56;17")
    assert len(bits) == 80
    assert bits[0:4] == "1110"
    assert bits[8:10] == "10"
    assert bits[10] == "1"
    assert bits[16:20] == "0110"
    assert bits[64:] == SYNC_ST12


@pytest.mark.parametrize(
    ("first", "rate", "counting"),
    [
        ("01:00:59;20", RATE_525, Counting(30, True)),
        ("23:59:59:10", Fraction(25), Counting(25)),
        ("09:59:59:15", RATE_525, Counting(30)),
    ],
)
@pytest.mark.parametrize("sample_rate", [44_100, 48_000, 96_000])
def test_every_label_is_read_at_its_time(first: str, rate: Fraction, counting: Counting, sample_rate: int) -> None:
    labels = labels_from(first, 40, counting)
    words = decode(waveform(labels, rate=rate, sample_rate=sample_rate), sample_rate_hz=sample_rate, frame_rate=rate)
    assert [w.label for w in words] == labels[1:-1], "the first and the last word lack an edge"
    for word in words:
        assert word.time_s == pytest.approx(labels.index(word.label) / float(rate), abs=1e-4)


@pytest.mark.parametrize("speed", [0.8, 0.97, 1.03, 1.25])
def test_a_tape_off_speed_with_noise_hum_and_inverted_is_read(speed: float) -> None:
    labels = labels_from("10:00:00:00", 50, Counting(25))
    wave = -waveform(labels, rate=Fraction(25), speed=speed)
    rng = np.random.default_rng(3)
    time = np.arange(len(wave)) / 48_000
    wave = wave + rng.normal(0, 0.03, len(wave)) + 0.02 * np.sin(2 * np.pi * 50 * time) + 0.05
    words = decode(wave.astype(np.float32), sample_rate_hz=48_000, frame_rate=Fraction(25))
    assert len(words) >= 45
    assert set(w.label for w in words) <= set(labels)


def test_speech_like_noise_tone_and_silence_hold_no_timecode() -> None:
    rng = np.random.default_rng(5)
    time = np.arange(48_000 * 10) / 48_000
    noise = signal.lfilter(*signal.butter(2, [300, 3000], "bandpass", fs=48_000), rng.normal(size=len(time)))
    for wave in (noise, 0.1 * np.sin(2 * np.pi * 1000 * time), np.sign(np.sin(2 * np.pi * 1000 * time)), 0 * time):
        assert decode(wave.astype(np.float32), sample_rate_hz=48_000, frame_rate=Fraction(25)) == []


def test_a_file_with_timecode_on_its_second_channel_gives_both_times_and_the_jump(tmp_path: Path) -> None:
    counting = Counting(30, True)
    labels = labels_from("01:00:00;00", 60, counting) + labels_from("05:00:00;00", 60, counting)
    wave = waveform(labels, rate=RATE_525)
    sound = np.stack([0.1 * np.sin(2 * np.pi * 1000 * np.arange(len(wave)) / 48_000), wave], axis=1)
    pictures = list(Scene(486, top_first=False).frames(2)) * 60
    path = store(
        tmp_path / "ltc.mov",
        pictures,
        CARRIERS["v210-mov"],
        rate=RATES[486],
        flag="bottom",
        timecode="01:00:10;00",
        sound=sound.astype(np.float32),
    )
    transfer = open_transfer(path)
    ltc = read_ltc(transfer)
    assert ltc is not None
    assert (ltc.channel, ltc.drop_frame) == (2, True)
    assert [(r.start_frame, r.start_timecode) for r in ltc.runs] == [(1, "01:00:00;01"), (60, "05:00:00;00")]
    notes = notes_of(transfer, ltc)
    assert "-300 frames" in notes[0]
    assert "05:00:00;00 at frame 60" in notes[1]


def test_sound_comes_in_blocks_with_exact_time(tmp_path: Path) -> None:
    time = np.arange(48_000) / 48_000
    sound = (0.1 * np.sin(2 * np.pi * 1000 * time))[:, None].astype(np.float32)
    path = store(tmp_path / "tone.mkv", Scene(480).frames(6), CARRIERS["ffv1-1-8bit-mkv"], rate=RATES[480], sound=sound)
    transfer = open_transfer(path)
    (track,) = audio_tracks(transfer)
    assert (track.channels, track.sample_rate_hz, track.first_channel) == (1, 48_000, 1)
    blocks = list(read_audio(transfer, track, block_s=0.3))
    assert [float(b.start_s) for b in blocks] == pytest.approx([0, 0.3, 0.6, 0.9])
    whole = np.concatenate([b.samples for b in blocks])[:, 0]
    np.testing.assert_allclose(whole, sound[:, 0], atol=2 / 32768)
    late = next(read_audio(transfer, track, start_s=0.5, block_s=0.3))
    first = round(float(late.start_s) * 48_000)
    np.testing.assert_allclose(late.samples[:, 0], sound[first : first + len(late.samples), 0], atol=2 / 32768)


def test_a_file_without_sound_has_no_tracks_and_no_timecode(tmp_path: Path) -> None:
    path = store(tmp_path / "mute.mkv", Scene(480).frames(3), CARRIERS["ffv1-1-8bit-mkv"], rate=RATES[480])
    transfer = open_transfer(path)
    assert audio_tracks(transfer) == ()
    assert read_ltc(transfer) is None
    assert notes_of(transfer, None) == []
