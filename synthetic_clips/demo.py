"""Two short tapes with known faults, to see the whole tool at work without any tape."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from synthetic_clips.damage import Damage, Losses
from synthetic_clips.deck import DeckFaults, Onset
from synthetic_clips.files import Tone, write_clip
from synthetic_clips.pictures import LateScene, Programme, Scene, shot
from synthetic_clips.plates import DRAWINGS, drawn_plate
from synthetic_clips.rasters import StandardName
from synthetic_clips.render import Truth, render

SECONDS = 12
_MOTIONS = ("pan", "slow pan", "zoom", "handheld", "sprites", "vertical", "caption")

UNCORRECTED = DeckFaults(
    standard="525", phase_lines=7.5, regime="uncorrected", skew_ns=60.0, quadrature_ns=(0.0, 45.0, 0.0, -15.0),
    saturation_pct=(0.0, 0.0, -8.0, 0.0), noise_db=(0.0, 0.0, 0.0, 2.5), onsets=(Onset("saturation_pct", 150),),
)  # fmt: skip
"""Off a deck without a corrector: skew, one head out of quadrature, and from the middle on one head low in colour."""
CORRECTED = DeckFaults(
    standard="625", phase_lines=3.25, regime="line-corrected", scallop_ns=70.0, level_ire=(1.5, 0.0, 0.0, 0.0),
    response_db=(0.0, 0.0, 0.0, -1.5), blanking="reinserted",
)  # fmt: skip
"""Through a corrector: scallop that shows as hue along the line, one head high in level, one dull."""


def drawn_programme(seed: int, seconds: float, standard: StandardName) -> Programme:
    """Drawn plates only, a cut every second or two."""
    rng = np.random.default_rng([seed, 12])
    kinds = sorted(DRAWINGS)
    shots: list[tuple[Scene, float]] = []
    total = 0.0
    while total < seconds:
        length = float(rng.uniform(1.2, 2.2))
        kind, motion, number = (
            kinds[len(shots) % len(kinds)],
            _MOTIONS[len(shots) % len(_MOTIONS)],
            int(rng.integers(1 << 31)),
        )
        shots.append((LateScene(_builder(kind, motion, number, standard)), length))
        total += length
    return Programme(tuple(shots), f"drawn {seed}")


def _builder(kind: str, motion: str, number: int, standard: StandardName):  # type: ignore[no-untyped-def]
    def build() -> Scene:
        return shot(np.random.default_rng(number), motion, standard, plate=drawn_plate(kind, number))

    return build


def make_demo(directory: Path | str, *, seconds: float = SECONDS) -> list[tuple[Path, Truth]]:
    """Write the two tapes as FFV1 in Matroska, with their truth beside them; returns their paths and truths."""
    directory = Path(directory)
    damage = Damage(
        (Losses("uniform", per_minute=60.0), Losses("cluster", start_frame=100, position=0.7, count=15)),
        compensated=0.5,
    )
    tapes = (
        ("demo_uncorrected_525.mkv", UNCORRECTED, 1, "01:00:00;00"),
        ("demo_corrected_625.mkv", CORRECTED, 2, "10:00:00:00"),
    )
    out: list[tuple[Path, Truth]] = []
    for name, faults, seed, timecode in tapes:
        rate = 30_000 / 1001 if faults.standard == "525" else 25.0
        programme = drawn_programme(seed, seconds, faults.standard)
        tape = render(programme, faults, frames=round(seconds * rate), rng=np.random.default_rng(seed), damage=damage)
        out.append((write_clip(directory / name, tape, start_timecode=timecode, tone=Tone()), tape.truth))
    return out
