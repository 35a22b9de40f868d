"""Short rendered tapes, measured without being stored: what one relation alone cannot show."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from detect.judge.limits import default_limits
from detect.judge.verdict import judge
from synthetic_clips.deck import DeckFaults, Onset, Relock
from synthetic_clips.rasters import raster
from synthetic_clips.timebase import wheel_rows
from tests.bench_material import MEMORY, Case, beginning, in_memory, played, rendered


def tape(faults: DeckFaults, *, seed: int, content: str = "varied", seconds: float = 5.0) -> Case:
    return Case(f"test {seed}", seed, faults, MEMORY, content, seconds)


@pytest.mark.long
@pytest.mark.parametrize("decoding", ["simple", "delay_line"])
def test_625_saturation_is_right_with_and_without_a_delay_line_and_the_decoder_is_named(decoding: str) -> None:
    faults = DeckFaults(
        standard="625", phase_lines=5.0, saturation_pct=(0, 0, -8, 0), decoding_625=decoding, saturation_follows_response=False,  # type: ignore[arg-type]
        blanking="reinserted",
    )  # fmt: skip
    findings, truth = played(tape(faults, seed=2, seconds=7.0))
    got = findings.summary.saturation_pct
    assert got is not None
    assert got.values == pytest.approx(truth.relative["saturation_pct"], abs=0.8)
    assert any("delay line" in w for w in findings.warnings) == (decoding == "delay_line")


@pytest.mark.long
def test_in_625_a_hue_error_that_alternates_is_no_loss_of_saturation() -> None:
    faults = DeckFaults(standard="625", phase_lines=5.0, hue_deg=(0, 12, 0, 0), saturation_follows_response=False, blanking="reinserted")
    findings, _ = played(tape(faults, seed=2))
    got = findings.summary.saturation_pct
    # products of adjacent lines would read -4.4 % here
    assert got is None or np.abs(np.array(got.values, float)).max() < 1.0
    assert "saturation_banding" not in {f.kind for f in findings.findings}
    # nor is it no hue at all: nought would be a figure
    assert findings.summary.hue_deg is None
    assert "hue_banding" not in {f.kind for f in findings.findings}


@pytest.mark.long
def test_in_625_colour_that_a_head_turns_on_all_its_lines_alike_is_told(tmp_path: Path) -> None:
    """As a processor after the decoder, or material of another standard, has it: 2 degrees in the (Cb, Cr) plane on the lines of head C."""
    faults = DeckFaults(standard="625", phase_lines=5.0, blanking="reinserted", saturation_follows_response=False)
    case = tape(faults, seed=2)
    heads = wheel_rows(raster(case.height), faults.wheel_at(0)).heads
    angle = np.radians(np.where(heads == 2, 2.0, 0.0))[:, None]

    def turned() -> Iterator[tuple[np.ndarray, ...]]:
        for y, cb, cr in rendered(case):
            blue, red = cb - 512.0, cr - 512.0
            both = blue * np.cos(angle) - red * np.sin(angle), blue * np.sin(angle) + red * np.cos(angle)
            yield (np.array(y), *(np.rint(512 + plane).astype(np.uint16) for plane in both))

    findings = judge(in_memory(turned(), case, tmp_path / "turned.readings.zip"), default_limits())
    (hue,) = [f for f in findings.findings if f.kind == "hue_banding"]
    assert hue.value == pytest.approx(1.5, abs=0.2)  # against the mean of 0, 0, 2, 0
    assert hue.status == "confirmed"
    assert "alternate" in hue.text


@pytest.mark.long
def test_a_relock_inside_a_window_is_placed_within_half_a_second() -> None:
    faults = DeckFaults(
        standard="525", phase_lines=4.0, skew_ns=60.0, saturation_pct=(0, 0, -8, 0), blanking="reinserted", relocks=(Relock(131, 11.5, 1),),
        saturation_follows_response=False,
    )  # fmt: skip
    findings, _ = played(tape(faults, seed=6, seconds=9.0))
    relocks = [f for f in findings.findings if f.kind == "relock"]
    assert len(relocks) == 1
    assert abs(relocks[0].start_frame - 131) <= 15
    # the window that holds some of both phases, of which most is lost, has no part in the figures of the whole
    saturation = findings.summary.saturation_pct
    assert saturation is not None
    assert min(saturation.values) == pytest.approx(-6.1, abs=0.3)  # 0.92 against the mean of 1, 1, 0.92, 1


@pytest.mark.long
def test_noise_of_the_heads_is_not_hidden_by_pictures_full_of_detail() -> None:
    faults = DeckFaults(standard="525", phase_lines=4.0, noise_db=(0, 3, 0, 0), skew_ns=30.0, blanking="reinserted", snr_db=43)
    findings, truth = played(tape(faults, seed=3, seconds=8.0))
    got = findings.summary.noise_db
    assert got is not None
    assert got.values == pytest.approx(truth.relative["noise_db"], abs=0.5)


@pytest.mark.long
def test_chroma_noise_of_a_black_and_white_tape_is_no_saturation() -> None:
    faults = DeckFaults(standard="525", phase_lines=4.0, noise_db=(0, -4, 0, 0), skew_ns=30.0, blanking="reinserted")
    findings, _ = played(tape(faults, seed=3024, content="handheld"))
    assert {f.kind for f in findings.findings} & {"saturation_banding", "hue_banding"} == set()


@pytest.mark.long
def test_a_fault_of_four_seconds_that_the_whole_tape_does_not_show_is_found_with_its_ends() -> None:
    case = beginning(8028, seconds=10.0)
    findings, _ = played(case)
    (onset,) = case.faults.onsets
    skew = next(f for f in findings.findings if f.kind == "skew")
    assert skew.value == pytest.approx(80.0, abs=8.0)
    assert abs(skew.start_frame - onset.start_frame) <= 15
    assert abs(skew.end_frame - onset.end_frame) <= 15


@pytest.mark.long
def test_a_head_of_much_noise_is_told_once() -> None:
    faults = DeckFaults(standard="525", phase_lines=4.0, noise_db=(0, 18, 0, 0), saturation_pct=(0, 0, -8, 0), snr_db=45)
    findings, _ = played(tape(faults, seed=3))
    told = [f for f in findings.findings if f.kind in ("head_loss", "noise_banding")]
    assert [(f.kind, f.heads) for f in told] == [("head_loss", ["B"])]
    assert told[0].value is not None
    assert told[0].value > 9.0


@pytest.mark.long
def test_a_head_that_clogs_for_three_seconds_on_a_deck_without_other_faults_is_found() -> None:
    faults = DeckFaults(
        standard="525", phase_lines=4.0, noise_db=(0, 0, 11, 0), blanking="reinserted", snr_db=46, onsets=(Onset("noise_db", 90, 180),),
        saturation_follows_response=False,
    )  # fmt: skip
    findings, truth = played(tape(faults, seed=12, seconds=9.0))
    told = [f for f in findings.findings if f.kind in ("head_loss", "noise_banding")]
    assert [f.heads for f in told] == [["C"]]
    assert told[0].value == pytest.approx(8.25, abs=3.0)
    assert told[0].start_frame < 180
    assert told[0].end_frame > 90
    (wheel,) = findings.wheel
    assert abs(float(wheel.phase_lines or 0.0) - truth.wheel[0]["phase_lines"]) < 0.5
