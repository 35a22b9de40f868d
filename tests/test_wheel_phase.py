"""Which phase the relations choose together."""

from __future__ import annotations

import numpy as np
import pytest

from detect.judge.evidence import JOINT_RATIO
from detect.judge.rows import INDEX, RELATIONS, Rows
from detect.judge.wheel import View, boundaries, candidate_phases, fit_wheel, phase_lattice, scan_phases
from detect.standards import STD_525
from tests.drawn_rows import HEIGHT, error_at, jumps_between

PHASE = 5.40625


@pytest.mark.parametrize("size", [10.0, 100.0, 400.0, 4000.0])
def test_jumps_of_any_size_show_their_phase_and_themselves(size: float) -> None:
    rng = np.random.default_rng(3)
    ratio, weight = rng.normal(0, 1, (len(RELATIONS), HEIGHT)), np.ones((len(RELATIONS), HEIGHT))
    heads = error_at(0.0, 0.0, np.array([0.0, size, 0.0, 0.0]), 0.0, phase=PHASE)
    ratio[INDEX["shift"], 2:-4] += jumps_between(heads)
    fit = fit_wheel(Rows(ratio, weight), View(0, HEIGHT), STD_525)
    assert abs(fit.phase_lines - PHASE) < 0.1
    assert fit.jumps[INDEX["shift"]] == pytest.approx([size, -size, 0.0, 0.0], abs=3.0)


def alike(phases: int) -> np.ndarray:
    """What every relation explains at each phase by chance, (relations, phases)."""
    return np.random.default_rng(1).chisquare(4, (len(RELATIONS), phases))


def test_a_relation_weakened_by_its_own_jumps_still_proposes_its_phase() -> None:
    """Its variance holds its own jumps, ten thousand times the noise; a fainter relation elsewhere seems the stronger."""
    explained = alike(len(phase_lattice(STD_525)))
    strong, faint = INDEX["shift"], INDEX["level"]
    explained[strong] *= 100.0
    explained[strong, 173] = 2e6
    explained[faint, 400] = 400.0
    variance = np.ones(len(RELATIONS))
    variance[strong] = 1e4
    assert set(candidate_phases(explained, variance)) == {173, 400}


def test_phases_a_quarter_of_a_line_apart_are_one_candidate() -> None:
    explained = alike(len(phase_lattice(STD_525)))
    explained[INDEX["shift"], 173] = explained[INDEX["level"], 176] = 400.0
    assert len(candidate_phases(explained, np.ones(len(RELATIONS)))) == 1


@pytest.mark.parametrize(("edges", "found"), [(("edge_right",), False), (("edge_left", "edge_right"), True)], ids=["one", "both"])
def test_blanking_edges_find_the_wheel_together_or_not_at_all(edges: tuple[str, ...], found: bool) -> None:
    """Both ends of a line move as it does; what the picture has beside straight blanking shows at one of them."""
    rng = np.random.default_rng(8)
    ratio, weight = rng.normal(0, 1, (len(RELATIONS), HEIGHT)), np.ones((len(RELATIONS), HEIGHT))
    heads = jumps_between(error_at(0.0, 0.0, np.array([0.0, 12.0, 0.0, 0.0]), 0.0, phase=PHASE))
    for name in edges:
        ratio[INDEX[name], 2:-4] += heads
    fit = fit_wheel(Rows(ratio, weight), View(0, HEIGHT), STD_525)
    assert (abs(fit.phase_lines - PHASE) < 0.2 and fit.null_ratio > JOINT_RATIO) == found


def test_a_phase_whose_boundaries_are_left_out_is_not_told() -> None:
    """A scratch on one line of every pass: the pairs that read it are left out, but those of one pass where its dashes were not found."""
    rng = np.random.default_rng(2)
    ratio, weight = rng.normal(0, 1, (len(RELATIONS), HEIGHT)), np.ones((len(RELATIONS), HEIGHT))
    period, place = float(STD_525.lines_per_pass), 0.4
    for n in set(range(14)) - {3}:
        first = 2 * int(PHASE + (n + place) * period)
        weight[:, first - 8 : first + 10] = 0.0
    sums = boundaries(Rows(ratio, weight), View(0, HEIGHT))
    scan = scan_phases(sums, period, phase_lattice(STD_525))
    beside = np.abs(scan.phases - (PHASE + place * period) % period)
    explained = scan.explained[INDEX["shift"]]
    assert not explained[beside < 0.5].any()
    assert explained[beside > 6].all()


def test_a_picture_of_half_the_height_is_told_at_all_phases() -> None:
    ratio, weight = np.random.default_rng(2).normal(0, 1, (len(RELATIONS), HEIGHT)), np.ones((len(RELATIONS), HEIGHT))
    weight[:, : HEIGHT // 2] = 0.0
    scan = scan_phases(boundaries(Rows(ratio, weight), View(0, HEIGHT)), float(STD_525.lines_per_pass), phase_lattice(STD_525))
    assert scan.explained[INDEX["shift"]].all()
