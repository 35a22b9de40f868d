"""Torn lines are told from every picture that holds together, whatever it shows and whatever the deck does to it."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.sections import TORN_KINDS
from detect.measure.tears import KINDS, TearFinder
from synthetic_clips.damage import Damage, Losses
from synthetic_clips.deck import DeckFaults
from synthetic_clips.foolers import FOOLERS
from synthetic_clips.pictures import single_shot
from synthetic_clips.plates import DRAWINGS, STILLS
from synthetic_clips.rasters import StandardName
from synthetic_clips.render import Pictures, render

HEAVY = {
    "skew_ns": 400.0, "quadrature_ns": (0.0, 250.0, -150.0, 100.0), "top_skew_ns": 900.0, "snr_db": 34.0, "jitter_ns": 20.0,
    "noise_db": (0.0, 6.0, 0.0, 0.0), "blanking": "reinserted",
}  # fmt: skip
"""Far beyond any usable setting of a deck."""
PLATES = (*sorted(DRAWINGS), *STILLS)
QUICK = ["buildings", "chelsea.png", "landscape", "texture"]


def kinds(pictures: Pictures, faults: DeckFaults, *, frames: int = 4, damage: Damage | None = None) -> int:
    """Kinds of displacement over some frames together."""
    finder, bits = TearFinder(), 0
    for k, (y, _, _) in enumerate(render(pictures, faults, frames=frames, rng=np.random.default_rng(7), damage=damage)):
        bits |= finder.kinds(y[0::2].astype(np.float32), frame=k)
        finder.keep(y[0::2].astype(np.float32), frame=k)
    return bits.bit_count()


@pytest.mark.parametrize("standard", ["525", "625"])
@pytest.mark.parametrize("plate", [pytest.param(p, marks=[] if p in QUICK else [pytest.mark.long]) for p in PLATES])
def test_a_faulty_and_damaged_picture_is_not_torn(standard: StandardName, plate: str) -> None:
    damage = Damage((Losses("uniform", per_minute=3000.0),))
    faults = DeckFaults(standard=standard, **HEAVY)  # type: ignore[arg-type]
    assert kinds(single_shot(3, "pan", standard, kind=plate), faults, damage=damage) == 0


@pytest.mark.parametrize("standard", ["525", "625"])
@pytest.mark.parametrize("plate", [pytest.param(p, marks=[] if p in QUICK else [pytest.mark.long]) for p in PLATES])
def test_an_unlocked_picture_is_torn_even_within_straight_blanking(standard: StandardName, plate: str) -> None:
    faults = DeckFaults(standard=standard, unlocked=((0, 99),), blanking="reinserted")
    assert kinds(single_shot(3, "pan", standard, kind=plate), faults) >= KINDS / 2


@pytest.mark.parametrize("plate", QUICK)
def test_an_unlocked_picture_is_torn_in_noise_too(plate: str) -> None:
    """38 dB; a dark picture with detail in few lines (a moon, an eye) is not told at that noise."""
    faults = DeckFaults(unlocked=((0, 99),), snr_db=38.0, blanking="reinserted")
    assert kinds(single_shot(3, "pan", kind=plate), faults) >= TORN_KINDS


@pytest.mark.parametrize(
    "name",
    [pytest.param(n, marks=[] if n in ("static bricks", "tilted bricks", "slants") else [pytest.mark.long]) for n in FOOLERS],
)
def test_patterns_have_no_more_than_two_displacements(name: str) -> None:
    assert kinds(FOOLERS[name](3), DeckFaults(), frames=3) <= 2


def test_a_slant_that_all_lines_share_is_no_tear() -> None:
    rng = np.random.default_rng(1)
    line = np.convolve(rng.normal(size=9000), np.hanning(9), "same")
    slanted = np.stack([line[16 * k : 16 * k + 720] for k in range(240)]).astype(np.float32)
    assert TearFinder().kinds(slanted, frame=0) == 0


@pytest.mark.parametrize("shape", [(2, 720), (240, 100), (240, 720)])
def test_too_little_picture_tells_nothing(shape: tuple[int, int]) -> None:
    assert TearFinder().kinds(np.zeros(shape, np.float32), frame=0) == 0
