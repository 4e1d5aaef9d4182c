"""Everything besides the van that shapes one capture, packed for the kernel.

`pack` lays them side by side in one NumPy record per capture, which is what the kernel reads.
Field names are unique over all dataclasses, since they become the fields of that record.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from operator import attrgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_fleet.vehicle import AirSensor, Control, Engine, OxygenSensor
from sample_fleet.vehicle import Vehicle as Vehicle

CHARACTERISTIC_POINTS = 16


@dataclass(frozen=True)
class Surroundings:
    """What the engine breathes and burns, and how warm it is.

    Attributes
    ----------
    barometer_kpa, intake_air_c, humidity_pct : float
        Station pressure, air at the intake duct, relative humidity. [kPa], [°C], [%]
    coolant_c : float
        Engine coolant; below about 70 °C the engine is rich, open loop and stiff. [°C]
    stoichiometry : float
        Air-fuel ratio of the fuel in the tank. [1]
    battery_v : float
        Battery. [V]
    """

    barometer_kpa: float = 99.0
    intake_air_c: float = 25.0
    humidity_pct: float = 0.0
    coolant_c: float = 90.0
    stoichiometry: float = 14.3
    battery_v: float = 14.1


@dataclass(frozen=True)
class Driver:
    """The foot.

    Attributes
    ----------
    pedal_at_s : float
        When the pedal starts down, from the start of the recording. [s]
    pedal_rise_s, hold_s, pedal_fall_s : float
        Time down, time from first movement to first lift, time up. [s]
    pedal : float
        How far: 1 is the floor. [1]
    snaps, snap_interval_s : float
        How many snaps and how far apart; 0 snaps leaves the engine idling. [1], [s]
    pause, pause_s : float
        A foot that opens in two steps stops at this part of its way for this long; 1 goes through. [1], [s]
    lift_pause, lift_pause_s : float
        One that lifts in two steps stops at this part of its way for this long; 0 goes through. [1], [s]
    again, again_after_s, again_s : float
        A foot that comes back after the lift: how far, how long after the pedal is up, for how long; 0 stays off. [1],
        [s], [s]
    """

    pedal_at_s: float = 3.0
    pedal_rise_s: float = 0.08
    hold_s: float = 1.1
    pedal_fall_s: float = 0.08
    pedal: float = 1.0
    snaps: float = 1.0
    snap_interval_s: float = 6.0
    pause: float = 1.0
    pause_s: float = 0.0
    lift_pause: float = 0.0
    lift_pause_s: float = 0.0
    again: float = 0.0
    again_after_s: float = 0.3
    again_s: float = 0.2


@dataclass(frozen=True)
class Recorder:
    """The instrument: errors added to volts, and what is wrong with its leads.

    Attributes
    ----------
    recorder_offset_v, recorder_gain : float
        Of the air-mass and lambda channels where these are volts. [V], [1]
    needles_per_s, needle_v : float
        Ignition interference: how often, how high. [1/s], [V]
    hum_v : float
        Mains hum at 50 Hz, amplitude. [V]
    """

    recorder_offset_v: float = 0.0
    recorder_gain: float = 1.0
    needles_per_s: float = 0.5
    needle_v: float = 0.8
    hum_v: float = 0.0


@dataclass(frozen=True)
class Faults:
    """Severity of every cause, 0 healthy to 1 as its record in data_contracts/causes defines it, and how each shows.

    Attributes
    ----------
    fault_bank : float
        Bank the fault sits on where it is one-sided: 1 or 2.
    fault_cylinder : float
        Weak cylinder, from 0.
    slow_edge : float
        `lambda_slow_one_way`: +1 slow to rich, -1 slow to lean.
    offset_sign : float
        `lambda_offset`: +1 reads lean, -1 reads rich.
    flutter : float
        `recirculation_valve`: flutter that replaces the pulse, over its height. [1]
    timing_late : float
        `camshaft_timing`: 1 late, which costs filling at low speed most, 0 early, which costs it at high speed.
    purge_vapour : float
        `purge_valve_open`: fuel in the purge flow over the air in it; 0 with an empty canister, 0.12 with a full one. [1]
    """

    airflow_under_reading: float = 0.0
    airflow_over_reading: float = 0.0
    intake_restricted: float = 0.0
    throttle_not_full: float = 0.0
    unmetered_air: float = 0.0
    charge_air_leak: float = 0.0
    recirculation_valve: float = 0.0
    fuel_delivery_weak: float = 0.0
    injector_restricted: float = 0.0
    injector_leaking: float = 0.0
    fuel_aeration: float = 0.0
    ignition_weak: float = 0.0
    lambda_slow: float = 0.0
    lambda_slow_one_way: float = 0.0
    lambda_offset: float = 0.0
    exhaust_leak: float = 0.0
    exhaust_restricted: float = 0.0
    camshaft_timing: float = 0.0
    throttle_deposits: float = 0.0
    compression_low: float = 0.0
    purge_valve_open: float = 0.0
    exhaust_recirculation_open: float = 0.0
    crankcase_ventilation: float = 0.0
    injector_dead: float = 0.0
    lambda_heater: float = 0.0
    airflow_offset: float = 0.0
    wrong_fuel: float = 0.0
    rail_pressure_low: float = 0.0
    fault_bank: float = 1.0
    fault_cylinder: float = 0.0
    slow_edge: float = 1.0
    offset_sign: float = 1.0
    flutter: float = 0.0
    timing_late: float = 0.0
    purge_vapour: float = 0.0


HEALTHY = Faults()

_VEHICLE_PARTS = (Engine, Control, AirSensor, OxygenSensor)
_RUN_PARTS = (Surroundings, Driver, Recorder)
_GETTERS: dict[type, Any] = {
    part: attrgetter(*(f.name for f in fields(part))) for part in (*_VEHICLE_PARTS, *_RUN_PARTS, Faults)
}
FAULTS = np.dtype([(f.name, np.float64) for f in fields(Faults)])
RUN = np.dtype([(f.name, np.float64) for part in (*_VEHICLE_PARTS, *_RUN_PARTS) for f in fields(part)])


def pack_faults(faults: Sequence[Faults]) -> NDArray[np.void]:
    """One record per capture of the severities.

    Parameters
    ----------
    faults : sequence of Faults
        One per capture.

    Returns
    -------
    ndarray of shape (captures,), dtype FAULTS
    """
    return np.array([_GETTERS[Faults](fault) for fault in faults], dtype=FAULTS)


def pack(
    vehicles: Sequence[Vehicle],
    surroundings: Sequence[Surroundings],
    drivers: Sequence[Driver],
    recorders: Sequence[Recorder],
) -> tuple[NDArray[np.void], NDArray[np.float64], NDArray[np.float64]]:
    """One record per capture of everything but the faults, and the lambda characteristics.

    Parameters
    ----------
    vehicles, surroundings, drivers, recorders : sequences of equal length
        One per capture.

    Returns
    -------
    runs : ndarray of shape (captures,), dtype RUN
    ratio : ndarray of shape (captures, 16)
        Lambda, rising; padded at the top with its last value plus one each. [1]
    signal : ndarray of shape (captures, 16)
        Sensor signal at those points (the ratio itself where there is no characteristic). [V or 1]
    """
    getters = [_GETTERS[part] for part in (*_VEHICLE_PARTS, *_RUN_PARTS)]
    count = len(vehicles)
    runs = np.empty(count, dtype=RUN)
    ratio, signal = np.empty((count, CHARACTERISTIC_POINTS)), np.empty((count, CHARACTERISTIC_POINTS))
    for i, (vehicle, around, driver, recorder) in enumerate(
        zip(vehicles, surroundings, drivers, recorders, strict=True)
    ):
        parts = (
            vehicle.engine,
            vehicle.control,
            vehicle.air_sensor,
            vehicle.oxygen_sensor,
            around,
            driver,
            recorder,
        )
        runs[i] = sum((getter(part) for getter, part in zip(getters, parts, strict=True)), ())
        ratio[i], signal[i] = _characteristic(vehicle)
    return runs, ratio, signal


def _characteristic(vehicle: Vehicle) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    ratio, signal = np.array(vehicle.characteristic_lambda), np.array(vehicle.characteristic_v)
    if ratio.size == 0:
        ratio = signal = np.array((0.5, 8.0))
    short = CHARACTERISTIC_POINTS - ratio.size
    return (
        np.concatenate([ratio, ratio[-1] + 1.0 + np.arange(short)]),
        np.concatenate([signal, np.repeat(signal[-1:], short)]),
    )
