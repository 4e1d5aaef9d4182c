"""What proven repairs saved: what leaving each would have cost, and how sure that is."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from data_contracts.causes import EVERY_CAUSE
from data_contracts.causes.record import RUNNING
from data_contracts.weeks import week_number
from models.work.worth import waiting

SEVERITY_U = 0.18
"""How far the severity of a cause that is rightly named is off, van by van: standard deviations of 0.13, 0.18 and 0.20 on three fleets of
both simulators (tests/studies/RESULTS.md, the order of the work). [1]"""
SHARED_U = 0.05
"""The same of all vans of a fleet together: means of -0.01, 0.03 and -0.08 on the same. [1]"""
UNKNOWN_U = 0.29
"""Of a severity that was not told, which counts as one half: anything from 0 to 1. [1]"""
INTERVAL = (0.1, 0.9)
"""Quantiles of the interval."""
_MOST_DRAWS, _LEAST_DRAWS, _ALL_DRAWS = 4000, 400, 400_000


@dataclass(frozen=True)
class ProvenRepair:
    """A repair that three good captures proved.

    Attributes
    ----------
    cause : str
        What was found.
    severity : float
        Of that cause, as the order last stated it before somebody decided; NaN unknown. [1]
    duty : float
        How much worse a failure of this van is than of an ordinary one. [1]
    """

    cause: str
    severity: float = math.nan
    duty: float = 1.0


@dataclass(frozen=True)
class Saved:
    """What leaving repaired faults would have cost; work and parts are not taken off.

    Attributes
    ----------
    amount : float
        Expected. [currency]
    low, high : float
        Hold what would have come four times in five. [currency]
    """

    amount: float
    low: float
    high: float


def came_back(orders: Sequence[Mapping[str, Any]], weeks: float) -> set[str]:
    """Proven repairs after which the van was back for the same.

    Parameters
    ----------
    orders : sequence of mapping
        order_id, van_id, week, state, cause, found and flagged_by, of all orders of the vans concerned.
    weeks : float
        How long the fault would have waited otherwise: what comes later is another matter. [week]

    Returns
    -------
    set of str
        Those for which a later order of the van, not declined, names what was found or was brought by a quantity that brought the first.
        A fault that comes and goes may be away while the repair is proven.
    """
    by_van: dict[str, list[Mapping[str, Any]]] = {}
    for order in orders:
        by_van.setdefault(order["van_id"], []).append(order)
    found = set()
    for mine in by_van.values():
        for first in mine:
            if first["state"] == "proven" and any(_is_the_same(first, later, weeks) for later in mine):
                found.add(first["order_id"])
    return found


def _is_the_same(first: Mapping[str, Any], later: Mapping[str, Any], weeks: float) -> bool:
    after = week_number(later["week"]) - week_number(first["week"])
    if not 0 < after <= weeks or later["state"] == "declined":
        return False
    return later["cause"] == first["found"] or bool({*(first["flagged_by"] or ())} & {*(later["flagged_by"] or ())})


def saved_by(repairs: Sequence[ProvenRepair], weeks: float) -> Saved:
    """What some proven repairs saved together.

    Parameters
    ----------
    repairs : sequence of ProvenRepair
    weeks : float
        How long the faults would have waited otherwise. [week]

    Returns
    -------
    Saved
        The same repairs give the same figures.

    Notes
    -----
    A repair that was proven had found its cause, so the cause counts in full and not by the probability it had before. The interval is
    drawn: what may come once comes or does not, and the severity is known so far only, for each van by itself (`SEVERITY_U`) and for all
    together (`SHARED_U`). It holds the expected amount always, as that of one rare event would not.
    """
    if not repairs:
        return Saved(0.0, 0.0, 0.0)
    rng = np.random.default_rng(0)
    draws = min(max(_ALL_DRAWS // len(repairs), _LEAST_DRAWS), _MOST_DRAWS)
    shared = SHARED_U * rng.standard_normal(draws)
    total, amount = np.zeros(draws), 0.0
    for one in repairs:
        if one.cause not in EVERY_CAUSE:  # something else, or nothing: proven, and no amount known
            continue
        known = math.isfinite(one.severity)
        size = (one.severity if known else 0.5) + shared
        size = np.clip(size + (SEVERITY_U if known else UNKNOWN_U) * rng.standard_normal(draws), 0.0, 1.0)
        left = waiting(one.cause, one.severity, weeks)
        amount += one.duty * left.failures + left.running
        for consequence in EVERY_CAUSE[one.cause].if_left:
            expected = consequence.a_week * size**consequence.grows * weeks
            if consequence.kind in RUNNING:
                total += expected
            else:
                total += one.duty * consequence.cost * (rng.random(draws) < -np.expm1(-expected))
    low, high = np.quantile(total, INTERVAL).tolist()
    return Saved(amount, min(low, amount), max(high, amount))
