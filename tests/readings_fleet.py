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


@dataclass
class _Drawn:
    """What was drawn for a fleet; arrays are by van, by visit (`v`, `w`: van and week of each), or as said."""

    rng: np.random.Generator
    heavy: bool
    weeks: int
    repeats: int
    names: list[str]
    family: np.ndarray
    depot: np.ndarray
    v: np.ndarray
    w: np.ndarray
    day: np.ndarray
    height: np.ndarray
    pressure: np.ndarray
    intake: np.ndarray
    humidity: np.ndarray

    def noise(self, scale: float, size: tuple[int, ...]) -> np.ndarray:
        """Scatter about zero with a standard deviation of `scale`."""
        return scale * (self.rng.standard_t(5, size) / np.sqrt(5 / 3) if self.heavy else self.rng.normal(size=size))


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
    drawn = _visits(rng, vans, weeks, repeats, altitude_m, heavy)
    names, family, depot, v, w = drawn.names, drawn.family, drawn.depot, drawn.v, drawn.w

    is_faulty = rng.random(vans) < faulty
    fault = np.where(is_faulty, rng.choice(np.array(list(FAULTS)), vans), "")
    no_lambda = np.array([FAMILIES_TABLE[names[f]]["lambda_sensor"]["kind"] == "none" for f in family])
    fault = np.where(no_lambda & np.isin(fault, ["lambda_slow", "lean"]), "restricted", fault)
    onset = np.where(is_faulty, rng.uniform(-2, weeks * 0.7, vans), np.inf)
    ramp = rng.uniform(8, 20, vans)
    severity = severity_at(w.astype(float), onset[v], ramp[v])

    serial = depot[v] * 2 + rng.integers(0, 2, v.size)
    serial_offset = rng.normal(0, 0.004, 2 * len(altitude_m))
    drift = np.array([(recorder_drift or {}).get(f"depot-{d}", 0.0) for d in range(len(altitude_m))])
    columns = _quantities(drawn, fault, severity, serial_offset[serial] + drift[depot[v]] * w)
    columns["lean_needles"] = rng.poisson(0.15, (v.size, repeats)).astype(float)
    for name in columns:
        if no_lambda.any() and QUANTITIES[name].group == "lambda":
            columns[name] = np.where(no_lambda[v][:, None], np.nan, columns[name])
    columns["hold_s"] = np.clip(rng.normal(1.0, 0.12, (v.size, repeats)), 0.5, 1.6)

    monday = datetime.fromisoformat(start).replace(tzinfo=UTC)
    frame = _frame(drawn, monday, columns, serial, missing)
    truth = pl.DataFrame(
        {"van_id": [f"van-{i:05d}" for i in range(vans)], "fault": fault, "onset": onset, "ramp_weeks": ramp}
    )
    return ReadingsFleet(frame, truth, tuple(week_of(monday + timedelta(weeks=k)) for k in range(weeks)))


def _visits(
    rng: np.random.Generator, vans: int, weeks: int, repeats: int, altitude_m: tuple[float, ...], heavy: bool
) -> _Drawn:
    """Vans and their visits: most weeks, with the weather of the depot."""
    names = list(FAMILIES_TABLE)
    family = rng.integers(0, len(names), vans)
    depot = rng.integers(0, len(altitude_m), vans)
    v, w = (a.ravel() for a in np.meshgrid(np.arange(vans), np.arange(weeks), indexing="ij"))
    keep = rng.random(v.size) > 0.08
    v, w = v[keep], w[keep]
    n = v.size
    day = rng.integers(0, 5, n)
    front = rng.normal(0, 0.9, (weeks, 5, len(altitude_m)))
    warmth = rng.normal(0, 3.0, (weeks, 5, len(altitude_m)))
    height = np.array(altitude_m)[depot[v]]
    pressure = 101.3 * (1 - 2.25577e-5 * height) ** 5.2559 + front[w, day, depot[v]]
    outside = 12.0 - 11.0 * _season(w) + warmth[w, day, depot[v]] - 0.006 * height
    intake = outside + rng.gamma(4.0, 2.0, n)
    humidity = np.clip(rng.normal(70, 12, n), 20, 99)
    return _Drawn(rng, heavy, weeks, repeats, names, family, depot, v, w, day, height, pressure, intake, humidity)


def _season(week: np.ndarray) -> np.ndarray:
    return np.cos(2 * np.pi * (week / 52.0))


def _quantities(drawn: _Drawn, fault: np.ndarray, severity: np.ndarray, recorder: np.ndarray) -> dict[str, np.ndarray]:
    """Readings of every repeat by quantity; `recorder` is what the recorder adds to the logarithm of a flow."""
    rng, v, w, vans = drawn.rng, drawn.v, drawn.w, drawn.family.size
    n, repeats = v.size, drawn.repeats
    expected = [FAMILIES_TABLE[drawn.names[f]]["main_peak"]["expected_g_s"] for f in drawn.family]
    columns: dict[str, np.ndarray] = {}
    for name, (level, spread, visit, repeat, swing) in (_RELATIVE | _ABSOLUTE).items():
        own = rng.normal(0, spread, vans)[v]
        walk = np.cumsum(rng.normal(0, 0.05 * visit, (vans, drawn.weeks)), axis=1)[v, w]
        y = own + drawn.noise(visit, (n,)) + walk + swing * _season(w)
        effect = severity * np.array([FAULTS.get(k, {}).get(name, 0.0) for k in fault])[v]
        if name in _RELATIVE:
            base = np.array(expected)[v] if name == "main_peak_g_s" else np.full(n, level)
            if name in ("main_peak_g_s", "first_peak_g_s"):
                y += 0.93 * np.log(drawn.pressure / 99.0) - 0.62 * np.log((drawn.intake + 273.15) / 298.15)
            if name.endswith("_g_s"):
                y += recorder
            y += np.log1p(effect)
            columns[name] = np.exp(np.log(base)[:, None] + y[:, None] + drawn.noise(repeat, (n, repeats)))
            continue
        y += level + effect
        values = y[:, None] + drawn.noise(repeat, (n, repeats))
        if name == "throttle_opened":
            values = np.minimum(values, 1.0)
        if name in ("cycle_ripple", "tip_in_lean_blip"):
            values = np.maximum(values, 0.0)
        columns[name] = values
    return columns


def _frame(
    drawn: _Drawn, monday: datetime, columns: dict[str, np.ndarray], serial: np.ndarray, missing: float
) -> pl.DataFrame:
    """Captures joined with readings, in the columns of the contract."""
    rng, v, w, repeats = drawn.rng, drawn.v, drawn.w, drawn.repeats
    n, vans, depots = v.size, drawn.family.size, int(serial.max()) // 2 + 1
    moment = [
        monday + timedelta(weeks=int(a), days=int(b), hours=8, minutes=int(c) % 480)
        for a, b, c in zip(w, drawn.day, v * 7, strict=True)
    ]
    barometer = np.where(rng.random(n) < missing, np.nan, drawn.pressure + rng.normal(0, 0.1, n))
    air = np.where(rng.random(n) < missing, np.nan, drawn.intake + rng.normal(0, 1.0, n))

    def flat(values: np.ndarray) -> np.ndarray:
        return np.repeat(values, repeats)

    data: dict[str, object] = {
        "capture_id": [f"{a:05d}-{b:03d}-{r}" for a, b in zip(v, w, strict=True) for r in range(repeats)],
        "van_id": flat(np.array([f"van-{i:05d}" for i in range(vans)])[v]),
        "family": flat(np.array(drawn.names)[drawn.family[v]]),
        "depot": flat(np.array([f"depot-{d}" for d in range(depots)])[drawn.depot[v]]),
        "captured_at": np.repeat(np.array([m.replace(tzinfo=None) for m in moment], "datetime64[us]"), repeats),
        "week": flat(np.array([week_of(m) for m in moment])),
        "visit": [f"{a:05d}-{b:03d}" for a, b in zip(v, w, strict=True) for _ in range(repeats)],
        "grade": "good",
        "coolant_c": flat(rng.normal(90, 3, n)),
        "intake_air_c": flat(air),
        "barometer_kpa": flat(barometer),
        "humidity_pct": flat(drawn.humidity),
        "altitude_m": flat(np.where(rng.random(n) < 0.5, drawn.height, np.nan)),
        "fuel": "E5",
        "recorder_serial": flat(np.array([f"R{s}" for s in range(2 * depots)])[serial]),
        "ecu_software": "a1",
    }
    scatter = {name: repeat for name, (_, _, _, repeat, _) in (_RELATIVE | _ABSOLUTE).items()}
    for name, values in columns.items():
        data[name] = values.ravel()
        scale = np.abs(values) if name in _RELATIVE else 1.0
        data[name + "_u"] = np.where(np.isfinite(values), scatter.get(name, 0.01) * scale + 1e-9, np.nan).ravel()
    schema = polars_schema(CAPTURES) | polars_schema(READINGS)
    frame = pl.DataFrame(data).with_columns(pl.col("captured_at").dt.replace_time_zone("UTC"))
    rest = [pl.lit(None, dtype=kind).alias(name) for name, kind in schema.items() if name not in frame.columns]
    frame = frame.with_columns(rest).cast(dict(schema.items())).select(list(schema))
    numbers = [name for name, kind in schema.items() if kind == pl.Float64()]
    frame = frame.with_columns(pl.col(numbers).fill_nan(None))
    return frame.with_columns(
        main_peak_reference_g_s=pl.col("main_peak_g_s"), main_peak_reference_g_s_u=pl.col("main_peak_g_s_u")
    )


def no_repairs() -> pl.DataFrame:
    """An empty repairs table."""
    from data_contracts.tables import REPAIRS

    return pl.DataFrame(schema=polars_schema(REPAIRS))
