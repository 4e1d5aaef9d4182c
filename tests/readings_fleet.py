"""A fleet of readings without waveforms: vans, weather, repeats and planted faults, with another structure than models/ assumes.

Heavy-tailed noise, a wandering level, recorders with offsets and a yearly season that moves quantities in ways the models
know nothing of: what tracking must withstand, with the truth beside it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from data_contracts.family import Family, parse_family
from data_contracts.signals import QUANTITIES
from data_contracts.tables import CAPTURES, READINGS, polars_schema
from data_contracts.weeks import week_of

FAMILIES_TABLE = {
    "heron-16": {
        "displacement_l": 1.6,
        "cylinders": 4,
        "aspiration": "natural",
        "max_free_rpm": 6000,
        "airflow_sensor": {"kind": "g_s"},
        "main_peak": {"expected_g_s": 62.0, "low_limit_g_s": 54.0},
        "lambda_sensor": {"kind": "ratio"},
        "lambda_response": {"expected_time_constant_s": 0.05, "time_constant_limit_s": 0.12},
    },
    "heron-16t": {
        "displacement_l": 1.6,
        "cylinders": 4,
        "aspiration": "turbo",
        "max_free_rpm": 5800,
        "airflow_sensor": {"kind": "g_s"},
        "main_peak": {"expected_g_s": 66.0, "low_limit_g_s": 57.0, "high_limit_g_s": 78.0},
        "lambda_sensor": {"kind": "ratio"},
        "lambda_response": {"expected_time_constant_s": 0.045, "time_constant_limit_s": 0.11},
    },
    "teal-12": {
        "displacement_l": 1.2,
        "cylinders": 3,
        "aspiration": "natural",
        "max_free_rpm": 6200,
        "airflow_sensor": {"kind": "g_s"},
        "main_peak": {"expected_g_s": 44.0, "low_limit_g_s": 38.0},
        "lambda_sensor": {"kind": "none"},
        "lambda_response": {},
    },
}

# quantity: level, spread of vans, visit scatter, repeat scatter, season swing; relative (log) or absolute.
_RELATIVE = {
    "idle_g_s": (3.0, 0.03, 0.012, 0.01, 0.02),
    "first_peak_g_s": (30.0, 0.03, 0.012, 0.01, 0.0),
    "main_peak_g_s": (1.0, 0.02, 0.008, 0.006, 0.0),
    "run_up_time_s": (0.7, 0.03, 0.015, 0.01, 0.01),
    "lambda_to_rich_time_constant_s": (0.05, 0.12, 0.06, 0.06, 0.0),
    "lambda_to_lean_time_constant_s": (0.06, 0.12, 0.06, 0.06, 0.0),
}
_ABSOLUTE = {
    "throttle_opened": (0.97, 0.01, 0.006, 0.006, 0.0),
    "lambda_idle": (1.0, 0.002, 0.002, 0.002, 0.0),
    "tip_in_lean_blip": (0.08, 0.015, 0.01, 0.01, 0.008),
    "lambda_full_throttle": (0.89, 0.008, 0.004, 0.004, 0.0),
    "lambda_full_throttle_slope_per_s": (0.0, 0.005, 0.01, 0.01, 0.0),
    "lambda_fuel_cut": (3.0, 0.15, 0.1, 0.1, 0.0),
    "lambda_to_rich_dead_time_s": (0.12, 0.01, 0.008, 0.008, 0.0),
    "lambda_to_lean_dead_time_s": (0.30, 0.02, 0.015, 0.015, 0.0),
    "cycle_ripple": (0.004, 0.001, 0.0008, 0.0008, 0.0),
    "trim_idle_pct": (0.0, 1.5, 1.0, 0.0, 1.0),
    "trim_2500_pct": (0.0, 1.2, 0.8, 0.0, 0.6),
}

# Faults at severity 1: relative for the first table's quantities, absolute for the second's.
FAULTS: dict[str, dict[str, float]] = {
    "sensor_low": {
        "main_peak_g_s": -0.25,
        "first_peak_g_s": -0.2,
        "idle_g_s": -0.12,
        "lambda_full_throttle": 0.05,
        "trim_2500_pct": 8.0,
        "trim_idle_pct": 4.0,
    },
    "restricted": {"main_peak_g_s": -0.2, "run_up_time_s": 0.15},
    "lambda_slow": {"lambda_to_rich_time_constant_s": 3.0, "lambda_to_lean_time_constant_s": 3.0},
    "lean": {"lambda_full_throttle": 0.12, "trim_idle_pct": 8.0, "trim_2500_pct": 8.0, "tip_in_lean_blip": 0.06},
    "leak": {"idle_g_s": -0.4, "trim_idle_pct": 15.0, "trim_2500_pct": 4.0},
}


def families() -> dict[str, Family]:
    """The families, parsed as the register's would be."""
    return {name: parse_family(name, table) for name, table in FAMILIES_TABLE.items()}


@dataclass(frozen=True)
class ReadingsFleet:
    """Readings and their truth.

    Attributes
    ----------
    frame : polars.DataFrame
        Captures joined with readings.
    truth : polars.DataFrame
        van_id, fault ("" healthy), onset (week number), ramp_weeks.
    weeks : tuple of str
        ISO weeks, in order.
    """

    frame: pl.DataFrame
    truth: pl.DataFrame
    weeks: tuple[str, ...]


def severity_at(week: np.ndarray, onset: float, ramp_weeks: float) -> np.ndarray:
    """Severity of a ramp."""
    return np.clip((week - onset) / ramp_weeks, 0.0, 1.0)


def make_fleet(
    *,
    vans: int = 60,
    weeks: int = 26,
    repeats: int = 3,
    faulty: float = 0.25,
    seed: int = 1,
    altitude_m: tuple[float, ...] = (20.0, 180.0, 900.0),
    missing: float = 0.1,
    heavy: bool = True,
    recorder_drift: Mapping[str, float] | None = None,
    start: str = "2026-01-05",
) -> ReadingsFleet:
    """Draw a fleet.

    Parameters
    ----------
    vans, weeks, repeats : int
        Size.
    faulty : float
        Share of vans with a fault.
    seed : int
        Of everything.
    altitude_m : tuple of float
        One depot each. [m]
    missing : float
        Share of visits without barometer, and without intake air.
    heavy : bool
        Student noise of five degrees, otherwise normal.
    recorder_drift : mapping of str to float, optional
        Depot to relative drift of every flow per week.
    start : str
        Monday of the first week.

    Returns
    -------
    ReadingsFleet
    """
    rng = np.random.default_rng(seed)
    names = list(FAMILIES_TABLE)
    family = rng.integers(0, len(names), vans)
    depot = rng.integers(0, len(altitude_m), vans)
    week = np.arange(weeks)
    monday = datetime.fromisoformat(start).replace(tzinfo=UTC)
    v, w = (a.ravel() for a in np.meshgrid(np.arange(vans), week, indexing="ij"))
    keep = rng.random(v.size) > 0.08
    v, w = v[keep], w[keep]
    n = v.size

    day = rng.integers(0, 5, n)
    season = np.cos(2 * np.pi * (w / 52.0))
    front = rng.normal(0, 0.9, (weeks, 5, len(altitude_m)))
    warmth = rng.normal(0, 3.0, (weeks, 5, len(altitude_m)))
    height = np.array(altitude_m)[depot[v]]
    pressure = 101.3 * (1 - 2.25577e-5 * height) ** 5.2559 + front[w, day, depot[v]]
    outside = 12.0 - 11.0 * season + warmth[w, day, depot[v]] - 0.006 * height
    intake = outside + rng.gamma(4.0, 2.0, n)
    humidity = np.clip(rng.normal(70, 12, n), 20, 99)

    is_faulty = rng.random(vans) < faulty
    kinds = np.array(list(FAULTS))
    fault = np.where(is_faulty, rng.choice(kinds, vans), "")
    no_lambda = np.array([FAMILIES_TABLE[names[f]]["lambda_sensor"]["kind"] == "none" for f in family])
    fault = np.where(no_lambda & np.isin(fault, ["lambda_slow", "lean"]), "restricted", fault)
    onset = np.where(is_faulty, rng.uniform(-2, weeks * 0.7, vans), np.inf)
    ramp = rng.uniform(8, 20, vans)
    severity = severity_at(w.astype(float), onset[v], ramp[v])

    serial = depot[v] * 2 + rng.integers(0, 2, n)
    serial_offset = rng.normal(0, 0.004, 2 * len(altitude_m))
    drift = np.array([(recorder_drift or {}).get(f"depot-{d}", 0.0) for d in range(len(altitude_m))])

    def noise(scale: float, size: tuple[int, ...]) -> np.ndarray:
        return scale * (rng.standard_t(5, size) / np.sqrt(5 / 3) if heavy else rng.normal(size=size))

    columns: dict[str, np.ndarray] = {}
    wander = {}
    for name, (level, spread, visit, repeat, swing) in (_RELATIVE | _ABSOLUTE).items():
        relative = name in _RELATIVE
        own = rng.normal(0, spread, vans)[v]
        walk = np.cumsum(rng.normal(0, 0.05 * visit, (vans, weeks)), axis=1)[v, w]
        y = own + noise(visit, (n,)) + walk + swing * season
        if relative:
            base = (
                np.array([FAMILIES_TABLE[names[f]]["main_peak"]["expected_g_s"] for f in family])[v]
                if name == "main_peak_g_s"
                else np.full(n, level)
            )
            if name in ("main_peak_g_s", "first_peak_g_s"):
                y += 0.93 * np.log(pressure / 99.0) - 0.62 * np.log((intake + 273.15) / 298.15)
            if name.endswith("_g_s"):
                y += serial_offset[serial] + drift[depot[v]] * w
            y += np.log1p(severity * np.array([FAULTS.get(k, {}).get(name, 0.0) for k in fault])[v])
            values = np.log(base)[:, None] + y[:, None] + noise(repeat, (n, repeats))
            columns[name] = np.exp(values)
        else:
            y += level + severity * np.array([FAULTS.get(k, {}).get(name, 0.0) for k in fault])[v]
            values = y[:, None] + noise(repeat, (n, repeats))
            if name in ("throttle_opened",):
                values = np.minimum(values, 1.0)
            if name in ("cycle_ripple", "tip_in_lean_blip"):
                values = np.maximum(values, 0.0)
            columns[name] = values
        if no_lambda.any() and QUANTITIES[name].group == "lambda":
            columns[name] = np.where(no_lambda[v][:, None], np.nan, columns[name])
        wander[name] = repeat
    columns["lean_needles"] = rng.poisson(0.15, (n, repeats)).astype(float)
    columns["lean_needles"] = np.where(no_lambda[v][:, None], np.nan, columns["lean_needles"])
    columns["hold_s"] = np.clip(rng.normal(1.0, 0.12, (n, repeats)), 0.5, 1.6)

    moment = [
        monday + timedelta(weeks=int(a), days=int(b), hours=8, minutes=int(c) % 480)
        for a, b, c in zip(w, day, v * 7, strict=True)
    ]
    iso = [week_of(m) for m in moment]
    barometer = np.where(rng.random(n) < missing, np.nan, pressure + rng.normal(0, 0.1, n))
    air = np.where(rng.random(n) < missing, np.nan, intake + rng.normal(0, 1.0, n))

    def flat(values: np.ndarray) -> np.ndarray:
        return np.repeat(values, repeats)

    data: dict[str, object] = {
        "capture_id": [f"{a:05d}-{b:03d}-{r}" for a, b in zip(v, w, strict=True) for r in range(repeats)],
        "van_id": flat(np.array([f"van-{i:05d}" for i in range(vans)])[v]),
        "family": flat(np.array(names)[family[v]]),
        "depot": flat(np.array([f"depot-{d}" for d in range(len(altitude_m))])[depot[v]]),
        "captured_at": np.repeat(np.array([m.replace(tzinfo=None) for m in moment], "datetime64[us]"), repeats),
        "week": flat(np.array(iso)),
        "visit": [f"{a:05d}-{b:03d}" for a, b in zip(v, w, strict=True) for _ in range(repeats)],
        "grade": "good",
        "coolant_c": flat(rng.normal(90, 3, n)),
        "intake_air_c": flat(air),
        "barometer_kpa": flat(barometer),
        "humidity_pct": flat(humidity),
        "altitude_m": flat(np.where(rng.random(n) < 0.5, height, np.nan)),
        "fuel": "E5",
        "recorder_serial": flat(np.array([f"R{s}" for s in range(2 * len(altitude_m))])[serial]),
        "ecu_software": "a1",
    }
    for name, values in columns.items():
        data[name] = values.ravel()
        scale = np.abs(values) if name in _RELATIVE else 1.0
        data[name + "_u"] = np.where(np.isfinite(values), wander.get(name, 0.01) * scale + 1e-9, np.nan).ravel()
    schema = polars_schema(CAPTURES) | polars_schema(READINGS)
    frame = pl.DataFrame(data).with_columns(pl.col("captured_at").dt.replace_time_zone("UTC"))
    rest = [pl.lit(None, dtype=kind).alias(name) for name, kind in schema.items() if name not in frame.columns]
    frame = frame.with_columns(rest).cast(dict(schema.items())).select(list(schema))
    numbers = [name for name, kind in schema.items() if kind == pl.Float64()]
    frame = frame.with_columns(pl.col(numbers).fill_nan(None))
    frame = frame.with_columns(
        main_peak_reference_g_s=pl.col("main_peak_g_s"), main_peak_reference_g_s_u=pl.col("main_peak_g_s_u")
    )
    truth = pl.DataFrame(
        {"van_id": [f"van-{i:05d}" for i in range(vans)], "fault": fault, "onset": onset, "ramp_weeks": ramp}
    )
    return ReadingsFleet(
        frame,
        truth,
        tuple(week_of(m) for m in (monday + timedelta(weeks=int(i)) for i in week)),
    )


def no_repairs() -> pl.DataFrame:
    """An empty repairs table."""
    from data_contracts.tables import REPAIRS

    return pl.DataFrame(schema=polars_schema(REPAIRS))
