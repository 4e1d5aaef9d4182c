"""What a recording can't give: the table of needs applied to a batch, one reason per quantity and capture."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import Family
from data_contracts.limits import WARM_COOLANT_C
from data_contracts.needs import NEEDS, Need
from data_contracts.signals import BANK2_PREFIX, QUANTITIES
from models.statistics.estimate import Estimate, reason_number

# With an engine-speed channel the speed need not be seen in the ripple.
SPEED_CHANNEL_RATE_HZ = 5.0
_FROM_SPEED = ("engine_speed_idle_rpm", "engine_speed_peak_rpm", "flow_per_rev_mg", "volumetric_efficiency")
# All that a recording without a snap gives; of a cold engine it would be the flow of its warm-up.
_IDLE_ALONE = ("idle_v", "idle_g_s")


@dataclass(frozen=True)
class Extent:
    """What each capture of a batch holds.

    Attributes
    ----------
    snap, airflow, engine_speed : ndarray of shape (captures,), bool
        A snap was found; the channel was recorded.
    lambda_banks : tuple of ndarray of shape (captures,), bool
        The lambda channel of bank 1 and of bank 2 was recorded.
    rate_hz : ndarray of shape (captures,)
        Sampling rate, repeated samples not counted. [Hz]
    before_s, hold_s, after_s : ndarray of shape (captures,)
        Recorded before the rise; from opening to release or to the end; after the release. [s]
    released : ndarray of shape (captures,), bool
        The release is in the record.
    conditions : dict of str to ndarray of shape (captures,)
        Manifest columns; NaN is unmeasured.
    """

    snap: NDArray[np.bool_]
    airflow: NDArray[np.bool_]
    engine_speed: NDArray[np.bool_]
    lambda_banks: tuple[NDArray[np.bool_], NDArray[np.bool_]]
    rate_hz: NDArray[np.float64]
    before_s: NDArray[np.float64]
    hold_s: NDArray[np.float64]
    after_s: NDArray[np.float64]
    released: NDArray[np.bool_]
    conditions: dict[str, NDArray[np.float64]]


def _kind_fits(name: str, need: Need, family: Family) -> bool:
    if name.startswith(BANK2_PREFIX) and family.lambda_banks < 2:
        return False
    if name.startswith("recirculation_pulse") and family.aspiration != "turbo":
        return False
    if need.channel == "lambda":
        kind = family.lambda_sensor.kind
        return kind != "none" and (not need.kinds or kind in need.kinds)
    return not need.kinds or family.airflow_sensor.kind in need.kinds


def missing_reason(name: str, extent: Extent, family: Family) -> NDArray[np.int8]:
    """Why captures can't give a quantity, from data_contracts/needs.py.

    Parameters
    ----------
    name : str
        A quantity of `data_contracts.signals.QUANTITIES`.
    extent : Extent
        What each capture holds.
    family : Family
        Their family.

    Returns
    -------
    ndarray of shape (captures,), int8
        Number of the reason in `models.statistics.estimate.UNREAD_CODES`; 0 where the need is met.
    """
    need = NEEDS[name]
    out = np.zeros(extent.snap.size, dtype=np.int8)

    def mark(where: NDArray[np.bool_], code: str) -> None:
        out[where & (out == 0)] = reason_number(code)

    everywhere = np.ones(out.size, dtype=np.bool_)
    if not _kind_fits(name, need, family):
        mark(everywhere, "not_for_this_family")
        return out
    if need.channel == "manifest":
        return out
    if need.channel == "lambda":
        mark(~extent.lambda_banks[1 if name.startswith(BANK2_PREFIX) else 0], "no_channel")
    else:
        mark(~extent.airflow, "no_channel")
    if need.snap:
        mark(~extent.snap, "no_snap")
    if name in _IDLE_ALONE:
        with np.errstate(invalid="ignore"):
            mark(~extent.snap & (extent.conditions["coolant_c"] < WARM_COOLANT_C), "cold")
    rate = 0.98 * need.rate_hz  # a clock may run a little slow
    if name in _FROM_SPEED:
        mark(
            np.where(extent.engine_speed, extent.rate_hz < SPEED_CHANNEL_RATE_HZ, extent.rate_hz < rate), "rate_too_low"
        )
    else:
        mark(extent.rate_hz < rate, "rate_too_low")
    mark(extent.before_s < need.before_s, "not_enough_before")
    if need.hold_s:
        short = extent.hold_s < need.hold_s
        mark(short & extent.released, "hold_too_short")
        mark(short, "record_ends_early")
    if need.after_s:
        mark(~extent.released | (extent.after_s < need.after_s), "record_ends_early")
    for condition in need.conditions:
        mark(np.isnan(extent.conditions[condition]), "unmeasured_condition")
    return out


def apply_needs(estimates: dict[str, Estimate], extent: Extent, family: Family) -> dict[str, Estimate]:
    """Every quantity of the nomenclature, null with its reason where its need is not met.

    Parameters
    ----------
    estimates : dict of str to Estimate
        What was read; a quantity that is not in it is `no_channel` where nothing else forbids it.
    extent : Extent
        What each capture holds.
    family : Family
        Their family.

    Returns
    -------
    dict of str to Estimate
        A key for every quantity of `QUANTITIES`. A need that is not met is named before any other reason.
    """
    captures = extent.snap.size
    absent = np.full(captures, reason_number("no_channel"), dtype=np.int8)
    nothing = np.full(captures, np.nan)
    out: dict[str, Estimate] = {}
    for name in QUANTITIES:
        found = estimates.get(name)
        value, u, reason = (nothing, nothing, absent) if found is None else (found.value, found.u, found.reason)
        need = missing_reason(name, extent, family)
        out[name] = Estimate(
            np.where(need != 0, np.nan, value), np.where(need != 0, np.nan, u), np.where(need != 0, need, reason)
        )
    return out
