"""An engine family of the fleet register: what a healthy van of it should read.

`parse_family` turns one table of families.toml into a `Family`; every fault is collected and
reported once, each as one clear line naming family, key and remedy.
"""

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from data_contracts.errors import RegisterError
from data_contracts.limits import REFERENCE_BAROMETER_KPA, REFERENCE_INTAKE_AIR_C

AirflowKind = Literal["volts", "hertz", "g_s"]
LambdaKind = Literal["narrowband", "wideband", "ratio", "none"]


@dataclass(frozen=True)
class AirflowSensor:
    """Air-mass sensor: raw signal to mass flow.

    Attributes
    ----------
    kind : {"volts", "hertz", "g_s"}
        What the recording holds.
    range_v : tuple of float
        Electrical range of an analogue sensor. [V]
    transfer : ndarray of shape (points,)
        Raw signal, strictly increasing; empty for "g_s". [V or Hz]
    transfer_g_s : ndarray of shape (points,)
        Mass flow at those points, strictly increasing. [g/s]
    """

    kind: AirflowKind
    range_v: tuple[float, float]
    transfer: NDArray[np.float64]
    transfer_g_s: NDArray[np.float64]

    @property
    def channel(self) -> str:
        """Canonical channel this sensor is read from."""
        return {"volts": "airflow_v", "hertz": "airflow_hz", "g_s": "airflow_g_s"}[self.kind]


@dataclass(frozen=True)
class MainPeak:
    """The family's figures for the main peak, at its reference conditions.

    Attributes
    ----------
    expected_g_s, low_limit_g_s, high_limit_g_s : float or None
        In flow, through the transfer table where the register gives volts. [g/s]
    expected_v, low_limit_v, high_limit_v : float or None
        As the register gives them, analogue families only. [V]
    reference_intake_air_c, reference_barometer_kpa : float
        Reference conditions, dry air. [°C], [kPa]
    """

    expected_g_s: float | None
    low_limit_g_s: float | None
    high_limit_g_s: float | None
    expected_v: float | None
    low_limit_v: float | None
    high_limit_v: float | None
    reference_intake_air_c: float
    reference_barometer_kpa: float


@dataclass(frozen=True)
class LambdaSensor:
    """Lambda sensor upstream of the catalyst.

    Attributes
    ----------
    kind : {"narrowband", "wideband", "ratio", "none"}
        What the recording holds.
    polarity : {"rich_low", "rich_high"} or None
        Sign of the signal; None for "ratio" and "none".
    characteristic_v : ndarray of shape (points,)
        Wideband signal, strictly increasing; empty otherwise. [V]
    characteristic_lambda : ndarray of shape (points,)
        Lambda at those points, strictly monotonic. [1]
    """

    kind: LambdaKind
    polarity: Literal["rich_low", "rich_high"] | None
    characteristic_v: NDArray[np.float64]
    characteristic_lambda: NDArray[np.float64]


@dataclass(frozen=True)
class Family:
    """One engine family.

    Attributes
    ----------
    name : str
        Key in families.toml.
    displacement_l : float
        Swept volume. [l]
    cylinders : int
        Count.
    aspiration : {"natural", "turbo"}
        Natural or turbocharged.
    max_free_rpm : float
        Highest speed without load. [1/min]
    throttle_open_pct : float or None
        What the throttle channel reads at full opening. [%]
    lambda_banks : int
        1 or 2.
    airflow_sensor, main_peak, lambda_sensor
        See their classes.
    expected_time_constant_s, time_constant_limit_s : float or None
        Of the lambda response. [s]
    """

    name: str
    displacement_l: float
    cylinders: int
    aspiration: Literal["natural", "turbo"]
    max_free_rpm: float
    throttle_open_pct: float | None
    lambda_banks: int
    airflow_sensor: AirflowSensor
    main_peak: MainPeak
    lambda_sensor: LambdaSensor
    expected_time_constant_s: float | None
    time_constant_limit_s: float | None


class _Table:
    """One TOML table with its faults collected, so that all are reported at once."""

    def __init__(self, family: str, table: object, path: str, faults: list[str]) -> None:
        self.family, self.path, self.faults = family, path, faults
        if table is None:
            self.values: Mapping[str, Any] = {}
        elif isinstance(table, Mapping):
            self.values = table
        else:
            self.values = {}
            self.fault("", table, "make it a table")

    def fault(self, key: str, value: object, remedy: str) -> None:
        name = f"{self.path}{key}".rstrip(".") or self.family
        shown = "is missing" if value is None else f"is {str(value)[:80]}"
        self.faults.append(f"family {self.family}: {name} {shown}: {remedy}")

    def number(self, key: str, remedy: str, *, above: float | None = None, required: bool = True) -> float | None:
        value = self.values.get(key)
        if value is None:
            if required:
                self.fault(key, None, remedy)
            return None
        good = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        if not good or (above is not None and value <= above):
            self.fault(key, value, remedy)
            return None
        return float(value)

    def word(self, key: str, words: tuple[str, ...], *, required: bool = True) -> str | None:
        value = self.values.get(key)
        if value is None and not required:
            return None
        if not isinstance(value, str) or value not in words:
            self.fault(key, value, "give one of " + ", ".join(words))
            return None
        return value

    def curve(self, key: str, *, increasing: bool) -> NDArray[np.float64]:
        value = self.values.get(key)
        what = "strictly increasing" if increasing else "strictly rising or strictly falling"
        remedy = f"give at least 2 {what} numbers"
        if (
            not isinstance(value, list)
            or len(value) < 2
            or any(isinstance(v, bool) or not isinstance(v, int | float) for v in value)
        ):
            self.fault(key, value, remedy)
            return np.empty(0)
        curve = np.asarray(value, dtype=np.float64)
        steps = np.diff(curve)
        monotonic = np.all(steps > 0) or (not increasing and np.all(steps < 0))
        if not np.all(np.isfinite(curve)) or not monotonic:
            self.fault(key, value, remedy)
            return np.empty(0)
        return curve


def parse_family(name: str, table: Mapping[str, Any]) -> Family:
    """Check one table of families.toml and turn it into a `Family`.

    Parameters
    ----------
    name : str
        The family's key.
    table : mapping
        Its table, as a TOML reader gives it.

    Returns
    -------
    Family

    Raises
    ------
    RegisterError
        Naming family, key and remedy of every fault, joined by "; ".
    """
    faults: list[str] = []
    top = _Table(name, table, "", faults)
    displacement = top.number("displacement_l", "give the swept volume in litres", above=0)
    cylinders = top.number("cylinders", "give the number of cylinders, a whole number from 1", above=0)
    if cylinders is not None and cylinders != int(cylinders):
        top.fault("cylinders", cylinders, "give a whole number")
    aspiration = top.word("aspiration", ("natural", "turbo"))
    max_free_rpm = top.number("max_free_rpm", "give the highest speed without load in 1/min", above=0)
    throttle_open = top.number(
        "throttle_open_pct", "give what the throttle channel reads fully open, in percent", above=0, required=False
    )
    banks = top.number("lambda_banks", "give 1 or 2", above=0, required=False)
    if banks is not None and banks not in (1, 2):
        top.fault("lambda_banks", banks, "give 1 or 2")

    airflow = _parse_airflow(_Table(name, top.values.get("airflow_sensor"), "airflow_sensor.", faults))
    peak = _parse_main_peak(_Table(name, top.values.get("main_peak"), "main_peak.", faults), airflow)
    lambda_sensor = _parse_lambda(_Table(name, top.values.get("lambda_sensor"), "lambda_sensor.", faults))
    response = _Table(name, top.values.get("lambda_response"), "lambda_response.", faults)
    expected = response.number("expected_time_constant_s", "give seconds above 0", above=0, required=False)
    limit = response.number("time_constant_limit_s", "give seconds above 0", above=0, required=False)
    if expected is not None and limit is not None and limit <= expected:
        response.fault("time_constant_limit_s", limit, f"give a limit above expected_time_constant_s ({expected:g})")
    if faults:
        raise RegisterError("; ".join(faults))
    assert displacement is not None
    assert cylinders is not None
    assert max_free_rpm is not None
    assert airflow is not None
    assert peak is not None
    assert lambda_sensor is not None
    return Family(
        name=name,
        displacement_l=displacement,
        cylinders=int(cylinders),
        aspiration="turbo" if aspiration == "turbo" else "natural",
        max_free_rpm=max_free_rpm,
        throttle_open_pct=throttle_open,
        lambda_banks=int(banks or 1),
        airflow_sensor=airflow,
        main_peak=peak,
        lambda_sensor=lambda_sensor,
        expected_time_constant_s=expected,
        time_constant_limit_s=limit,
    )


def _parse_airflow(table: _Table) -> AirflowSensor | None:
    kind = table.word("kind", ("volts", "hertz", "g_s"))
    if kind is None:
        return None
    empty = np.empty(0)
    if kind == "g_s":
        for key in ("transfer_v", "transfer_hz", "transfer_g_s"):
            if key in table.values:
                table.fault(key, table.values[key], 'leave it out for kind = "g_s"')
        return AirflowSensor("g_s", (0.0, 0.0), empty, empty)
    raw_key = "transfer_v" if kind == "volts" else "transfer_hz"
    other = "transfer_hz" if kind == "volts" else "transfer_v"
    if other in table.values:
        table.fault(other, table.values[other], f'leave it out for kind = "{kind}"')
    raw, flow = table.curve(raw_key, increasing=True), table.curve("transfer_g_s", increasing=True)
    if raw.size and flow.size and raw.size != flow.size:
        table.fault(raw_key, f"{raw.size} points long and transfer_g_s {flow.size}", "give both the same length")
    bounds = table.values.get("range_v", [0.0, 5.0])
    good = (
        isinstance(bounds, list)
        and len(bounds) == 2
        and all(isinstance(b, int | float) and not isinstance(b, bool) for b in bounds)
        and bounds[0] < bounds[1]
    )
    if not good:
        table.fault("range_v", bounds, "give [lowest, highest] in volts")
        bounds = [0.0, 5.0]
    return AirflowSensor("volts" if kind == "volts" else "hertz", (float(bounds[0]), float(bounds[1])), raw, flow)


def _parse_main_peak(table: _Table, airflow: AirflowSensor | None) -> MainPeak | None:
    remedy = "give a number above 0"
    volts: dict[str, float | None] = {}
    flow: dict[str, float | None] = {}
    for key in ("expected", "low_limit", "high_limit"):
        volts[key] = table.number(f"{key}_v", remedy, above=0, required=False)
        flow[key] = table.number(f"{key}_g_s", remedy, above=0, required=False)
        level = volts[key]
        if level is None:
            continue
        if flow[key] is not None:
            table.fault(f"{key}_v", level, f"give either {key}_v or {key}_g_s, not both")
        elif airflow is not None and airflow.kind != "volts":
            table.fault(f"{key}_v", level, f'give {key}_g_s for an air-mass sensor of kind "{airflow.kind}"')
        elif airflow is not None and airflow.transfer.size and airflow.transfer.size == airflow.transfer_g_s.size:
            if not airflow.transfer[0] <= level <= airflow.transfer[-1]:
                table.fault(f"{key}_v", level, "extend transfer_v and transfer_g_s to cover it")
            flow[key] = float(np.interp(level, airflow.transfer, airflow.transfer_g_s))
    order = [level for level in (flow["low_limit"], flow["expected"], flow["high_limit"]) if level is not None]
    if any(a >= b for a, b in itertools.pairwise(order)):
        table.fault("low_limit", order, "give low limit < expected < high limit")
    air = table.number("reference_intake_air_c", "give °C above -60", above=-60, required=False)
    pressure = table.number("reference_barometer_kpa", "give kPa above 0", above=0, required=False)
    return MainPeak(
        expected_g_s=flow["expected"],
        low_limit_g_s=flow["low_limit"],
        high_limit_g_s=flow["high_limit"],
        expected_v=volts["expected"],
        low_limit_v=volts["low_limit"],
        high_limit_v=volts["high_limit"],
        reference_intake_air_c=REFERENCE_INTAKE_AIR_C if air is None else air,
        reference_barometer_kpa=REFERENCE_BAROMETER_KPA if pressure is None else pressure,
    )


def _parse_lambda(table: _Table) -> LambdaSensor | None:
    kind = table.word("kind", ("narrowband", "wideband", "ratio", "none"))
    empty = np.empty(0)
    if kind is None:
        return None
    if kind in ("ratio", "none"):
        return LambdaSensor("ratio" if kind == "ratio" else "none", None, empty, empty)
    polarity = table.word("polarity", ("rich_low", "rich_high"))
    sign: Literal["rich_low", "rich_high"] = "rich_low" if polarity == "rich_low" else "rich_high"
    if kind == "narrowband":
        return LambdaSensor("narrowband", sign, empty, empty)
    volts = table.curve("characteristic_v", increasing=True)
    ratio = table.curve("characteristic_lambda", increasing=False)
    if volts.size and ratio.size:
        if volts.size != ratio.size:
            table.fault(
                "characteristic_v",
                f"{volts.size} points long and characteristic_lambda {ratio.size}",
                "give both the same length",
            )
        rising = "rich_low" if ratio[-1] > ratio[0] else "rich_high"
        if polarity is not None and rising != polarity:
            table.fault("polarity", polarity, f"the characteristic says {rising}: mend one of the two")
    return LambdaSensor("wideband", sign, volts, ratio)
