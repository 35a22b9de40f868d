"""Light of the picture's own is not taken for losses, and losses on the same footage are still found.

Rendered clips, each of a kind that gave tens of false losses a minute before near misses were counted (docs/dropouts.md).
"""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.loss_choice import LIKELY, choose_losses
from detect.judge.loss_light import LEAK
from detect.measure.loss_candidates import KINDS
from detect.measure.loss_leak import leak
from tests import losses_material as m
from tests.losses_clips import Found, match_arrays, search
from tests.losses_light import LIGHTS

RASTER = m.raster_of(486)
FIELDS = 60
ALLOWED = 0
"""False losses in a clip of a second: one would be sixty a minute."""


def searched(scene: m.Scene, damage: list[m.Damage] = [], noise_ire: float = 0.5) -> Found:  # noqa: B006
    recipe = m.Recipe(noise_ire=noise_ire)
    frames = [f for f, _ in m.render([(scene, FIELDS)], RASTER, recipe, damage, seed=5)]
    return search(frames, height=486, depth=10, codec="ffv1", minutes=FIELDS / 3600)


def taken(found: Found) -> np.ndarray:
    return choose_losses(found.arrays, cuts=np.array(found.cuts, int), frame_rate=29.97)


def ground() -> m.Scene:
    return m.pan(m.still("coffee"), RASTER.height, vx=1.3, vy=0.4)


@pytest.fixture(scope="module")
def sequins() -> Found:
    return searched(LIGHTS["sparkle"](ground(), RASTER.height, 5))


def test_sequins_score_as_losses_do_and_are_not_taken(sequins: Found) -> None:
    assert np.sum(sequins.arrays["score"] >= LIKELY) > 100
    assert taken(sequins).sum() <= ALLOWED


@pytest.mark.parametrize("kind", ["ripples", "stadium"])
def test_light_of_other_kinds_is_not_taken(kind: str) -> None:
    found = searched(LIGHTS[kind](ground(), RASTER.height, 9))
    assert np.sum(found.arrays["score"] >= LIKELY) > 3
    assert taken(found).sum() <= ALLOWED


def test_light_leaks_into_the_lines_next_to_it(sequins: Found) -> None:
    a = sequins.arrays
    likely = (a["score"] >= LIKELY) & (a["kind"] < KINDS.index("compensated"))
    near = (a["leak"] > LEAK) | (a["stack"] > 1)
    assert near[likely].mean() > 0.9


LOSSES = [
    m.Damage(9, 30, 200, 230, "white"),
    m.Damage(20, 50, 400, 425, "white"),
    m.Damage(31, 40, 300, 340, "black"),
    m.Damage(40, 70, 100, 160, "noise"),
    m.Damage(47, 60, 500, 600, "compensated"),
    m.Damage(52, 20, 610, 640, "white"),
]


def test_white_losses_beside_glints_are_found() -> None:
    """Glints fill the lower part of the picture; losses above it are taken as anywhere else."""
    rows = RASTER.height
    above, light = ground(), LIGHTS["sparkle"](ground(), rows, 5)
    split = 250

    def scene(t: int) -> m.Picture:
        picture = above(t).copy()
        picture[split:] = light(t)[split:]
        return picture

    found = searched(scene, LOSSES)
    chosen = taken(found)
    index = match_arrays(found.arrays, LOSSES)
    assert set(index[chosen].tolist()) == set(range(len(LOSSES)))


def test_a_loss_has_no_leak_and_no_stack() -> None:
    found = searched(ground(), LOSSES)
    index = match_arrays(found.arrays, LOSSES)
    mine = (index >= 0) & (found.arrays["kind"] < KINDS.index("compensated"))
    assert mine.sum() == 5
    assert np.all(found.arrays["stack"][mine] == 1)
    assert np.all(found.arrays["leak"][mine] < LEAK)


def leak_of(spot: m.Picture, *, after: m.Picture | None = None, at_row: int = 240) -> float:
    """The leak of what field 0 (even rows) of a picture shows at a row; the next field (odd rows) is of ``after``."""
    y = np.zeros((7, 243, 720), np.int16)
    y[0] = np.round(spot[0::2])
    y[1] = np.round((after if after is not None else 0 * spot)[1::2])
    refs = np.array([-1, -1, 1, -1])
    line = at_row // 2
    return leak(y, 0, -1, refs, line, line - 1, line + 1, 288, 313, 0, 720, np.zeros(720, np.float32))


def spot(spread_rows: float, row: float = 240) -> m.Picture:
    y, x = np.mgrid[0:486, 0:720].astype(np.float32)
    return np.asarray(5000 * np.exp(-0.5 * (((x - 300) / 4) ** 2 + ((y - row) / spread_rows) ** 2)), np.float32)


def expected_leak(rows: np.ndarray, spread_rows: float) -> float:
    one, two, three = np.exp(-0.5 * (rows / spread_rows) ** 2)
    return float(one - two - abs(two - three))


@pytest.mark.parametrize("spread_rows", [0.7, 1.0, 1.5])
def test_the_leak_of_a_point_of_light_is_that_of_its_spread(spread_rows: float) -> None:
    """Outside check: a Gaussian falls to exp(-(d/s)^2 / 2) a distance d from its middle; the next lines of the field are
    two, four and six rows away."""
    expected = expected_leak(np.array([2, 4, 6]), spread_rows)
    assert leak_of(spot(spread_rows)) == pytest.approx(expected, abs=0.005)


def test_light_that_lasts_leaks_into_the_next_field() -> None:
    """There the next lines are one, three and five rows away."""
    expected = expected_leak(np.array([1, 3, 5]), 0.7)
    assert leak_of(spot(0.7), after=spot(0.7)) == pytest.approx(expected, abs=0.005)


def test_what_is_of_one_line_alone_has_no_leak() -> None:
    one = np.zeros((486, 720), np.float32)
    one[240, 290:311] = 900
    assert leak_of(one) == 0
