"""Alarms that stand though their quantity was not read at a van's last visits: a short record reads less than a long
one, and what it could not read has not become well.
"""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.statistics.arrays import Codes, Flags
from models.tracking.charts.alarms import Alarms
from models.tracking.charts.limit_forecasts import FleetForecast
from models.tracking.charts.recursion import Followed
from models.tracking.restarts import HELD, REPAIRED
from models.tracking.standardise import Standardised
from models.tracking.state.residuals import PRESENT_VISITS


def _last_true(flags: Flags) -> Codes:
    """Last visit up to each, of whatever van, at which each column holds; -1 for none."""
    visits = np.arange(flags.shape[0])[:, None]
    return np.asarray(np.maximum.accumulate(np.where(flags, visits, -1), axis=0))


def _tables(std: Standardised, followed: Followed, alarms: Alarms, forecasts: FleetForecast) -> Iterator[NDArray[Any]]:
    """Every table of shape (visits, quantities) that says how a quantity stands."""
    yield std.variance
    yield from followed
    yield from (alarms.own, alarms.peer, alarms.any, alarms.peer_z, alarms.level_z, alarms.ewma_limit)
    yield from (alarms.cusum_high, alarms.cusum_low, alarms.rejoined, alarms.since)
    yield from (forecasts.onset, forecasts.onset_low, forecasts.onset_high)
    yield from (forecasts.slope, forecasts.slope_u, forecasts.beyond)
    yield from (forecasts.moving, forecasts.stepped, forecasts.level, forecasts.level_u)


def visits_told(std: Standardised, latest: Codes) -> Flags:
    """The visits that a van's state is told from: each van's latest, and the last that read each quantity.

    Parameters
    ----------
    std : Standardised
        Visits.
    latest : ndarray of shape (vans,), int
        Each van's latest visit.

    Returns
    -------
    ndarray of shape (visits,)
    """
    told = np.zeros(std.weeks.size, bool)
    told[latest] = True
    last = _last_true(np.isfinite(std.x))[latest]
    told[last[last >= std.starts[std.van[latest], None]]] = True
    return told


def carry_standing(
    std: Standardised, followed: Followed, alarms: Alarms, forecasts: FleetForecast, latest: Codes, *, within_weeks: int
) -> None:
    """Let an alarm of a quantity that a van's latest visit did not read stand there as at its last reading.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed, alarms, forecasts
        Charts, alarms and forecasts of the same visits. Their tables are filled in at the latest visits, only where the
        quantity was not read.
    latest : ndarray of shape (vans,), int
        Each van's latest visit.
    within_weeks : int
        So long a last reading counts, however many visits could not read the quantity since; and where visits are rare, while
        it is one of the last `PRESENT_VISITS`. [weeks]

    Notes
    -----
    A visit that did not read the quantity is no evidence that it is well: where feet are quick, one visit in six tells the
    main peak. What ends it is a reading, a repair that touched the quantity, or time.
    """
    read = np.isfinite(std.x)
    last = _last_true(read)[latest]
    repaired = _last_true((std.restart == REPAIRED) | (std.restart == HELD))[latest]
    recent = std.weeks[last] > (std.weeks[latest] - within_weeks)[:, None]
    recent |= last > latest[:, None] - PRESENT_VISITS
    stands = ~read[latest] & (last >= std.starts[std.van[latest], None]) & recent & (repaired <= last)
    van, q = np.nonzero(stands)
    there = alarms.any[last[van, q], q]
    van, q = van[there], q[there]
    source, target = last[van, q], latest[van]
    for table in _tables(std, followed, alarms, forecasts):
        table[target, q] = table[source, q]
    for column, forecast in forecasts.by_quantity.items():
        of = q == column
        for name in forecast.__dataclass_fields__:
            weeks = getattr(forecast, name)
            weeks[target[of]] = weeks[source[of]]
