"""Whether a snap can be of its family: what the register expects bounds it, else the air the engine displaces."""

from dataclasses import replace

import numpy as np
import pytest

from data_contracts.family import Family
from models.at_the_van.family_fit import OF_EXPECTED, OF_SWEPT, able, doubt
from tests.analytic import family as analytic_family

FAMILY = analytic_family()


def with_peak(expected: float | None) -> Family:
    return replace(FAMILY, main_peak=replace(FAMILY.main_peak, expected_g_s=expected))


def test_what_the_register_expects_bounds_the_main_peak() -> None:
    low, high = able(with_peak(100.0))
    assert (low, high) == pytest.approx((100.0 * OF_EXPECTED[0], 100.0 * OF_EXPECTED[1]))


@pytest.mark.parametrize("aspiration", ["natural", "turbo"])
def test_without_it_the_displaced_air_does(aspiration: str) -> None:
    family = replace(with_peak(None), displacement_l=2.0, max_free_rpm=6000.0, aspiration=aspiration)
    swept = (
        1.157 * 2.0 * 6000.0 / 120.0
    )  # dry air of 25 °C and 99 kPa: p / (R T) = 99,000 / (287.05 · 298.15) = 1.157 kg/m³
    assert able(family) == pytest.approx([part * swept for part in OF_SWEPT[aspiration]], rel=1e-3)


@pytest.mark.parametrize(
    ("peaks", "doubted"),
    [
        ([100.0], False),
        ([71.0, np.nan], False),
        ([129.0], False),
        ([69.0], True),
        ([131.0], True),
        ([20.0, 100.0, 101.0], False),  # the middle counts
        ([20.0, 21.0, 100.0], True),
        ([np.nan], False),
        ([], False),
    ],
)
def test_only_what_is_far_outside_is_doubted(peaks: list[float], doubted: bool) -> None:
    fact = doubt(np.array(peaks), with_peak(100.0))
    assert (fact is not None) == doubted
    if fact is not None:
        assert fact.code == "far_from_family"
        assert fact.numbers["level"] == pytest.approx(float(np.nanmedian(peaks)))
