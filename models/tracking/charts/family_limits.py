"""Limits of the register, as they apply to what a snap reads."""

import math

from data_contracts.family import Family
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
    figure = _figure(quantity)
    low: float | None = None
    high: float | None = None
    if figure == "main_peak":
        low, high = family.main_peak.low_limit_g_s, family.main_peak.high_limit_g_s
    elif (
        figure == "time_constant"
        and family.time_constant_limit_s is not None
        and family.expected_time_constant_s is not None
    ):
        high = max(level + family.time_constant_limit_s - family.expected_time_constant_s, family.time_constant_limit_s)
    return (math.nan if low is None else low), (math.nan if high is None else high)
