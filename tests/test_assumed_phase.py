"""Where the picture shows no wheel, a scratch still comes back every pass; what depends on the phase is not said."""

from __future__ import annotations

import numpy as np
import pytest

from detect.findings import WheelState
from detect.judge.assumed_phase import with_assumed_phases
from detect.judge.patterns import Pattern, exposure, find_patterns
from detect.judge.tape_map import place_losses
from detect.standards import STD_525
from tests.loss_events import ROWS, draw

FRAMES = 600
UNKNOWN = WheelState(
    start_frame=0, end_frame=FRAMES, phase_lines=None, phase_sigma_lines=None, locked=False, significance=1.0, null_ratio=1.0,
    head_numbers=None,
)  # fmt: skip


def patterns_without_a_wheel(losses: dict[str, np.ndarray]) -> list[Pattern]:
    count = len(losses["frame"])
    losses = losses | {"kind": np.zeros(count, int), "run": np.arange(count), "score": np.full(count, 9.0)}
    wheel = with_assumed_phases([UNKNOWN], losses, standard=STD_525, rows0=(1, 0), first_sample=0)
    places = place_losses(losses, wheel=wheel, standard=STD_525, rows0=(1, 0)).first_lines()
    seen = exposure(STD_525, phase_lines=wheel[0].phase_lines, rows=ROWS)
    return find_patterns(places, start_frame=0, end_frame=FRAMES, seen=seen, assumed=True)


@pytest.mark.parametrize("seed", range(12))
def test_a_scratch_is_named_wherever_it_lies(seed: int) -> None:
    """In the end of a pass too: the assumed passes are cut elsewhere."""
    rng = np.random.default_rng(seed)
    (found,) = patterns_without_a_wheel(draw(rng, 30, kind="scratch", at=float(rng.uniform(0.01, 0.95))))
    assert found.kind == "scratch"
    assert found.across_mm is None
    assert "where cannot be told" in found.text


@pytest.mark.parametrize("seed", range(12))
def test_a_damaged_edge_is_a_strip_and_no_scratch(seed: int) -> None:
    """It reaches in by millimetres, a scratch is a line (common practice, no single source)."""
    (found,) = patterns_without_a_wheel(draw(np.random.default_rng(seed), 60, kind="edge"))
    assert found.kind == "edge"
    assert found.across_mm is None
    assert "wider than a scratch (where cannot be told" in found.text


@pytest.mark.parametrize("kind", ["uniform", "one_head"])
def test_nothing_is_said_that_depends_on_the_phase(kind: str) -> None:
    named = [patterns_without_a_wheel(draw(np.random.default_rng(s), 40, kind=kind)) for s in range(60)]
    assert sum(bool(p) for p in named) <= 3  # one in twenty


@pytest.mark.parametrize("kind", ["cluster", "rising"])
def test_patterns_in_time_need_no_wheel(kind: str) -> None:
    named = [[p.kind for p in patterns_without_a_wheel(draw(np.random.default_rng(s), 40, kind=kind))] for s in range(12)]
    assert sum(n == [kind] for n in named) >= 11
