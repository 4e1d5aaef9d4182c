"""From a scenario to a plan: depots and weather, vans, faults dealt out, visits, the technician's foot and notes."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, time, timedelta
from typing import Any

import numpy as np

from data_contracts.causes import EVERY_CAUSE
from data_contracts.limits import VISIT_GAP_HOURS
from sample_fleet.families import built_in_families, family_table, individual
from sample_fleet.parameters import HEALTHY, Driver, Faults, Recorder, Surroundings
from sample_fleet.scenario import (
    FUELS,
    LOCAL_TIME,
    PLANTED,
    CapturePlan,
    Depot,
    FaultPlan,
    Feet,
    Fleet,
    Repair,
    Scenario,
    Van,
)
from sample_fleet.simulate import Recording
from sample_fleet.vehicle import Vehicle

_PLACES = ("north", "harbour", "hill", "mill", "south")
ROOM_AFTER_S = 0.25
"""A snap that is recorded whole is released this long before the end. [s]"""


def plan_fleet(scenario: Scenario, rng: np.random.Generator) -> Fleet:
    """Plan a fleet's weeks; nothing is simulated yet.

    Parameters
    ----------
    scenario : Scenario
        What to plan.
    rng : numpy.random.Generator
        Source of everything.

    Returns
    -------
    Fleet
    """
    blueprints = dict(scenario.families or built_in_families())
    tables = dict(scenario.tables or {name: family_table(vehicle, rng) for name, vehicle in blueprints.items()})
    for name in scenario.wrong_polarity:
        tables[name] = _turn_polarity(tables[name])
    depots = _plan_depots(scenario, rng)
    faults = scenario.planted if scenario.planted is not None else _deal_faults(scenario, blueprints, rng)
    vans, repairs = _plan_vans(scenario, blueprints, faults, rng)
    captures: list[CapturePlan] = []
    for number, van in enumerate(vans):
        for week in range(scenario.weeks):
            if (week + van.phase) % van.every_weeks == 0 and rng.random() > 0.04:
                captures += _plan_visit(scenario, depots[van.depot], number, van, week, rng)
    captures.sort(key=lambda plan: (plan.captured_at, plan.van, plan.repeat))
    return Fleet(scenario, depots, vans, repairs, tuple(captures), blueprints, tables)


def _turn_polarity(table: dict[str, Any]) -> dict[str, Any]:
    oxygen = dict(table["lambda_sensor"])
    if "polarity" in oxygen:
        oxygen["polarity"] = "rich_high" if oxygen["polarity"] == "rich_low" else "rich_low"
    if "characteristic_lambda" in oxygen:
        oxygen["characteristic_lambda"] = oxygen["characteristic_lambda"][::-1]
    return table | {"lambda_sensor": oxygen}


def _wander(days: int, rng: np.random.Generator, memory: float) -> np.ndarray:
    """Unit-variance day-to-day weather with a memory."""
    shocks = rng.normal(size=days) * np.sqrt(1.0 - memory**2)
    out = np.empty(days)
    level = rng.normal()
    for day in range(days):
        level = memory * level + shocks[day]
        out[day] = level
    return out


def _plan_depots(scenario: Scenario, rng: np.random.Generator) -> tuple[Depot, ...]:
    days = 7 * scenario.weeks + 7
    region_p, region_t = _wander(days, rng, 0.75), _wander(days, rng, 0.7)
    day_of_year = np.arange(days) + scenario.start.timetuple().tm_yday
    season = -np.cos(2.0 * np.pi * (day_of_year - 20) / 365.25)
    depots = []
    for number, (name, altitude) in enumerate(list(zip(_PLACES, scenario.altitudes, strict=True))[: scenario.depots]):
        sea_level = 101.4 + scenario.weather * (0.85 * region_p + 0.25 * _wander(days, rng, 0.6))
        air = (
            10.5
            - 0.0065 * altitude
            + scenario.weather * (8.5 * season + 3.0 * region_t + 1.2 * _wander(days, rng, 0.5))
        )
        barometer = sea_level * (1.0 - 2.25577e-5 * altitude) ** 5.25588  # ISO 2533 barometric formula
        humidity = np.clip(72.0 - 8.0 * season + 10.0 * _wander(days, rng, 0.5), 25.0, 100.0)
        size = scenario.recorder_errors
        depots.append(
            Depot(
                name,
                altitude,
                air,
                barometer,
                humidity,
                (f"R{number + 1}01", f"R{number + 1}02"),
                tuple(size * 0.004 * rng.normal(size=2)),
                tuple(1.0 + size * 0.0007 * rng.normal(size=2)),
                bool(rng.random() < 0.6),
            )
        )
    return tuple(depots)


def _deal_faults(
    scenario: Scenario, blueprints: Mapping[str, Vehicle], rng: np.random.Generator
) -> dict[int, FaultPlan]:
    """Deal causes in turn to vans drawn at random; turbo-only causes to turbo vans."""
    names = list(blueprints)
    count = round(scenario.fault_share * scenario.vans)
    order = list(rng.permutation(scenario.vans))
    dealt: dict[int, FaultPlan] = {}
    causes = list(rng.permutation(list(scenario.causes)))
    begin = datetime.combine(scenario.start, time(), LOCAL_TIME)
    length = timedelta(weeks=scenario.weeks)
    turn = 0
    while len(dealt) < count and order and turn < 10 * count:
        cause = str(causes[turn % len(causes)])
        turn += 1
        fitting = [
            van
            for van in order
            if not EVERY_CAUSE[cause].turbo_only or blueprints[names[van % len(names)]].engine.turbo > 0.5
        ]
        if not fitting:
            continue
        van = fitting[0]
        order.remove(van)
        vehicle = blueprints[names[van % len(names)]]
        profile = scenario.profiles[int(rng.integers(len(scenario.profiles)))]
        may = PLANTED[cause].comes_and_goes
        if may == "often" and "intermittent" in scenario.profiles and rng.random() < 0.6:
            profile = "intermittent"
        if profile == "intermittent" and may == "never":
            profile = "ramp" if "ramp" in scenario.profiles else profile
        onset = begin + length * rng.uniform(*scenario.onset_weeks)
        end = begin + length
        repaired = None
        if rng.random() < scenario.repair_share and (end - onset).days > 56:
            repaired = _working_hour(onset + (end - onset) * rng.uniform(0.55, 0.85), rng)
        dealt[van] = FaultPlan(
            cause,
            float(rng.uniform(*scenario.severity)),
            onset,
            profile,
            float(rng.uniform(35.0, 90.0)),
            float(rng.uniform(0.4, 0.8)) if profile == "intermittent" else 1.0,
            replace(
                HEALTHY,
                fault_bank=float(rng.integers(1, 1 + int(vehicle.engine.banks))),
                fault_cylinder=float(rng.integers(int(vehicle.engine.cylinders))),
                slow_edge=float(rng.choice([-1.0, 1.0])),
                offset_sign=float(rng.choice([-1.0, 1.0])),
                flutter=float(rng.choice([0.0, 0.8])),
            ),
            repaired,
            bool(rng.random() >= scenario.repair_failure),
        )
    return dealt


def _working_hour(moment: datetime, rng: np.random.Generator) -> datetime:
    day = moment.date() - timedelta(days=max(moment.weekday() - 4, 0))
    return datetime.combine(day, time(18, int(rng.integers(0, 59))), LOCAL_TIME)


def _plan_vans(
    scenario: Scenario, blueprints: Mapping[str, Vehicle], faults: Mapping[int, FaultPlan], rng: np.random.Generator
) -> tuple[tuple[Van, ...], tuple[Repair, ...]]:
    names = list(blueprints)
    vans, repairs = [], []
    for number in range(scenario.vans):
        family = names[number % len(names)]
        age = timedelta(days=float(rng.uniform(200, 2200)))
        van = Van(
            f"V{number + 1:03d}",
            family,
            scenario.depot_of[number] if scenario.depot_of else int(rng.integers(scenario.depots)),
            individual(blueprints[family], rng, scenario.scatter),
            scenario.start - age,
            scenario.start - age + timedelta(days=3 * 365),
            round(age.days * rng.uniform(45, 110), -1),
            float(rng.uniform(250, 700)),
            int(rng.choice(scenario.visit_every)),
            int(rng.integers(2)),
            str(rng.choice(["E5", "E10"], p=[0.4, 0.6])),
            faults.get(number),
        )
        vans.append(van)
        if van.fault is not None and van.fault.repaired is not None:
            mended = PLANTED[van.fault.cause]
            repairs.append(Repair(van.van_id, van.fault.repaired, mended.work, mended.parts))
        elif rng.random() < 0.05:
            later = datetime.combine(scenario.start, time(), LOCAL_TIME) + timedelta(
                days=float(rng.uniform(20, 7 * scenario.weeks))
            )
            repairs.append(Repair(van.van_id, _working_hour(later, rng), "brake pads replaced", "brake pads"))
    return tuple(vans), tuple(sorted(repairs, key=lambda repair: (repair.done_at, repair.van_id)))


def _plan_visit(
    scenario: Scenario, depot: Depot, number: int, van: Van, week: int, rng: np.random.Generator
) -> list[CapturePlan]:
    day = 7 * week + int(rng.integers(0, 5))
    first = datetime.combine(
        scenario.start + timedelta(days=day), time(int(rng.integers(6, 17)), int(rng.integers(60))), LOCAL_TIME
    )
    visit = f"{van.van_id}-{first:%Y%m%d}"
    cold = rng.random() < scenario.cold_visits
    outside = float(depot.air_c[day]) + 2.0 * np.sin(np.pi * (first.hour - 9) / 12.0)
    around = Surroundings(
        barometer_kpa=float(depot.barometer_kpa[day] + 0.05 * rng.normal()),
        intake_air_c=float(outside + (rng.uniform(1, 4) if cold else rng.uniform(5, 16))),
        humidity_pct=float(np.clip(depot.humidity_pct[day] * np.exp(-0.03 * 10), 10, 100)),
        coolant_c=float(rng.uniform(36, 64) if cold else np.clip(rng.normal(89, 3), 78, 104)),
        stoichiometry=FUELS[van.fuel],
        battery_v=float(rng.normal(14.1, 0.12)),
    )
    beyond = rng.random() - scenario.long_share
    others = len(scenario.recordings) - 1
    kind = 0 if beyond < 0.0 else 1 + int(others * beyond / (1.0 - scenario.long_share))
    recording = scenario.recordings[kind]
    instrument = int(rng.integers(scenario.instruments))
    drift = 0.0
    if depot.name == _PLACES[0] and instrument == 0:
        last = week == scenario.weeks - 1
        drift = scenario.recorder_drift_v_week * week + (scenario.recorder_shift_v if last else 0.0)
    manifest = _written_down(scenario, depot, van, around, week, cold, rng)
    day_vehicle_noise = rng.normal()
    own = rng.spawn(1)[0]  # so that a fleet with other feet is the same fleet
    foot = 0.0 if scenario.feet is None else scenario.feet.visits * float(own.normal())
    plans = []
    for repeat in range(scenario.repeats):
        at = first + timedelta(seconds=float(repeat * rng.uniform(50, 110)))
        assert (at - first).total_seconds() < VISIT_GAP_HOURS * 3600
        severity = settled = 0.0
        now, learned = HEALTHY, HEALTHY
        if van.fault is not None:
            severity, settled = van.fault.level(at), van.fault.learned(at)
            if van.fault.profile == "intermittent" and rng.random() > van.fault.active_share:
                severity = 0.0
            now, learned = van.fault.faults(severity), van.fault.faults(settled)
        driver, spoiled, now = _foot(scenario, recording, now, rng)
        if scenario.feet is not None and spoiled != "short_hold":
            driver = _pressed_by(scenario.feet, foot, driver, recording, own)
        plans.append(
            CapturePlan(
                number,
                visit,
                repeat + 1,
                at,
                recording,
                replace(around, intake_air_c=around.intake_air_c + 0.4 * repeat + 0.1 * day_vehicle_noise),
                driver,
                Recorder(
                    depot.offsets_v[instrument] + drift,
                    depot.gains[instrument],
                    scenario.needles_per_s * float(rng.exponential()),
                    float(rng.uniform(0.3, 1.6)),
                    float(0.004 * rng.exponential()) if rng.random() < 0.1 else 0.0,
                ),
                depot.instruments[instrument],
                now,
                learned,
                severity,
                "cold" if cold else spoiled,
                manifest,
            )
        )
    return plans


def _foot(
    scenario: Scenario, recording: Recording, faults: Faults, rng: np.random.Generator
) -> tuple[Driver, str, Faults]:
    """One press of the pedal, and how the technician spoiled it, if so."""
    long = recording.length_s > 4.0
    at = float(rng.uniform(2.4, 3.3)) if long else float(0.3 * recording.length_s - 0.06 + rng.uniform(-0.03, 0.05))
    driver = Driver(
        pedal_at_s=at,
        pedal_rise_s=float(rng.uniform(0.05, 0.13)),
        hold_s=float(rng.uniform(1.0, 1.5)) if long else float(rng.uniform(0.95, 1.2)),
        pedal_fall_s=float(rng.uniform(0.05, 0.14)),
    )
    if rng.random() >= scenario.spoiled:
        return driver, "", faults
    kind = str(rng.choice(["half_pedal", "short_hold", "early_trigger", "slow_pedal", "late_trigger", "no_snap"]))
    if kind == "half_pedal":
        driver = replace(driver, pedal=float(rng.uniform(0.35, 0.6)))
    elif kind == "short_hold":
        driver = replace(driver, hold_s=float(rng.uniform(0.18, 0.38)))
    elif kind == "early_trigger":
        driver = replace(driver, pedal_at_s=recording.length_s - float(rng.uniform(0.1, 0.35)))
    elif kind == "slow_pedal":
        driver = replace(driver, pedal_rise_s=float(rng.uniform(0.5, 0.9)))
    elif kind == "late_trigger":
        driver = replace(driver, pedal_at_s=float(rng.uniform(-0.02, 0.06)))
    else:
        driver = replace(driver, snaps=0.0)
    return driver, kind, faults


def _pressed_by(feet: Feet, foot: float, driver: Driver, recording: Recording, rng: np.random.Generator) -> Driver:
    """A press as real feet make it; `foot` is how much longer than the median this one holds, as a logarithm. [1]"""
    room = max(recording.length_s - driver.pedal_at_s - ROOM_AFTER_S, feet.shortest_s)
    drawn = feet.hold_s * float(np.exp(foot + feet.snaps * rng.normal()))
    hold = float(np.clip(drawn, feet.shortest_s, min(feet.longest_s, room)))
    kind = rng.random()
    driver = replace(driver, hold_s=hold)
    if kind < feet.in_steps:
        return replace(
            driver, pause=float(rng.uniform(0.25, 0.6)), pause_s=min(float(rng.uniform(0.05, 0.2)), hold / 2)
        )
    if kind < feet.in_steps + feet.lifts_in_steps:
        return replace(driver, lift_pause=float(rng.uniform(0.2, 0.6)), lift_pause_s=float(rng.uniform(0.08, 0.25)))
    return driver


def _written_down(
    scenario: Scenario, depot: Depot, van: Van, around: Surroundings, week: int, cold: bool, rng: np.random.Generator
) -> dict[str, Any]:
    """What the technician writes down; trims come from the simulation, None stays empty."""

    def noted(value: Any, share: float = scenario.missing) -> Any:
        return None if rng.random() < share else value

    written = {
        "odometer_km": noted(round(van.odometer_km + van.km_per_week * week), 0.03),
        "coolant_c": noted(round(around.coolant_c + 0.5 * rng.normal())),
        "intake_air_c": noted(round(around.intake_air_c + 0.8 * rng.normal(), 1)),
        "barometer_kpa": noted(round(around.barometer_kpa + 0.06 * rng.normal(), 2)),
        "humidity_pct": noted(round(around.humidity_pct + 3.0 * rng.normal())) if depot.notes_humidity else None,
        "altitude_m": noted(depot.altitude_m),
        "closed_loop": noted("false" if cold else "true"),
        "fuel": noted(van.fuel, 0.15),
        "ecu_software": "A1",
        "note": "",
        "trims": bool(rng.random() < scenario.trims and not cold),
        "trim_error": (float(0.5 * rng.normal()), float(0.5 * rng.normal())),
    }
    share = scenario.written.get(depot.name)
    if share is None:
        return written
    optional = [name for name in written if name not in ("trims", "trim_error")]
    written |= {name: written[name] if rng.random() < share else None for name in optional}
    written |= {f"{name}_written": bool(rng.random() < share) for name in ("recorder_serial", "fault_codes")}
    return written | {"trims": written["trims"] and bool(rng.random() < share)}
