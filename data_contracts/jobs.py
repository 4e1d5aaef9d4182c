"""Per cause the job, and the tests that tell causes apart: hours, parts and costs before a workshop has its own.

Every figure is a default from general knowledge of the trade (no source, 2026-11-25): the workspace's
settings, and later the workshop's own findings, win over them. Money is in the workspace's currency.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from data_contracts.causes import CAUSES


@dataclass(frozen=True)
class Job:
    """What to do when a cause is named.

    Attributes
    ----------
    cause : str
        Code of data_contracts/causes.py.
    action : str
        What to do first, as an instruction.
    steps : tuple of str
        In order; the last is always the capture that proves the repair.
    parts : str
        Parts likely needed; empty for none.
    hours : float
        Workshop hours for the job. [h]
    parts_cost : float
        Parts at the workshop's price. [currency]
    failure_cost : float
        Cost of letting it go until it fails: recovery, lost day, following damage. [currency]
    safety : bool
        Failing can endanger people (fuel, exhaust gas, stalling in traffic): goes first.
    touches : tuple of str
        Quantities that the repair should bring back.
    """

    cause: str
    action: str
    steps: tuple[str, ...]
    parts: str
    hours: float
    parts_cost: float
    failure_cost: float
    safety: bool
    touches: tuple[str, ...]


@dataclass(frozen=True)
class WorkshopTest:
    """A test that tells causes apart.

    Attributes
    ----------
    name : str
        Key.
    title : str
        The test as an instruction.
    minutes : float
        Minutes of work, set-up included. [min]
    finds : mapping of str to float
        Probability that it finds something when the cause is there.
    otherwise : float
        Probability that it finds something when the cause is another or none.
    """

    name: str
    title: str
    minutes: float
    finds: Mapping[str, float]
    otherwise: float = 0.04


_PROVE = "record three snaps with settled trims, so that the repair can be proven"

JOBS: dict[str, Job] = {
    job.cause: job
    for job in (
        Job(
            "airflow_under_reading",
            "Check and clean or replace the air-mass sensor",
            ("inspect the sensing element and its connector", "compare its reading with a known good sensor", _PROVE),
            "air-mass sensor, seal",
            0.7, 140.0, 900.0, False,
            ("main_peak_reference_g_s", "flow_per_rev_mg", "idle_g_s", "lambda_full_throttle", "trim_idle_pct", "trim_2500_pct"),
        ),
        Job(
            "airflow_over_reading",
            "Check and clean or replace the air-mass sensor",
            ("inspect the sensing element for dirt", "check its ground and supply", _PROVE),
            "air-mass sensor, seal",
            0.7, 140.0, 600.0, False,
            ("idle_g_s", "main_peak_reference_g_s", "trim_idle_pct", "trim_2500_pct"),
        ),
        Job(
            "intake_restricted",
            "Inspect air filter and intake duct",
            ("look at the filter and the snorkel", "look for a collapsed duct under flow", "replace the filter", _PROVE),
            "air filter",
            0.4, 25.0, 350.0, False,
            ("main_peak_reference_g_s", "flow_per_rev_mg", "run_up_time_s"),
        ),
        Job(
            "throttle_not_full",
            "Check that the throttle plate opens fully with the pedal on the floor",
            ("record again with the pedal firmly on the floor", "look under the pedal for a mat", "compare pedal and plate position", _PROVE),
            "",
            0.5, 0.0, 300.0, False,
            ("throttle_opened", "main_peak_reference_g_s", "first_peak_g_s", "run_up_time_s"),
        ),
        Job(
            "unmetered_air",
            "Find and close the air leak after the air-mass sensor",
            ("smoke test from the air-mass sensor to the inlet ports", "check breather, brake booster hose and gaskets", "replace the leaking hose or gasket", _PROVE),
            "hose or gasket",
            1.2, 40.0, 800.0, True,
            ("idle_g_s", "trim_idle_pct", "trim_2500_pct", "settle_time_s"),
        ),
        Job(
            "charge_air_leak",
            "Pressure-test the charge-air path",
            ("pressure or smoke test from compressor to throttle", "tighten or replace hose, clip or cooler", _PROVE),
            "charge-air hose, clip",
            1.3, 90.0, 900.0, False,
            ("main_peak_reference_g_s", "lambda_full_throttle"),
        ),
        Job(
            "recirculation_valve",
            "Check the recirculation valve",
            ("apply vacuum or power and watch the valve move", "check its hose", "replace the valve", _PROVE),
            "recirculation valve",
            0.8, 70.0, 1200.0, False,
            ("recirculation_pulse_g_s",),
        ),
        Job(
            "fuel_delivery_weak",
            "Measure fuel pressure and delivery under load",
            ("release fuel pressure and fit the gauge as the vehicle maker says", "measure pressure and volume at full demand", "check filter, pump supply voltage and regulator", _PROVE),
            "fuel filter or pump",
            1.8, 210.0, 1500.0, True,
            ("lambda_full_throttle", "lambda_full_throttle_slope_per_s", "trim_2500_pct"),
        ),
        Job(
            "injector_restricted",
            "Test the injectors' flow and spray, cylinder by cylinder",
            ("balance test per cylinder", "clean, or replace the odd one", _PROVE),
            "injector, seals",
            2.0, 160.0, 1100.0, False,
            ("lambda_full_throttle", "tip_in_lean_blip", "cycle_ripple", "trim_idle_pct", "trim_2500_pct"),
        ),
        Job(
            "injector_leaking",
            "Test the injectors for leakage",
            ("watch rail pressure after switching off", "find the wet injector", "replace it and change the oil if thinned", _PROVE),
            "injector, seals, oil",
            2.2, 190.0, 1800.0, True,
            ("trim_idle_pct", "trim_2500_pct", "lambda_fuel_cut", "lambda_to_lean_time_constant_s"),
        ),
        Job(
            "fuel_aeration",
            "Find where air enters the fuel",
            ("look for bubbles in a clear section of line", "check level, pick-up and suction joints", "renew the leaking joint or pump", _PROVE),
            "line, joint or pump module",
            1.6, 150.0, 1300.0, True,
            ("lean_needles", "lambda_full_throttle"),
        ),
        Job(
            "ignition_weak",
            "Check coils, plugs and leads under load",
            ("look at the spark under load, cylinder by cylinder", "change plugs; swap the suspect coil to see it move", _PROVE),
            "plugs, coil",
            1.0, 110.0, 1400.0, False,
            ("lean_needles", "lambda_full_throttle", "run_up_time_s"),
        ),
        Job(
            "lambda_slow",
            "Replace the lambda sensor after checking heater and wiring",
            ("check heater current and ground", "check the response with added fuel and with added air", "replace the sensor", _PROVE),
            "lambda sensor",
            0.8, 120.0, 700.0, False,
            ("lambda_to_rich_time_constant_s", "lambda_to_lean_time_constant_s", "lambda_to_rich_switch_time_s", "lambda_to_lean_switch_time_s"),
        ),
        Job(
            "lambda_slow_one_way",
            "Replace the lambda sensor after checking both edges",
            ("check the response with added fuel and with added air", "replace the sensor", _PROVE),
            "lambda sensor",
            0.8, 120.0, 600.0, False,
            ("lambda_to_rich_time_constant_s", "lambda_to_lean_time_constant_s", "lambda_to_rich_switch_time_s", "lambda_to_lean_switch_time_s"),
        ),
        Job(
            "lambda_offset",
            "Compare the lambda sensor with an exhaust-gas analyser, then replace it",
            ("measure exhaust gas at idle and 2,500 rpm in closed loop", "look for coolant, silicone or oil on the sensor", "replace the sensor", _PROVE),
            "lambda sensor",
            0.9, 120.0, 800.0, False,
            ("lambda_full_throttle", "lambda_full_throttle_v", "trim_idle_pct", "trim_2500_pct", "lambda_fuel_cut"),
        ),
        Job(
            "exhaust_leak",
            "Find and close the exhaust leak ahead of the lambda sensor",
            ("cold: pressurise or smoke the exhaust and listen", "check manifold gasket, studs and flexible joint", "renew the gasket", _PROVE),
            "gasket, studs",
            1.5, 60.0, 700.0, True,
            ("trim_idle_pct", "trim_2500_pct", "lambda_idle"),
        ),
        Job(
            "exhaust_restricted",
            "Measure exhaust back pressure",
            ("measure back pressure at 2,500 rpm and in a snap", "inspect catalyst and silencers", "replace the blocked part and find what blocked it", _PROVE),
            "catalyst or silencer",
            2.0, 450.0, 1600.0, True,
            ("main_peak_reference_g_s", "flow_per_rev_mg", "run_up_time_s"),
        ),
    )
}  # fmt: skip

TESTS: dict[str, WorkshopTest] = {
    test.name: test
    for test in (
        WorkshopTest("full_pedal", "Watch the plate, or its scan value, with the pedal on the floor", 5, {"throttle_not_full": 0.95}),
        WorkshopTest("air_filter", "Look at air filter and intake duct", 8, {"intake_restricted": 0.85}),
        WorkshopTest(
            "air_mass_compare", "Compare the air-mass sensor with a known good one", 20,
            {"airflow_under_reading": 0.92, "airflow_over_reading": 0.92},
        ),
        WorkshopTest(
            "intake_smoke", "Smoke-test the intake from the air-mass sensor on", 25,
            {"unmetered_air": 0.95, "charge_air_leak": 0.9},
        ),
        WorkshopTest("valve_vacuum", "Work the recirculation valve by hand and watch it hold", 15, {"recirculation_valve": 0.95}),
        WorkshopTest(
            "fuel_pressure", "Measure fuel pressure while the engine is snapped", 30,
            {"fuel_delivery_weak": 0.93, "fuel_aeration": 0.5},
        ),
        WorkshopTest("rail_hold", "Watch the fuel rail hold its pressure, engine off", 15, {"injector_leaking": 0.85, "fuel_delivery_weak": 0.2}),
        WorkshopTest("clear_line", "Look for bubbles in a clear section of the fuel line", 20, {"fuel_aeration": 0.9}),
        WorkshopTest(
            "injector_balance", "Balance-test the injectors, cylinder by cylinder", 45,
            {"injector_restricted": 0.92, "injector_leaking": 0.5},
        ),
        WorkshopTest("spark_under_load", "Look at the spark of each cylinder under load", 25, {"ignition_weak": 0.9}),
        WorkshopTest(
            "lambda_response", "Check the lambda sensor's response with added fuel and with added air", 15,
            {"lambda_slow": 0.95, "lambda_slow_one_way": 0.93, "lambda_offset": 0.3},
        ),
        WorkshopTest(
            "gas_analysis", "Measure the exhaust gas at idle and at 2,500 rpm", 15,
            {"lambda_offset": 0.9, "exhaust_leak": 0.6, "ignition_weak": 0.5, "injector_leaking": 0.4},
        ),
        WorkshopTest("exhaust_smoke", "Smoke-test the exhaust up to the lambda sensor, cold", 25, {"exhaust_leak": 0.93}),
        WorkshopTest("back_pressure", "Measure exhaust back pressure at 2,500 rpm and in a snap", 25, {"exhaust_restricted": 0.95}),
    )
}  # fmt: skip

assert set(JOBS) == set(CAUSES)
