"""Whether a van's warranty stands, by date and by kilometres, and when its kilometres run out at its own mileage."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from scipy.special import ndtri

from data_contracts.facts.fact import Fact
from models.statistics.lifetimes import Span

MILEAGE_WEEKS = 26
"""So far back a van's mileage counts for what is ahead. Common practice, no source (2026-11-29). [week]"""
LEAST_READINGS, LEAST_DAYS = 3, 28
"""Odometer readings, and days between the first and the last, from which its mileage is told. Common practice, no source
(2026-11-29)."""
INTERVAL = 0.8
"""Probability of the interval, as of every forecast of a limit. [1]"""
_FURTHEST_DAYS = 3650.0


@dataclass(frozen=True)
class Warranty:
    """What a register grants, and how far the van is.

    Attributes
    ----------
    until : date or None
        Last day by date.
    until_km : float or None
        Odometer at its end. [km]
    km : float or None
        Last odometer reading. [km]
    read_on : date or None
        Its day.
    runs_out : tuple of (date, date, date) or None
        When the kilometres run out, with its interval; None where the van's mileage is not known, or they are out already.
    """

    until: date | None
    until_km: float | None = None
    km: float | None = None
    read_on: date | None = None
    runs_out: tuple[date, date, date] | None = None

    def by_date(self, day: date) -> bool | None:
        """Whether it stands by date on a day; None where the register gives none."""
        return None if self.until is None else day <= self.until

    @property
    def by_km(self) -> bool | None:
        """Whether it stands by the last reading; None where the register gives no kilometres, or none were read."""
        return None if self.until_km is None or self.km is None else self.km < self.until_km

    def covered_until(self, day: date) -> date | None:
        """The last day it is sure to cover; None where it does not cover a day.

        Parameters
        ----------
        day : date

        Returns
        -------
        date or None
            By date, or earlier where the kilometres may run out before: the early end of their interval. Where they were
            never read the date alone counts; without a date and without a forecast there is no end in sight (`date.max`).
        """
        stands = (self.by_date(day), self.by_km)
        if False in stands or True not in stands or self._driven_by(day):
            return None
        ends = [self.until or date.max]
        if self.runs_out is not None:
            ends.append(max(self.runs_out[1], day))
        return min(ends)

    def _driven_by(self, day: date) -> bool:
        """Whether the kilometres will have run out since the last reading."""
        return self.runs_out is not None and self.runs_out[0] < day

    def facts(self, day: date) -> tuple[Fact, ...]:
        """What stands of it on a day, by date and by kilometres, of each that the register gives."""
        by_date, by_km = self.by_date(day), self.by_km
        driven = "unread" if by_km is None else "driven" if by_km and self._driven_by(day) else _word(by_km)
        ahead = self.runs_out if by_date is not False else None  # once the date is past, kilometres no longer matter
        forecast = {} if ahead is None else dict(zip(_RUNS_OUT, map(str, ahead), strict=True))
        return (
            Fact.of(
                "warranty_stands",
                by_date=None if by_date is None else _word(by_date),
                until=None if self.until is None else str(self.until),
                by_km=None if self.until_km is None else driven,
                until_km=self.until_km,
                odometer=self.km,
                read=None if self.read_on is None else str(self.read_on),
                **forecast,
            ),
        )


_RUNS_OUT = ("runs_out", "runs_out_low", "runs_out_high")


def _word(stands: bool) -> str:
    return "stands" if stands else "ended"


def warranty_of(
    until: date | None, until_km: float | None, readings: Sequence[tuple[date, float]], *, day: date
) -> Warranty | None:
    """The warranty of a van as of a day.

    Parameters
    ----------
    until : date or None
        Last day by date.
    until_km : float or None
        Odometer at its end. [km]
    readings : sequence of (date, float)
        Odometer readings up to the day, oldest first. [day, km]
    day : date

    Returns
    -------
    Warranty or None
        None where the register gives neither date nor kilometres.
    """
    if until is None and until_km is None:
        return None
    if not readings or until_km is None:
        return Warranty(until, until_km)
    read_on, km = readings[-1]
    recent = [one for one in readings if one[0] >= day - timedelta(weeks=MILEAGE_WEEKS)]
    ahead = None if km >= until_km else days_to_drive(recent, until_km - km)
    runs_out = None
    if ahead is not None:
        when = [read_on + timedelta(days=min(days, _FURTHEST_DAYS)) for days in (ahead.value, ahead.low, ahead.high)]
        runs_out = (when[0], when[1], when[2])
    return Warranty(until, until_km, km, read_on, runs_out)


def days_to_drive(readings: Sequence[tuple[date, float]], distance: float) -> Span | None:
    """Days in which a van drives a distance, at the mileage it has.

    Parameters
    ----------
    readings : sequence of (date, float)
        Odometer readings, oldest first. [day, km]
    distance : float
        [km]

    Returns
    -------
    Span or None
        From the last reading on; None for too few readings, and for a van that stands still. [day]

    Notes
    -----
    Its mileage is what it drove over the days it took; what it drove between readings scatters about that with a variance
    in proportion to their days, which goes into the mileage so far and into what is ahead.
    """
    if len(readings) < LEAST_READINGS:
        return None
    days = np.array([(day - readings[0][0]).days for day, _ in readings], dtype=np.float64)
    steps, driven = np.diff(days), np.diff([km for _, km in readings])
    pace = float(driven.sum() / days[-1]) if days[-1] >= LEAST_DAYS else 0.0
    if pace <= 0.0:
        return None
    variance = float(np.sum((driven - pace * steps) ** 2 / steps) / (len(steps) - 1))
    ahead = distance / pace
    half = float(ndtri(0.5 + INTERVAL / 2)) * math.sqrt(variance / days[-1] + variance / max(ahead, 1.0))
    return Span(ahead, distance / (pace + half), distance / (pace - half) if pace > half else math.inf)
