"""Shares of a figure that a carrier may take away."""

from __future__ import annotations

from itertools import pairwise

import pytest

from detect.findings import HeadValues, Value, WindowReadings
from detect.judge.doubt import BY_CODEC, FAMILY, LOST, MOST_LOST_NS, NONE, of_carrier, widened, without

READINGS = WindowReadings(
    skew_ns=Value(value=40.0, sigma=1.0), saturation_pct=HeadValues(values=[-6.0, 2.0, 2.0, 2.0], sigmas=[0.2, 0.2, 0.2, 0.2])
)


def test_a_lossless_carrier_widens_nothing() -> None:
    assert of_carrier("ffv1", 9.0) == NONE
    assert widened(READINGS, NONE) == READINGS


def test_error_bars_take_in_the_share_and_values_stay() -> None:
    wide = widened(READINGS, {"timing": 0.1, "saturation": 0.5})
    assert wide.skew_ns is not None
    assert wide.saturation_pct is not None
    assert wide.skew_ns.value == 40.0
    assert wide.skew_ns.sigma == pytest.approx((1.0 + 16.0) ** 0.5)
    assert wide.saturation_pct.sigmas[0] == pytest.approx((0.04 + 9.0) ** 0.5)


def test_what_one_head_loses_is_doubted_in_the_others_too() -> None:
    figure = HeadValues(values=[-1.6, 0.1, 0.4, 1.1], sigmas=[0.1] * 4)  # of -4.0 and three of 1.35, through blocks
    wide = widened(READINGS.model_copy(update={"saturation_pct": figure}), {"saturation": 0.5}).saturation_pct
    assert wide is not None
    together = (sum(v * v for v in (1.6, 0.1, 0.4, 1.1)) / 4) ** 0.5
    assert wide.sigmas[0] == pytest.approx((0.01 + 0.8**2) ** 0.5)  # its own offset is the larger
    assert wide.sigmas[1] == pytest.approx((0.01 + (0.5 * together) ** 2) ** 0.5)


def test_what_is_lost_on_average_is_given_back() -> None:
    back = widened(READINGS, {LOST: 0.1})
    assert (back.skew_ns, back.saturation_pct) == (Value(value=44.0, sigma=1.1), READINGS.saturation_pct)
    of_heads = HeadValues(values=[-120.0, 40.0, 40.0, 40.0], sigmas=[1.0] * 4)
    heads = widened(READINGS.model_copy(update={"quadrature_ns": of_heads}), {LOST: 0.1}).quadrature_ns
    assert heads is not None
    assert heads.values == pytest.approx([-120.0 - MOST_LOST_NS, 44.0, 44.0, 44.0])


def test_the_share_comes_off_again_to_ask_whether_anything_is_there() -> None:
    wide = widened(READINGS, {"timing": 0.3})
    assert wide.skew_ns is not None
    assert wide.skew_ns.sigma is not None
    assert without(wide.skew_ns.sigma, 40.0, 0.3) == pytest.approx(1.0, abs=1e-4)  # published figures have six decimals
    assert without(0.1, 40.0, 0.3) == 0.0


def test_every_lossy_carrier_has_a_share_for_every_family() -> None:
    for codec, rates in BY_CODEC.items():
        assert rates[-1][0] == 0.0, codec  # whatever its rate
        for _, shares in rates:
            assert set(shares) == set(FAMILY.values()), codec


def test_the_fewer_bits_the_more_a_codec_takes() -> None:
    for codec, rates in BY_CODEC.items():
        least, shares = zip(*rates, strict=True)
        assert list(least) == sorted(least, reverse=True), codec
        for more, fewer in pairwise(shares):
            assert all(more[family] <= fewer[family] for family in FAMILY.values()), codec
    assert of_carrier("prores", 6.0)["timing"] < of_carrier("prores", 3.0)["timing"]


def test_a_figure_that_its_carrier_hides_is_withheld_unless_it_is_clear() -> None:
    small = READINGS.model_copy(update={"noise_db": HeadValues(values=[0.1, -0.1, 0.0, 0.0], sigmas=[0.1] * 4)})
    large = READINGS.model_copy(update={"noise_db": HeadValues(values=[3.0, -1.0, -1.0, -1.0], sigmas=[0.1] * 4)})
    assert widened(small, {"noise": 0.9}).noise_db is None
    assert widened(small, {"noise": 0.3}).noise_db is not None
    told = widened(large, {"noise": 0.9}).noise_db
    assert told is not None
    assert told.values[0] == 3.0
    assert told.sigmas[0] == pytest.approx((0.01 + 7.29) ** 0.5)
