"""Six invented engine families and the register an owner would write for them."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import Family, parse_family

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Kind:
    """What all vans of one family share; units in the names or as in `tests.otherfleet.engine.Engine`."""

    name: str
    litres: float
    cylinders: int
    turbo: bool
    banks: int
    air: str  # volts, hertz, g_s
    air_rate_hz: float | None  # bus rate, else the recorder's
    king: tuple[float, float, float]  # U = a sqrt(0.3 + m^n) - b, m in g/s; hertz: f = a + b m^n
    air_lag_s: float
    oxygen: str  # narrowband, wideband, ratio
    polarity: str | None
    pump_v: tuple[float, float, float]  # wideband: volts at phi 0 and 1.5, and the curvature
    tau_s: float
    tau_lean_factor: float
    limit_rpm: float
    bounce: bool
    idle_rpm: float
    inertia: float
    fill: float
    fill_best_rpm: float
    fill_fall: float
    friction: tuple[float, float, float]
    plenum_l: float
    bore_mm: float
    column_hz: float
    column_damping: float
    boost: float
    film_share: float
    film_s: float
    rich_target: float
    rich_delay_s: float
    cut_delay_s: float
    pipe_l: float
    mixing_l: float
    carry: float
    plate_lag_s: float
    recirculation: float  # share of full flow
    pulse: float  # pulsation at the sensor at full load, share of flow
    bus_speed: bool = False


KINDS: dict[str, Kind] = {
    k.name: k
    for k in (
        Kind(
            "harrow-16",
            1.6,
            4,
            False,
            1,
            "volts",
            None,
            (2.001, 1.692, 0.55),
            0.012,
            "wideband",
            "rich_low",
            (4.6, 0.35, 0.4),
            0.052,
            1.15,
            5350,
            False,
            790,
            0.115,
            0.86,
            4300,
            0.30,
            (0.75e5, 0.16e5, 0.014e5),
            2.4,
            46,
            15.0,
            0.75,
            0.0,
            0.12,
            0.11,
            0.89,
            0.12,
            0.22,
            0.55,
            0.55,
            0.8,
            0.035,
            0.0,
            0.035,
        ),
        Kind(
            "fen-30",
            3.0,
            6,
            False,
            2,
            "volts",
            None,
            (1.677, 1.542, 0.545),
            0.018,
            "narrowband",
            "rich_high",
            (0.0, 0.0, 0.0),
            0.070,
            1.35,
            5100,
            False,
            660,
            0.205,
            0.84,
            3900,
            0.35,
            (0.80e5, 0.13e5, 0.016e5),
            4.6,
            64,
            11.0,
            0.80,
            0.0,
            0.13,
            0.12,
            0.88,
            0.20,
            0.35,
            1.1,
            0.9,
            0.7,
            0.045,
            0.0,
            0.020,
        ),
        Kind(
            "tarn-10",
            1.0,
            3,
            True,
            1,
            "hertz",
            None,
            (820.0, 705.0, 0.62),
            0.008,
            "wideband",
            "rich_high",
            (0.6, 4.1, 0.0),
            0.034,
            1.0,
            5900,
            False,
            880,
            0.085,
            0.80,
            3600,
            0.28,
            (0.85e5, 0.15e5, 0.010e5),
            1.9,
            40,
            18.0,
            0.65,
            0.12,
            0.10,
            0.09,
            0.92,
            0.08,
            0.15,
            0.35,
            0.45,
            0.9,
            0.030,
            0.05,
            0.060,
        ),
        Kind(
            "moor-20",
            2.0,
            4,
            True,
            1,
            "g_s",
            100.0,
            (0.0, 1.0, 1.0),
            0.015,
            "ratio",
            None,
            (0.0, 0.0, 0.0),
            0.045,
            1.1,
            4200,
            False,
            760,
            0.165,
            0.82,
            3300,
            0.30,
            (0.85e5, 0.17e5, 0.012e5),
            3.2,
            54,
            13.0,
            0.70,
            0.09,
            0.11,
            0.10,
            0.90,
            0.15,
            0.28,
            0.6,
            0.7,
            1.0,
            0.060,
            0.06,
            0.03,
            True,
        ),
        Kind(
            "dale-24",
            2.4,
            4,
            False,
            1,
            "volts",
            None,
            (1.775, 1.483, 0.555),
            0.022,
            "narrowband",
            "rich_high",
            (0.0, 0.0, 0.0),
            0.085,
            1.2,
            4900,
            True,
            740,
            0.185,
            0.85,
            4000,
            0.32,
            (0.80e5, 0.16e5, 0.015e5),
            3.6,
            56,
            12.0,
            0.85,
            0.0,
            0.10,
            0.09,
            0.88,
            0.08,
            0.30,
            0.9,
            0.8,
            0.7,
            0.030,
            0.0,
            0.045,
        ),
        Kind(
            "crag-18",
            1.8,
            4,
            True,
            1,
            "volts",
            None,
            (1.978, 1.879, 0.54),
            0.010,
            "wideband",
            "rich_low",
            (4.4, 0.5, 0.55),
            0.040,
            1.1,
            5600,
            False,
            820,
            0.135,
            0.83,
            3700,
            0.28,
            (0.85e5, 0.15e5, 0.013e5),
            2.6,
            50,
            16.0,
            0.70,
            0.10,
            0.11,
            0.10,
            0.87,
            0.10,
            0.20,
            0.5,
            0.5,
            0.9,
            0.040,
            0.07,
            0.04,
        ),
    )
}


def air_signal(kind: Kind, flow_g_s: Floats) -> Floats:
    """Raw air-mass signal of a flow. [V, Hz or g/s]"""
    a, b, n = kind.king
    if kind.air == "g_s":
        return np.asarray(flow_g_s, dtype=np.float64)
    power = np.maximum(flow_g_s, 0.0) ** n
    return a * np.sqrt(0.3 + power) - b if kind.air == "volts" else a + b * power


def air_flow(kind: Kind, raw: Floats) -> Floats:
    """Flow of a raw signal. [g/s]"""
    a, b, n = kind.king
    if kind.air == "g_s":
        return raw
    power = ((raw + b) / a) ** 2 - 0.3 if kind.air == "volts" else (raw - a) / b
    return np.maximum(power, 0.0) ** (1.0 / n)


def lambda_signal(kind: Kind, phi: Floats) -> Floats:
    """Sensor signal of the fuel ratio 1/lambda it sees. [V or lambda]"""
    if kind.oxygen == "narrowband":
        return 0.08 + 0.78 / (1.0 + np.exp(-(phi - 1.0) / 0.0065)) + 0.25 * np.clip(phi - 1.03, 0.0, 0.2)
    if kind.oxygen == "ratio":
        return np.clip(1.0 / np.maximum(phi, 0.05), 0.68, 7.99)
    lean, rich, bend = kind.pump_v
    phi = np.clip(phi, 1.0 / 2.6, 1.0 / 0.66)
    x = (phi - 1.0 / 2.6) / (1.0 / 0.66 - 1.0 / 2.6)
    return lean + (rich - lean) * (x + bend * x * (1.0 - x))


def register_table(kind: Kind, expected_g_s: float) -> dict[str, object]:
    """One table of families.toml.

    Parameters
    ----------
    kind : Kind
        The family.
    expected_g_s : float
        Main peak the owner states, at reference conditions. [g/s]

    Returns
    -------
    dict
    """
    table: dict[str, object] = {
        "displacement_l": kind.litres,
        "cylinders": kind.cylinders,
        "aspiration": "turbo" if kind.turbo else "natural",
        "max_free_rpm": round(kind.limit_rpm / 50) * 50,
        "lambda_banks": kind.banks,
    }
    if kind.bus_speed:
        table["throttle_open_pct"] = 88.0
    air: dict[str, object] = {"kind": kind.air}
    low = 0.955
    if kind.air == "g_s":
        table["main_peak"] = {
            "expected_g_s": round(expected_g_s, 1),
            "low_limit_g_s": round(expected_g_s * 0.9, 1),
        }
    else:
        grid = np.concatenate([[0.0], np.geomspace(0.6, expected_g_s * 2.0, 25)])
        raw = air_signal(kind, grid)
        if kind.air == "volts":
            air["range_v"] = [0.0, 5.0]
            air["transfer_v"] = [round(float(v), 4) for v in raw]
            volts = float(air_signal(kind, np.array([expected_g_s]))[0])
            table["main_peak"] = {"expected_v": round(volts, 2), "low_limit_v": round(volts * low, 2)}
        else:
            air["transfer_hz"] = [round(float(v), 1) for v in raw]
            table["main_peak"] = {"expected_g_s": round(expected_g_s, 1), "low_limit_g_s": round(expected_g_s * 0.9, 1)}
        air["transfer_g_s"] = [round(float(v), 4) for v in grid]
    table["airflow_sensor"] = air
    oxygen: dict[str, object] = {"kind": kind.oxygen}
    if kind.polarity:
        oxygen["polarity"] = kind.polarity
    if kind.oxygen == "wideband":
        ratio = np.array([0.66, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 1.0, 1.05, 1.1, 1.2, 1.35, 1.5, 1.8, 2.2, 2.6])
        volts = lambda_signal(kind, 1.0 / ratio)
        order = np.argsort(volts)
        oxygen["characteristic_v"] = [round(float(v), 4) for v in volts[order]]
        oxygen["characteristic_lambda"] = [float(x) for x in ratio[order]]
    table["lambda_sensor"] = oxygen
    # an owner states what is seen at the van: the sensor's own lag with gas mixing on top
    table["lambda_response"] = {
        "expected_time_constant_s": round(kind.tau_s * 1.3, 3),
        "time_constant_limit_s": round(kind.tau_s * 1.3 * 2.2, 3),
    }
    return table


@cache
def family_of(name: str) -> Family:
    """The family as the tool parses it, with the owner's main peak."""
    from tests.otherfleet.captures import reference_peak_g_s

    stated = {"harrow-16": 1.01, "fen-30": 0.985, "tarn-10": 1.0, "moor-20": 1.015, "dale-24": 0.99, "crag-18": 1.0}
    return parse_family(name, register_table(KINDS[name], reference_peak_g_s(name) * stated[name]))


def register_toml(names: tuple[str, ...]) -> str:
    """families.toml."""
    from tests.otherfleet.captures import reference_peak_g_s

    stated = {"harrow-16": 1.01, "fen-30": 0.985, "tarn-10": 1.0, "moor-20": 1.015, "dale-24": 0.99, "crag-18": 1.0}
    lines: list[str] = []
    for name in names:
        table = register_table(KINDS[name], reference_peak_g_s(name) * stated[name])
        lines.append(f"[{name}]")
        lines += [f"{k} = {_toml(v)}" for k, v in table.items() if not isinstance(v, dict)]
        for key, part in table.items():
            if isinstance(part, dict):
                lines.append(f"\n[{name}.{key}]")
                lines += [f"{k} = {_toml(v)}" for k, v in part.items()]
        lines.append("")
    return "\n".join(lines)


def _toml(value: object) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list):
        return "[" + ", ".join(repr(v) for v in value) + "]"
    return repr(value)
