"""Fuel, exhaust gas and the invented pump cell against published values and laws."""

import math

import numpy as np
import pytest

from models.physics.fuel import ratio_beside_petrol
from sample_fleet.blueprints import CHARACTERISTIC_LAMBDA
from sample_fleet.combustion import PETROL, air_fuel_ratio, exhaust_gas, pump_current

RATIOS = (0.6, 0.75, 0.9, 0.999, 1.0, 1.2, 2.0, 8.0)


@pytest.mark.parametrize(("fuel", "published"), [("E0", 0.619), ("E5", 0.631), ("E10", 0.646)])
def test_composition_gives_the_published_density_of_unburnt_fuel(fuel, published):
    # UN GTR 15: grams a litre of gas at 0 °C, 101.325 kPa; molar volume 22.413 l/mol (read in WLTP-07-11e, which has
    # the oxygen and the densities of E5 and E10 interchanged)
    hydrogen, oxygen = PETROL[fuel]
    assert (12.011 + 1.008 * hydrogen + 15.999 * oxygen) / 22.413 == pytest.approx(published, abs=0.0015)


@pytest.mark.parametrize(
    ("hydrogen", "oxygen", "published"),
    [(18 / 8, 0.0, 15.13), (16 / 7, 0.0, 15.17), (3.0, 0.5, 9.00), (4.0, 1.0, 6.47)],
)
def test_air_fuel_ratio_of_pure_fuels(hydrogen, oxygen, published):
    # iso-octane, n-heptane, ethanol, methanol: Heywood, Internal Combustion Engine Fundamentals, 1988, table D.4 (from memory)
    assert air_fuel_ratio(hydrogen, oxygen) == pytest.approx(published, abs=0.03)


@pytest.mark.parametrize("fuel", ["E5", "E10", "E85"])
def test_what_the_models_take_for_a_fuel_is_that_of_the_reference_fuel(fuel):
    # the reference fuels' own compositions; that of E85 is of a blend with less than 85 % ethanol
    of_reference = air_fuel_ratio(*(PETROL | {"E85": (2.74, 0.385)})[fuel]) / air_fuel_ratio(1.85, 0.0)
    assert ratio_beside_petrol(fuel) == pytest.approx(of_reference, abs=0.005 if fuel == "E85" else 0.001)


@pytest.mark.parametrize("ratio", RATIOS)
def test_exhaust_gas_tells_lambda_by_the_published_formula(ratio):
    # J. Brettschneider 1979 (formula second-hand, its water-gas constant 3.5): lambda from exhaust gas; no
    # hydrocarbons and no nitric oxide left
    gas = exhaust_gas(ratio)
    carbon = gas["CO2"] + gas["CO"]
    water = 1.85 / 4.0 * 3.5 / (3.5 + gas["CO"] / gas["CO2"])
    found = (gas["CO2"] + gas["CO"] / 2.0 + gas["O2"] + water * carbon) / ((1.0 + 1.85 / 4.0) * carbon)
    assert found == pytest.approx(ratio, rel=1e-9)
    assert sum(gas.values()) == pytest.approx(1.0)
    assert gas["H2O"] + gas["H2"] == pytest.approx(1.85 / 2.0 * carbon)


def test_pump_current_by_hand():
    # lambda 2 of CH1.85: per carbon 1.4625 O2 left of 1 CO2 + 0.925 H2O + 1.4625 O2 + 2.925 x 3.7733 N2
    assert pump_current(2.0) == pytest.approx(1.4625 / (3.3875 + 2.925 * 0.7905 / 0.2095) / 0.2095, rel=1e-9)
    assert pump_current(1.0) == pytest.approx(0.0, abs=1e-12)
    assert pump_current(1e6) == pytest.approx(1.0, abs=1e-5)
    # half a molecule of oxygen for each CO and H2, and they arrive sooner by the root of the molar mass (32, 28.01, 2.016)
    gas = exhaust_gas(0.8)
    wanted = 0.5 * (gas["CO"] * math.sqrt(31.998 / 28.010) + gas["H2"] * math.sqrt(31.998 / 2.016))
    assert pump_current(0.8) == pytest.approx(-wanted / 0.2095, rel=1e-9)
    assert np.all(np.diff([pump_current(x) for x in CHARACTERISTIC_LAMBDA]) > 0)
