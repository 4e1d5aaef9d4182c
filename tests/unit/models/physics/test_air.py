"""Air against published tables and independent packages; the main peak's correction against its textbook form."""

import numpy as np
import pytest

from data_contracts.errors import InputError
from models.physics.air import (
    Exponents,
    known_air,
    log_ratios,
    main_peak_at_reference,
    moist_air_density_kg_m3,
    saturation_pressure_kpa,
    standard_pressure_kpa,
    standard_temperature_c,
)
from tests.readings_fleet import families
from tests.reference_files import reference_rows


def _conditions(n=1, **given):
    base = {"intake_air_c": 25.0, "barometer_kpa": 99.0, "humidity_pct": 0.0, "altitude_m": np.nan} | given
    return {name: np.full(n, value, dtype=float) for name, value in base.items()}


def test_standard_atmosphere_against_table_and_package():
    for row in reference_rows("air/isa_table.csv"):
        height = np.array([float(row["h_m"])])
        assert standard_pressure_kpa(height)[0] * 1e3 == pytest.approx(float(row["p_Pa_ambiance"]), rel=1e-6)
        assert abs(standard_pressure_kpa(height)[0] * 1e3 - float(row["p_Pa_pub"])) <= 1.0  # printed in whole pascal
        assert standard_temperature_c(height)[0] + 273.15 == pytest.approx(float(row["T_K_pub"]), abs=1.1e-3)


def test_moist_air_density_against_package_and_publications():
    for row in reference_rows("air/moist_air_crosscheck.csv"):
        air = [np.array([float(row["t_C"])]), np.array([float(row["p_Pa"]) / 1e3]), np.array([100 * float(row["RH"])])]
        density = moist_air_density_kg_m3(*air)[0]
        if row["rho_CoolProp"]:
            assert density == pytest.approx(float(row["rho_CoolProp"]), rel=1e-4)
        if row["published"]:  # the 1978 equation and printed digits: 2e-4
            assert density == pytest.approx(float(row["published"]), rel=2e-4)


def test_saturation_pressure_known_points():
    # CIPM-2007 values as remembered from tables: 6.112, 12.28, 23.39, 42.47, 73.85 hPa at 0, 10, 20, 30, 40 °C.
    known = np.array([6.112, 12.28, 23.39, 42.47, 73.85])
    assert saturation_pressure_kpa(np.arange(0.0, 50.0, 10.0)) * 10 == pytest.approx(known, rel=1e-3)


def test_nothing_changes_at_reference_conditions():
    family = families()["heron-16"]
    at = main_peak_at_reference(np.array([60.0]), np.array([0.5]), **_conditions(), family=family)
    assert at.value[0] == pytest.approx(60.0, rel=1e-12)
    assert 0.5 < at.u[0] < 0.6


def test_textbook_exponents_worked_value():
    # 95 kPa dry, 30 °C: 99/95 × (303.15/298.15)^0.5 = 1.05081 (pressure over root temperature, arithmetic).
    family = families()["heron-16"]
    at = main_peak_at_reference(
        np.array([100.0]), np.array([0.1]), **_conditions(barometer_kpa=95.0, intake_air_c=30.0), family=family
    )
    assert at.value[0] / 100.0 == pytest.approx(1.05081, abs=1e-5)


def test_each_missing_condition_widens_and_is_never_exact():
    family = families()["heron-16"]
    known = _conditions(intake_air_c=10.0, barometer_kpa=97.0, humidity_pct=50.0, altitude_m=300.0)
    u = {}
    for name in ("", "intake_air_c", "barometer_kpa", "humidity_pct"):
        given = known | ({name: np.array([np.nan])} if name else {})
        u[name] = main_peak_at_reference(np.array([60.0]), np.array([0.1]), **given, family=family).u[0]
    assert u["intake_air_c"] > 2 * u[""]
    assert u["barometer_kpa"] > u[""]
    nothing = _conditions(barometer_kpa=np.nan)
    height = _conditions(barometer_kpa=np.nan, altitude_m=100.0)
    assert (
        main_peak_at_reference(np.array([60.0]), np.array([0.1]), **nothing, family=family).u[0]
        > main_peak_at_reference(np.array([60.0]), np.array([0.1]), **height, family=family).u[0]
    )


def test_missing_humidity_widens_on_a_hot_day():
    family = families()["heron-16"]
    sure = Exponents(1.0, 0.5, 0.0, 0.0)
    u = [
        main_peak_at_reference(
            np.array([60.0]),
            np.array([0.0]),
            **_conditions(intake_air_c=38.0, humidity_pct=h),
            family=family,
            exponents=sure,
        ).u[0]
        for h in (65.0, np.nan)
    ]
    assert u[1] > 1.02 * u[0]


def test_unread_stays_unread_with_a_reason():
    family = families()["heron-16"]
    at = main_peak_at_reference(np.array([np.nan]), np.array([np.nan]), **_conditions(), family=family)
    assert np.isnan(at.value[0])
    assert at.reason[0] != 0


def test_certain_exponents_leave_only_the_conditions():
    family = families()["heron-16"]
    conditions = _conditions(barometer_kpa=90.0, intake_air_c=5.0)
    sure = main_peak_at_reference(
        np.array([60.0]), np.array([0.0]), **conditions, family=family, exponents=Exponents(1.0, 0.5, 0.0, 0.0)
    )
    prior = main_peak_at_reference(np.array([60.0]), np.array([0.0]), **conditions, family=family)
    assert sure.value[0] == pytest.approx(prior.value[0])
    assert sure.u[0] < 0.6 * prior.u[0]


def test_more_water_than_air_is_taken_as_the_most_there_is_outside_without_a_warning():
    soaked = known_air(*(np.array([v]) for v in (140.0, 98.0, 100.0, np.nan)), usual_intake_air_c=25.0)
    with np.errstate(all="raise"):
        _, ratio = log_ratios(soaked, reference_intake_air_c=25.0, reference_barometer_kpa=99.0)
    # 35 °C saturated is 5.63 kPa (steam tables): 5.7 % of 98 kPa, which lightens air by 2.2 %.
    assert ratio[0] == pytest.approx(np.log((1 - 0.378 * 5.63 / 98.0) * 298.15 / 413.15), abs=3e-4)


@pytest.mark.parametrize(("air", "pressure"), [(-300.0, 98.0), (20.0, 0.0), (20.0, -3.0)])
def test_air_that_can_not_be_is_refused_in_one_line(air, pressure):
    with pytest.raises(InputError, match="impossible") as refused:
        known_air(*(np.array([v]) for v in (air, pressure, 50.0, np.nan)), usual_intake_air_c=25.0)
    assert "\n" not in str(refused.value)
