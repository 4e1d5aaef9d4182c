"""What hurts, family by family: limits beyond which a van is called in whatever its own past."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import Field

from data_contracts import limits as default
from data_contracts.causes.record import ConsequenceKind
from data_contracts.entries import Positive, SourcedEntry
from data_contracts.signals import QUANTITIES


@dataclass(frozen=True)
class HurtLimit:
    """Limits of one quantity.

    Attributes
    ----------
    low, high : float or None
        [unit of the quantity]
    call : {"now", "plan"}
        Urgency of a van beyond it.
    means : str
        What comes of it: a kind of `Consequence`.
    """

    low: float | None
    high: float | None
    call: Literal["now", "plan"]
    means: ConsequenceKind


@dataclass(frozen=True)
class HurtLimits:
    """All limits of a family that hurt.

    Attributes
    ----------
    of_quantity : mapping of str to HurtLimit
        By quantity.
    trim_sum_pct : float
        Both trims together, to either side. [%]
    settle_time_s : float
        From the release until the engine idles again, at two visits running. [s]
    """

    of_quantity: Mapping[str, HurtLimit] = field(default_factory=dict)
    trim_sum_pct: float = default.TRIM_SUM_MOST_PCT
    settle_time_s: float = default.SETTLE_TIME_MOST_S


_ON_GAS = {
    "lambda_full_throttle_high": default.GAS_FULL_THROTTLE_LAMBDA_HIGH,
    "lambda_signal_full_throttle_low_v": default.GAS_FULL_THROTTLE_SIGNAL_LOW_V,
}
"""Limits that are others on gas, where the register gives none."""


class LimitsEntry(SourcedEntry):
    """[FAMILY.limits]: beyond these a van is called in, whatever its own past."""

    lambda_full_throttle_high: Annotated[
        Positive,
        Field(
            description=f"lambda above 0 (left out: {default.FULL_THROTTLE_LAMBDA_HIGH:g}, on gas "
            f"{default.GAS_FULL_THROTTLE_LAMBDA_HIGH:g})"
        ),
    ] = default.FULL_THROTTLE_LAMBDA_HIGH
    lambda_slope_high_per_s: Annotated[
        Positive, Field(description=f"lambda a second above 0 (left out: {default.FULL_THROTTLE_SLOPE_HIGH_PER_S:g})")
    ] = default.FULL_THROTTLE_SLOPE_HIGH_PER_S
    lambda_signal_full_throttle_low_v: Annotated[
        Positive,
        Field(
            description=f"volts above 0, narrowband only (left out: {default.FULL_THROTTLE_SIGNAL_LOW_V:g}, on gas "
            f"{default.GAS_FULL_THROTTLE_SIGNAL_LOW_V:g})"
        ),
    ] = default.FULL_THROTTLE_SIGNAL_LOW_V
    trim_idle_most_pct: Annotated[
        Positive, Field(description=f"percent above 0, to either side (left out: {default.TRIM_MOST_PCT:g})")
    ] = default.TRIM_MOST_PCT
    trim_2500_most_pct: Annotated[
        Positive, Field(description=f"percent above 0, to either side (left out: {default.TRIM_MOST_PCT:g})")
    ] = default.TRIM_MOST_PCT
    trim_sum_most_pct: Annotated[
        Positive, Field(description=f"percent above 0, to either side (left out: {default.TRIM_SUM_MOST_PCT:g})")
    ] = default.TRIM_SUM_MOST_PCT
    lean_needles_most: Annotated[
        Positive, Field(description=f"needles a snap above 0 (left out: {default.LEAN_NEEDLES_MOST:g})")
    ] = default.LEAN_NEEDLES_MOST
    cycle_ripple_most: Annotated[
        Positive | None,
        Field(
            description=f"lambda, or for a narrowband sensor a share of its swing, above 0 (left out: "
            f"{default.CYCLE_RIPPLE_MOST:g} or {default.CYCLE_RIPPLE_NARROWBAND_MOST:g})"
        ),
    ] = None
    switch_time_most_s: Annotated[
        Positive, Field(description=f"seconds above 0, narrowband only (left out: {default.SWITCH_TIME_MOST_S:g})")
    ] = default.SWITCH_TIME_MOST_S
    settle_time_most_s: Annotated[
        Positive, Field(description=f"seconds above 0 (left out: {default.SETTLE_TIME_MOST_S:g})")
    ] = default.SETTLE_TIME_MOST_S
    idle_flow_low_g_s: Annotated[
        Positive | None,
        Field(description=f"g/s above 0 (left out: {default.IDLE_FLOW_LOW_G_S_PER_L:g} for each litre)"),
    ] = None
    idle_flow_high_g_s: Annotated[
        Positive | None,
        Field(description=f"g/s above 0 (left out: {default.IDLE_FLOW_HIGH_G_S_PER_L:g} for each litre)"),
    ] = None

    def limits(self, displacement_l: float, sensor: str, fuel: str = "petrol") -> HurtLimits:
        """As models take them.

        Parameters
        ----------
        displacement_l : float
            Swept volume. [l]
        sensor : str
            Kind of the lambda sensor.
        fuel : str
            What the family is recorded on: petrol, lpg or cng.

        Returns
        -------
        HurtLimits
        """
        ripple = default.CYCLE_RIPPLE_NARROWBAND_MOST if sensor == "narrowband" else default.CYCLE_RIPPLE_MOST
        on_gas = {} if fuel == "petrol" else _ON_GAS
        given = self.model_dump() | {key: level for key, level in on_gas.items() if key not in self.model_fields_set}
        given |= {
            "idle_flow_low_g_s": self.idle_flow_low_g_s or default.IDLE_FLOW_LOW_G_S_PER_L * displacement_l,
            "idle_flow_high_g_s": self.idle_flow_high_g_s or default.IDLE_FLOW_HIGH_G_S_PER_L * displacement_l,
            "cycle_ripple_most": self.cycle_ripple_most or ripple,
        }
        found = {}
        for name, quantity in QUANTITIES.items():
            hurts = None if quantity.tracking is None else quantity.tracking.hurts
            if hurts is not None and hurts.sensor in ("", sensor):
                high = given[hurts.high] if hurts.high else None
                low = given[hurts.low] if hurts.low else -high if high is not None and hurts.mirrored else None
                found[name] = HurtLimit(low, high, hurts.call, hurts.means)
        return HurtLimits(found, self.trim_sum_most_pct, self.settle_time_most_s)
