"""An engine family of the fleet register: what a healthy van of it should read.

`parse_family` turns one table of families.toml (`FamilyEntry` and its tables, as people write them) into a `Family`
(as models take it); every fault is reported at once, each as one clear line naming family, key and remedy.
"""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator, Field, ValidationError, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from data_contracts.entries import Positive, SourcedEntry, Whole, contradiction, fault_lines, refuse
from data_contracts.errors import RegisterError
from data_contracts.family_limits import HurtLimits, LimitsEntry
from data_contracts.limits import REFERENCE_BAROMETER_KPA, REFERENCE_INTAKE_AIR_C

AirflowKind = Literal["volts", "hertz", "g_s", "map_kpa"]
LambdaKind = Literal["narrowband", "wideband", "ratio", "none"]
Polarity = Literal["rich_low", "rich_high"]
Aspiration = Literal["natural", "turbo"]
FuelKind = Literal["petrol", "lpg", "cng"]
HybridKind = Literal["none", "mild", "full"]


@dataclass(frozen=True)
class AirflowSensor:
    """Air-mass sensor: raw signal to mass flow; or manifold pressure, from which the flow is worked out.

    Attributes
    ----------
    kind : {"volts", "hertz", "g_s", "map_kpa"}
        What the recording holds.
    range_v : tuple of float
        Electrical range of an analogue sensor. [V]
    transfer : ndarray of shape (points,)
        Raw signal, strictly increasing; empty for "g_s" and "map_kpa". [V or Hz]
    transfer_g_s : ndarray of shape (points,)
        Mass flow at those points, strictly increasing. [g/s]
    efficiency_kpa, efficiency : ndarray of shape (points,)
        Volumetric efficiency against manifold pressure, "map_kpa" only. [kPa], [1]
    efficiency_u : float
        Its relative standard uncertainty, the same for all vans of the family; 0 for an air-mass sensor. [1]
    """

    kind: AirflowKind
    range_v: tuple[float, float]
    transfer: NDArray[np.float64]
    transfer_g_s: NDArray[np.float64]
    efficiency_kpa: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    efficiency: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    efficiency_u: float = 0.0

    @property
    def channel(self) -> str:
        """Canonical channel this sensor is recorded in."""
        return {"volts": "airflow_v", "hertz": "airflow_hz", "g_s": "airflow_g_s", "map_kpa": "map_kpa"}[self.kind]

    @property
    def trace(self) -> str:
        """Channel the trace of a snap is read from: what was recorded, or the flow worked out from pressure and speed."""
        return "airflow_g_s" if self.kind == "map_kpa" else self.channel

    @property
    def metered(self) -> bool:
        """An air-mass sensor ahead of the throttle, and no pressure behind it."""
        return self.kind != "map_kpa"

    @property
    def reports_flow(self) -> bool:
        """The trace is a flow already: no table leads to it."""
        return self.kind in ("g_s", "map_kpa")


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
    range_lambda : tuple of float or None
        Lowest and highest lambda that a recorded ratio says; None where the register gives none. [1]
    """

    kind: LambdaKind
    polarity: Polarity | None
    characteristic_v: NDArray[np.float64]
    characteristic_lambda: NDArray[np.float64]
    range_lambda: tuple[float, float] | None = None


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
    limits : HurtLimits
        Beyond which a van is called in, whatever its own past.
    fuel : {"petrol", "lpg", "cng"}
        What it is recorded on.
    hybrid : {"none", "mild", "full"}
        mild: the engine runs while the van stands, once told to; full: only in the maker's mode for it.
    warranty_km : float or None
        Odometer at the end of warranty, of its vans whose own entry gives none. [km]
    """

    name: str
    displacement_l: float
    cylinders: int
    aspiration: Aspiration
    max_free_rpm: float
    throttle_open_pct: float | None
    lambda_banks: int
    airflow_sensor: AirflowSensor
    main_peak: MainPeak
    lambda_sensor: LambdaSensor
    expected_time_constant_s: float | None
    time_constant_limit_s: float | None
    limits: HurtLimits = field(default_factory=HurtLimits)
    fuel: FuelKind = "petrol"
    hybrid: HybridKind = "none"
    warranty_km: float | None = None


_Floats = TypeVar("_Floats", bound=Sequence[float])


def _rising(values: _Floats) -> _Floats:
    if not all(a < b for a, b in itertools.pairwise(values)):
        raise PydanticCustomError("curve", "not strictly increasing")
    return values


def _monotonic(values: list[float]) -> list[float]:
    if not (all(a < b for a, b in itertools.pairwise(values)) or all(a > b for a, b in itertools.pairwise(values))):
        raise PydanticCustomError("curve", "neither strictly rising nor strictly falling")
    return values


_RisingCurve = Annotated[list[float], Field(min_length=2), AfterValidator(_rising)]
_Curve = Annotated[list[float], Field(min_length=2), AfterValidator(_monotonic)]
_Volts = Annotated[tuple[float, float], Field(strict=False), AfterValidator(_rising)]
# Whether a key is required depends on the kind of sensor, so its validator also runs where the key is left out.
_ByKind = Field(validate_default=True)
_Rising = "at least 2 strictly increasing numbers"


def _array(values: list[float] | None) -> NDArray[np.float64]:
    return np.asarray([] if values is None else values, dtype=np.float64)


def _belongs(value: object, needed: bool, kind: str) -> None:
    """Refuse a key that a sensor of this kind lacks or must not have."""
    if needed and value is None:
        raise PydanticCustomError("wanted", "missing")
    if not needed and value is not None:
        raise contradiction(f'leave it out for kind = "{kind}"')


def _same_length(key: str, value: list[float] | None, other_key: str, other: list[float] | None) -> None:
    if value is not None and other is not None and len(value) != len(other):
        told = f"{len(value)} points long and {other_key} {len(other)}"
        raise contradiction("give both the same length", told)


_TRANSFER_KEYS: dict[str, tuple[str, ...]] = {
    "volts": ("transfer_v", "transfer_g_s"),
    "hertz": ("transfer_hz", "transfer_g_s"),
    "g_s": (),
    "map_kpa": (),
}
# Volumetric efficiency on the density in the manifold, where the register gives none, and its relative standard
# uncertainty. Common practice, no source (2026-11-29): engines fill to 0.8 to 0.9 with the plate open, and to less at idle,
# where residual gas takes room (from memory: Heywood, Internal Combustion Engine Fundamentals, 6.2). One measured engine has
# 0.56 to 0.63 at 20 to 28 kPa and 0.86 at 92 kPa (arXiv 2408.13269; tests/studies/RESULTS.md). [kPa], [1]
USUAL_EFFICIENCY_KPA, USUAL_EFFICIENCY, USUAL_EFFICIENCY_U = (30.0, 100.0), (0.65, 0.86), 0.15


class AirflowSensorEntry(SourcedEntry):
    """[FAMILY.airflow_sensor]: the air-mass sensor, or manifold pressure where the engine has none."""

    kind: Annotated[
        AirflowKind,
        Field(
            description="what the recording holds; map_kpa: manifold pressure, absolute, with engine speed beside it"
        ),
    ]
    range_v: Annotated[
        _Volts, Field(description="[lowest, highest] in volts of an analogue sensor (left out: [0.0, 5.0])")
    ] = (0.0, 5.0)
    transfer_v: Annotated[
        _RisingCurve | None, _ByKind, Field(description=f'{_Rising} in volts, for kind = "volts"')
    ] = None
    transfer_hz: Annotated[_RisingCurve | None, _ByKind, Field(description=f'{_Rising} in Hz, for kind = "hertz"')] = (
        None
    )
    transfer_g_s: Annotated[
        _RisingCurve | None, _ByKind, Field(description=f"{_Rising} in g/s, as many as transfer_v or transfer_hz")
    ] = None
    efficiency_kpa: Annotated[
        _RisingCurve | None,
        Field(description=f'{_Rising}: manifold pressures in kPa of efficiency, for kind = "map_kpa"'),
    ] = None
    efficiency: Annotated[
        list[Annotated[float, Field(gt=0, lt=2)]] | None,
        _ByKind,
        Field(
            description="volumetric efficiency on the density in the manifold, numbers from 0 to 2, as many as efficiency_kpa "
            f"(both left out: {USUAL_EFFICIENCY[0]:g} at {USUAL_EFFICIENCY_KPA[0]:g} kPa to {USUAL_EFFICIENCY[1]:g} at "
            f"{USUAL_EFFICIENCY_KPA[1]:g} kPa)"
        ),
    ] = None
    efficiency_u: Annotated[
        float | None,
        Field(
            gt=0, lt=1, description=f"its relative standard uncertainty (left out: {USUAL_EFFICIENCY_U:g}), from 0 to 1"
        ),
    ] = None

    @field_validator("transfer_v", "transfer_hz", "transfer_g_s")
    @classmethod
    def _fits(cls, value: list[float] | None, info: ValidationInfo) -> list[float] | None:
        kind = info.data.get("kind")
        if kind is not None:
            needed = _TRANSFER_KEYS[kind]
            _belongs(value, info.field_name in needed, kind)
            if info.field_name == "transfer_g_s" and needed:
                _same_length(info.field_name, value, needed[0], info.data.get(needed[0]))
        return value

    @field_validator("efficiency_kpa", "efficiency", "efficiency_u")
    @classmethod
    def _of_pressure(cls, value: list[float] | float | None, info: ValidationInfo) -> list[float] | float | None:
        kind = info.data.get("kind")
        if kind is not None and kind != "map_kpa":
            _belongs(value, False, kind)
        if info.field_name == "efficiency" and "efficiency_kpa" in info.data:
            at = info.data["efficiency_kpa"]
            if (value is None) != (at is None):
                raise contradiction("give efficiency_kpa and efficiency together, or neither")
            _same_length("efficiency", value if isinstance(value, list) else None, "efficiency_kpa", at)
        return value

    def sensor(self) -> AirflowSensor:
        """As models take it."""
        nothing = _array(None)
        if self.kind == "map_kpa":
            at, efficiency = self.efficiency_kpa, self.efficiency
            return AirflowSensor(
                "map_kpa",
                (0.0, 0.0),
                nothing,
                nothing,
                np.asarray(USUAL_EFFICIENCY_KPA if at is None else at, dtype=np.float64),
                np.asarray(USUAL_EFFICIENCY if efficiency is None else efficiency, dtype=np.float64),
                USUAL_EFFICIENCY_U if self.efficiency_u is None else self.efficiency_u,
            )
        if self.kind == "g_s":
            return AirflowSensor("g_s", (0.0, 0.0), nothing, nothing)
        raw = self.transfer_v if self.kind == "volts" else self.transfer_hz
        return AirflowSensor(self.kind, self.range_v, _array(raw), _array(self.transfer_g_s))


class MainPeakEntry(SourcedEntry):
    """[FAMILY.main_peak]: the main peak of a healthy van, at its reference conditions."""

    expected_v: Annotated[Positive | None, Field(description="volts above 0, or expected_g_s")] = None
    expected_g_s: Annotated[Positive | None, Field(description="g/s above 0")] = None
    low_limit_v: Annotated[Positive | None, Field(description="volts above 0, or low_limit_g_s")] = None
    low_limit_g_s: Annotated[Positive | None, Field(description="g/s above 0")] = None
    high_limit_v: Annotated[Positive | None, Field(description="volts above 0, or high_limit_g_s")] = None
    high_limit_g_s: Annotated[Positive | None, Field(description="g/s above 0")] = None
    reference_intake_air_c: Annotated[
        float, Field(gt=-60, description=f"°C above -60 (left out: {REFERENCE_INTAKE_AIR_C:g})")
    ] = REFERENCE_INTAKE_AIR_C
    reference_barometer_kpa: Annotated[
        float, Field(gt=0, description=f"kPa above 0, dry air (left out: {REFERENCE_BAROMETER_KPA:g})")
    ] = REFERENCE_BAROMETER_KPA

    def _peak(self, airflow: AirflowSensor) -> MainPeak:
        """As models take it: in flow, through the transfer table where the register gives volts."""
        levels = ("expected", "low_limit", "high_limit")
        return MainPeak(
            **{f"{level}_g_s": self._flow(level, airflow) for level in levels},
            **{f"{level}_v": getattr(self, f"{level}_v") for level in levels},
            reference_intake_air_c=self.reference_intake_air_c,
            reference_barometer_kpa=self.reference_barometer_kpa,
        )

    def _flow(self, level: str, airflow: AirflowSensor) -> float | None:
        """Flow of "expected", "low_limit" or "high_limit"; None where the register does not give it. [g/s]"""
        volts: float | None = getattr(self, f"{level}_v")
        if volts is None or airflow.kind != "volts":
            flow: float | None = getattr(self, f"{level}_g_s")
            return flow
        return float(np.interp(volts, airflow.transfer, airflow.transfer_g_s))

    def _faults(self, airflow: AirflowSensor) -> dict[str, PydanticCustomError]:
        """Figures that contradict each other or the air-mass sensor, by key."""
        found: dict[str, PydanticCustomError] = {}
        for level in ("expected", "low_limit", "high_limit"):
            volts = getattr(self, f"{level}_v")
            if volts is None:
                continue
            if getattr(self, f"{level}_g_s") is not None:
                found[f"{level}_v"] = contradiction(f"give either {level}_v or {level}_g_s, not both")
            elif airflow.kind != "volts":
                remedy = f'give {level}_g_s for an air-mass sensor of kind "{airflow.kind}"'
                found[f"{level}_v"] = contradiction(remedy)
            elif not airflow.transfer[0] <= volts <= airflow.transfer[-1]:
                found[f"{level}_v"] = contradiction("extend transfer_v and transfer_g_s to cover it")
        order = [flow for level in ("low_limit", "expected", "high_limit") if (flow := self._flow(level, airflow))]
        if not found and any(a >= b for a, b in itertools.pairwise(order)):
            told = ", ".join(f"{flow:g}" for flow in order) + " g/s in turn"
            found["low_limit"] = contradiction("give low limit < expected < high limit", told)
        return found


class LambdaSensorEntry(SourcedEntry):
    """[FAMILY.lambda_sensor]: the lambda sensor upstream of the catalyst."""

    kind: Annotated[LambdaKind, Field(description="what the recording holds")]
    polarity: Annotated[
        Polarity | None, _ByKind, Field(description="where the signal goes when rich, for narrowband and wideband")
    ] = None
    characteristic_v: Annotated[
        _RisingCurve | None, _ByKind, Field(description=f'{_Rising} in volts, for kind = "wideband"')
    ] = None
    characteristic_lambda: Annotated[
        _Curve | None, _ByKind, Field(description="lambda at those volts, strictly rising or strictly falling numbers")
    ] = None
    range_lambda: Annotated[
        tuple[Positive, Positive] | None,
        Field(
            strict=False,
            description="lowest and highest lambda that a recorded ratio can say, where it stands still: [0.75, 1.99]",
        ),
    ] = None

    @field_validator("polarity")
    @classmethod
    def _never_guessed(cls, value: Polarity | None, info: ValidationInfo) -> Polarity | None:
        if value is None and info.data.get("kind") in ("narrowband", "wideband"):
            raise PydanticCustomError("wanted", "missing")
        return value

    @field_validator("characteristic_v", "characteristic_lambda")
    @classmethod
    def _fits(cls, value: list[float] | None, info: ValidationInfo) -> list[float] | None:
        kind = info.data.get("kind")
        if kind is not None:
            _belongs(value, kind == "wideband", kind)
        if info.field_name == "characteristic_lambda" and value is not None:
            _same_length(info.field_name, value, "characteristic_v", info.data.get("characteristic_v"))
            told = info.data.get("polarity")
            rising = "rich_low" if value[-1] > value[0] else "rich_high"
            if told is not None and told != rising:
                raise contradiction(f"the characteristic says {rising} and polarity {told}: mend one of the two")
        return value

    @field_validator("range_lambda")
    @classmethod
    def _low_before_high(cls, value: tuple[float, float] | None, info: ValidationInfo) -> tuple[float, float] | None:
        if value is None:
            return value
        if info.data.get("kind") not in ("wideband", "ratio"):
            raise contradiction('leave it out: it is for kind = "ratio", and "wideband" where a ratio is recorded')
        if not value[0] < 1.0 < value[1]:
            raise contradiction("give two numbers, the first below 1 and the second above")
        return value

    def sensor(self) -> LambdaSensor:
        """As models take it."""
        polarity = self.polarity if self.kind in ("narrowband", "wideband") else None
        curve = _array(self.characteristic_v), _array(self.characteristic_lambda)
        return LambdaSensor(self.kind, polarity, *curve, self.range_lambda)


class LambdaResponseEntry(SourcedEntry):
    """[FAMILY.lambda_response]: how fast the lambda sensor follows."""

    expected_time_constant_s: Annotated[Positive | None, Field(description="seconds above 0")] = None
    time_constant_limit_s: Annotated[Positive | None, Field(description="seconds above expected_time_constant_s")] = (
        None
    )

    @field_validator("time_constant_limit_s")
    @classmethod
    def _above_expected(cls, value: float | None, info: ValidationInfo) -> float | None:
        expected = info.data.get("expected_time_constant_s")
        if value is not None and expected is not None and value <= expected:
            raise contradiction(f"give a limit above expected_time_constant_s ({expected:g})")
        return value


class FamilyEntry(SourcedEntry):
    """[FAMILY] of families.toml; FAMILY is what vans.csv names in its column family."""

    displacement_l: Annotated[Positive, Field(description="the swept volume in litres")]
    cylinders: Annotated[Whole, Field(ge=1, description="the number of cylinders, a whole number from 1")]
    aspiration: Annotated[Aspiration, Field(description="how it is aspirated")]
    max_free_rpm: Annotated[Positive, Field(description="the highest speed without load in 1/min")]
    throttle_open_pct: Annotated[
        Positive | None, Field(description="what the throttle channel reads fully open, in percent")
    ] = None
    lambda_banks: Annotated[Whole, Field(ge=1, le=2, description="1 or 2 (left out: 1)")] = 1
    fuel: Annotated[FuelKind, Field(description='what its vans are recorded on (left out: "petrol")')] = "petrol"
    hybrid: Annotated[
        HybridKind,
        Field(
            description='mild with a starter-generator, full where it can drive without its engine (left out: "none")'
        ),
    ] = "none"
    warranty_km: Annotated[
        Positive | None,
        Field(description="kilometres at which warranty ends, where warranty_until_km in vans.csv gives none"),
    ] = None
    airflow_sensor: Annotated[AirflowSensorEntry, Field(default_factory=dict, validate_default=True)]
    main_peak: Annotated[MainPeakEntry, Field(default_factory=dict, validate_default=True)]
    lambda_sensor: Annotated[LambdaSensorEntry, Field(default_factory=dict, validate_default=True)]
    lambda_response: Annotated[LambdaResponseEntry, Field(default_factory=dict, validate_default=True)]
    limits: Annotated[LimitsEntry, Field(default_factory=dict, validate_default=True)]

    @field_validator("main_peak")
    @classmethod
    def _fits_the_sensor(cls, value: MainPeakEntry, info: ValidationInfo) -> MainPeakEntry:
        airflow = info.data.get("airflow_sensor")
        if airflow is not None and (faults := value._faults(airflow.sensor())):
            refuse(faults, value)
        return value


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
    try:
        entry = FamilyEntry.model_validate(table)
    except ValidationError as error:
        raise RegisterError("; ".join(fault_lines(error, FamilyEntry, table, f"family {name}"))) from error
    airflow = entry.airflow_sensor.sensor()
    return Family(
        name=name,
        displacement_l=entry.displacement_l,
        cylinders=int(entry.cylinders),
        aspiration=entry.aspiration,
        max_free_rpm=entry.max_free_rpm,
        throttle_open_pct=entry.throttle_open_pct,
        lambda_banks=int(entry.lambda_banks),
        airflow_sensor=airflow,
        main_peak=entry.main_peak._peak(airflow),
        lambda_sensor=entry.lambda_sensor.sensor(),
        expected_time_constant_s=entry.lambda_response.expected_time_constant_s,
        time_constant_limit_s=entry.lambda_response.time_constant_limit_s,
        limits=entry.limits.limits(entry.displacement_l, entry.lambda_sensor.kind, entry.fuel),
        fuel=entry.fuel,
        hybrid=entry.hybrid,
        warranty_km=entry.warranty_km,
    )
