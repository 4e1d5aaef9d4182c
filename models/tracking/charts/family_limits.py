"""Limits of the register, as they apply to what a snap reads."""

import math
from typing import Literal

from data_contracts.causes.record import ConsequenceKind
from data_contracts.family import Family
from data_contracts.family_limits import HurtLimit
from data_contracts.signals import QUANTITIES


def is_response(quantity: str) -> bool:
    """Whether a quantity is a time constant of the lambda response, of either bank.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.

    Returns
    -------
    bool
    """
    return _figure(quantity) == "time_constant"


def _figure(quantity: str) -> str:
    tracking = QUANTITIES[quantity].tracking
    return "" if tracking is None or tracking.register is None else tracking.register.name


def hurt_limit(family: Family, quantity: str) -> HurtLimit | None:
    """The limit of what hurts that the register sets a quantity; None for none."""
    return family.limits.of_quantity.get(quantity)


def beyond_limit(family: Family, quantity: str) -> tuple[Literal["now", "plan"], ConsequenceKind]:
    """How urgent a van beyond a quantity's limit is, and what comes of it.

    Parameters
    ----------
    family : Family
        Register entry.
    quantity : str
        A name of data_contracts/signals.py that has a limit.

    Returns
    -------
    call : {"now", "plan"}
        A slow lambda sensor costs fuel and the periodic test, rarely more: it is planned.
    means : str
        A kind of `data_contracts.causes.record.Consequence`.
    """
    hurts = hurt_limit(family, quantity)
    if hurts is not None:
        return hurts.call, hurts.means
    return ("plan", "emission_test") if is_response(quantity) else ("now", "power")


def family_limits(family: Family, quantity: str, level: float) -> tuple[float, float]:
    """Low and high limit of a quantity, as read.

    Parameters
    ----------
    family : Family
        Register entry.
    quantity : str
        A name of data_contracts/signals.py.
    level : float
        What the family's healthy vans read; NaN unknown. [unit of the quantity]

    Returns
    -------
    low, high : float
        NaN for none. [unit of the quantity]

    Notes
    -----
    The register gives the expected value and the limit of a response for the sensor alone, while a snap shows the
    sensor behind wall film, mixing and enrichment. The delays of stages in series add, so a sensor at its limit reads
    later than the family by the limit less the expected value. Without an expected value there is no limit. The result
    is never below the register's own limit.
    """
    figure, hurts = _figure(quantity), hurt_limit(family, quantity)
    low, high = (None, None) if hurts is None else (hurts.low, hurts.high)
    if figure == "main_peak":
        low, high = family.main_peak.low_limit_g_s, family.main_peak.high_limit_g_s
    elif (
        figure == "time_constant"
        and family.time_constant_limit_s is not None
        and family.expected_time_constant_s is not None
    ):
        high = max(level + family.time_constant_limit_s - family.expected_time_constant_s, family.time_constant_limit_s)
    return (math.nan if low is None else low), (math.nan if high is None else high)
