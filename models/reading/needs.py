"""Needs of the quantities applied to a batch: one reason per quantity and capture that its recording can't give."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import Family
from data_contracts.limits import WARM_COOLANT_C
from data_contracts.quantities.record import Need
from data_contracts.signals import BANK2_PREFIX, QUANTITIES
from models.statistics.estimate import Estimate, reason_number

# Sampling rate that is enough where an engine-speed channel replaces the ripple. [Hz]
SPEED_CHANNEL_RATE_HZ = 5.0

# What is not given where the flow still climbs as the pedal is lifted: it would depend on how long the pedal was held. What
# stood as the main peak is left, as a lower bound.
OF_THE_HIGHEST_SPEED = tuple(name for name, quantity in QUANTITIES.items() if quantity.need.to_highest_speed)


@dataclass(frozen=True)
class Extent:
    """What the recording of each capture of a batch holds.

    Attributes
    ----------
    snap, airflow, engine_speed : ndarray of shape (captures,), bool
        A snap was found; the channel was recorded.
    lambda_banks : tuple of ndarray of shape (captures,), bool
        The lambda channel of bank 1 and of bank 2 was recorded.
    rate_hz : ndarray of shape (captures,)
        Sampling rate, repeated samples not counted. [Hz]
    before_s, hold_s, after_s : ndarray of shape (captures,)
        Time recorded before the rise; from opening to release or to the end; after the release. [s]
    released : ndarray of shape (captures,), bool
        The release is in the record.
    conditions : dict of str to ndarray of shape (captures,)
        Manifest columns; NaN is unmeasured. [unit of the column]
    recorded : frozenset of str
        Canonical channels of all of them.
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
    recorded: frozenset[str] = frozenset()


def _kind_fits(name: str, need: Need, family: Family) -> bool:
    if name.startswith(BANK2_PREFIX) and family.lambda_banks < 2:
        return False
    if need.turbo and family.aspiration != "turbo":
        return False
    if need.channel == "lambda":
        kind = family.lambda_sensor.kind
        return kind != "none" and (not need.kinds or kind in need.kinds)
    return not need.kinds or family.airflow_sensor.kind in need.kinds


def missing_reason(name: str, extent: Extent, family: Family) -> NDArray[np.int8]:
    """Why captures can't give a quantity, by its record.

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
    need = QUANTITIES[name].need
    out = np.zeros(extent.snap.size, dtype=np.int8)

    def mark(where: NDArray[np.bool_], code: str) -> None:
        out[where & (out == 0)] = reason_number(code)

    everywhere = np.ones(out.size, dtype=np.bool_)
    if not _kind_fits(name, need, family):
        mark(everywhere, "not_for_this_family")
        return out
    if need.channel == "manifest":
        return out
    instead = bool(extent.recorded & set(need.or_channels))
    if need.metered and not family.airflow_sensor.metered and not instead:
        mark(everywhere, "not_with_this_sensor")
        return out
    if need.channel == "lambda":
        mark(~extent.lambda_banks[1 if name.startswith(BANK2_PREFIX) else 0], "no_channel")
    elif not instead:
        mark(~extent.airflow, "no_channel")
    if need.snap:
        mark(~extent.snap, "no_snap")
    if need.warm:
        with np.errstate(invalid="ignore"):
            mark(~extent.snap & (extent.conditions["coolant_c"] < WARM_COOLANT_C), "cold")
    rate = 0.98 * need.rate_hz  # a clock may run a little slow
    if need.or_speed_channel:
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


class DeclarationError(AssertionError):
    """The reading computes other quantities than data_contracts/quantities declares: a mistake in the program."""


def apply_needs(estimates: Mapping[str, Estimate], extent: Extent, family: Family) -> dict[str, Estimate]:
    """All quantities, null with a reason where their need is not met.

    Parameters
    ----------
    estimates : mapping of str to Estimate
        What was read. A quantity may be left out where no capture of the batch meets its need.
    extent : Extent
        What each capture holds.
    family : Family
        Their family.

    Returns
    -------
    dict of str to Estimate
        A key for every quantity of `QUANTITIES`. A need that is not met is named before any other reason.

    Raises
    ------
    DeclarationError
        If something was computed that no record declares, or a quantity was not computed though a capture meets its
        need.
    """
    out: dict[str, Estimate] = {}
    nothing = np.full(extent.snap.size, np.nan)
    forgotten = []
    for name in QUANTITIES:
        need, found = missing_reason(name, extent, family), estimates.get(name)
        if found is None:
            out[name] = Estimate(nothing, nothing, need)
            if not need.all():
                forgotten.append(name)
        else:
            missing = need != 0
            out[name] = Estimate(
                np.where(missing, np.nan, found.value),
                np.where(missing, np.nan, found.u),
                np.where(missing, need, found.reason),
            )
    undeclared = sorted(estimates.keys() - QUANTITIES.keys())
    if undeclared or forgotten:
        raise DeclarationError(
            f"computed but not declared: {', '.join(undeclared) or 'none'}; declared but not computed: "
            f"{', '.join(forgotten) or 'none'}. Give both one name in data_contracts/quantities and in the reading."
        )
    return out
