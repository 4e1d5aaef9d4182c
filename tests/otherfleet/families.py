"""Sensors of the second fleet's families, and the register an owner would write for them."""

from functools import cache

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import Family, parse_family
from tests.otherfleet.kinds import Kind
from tests.otherfleet.structured_kinds import kind_of

Floats = NDArray[np.float64]


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


def _stated(name: str) -> float:
    """Main peak as the owner states it, over the true one."""
    stated = {"harrow-16": 1.01, "fen-30": 0.985, "moor-20": 1.015, "dale-24": 0.99}
    return stated.get(name, 1.0)


@cache
def family_of(name: str) -> Family:
    """The family as the tool parses it, with the owner's main peak."""
    from tests.otherfleet.vans import reference_peak_g_s

    return parse_family(name, register_table(kind_of(name), reference_peak_g_s(name) * _stated(name)))


def register_toml(names: tuple[str, ...]) -> str:
    """families.toml."""
    from tests.otherfleet.vans import reference_peak_g_s

    lines: list[str] = []
    for name in names:
        table = register_table(kind_of(name), reference_peak_g_s(name) * _stated(name))
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
