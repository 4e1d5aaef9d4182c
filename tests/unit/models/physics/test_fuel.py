"""Air-fuel ratios from composition against printed values, and against the sample fleet's own formula."""

import numpy as np
import polars as pl
import pytest

from models.physics.air import known_air
from models.physics.fuel import (
    BUTANE,
    ETHANOL,
    METHANE,
    PETROL,
    PROPANE,
    Fuel,
    air_fuel_ratio,
    ethanol_blend_ratio,
    lpg_ratio,
    ratio_beside_petrol,
    ratio_of_grade,
)
from models.tracking.covariates import COVARIATES, design
from sample_fleet import combustion
from tests.reference_files import reference_rows

PRINTED = reference_rows("fuel/air_fuel_ratios.csv")
MOLECULES = {
    "petrol": PETROL,
    "iso-octane": Fuel(8.0, 18.0),
    "n-heptane": Fuel(7.0, 16.0),
    "ethanol": ETHANOL,
    "methanol": Fuel(1.0, 4.0, 1.0),
    "methane": METHANE,
    "propane": PROPANE,
    "butane": BUTANE,
}


@pytest.mark.parametrize("row", PRINTED, ids=[row["fuel"] for row in PRINTED])
def test_ratio_is_the_printed_one(row: dict[str, str]) -> None:
    name = row["fuel"]
    found = air_fuel_ratio(MOLECULES[name]) if name in MOLECULES else ratio_of_grade(name)
    assert found == pytest.approx(float(row["printed"]), abs=float(row["within"]))


def test_blends_start_and_end_at_their_parts_and_lie_between() -> None:
    assert ethanol_blend_ratio(0.0) == air_fuel_ratio(PETROL)
    assert ethanol_blend_ratio(1.0) == pytest.approx(air_fuel_ratio(ETHANOL), rel=1e-12)
    shares = np.linspace(0.0, 1.0, 21)
    assert np.all(np.diff([ethanol_blend_ratio(share) for share in shares]) < 0)
    assert lpg_ratio(1.0) == air_fuel_ratio(PROPANE)
    assert lpg_ratio(0.0) == air_fuel_ratio(BUTANE)
    assert abs(lpg_ratio(1.0) / lpg_ratio(0.0) - 1.0) < 0.015


def test_by_hand() -> None:
    """CH4 + 2 O2: 64 g of oxygen and its air for 16.04 g of methane."""
    assert air_fuel_ratio(METHANE) == pytest.approx(2.0 / 0.2095 * 28.96546 / (12.011 + 4 * 1.008), rel=1e-12)


@pytest.mark.parametrize("name", combustion.PETROL)
def test_agrees_with_the_formula_of_the_sample_fleet(name: str) -> None:
    hydrogen, oxygen = combustion.PETROL[name]
    assert air_fuel_ratio(Fuel(1.0, hydrogen, oxygen)) == pytest.approx(combustion.air_fuel_ratio(hydrogen, oxygen))


@pytest.mark.parametrize("name", ["", "petrol", "E", "E101", "E-5", "E10x", "95", "10"])
def test_a_name_without_composition_has_no_ratio(name: str) -> None:
    assert ratio_of_grade(name) is None
    assert ratio_beside_petrol(name) is None


@pytest.mark.parametrize("name", ["e10", " E10 ", "E010"])
def test_case_and_blanks_do_not_matter(name: str) -> None:
    assert ratio_of_grade(name) == ratio_of_grade("E10")


def test_tracking_takes_the_ratio_from_composition_and_the_fleets_usual_one_where_nothing_is_told() -> None:
    fuels = ["E5", "E10", "E85", "e27", "CNG", "super", None]
    n = len(fuels)
    visits = pl.DataFrame({"coolant_c": [90.0] * n, "hold_s": [1.0] * n, "fuel": fuels})
    air = known_air(*(np.full(n, value) for value in (25.0, 99.0, 0.0, 0.0)), usual_intake_air_c=15.0)
    x, u = design(visits, air, reference_intake_air_c=25.0, reference_barometer_kpa=99.0)
    fuel = COVARIATES.index("fuel")
    told = np.log([ethanol_blend_ratio(share) for share in (0.05, 0.1, 0.85, 0.27)])
    assert x[:4, fuel] == pytest.approx(told - np.log(air_fuel_ratio(PETROL)), abs=1e-3)
    assert x[4:, fuel] == pytest.approx(np.median(x[:4, fuel]))
    assert list(u[:, fuel]) == [0.0] * 4 + [0.015] * 3  # on gas the control unit reckons with gas


def test_no_fuel_told_at_all_counts_as_petrol() -> None:
    visits = pl.DataFrame({"coolant_c": [90.0], "hold_s": [1.0], "fuel": [None]}, schema_overrides={"fuel": pl.String})
    air = known_air(*(np.full(1, value) for value in (25.0, 99.0, 0.0, 0.0)), usual_intake_air_c=15.0)
    x, u = design(visits, air, reference_intake_air_c=25.0, reference_barometer_kpa=99.0)
    assert (x[0, COVARIATES.index("fuel")], u[0, COVARIATES.index("fuel")]) == (0.0, 0.015)
