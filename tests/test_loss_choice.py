"""The second look at candidates: shots full of dashes of light are not believed, scratches are believed sooner."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from detect.judge.assumed_phase import Assumed
from detect.judge.loss_choice import LIKELY, _gain_of_the_wheel, choose_losses
from detect.judge.loss_light import TIGHT_GAIN, light_pct
from detect.judge.tape_map import place_losses
from detect.standards import STD_625

RATE = 29.97
Arrays = dict[str, np.ndarray]


def candidates(
    score: np.ndarray,
    rng: np.random.Generator,
    *,
    length: float = 16,
    frames: int = 300,
    kind: int = 0,
    leak: float = 0.0,
) -> Arrays:
    count = len(score)
    x0 = rng.integers(10, 600, count)
    return {
        "frame": np.sort(rng.integers(0, frames, count)),
        "field": np.zeros(count, int),
        "line": rng.integers(5, 235, count),
        "x0": x0,
        "x1": x0 + np.maximum(6, rng.normal(length, 1, count)).astype(int),
        "kind": np.full(count, kind),
        "score": score,
        "leak": np.full(count, leak),
        "stack": np.ones(count, int),
        "crowd": np.ones(count, int),
    }


def joined(*parts: Arrays) -> tuple[Arrays, np.ndarray]:
    out = {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}
    order = np.argsort(out["frame"], kind="stable")
    origin = np.concatenate([np.full(len(p["frame"]), i) for i, p in enumerate(parts)])
    return {name: values[order] for name, values in out.items()}, origin[order]


def choose(arrays: Arrays, cuts: list[int] | None = None, position: np.ndarray | None = None) -> np.ndarray:
    return choose_losses(arrays, cuts=np.array(cuts or [], int), frame_rate=RATE, pass_position=position)


def test_ordinary_shots_keep_the_plain_threshold() -> None:
    rng = np.random.default_rng(1)
    arrays = candidates(np.array([-2.0, 1.9, 2.1, 4.0, 8.0]), rng, leak=0.2)
    np.testing.assert_array_equal(choose(arrays), arrays["score"] >= LIKELY)


def test_what_leaks_nothing_is_believed_sooner() -> None:
    """A loss keeps to its line; where there is no light, hardly anything else does."""
    rng = np.random.default_rng(1)
    arrays = candidates(np.array([-2.0, -0.1, 0.1, 1.9, 4.0]), rng)
    np.testing.assert_array_equal(choose(arrays), arrays["score"] >= LIKELY - TIGHT_GAIN)


def test_what_leaks_nothing_is_believed_no_sooner_where_there_is_light() -> None:
    rng = np.random.default_rng(1)
    light = candidates(rng.uniform(0, 2, 12), rng, leak=0.5)
    arrays, _ = joined(light, candidates(np.array([1.0, 1.5]), rng))
    assert not choose(arrays).any()


def test_what_leaks_nothing_is_believed_no_sooner_where_the_picture_cannot_be_predicted() -> None:
    rng = np.random.default_rng(1)
    for crowd in (150, 500):
        arrays = candidates(np.array([1.0, 1.5, 2.5]), rng) | {"crowd": np.full(3, crowd)}
        assert choose(arrays).tolist() == [False, False, True]


def test_no_candidates_are_none() -> None:
    assert len(choose(candidates(np.zeros(0), np.random.default_rng(1)))) == 0


def glints(rng: np.random.Generator, count: int = 1500) -> Arrays:
    """Candidates as sparkling water gives them: scores falling by exp(-0.8) a unit from -3 up, one in ten without a
    leak."""
    arrays = candidates(rng.exponential(1 / 0.8, count) - 3, rng, length=11)
    return arrays | {"leak": np.where(rng.random(count) < 0.1, 0.03, rng.uniform(0.1, 0.8, count))}


def test_a_shot_full_of_light_yields_nothing() -> None:
    arrays = glints(np.random.default_rng(2))
    assert np.sum(arrays["score"] >= LIKELY) > 8
    assert choose(arrays).sum() == 0


def test_the_share_of_the_picture_with_light_is_told() -> None:
    """Glints over a quarter of the lines and of the time; a cell's neighbours count with it."""
    rng = np.random.default_rng(18)
    light = glints(rng)
    light["line"] = rng.integers(180, 240, len(light["line"]))
    light["frame"] = np.sort(rng.integers(0, 150, len(light["line"])))
    arguments = {"likely": LIKELY, "frame_rate": RATE, "frames": 600, "lines": 240}
    share = light_pct(light, shot=np.zeros(len(light["line"]), int), **arguments)  # type: ignore[arg-type]
    assert 100 / 16 <= share < 100 / 8
    none = candidates(np.full(20, 6.0), rng)
    assert light_pct(none, shot=np.zeros(20, int), **arguments) == 0  # type: ignore[arg-type]


def test_light_with_high_scores_is_no_more_believed() -> None:
    """Sequins score as high as losses do; their near misses score as high too."""
    rng = np.random.default_rng(12)
    arrays = glints(rng)
    arrays["score"] = rng.normal(3.0, 3.0, len(arrays["score"]))
    assert choose(arrays).sum() == 0


def confetti(rng: np.random.Generator) -> tuple[Arrays, Arrays]:
    """Light with near misses in the lower lines of a first shot of 300 frames, and 24 dashes all over it and the next."""
    light = glints(rng)
    light["line"] = rng.integers(150, 235, len(light["line"]))
    light["frame"] = np.sort(rng.integers(0, 300, len(light["line"])))
    dashes = candidates(np.full(24, 6.0), rng, length=8)
    dashes["line"] = rng.integers(5, 140, 24)
    dashes["frame"] = np.sort(rng.integers(0, 340, 24))
    return light, dashes


def test_short_dashes_all_over_a_picture_with_light_are_confetti_and_longer_ones_losses() -> None:
    """Losses are longer than a microsecond as a rule (common practice, no single source)."""
    rng = np.random.default_rng(21)
    light, dashes = confetti(rng)
    arrays, origin = joined(light, dashes)
    assert not choose(arrays, cuts=[300])[origin == 1].any()
    long = dashes | {"x1": dashes["x0"] + 27}
    arrays, origin = joined(light, long)
    assert choose(arrays, cuts=[300])[origin == 1].mean() > 0.9


def test_dashes_nearly_all_shorter_than_losses_are_sparks_without_any_light_too() -> None:
    """One loss in ten is as short (log-normal about 3 us); of 24, 22 and more are by chance (a half each) once in 50,000 times."""
    rng = np.random.default_rng(22)
    _, dashes = confetti(rng)
    dashes["frame"] = np.sort(rng.integers(0, 300, 24))
    assert stats.binom.sf(21, 24, 0.5) < 1e-4 <= stats.binom.sf(20, 24, 0.5)
    for longer, kept in ((0, 0), (2, 2), (6, 24), (24, 24)):
        x1 = np.where(np.arange(24) < longer, dashes["x0"] + 27, dashes["x1"])
        assert choose(dashes | {"x1": x1}, cuts=[300]).sum() == kept


def test_a_loss_beside_the_light_is_taken() -> None:
    rng = np.random.default_rng(13)
    light = glints(rng)
    light["line"] = rng.integers(150, 235, len(light["line"]))
    losses = candidates(np.full(5, 3.0), rng, length=11)
    losses["line"] = rng.integers(5, 80, 5)
    arrays, origin = joined(light, losses)
    assert choose(arrays)[origin == 1].all()
    losses["line"] = rng.integers(170, 230, 5)
    arrays, origin = joined(light, losses)
    assert not choose(arrays)[origin == 1].any()


def test_losses_of_several_lines_are_taken_where_there_is_no_light() -> None:
    arrays = candidates(np.full(9, 6.0), np.random.default_rng(14)) | {"stack": np.full(9, 3)}
    assert choose(arrays).all()


def test_dirt_on_film_is_known_from_the_shots_around() -> None:
    """One speck a shot proves nothing; a stretch of film with one in every shot does."""
    rng = np.random.default_rng(15)
    faint = candidates(np.full(10, 1.0), rng, length=11, leak=0.4)
    clear = candidates(np.full(2, 5.0), rng, length=11, leak=0.4)
    arrays, origin = joined(faint, clear)
    cuts = list(range(15, 300, 15))
    assert not choose(arrays, cuts=cuts)[origin == 1].any()
    assert choose(clear, cuts=cuts).all()


def test_more_leaks_than_losses_have_are_dirt() -> None:
    rng = np.random.default_rng(17)
    dirt = candidates(np.full(6, 7.0), rng, length=20, leak=0.5)
    assert choose(dirt).sum() == 0
    losses = candidates(np.full(60, 7.0), rng, length=20)
    arrays, _ = joined(dirt, losses)
    assert choose(arrays).all()


@pytest.mark.parametrize("kind", [0, 1])
def test_what_a_line_beside_it_shows_as_much_is_no_loss(kind: int) -> None:
    rng = np.random.default_rng(18)
    assert not choose(candidates(np.full(1, 9.0), rng, length=40, leak=0.9, kind=kind)).any()
    assert choose(candidates(np.full(1, 9.0), rng, length=40, leak=0.6, kind=kind)).all()


def test_light_in_one_place_does_not_make_a_scratch() -> None:
    """Lamps mirrored in wet ground stand in columns: each crowds at some places across the tape."""
    rng = np.random.default_rng(16)
    light = glints(rng, 400)
    position = rng.normal(0.4, 0.01, 400)
    np.testing.assert_array_equal(choose(light, position=position), choose(light))


def test_losses_of_another_look_in_that_shot_are_still_taken() -> None:
    rng = np.random.default_rng(3)
    losses = candidates(rng.normal(7, 1.5, 20), rng, length=90, kind=1)
    arrays, origin = joined(glints(rng), losses)
    assert choose(arrays)[origin == 1].mean() > 0.95


def test_the_shot_after_the_cut_is_judged_by_itself() -> None:
    rng = np.random.default_rng(4)
    noisy = glints(rng)
    quiet = candidates(np.full(12, 3.0), rng, length=11)
    quiet["frame"] += 300
    arrays, origin = joined(noisy, quiet)
    assert choose(arrays, cuts=[300])[origin == 1].all()


def test_many_true_losses_do_not_raise_the_threshold() -> None:
    rng = np.random.default_rng(5)
    arrays = candidates(rng.normal(7, 2.5, 400), rng, length=30)
    assert choose(arrays).sum() >= 0.97 * np.sum(arrays["score"] >= LIKELY)


def scratched(rng: np.random.Generator, hits: int = 60) -> tuple[Arrays, np.ndarray, np.ndarray]:
    """A faint scratch at 0.62 of the pass among false candidates anywhere: arrays, truth, places."""
    faint = candidates(rng.normal(LIKELY - TIGHT_GAIN, 2.0, hits), rng)
    false = candidates(rng.exponential(1.0, 60) - 3, rng)
    arrays, origin = joined(faint, false)
    position = np.where(origin == 0, rng.normal(0.62, 0.002, len(origin)), rng.random(len(origin)))
    return arrays, origin == 0, position


def test_a_scratch_through_most_passes_is_no_light_however_much_of_the_picture_it_lights() -> None:
    """Its dashes are on a few lines of every field, as those of light that keeps to a part of the picture are."""
    rng = np.random.default_rng(31)
    lines = (8 + 16.40625 * np.arange(14)).astype(int)
    dashes = candidates(np.full(600, 7.0), rng, length=27)
    dashes["line"] = rng.choice(lines[:11], 600)
    traces = candidates(rng.uniform(-3, 1.9, 900), rng, length=27, leak=0.4)
    traces["line"] = rng.choice(lines[:11], 900) + 1
    for part in (dashes, traces):
        part["x0"], part["x1"] = np.full(len(part["line"]), 200), np.full(len(part["line"]), 227)
    arrays, origin = joined(dashes, traces)
    position = np.where(origin == 0, 0.37, 0.43)
    assert choose(arrays, position=position)[origin == 0].mean() > 0.95
    low = arrays | {"line": np.where(arrays["line"] > 70, arrays["line"] % 66 + 4, arrays["line"])}
    assert choose(low, position=position)[origin == 0].mean() < 0.05, "in a third of the picture it is the picture's"


def test_the_period_of_the_passes_finds_more_of_a_scratch() -> None:
    """Outside check: Armstrong, Rayner and Kokaram (1998) report that the known period of the passes improves the
    detection of scratches on 2-inch tape. Repeated here on candidates: more of a faint scratch is found, with no more
    false ones."""
    without = with_wheel = hits = false_without = false_with = 0
    for seed in range(20):
        arrays, true, position = scratched(np.random.default_rng(seed))
        plain, better = choose(arrays), choose(arrays, position=position)
        hits += int(true.sum())
        without += int(plain[true].sum())
        with_wheel += int(better[true].sum())
        false_without += int(plain[~true].sum())
        false_with += int(better[~true].sum())
    assert without / hits < 0.6
    assert with_wheel / hits > 0.85
    assert false_with - false_without < 0.02 * hits


def test_a_bright_line_of_the_picture_is_no_scratch() -> None:
    """What stands still in the picture comes back in one line only, not in every pass."""
    rng = np.random.default_rng(6)
    arrays = candidates(rng.normal(1.0, 1.5, 80), rng)
    arrays["line"][:] = 100
    position = np.full(80, 0.62)
    np.testing.assert_array_equal(choose(arrays, position=position), choose(arrays))


def test_an_unknown_wheel_changes_nothing() -> None:
    arrays, _, position = scratched(np.random.default_rng(7))
    np.testing.assert_array_equal(choose(arrays, position=np.full(len(position), np.nan)), choose(arrays))


def test_nothing_shorter_than_half_a_microsecond_is_believed() -> None:
    rng = np.random.default_rng(8)
    arrays = candidates(np.full(3, 9.0), rng)
    arrays["x1"] = arrays["x0"] + np.array([4, 5, 8])
    assert choose(arrays).tolist() == [False, False, True]


def test_pictures_that_cannot_be_predicted_are_judged_as_one_look() -> None:
    """Steep moving stripes give false candidates of every kind and length; each look alone has too few to tell."""
    rng = np.random.default_rng(9)
    parts = [
        candidates(rng.exponential(1.0, 40) - 3, rng, length=length, kind=kind)
        for length in (11, 16, 25, 45, 90)
        for kind in (0, 1, 2)
    ]
    arrays, _ = joined(*parts)
    plain = choose(arrays).sum()
    crowded = choose({**arrays, "crowd": np.full(len(arrays["score"]), 600)}).sum()
    assert plain >= 3
    assert crowded <= plain / 3


def test_dashes_at_line_ends_are_no_losses() -> None:
    rng = np.random.default_rng(10)
    assert not choose(candidates(np.full(3, 9.0), rng, kind=4)).any()


def test_a_field_full_of_suspects_beside_a_cut_needs_better_odds() -> None:
    """A cut between the fields of a frame leaves a field that none around it explains; so does a decoder that combs across the cut, in
    pieces of single lines."""
    arrays = candidates(np.array([4.6, 7.0]), np.random.default_rng(11))
    arrays |= {"crowd": np.array([61, 61]), "neighbours": np.array([2, 2]), "leak": np.array([0.5, 0.5])}
    assert choose(arrays).tolist() == [False, True]
    assert choose({**arrays, "leak": np.zeros(2)}).tolist() == [False, True]
    assert choose({**arrays, "neighbours": np.array([4, 4])}).all()


def test_losses_anywhere_crowd_nowhere_in_the_passes() -> None:
    """A head goes on to the end of its last line: what lies beyond its quarter turn is no crowd there."""
    rng = np.random.default_rng(6)
    count = 4000
    candidates = {
        "frame": np.sort(rng.integers(0, 100, count)), "field": rng.integers(0, 2, count), "line": rng.integers(2, 285, count),
        "x0": rng.integers(0, 700, count), "kind": np.zeros(count, int), "score": np.full(count, 9.0), "run": np.arange(count),
    }  # fmt: skip
    candidates["x1"] = candidates["x0"] + 12
    wheel = [Assumed(0, 100, 4.3)]
    places = place_losses(candidates, wheel=wheel, standard=STD_625, rows0=(0, 1))
    gain = _gain_of_the_wheel(candidates, np.ones(count, bool), np.ones(count, bool), places.in_turn, 25.0)
    assert not gain.any()
    assert _gain_of_the_wheel(candidates, np.ones(count, bool), np.ones(count, bool), places.pass_position, 25.0).any()


def test_crests_of_waves_a_pass_apart_are_no_scratch() -> None:
    """Light crowds in a tenth of the pass; a scratch in a hundredth of it. Among many fainter ones it is not told."""
    rng = np.random.default_rng(7)
    count = 1200
    candidates = {"frame": np.sort(rng.integers(0, 90, count)), "line": rng.integers(2, 285, count)}
    all_of_them = np.ones(count, bool)
    crest = np.where(rng.random(count) < 0.6, 0.4 + 0.12 * rng.random(count), rng.random(count))
    scratch = np.where(rng.random(count) < 0.04, 0.4, rng.random(count))
    assert not _gain_of_the_wheel(candidates, all_of_them, all_of_them, crest, 25.0).any()
    assert _gain_of_the_wheel(candidates, all_of_them, all_of_them, scratch, 25.0).any()
    light_too = np.concatenate([scratch, rng.random(40 * count)])
    more = {k: np.concatenate([v, rng.choice(v, 40 * count)]) for k, v in candidates.items()}
    taken = np.arange(41 * count) < count
    assert not _gain_of_the_wheel(more, taken, np.ones(41 * count, bool), light_too, 25.0).any()
