"""Snaps of an engine without an air-mass sensor, written down as formulas: manifold pressure, engine speed, lambda, plate.

Independent of sample_fleet and of models on purpose; the speed is that of tests/analytic.py.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import Family, parse_family
from tests.analytic import Snap, speed

TABLE: dict[str, object] = {
    "displacement_l": 1.6,
    "cylinders": 4,
    "aspiration": "natural",
    "max_free_rpm": 6000,
    "throttle_open_pct": 90,
    "airflow_sensor": {"kind": "map_kpa"},
    "main_peak": {},
    "lambda_sensor": {"kind": "ratio"},
}


def family(**changes: object) -> Family:
    """A family of this page; `changes` replace keys of its table."""
    return parse_family("fen-16", TABLE | changes)


@dataclass(frozen=True)
class PressureSnap:
    """One snap; times in s, pressures in kPa.

    `leans` is what lambda gains per second of the hold. Without a `hold` the engine idles to the end.
    """

    opening: float = 2.0
    hold: float = 1.0
    length: float = 6.0
    rate: float = 100.0
    idle_kpa: float = 32.0
    idle_rpm: float = 800.0
    held_kpa: float = 97.0
    lambda_held: float = 0.88
    leans: float = 0.0
    noise: float = 0.15


def channels(
    snap: PressureSnap, rng: np.random.Generator
) -> tuple[NDArray[np.float64], dict[str, NDArray[np.float64]]]:
    """Time and every channel: pressure fills within about 0.1 s and empties faster, lambda follows 0.15 s later."""
    t = np.arange(0.0, snap.length, 1.0 / snap.rate)
    opening = snap.opening if snap.hold else np.inf
    release = opening + snap.hold

    def since(moment: float, constant: float) -> NDArray[np.float64]:
        return -np.expm1(-np.clip(t - moment, 0.0, None) / constant)

    if snap.hold:
        rpm = speed(Snap(opening=opening + 0.05, hold=snap.hold, idle_rpm=snap.idle_rpm, peak_rpm=5800.0), t)
    else:
        rpm = np.full(t.size, snap.idle_rpm)
    pressure = snap.idle_kpa + (snap.held_kpa - snap.idle_kpa) * since(opening, 0.035)
    pressure = pressure + (20.0 - pressure) * since(release, 0.03)
    pressure = pressure + (snap.idle_kpa - pressure) * since(release + 1.2, 0.1)
    held = snap.lambda_held + snap.leans * np.clip(t - opening, 0.0, snap.hold)
    lam = 1.0 + (held - 1.0) * since(opening + 0.15, 0.08)
    lam = lam + (1.9 - lam) * since(release + 0.2, 0.08)
    lam = lam + (1.0 - lam) * since(release + 1.4, 0.1)
    plate = np.where((t >= opening) & (t < release), 90.0, 3.5)
    return t, {
        "map_kpa": pressure + rng.normal(0.0, snap.noise, t.size),
        "engine_rpm": np.round(rpm + rng.normal(0.0, 4.0, t.size)),
        "lambda_ratio": lam + rng.normal(0.0, 0.003, t.size),
        "throttle_pct": plate,
    }
