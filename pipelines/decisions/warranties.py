"""The warranty of every van as of a week: the register's entries, and the odometer readings of its captures."""

from collections.abc import Mapping
from datetime import date, timedelta

import polars as pl

from data_contracts.tables import WARRANTIES, rows_of
from data_contracts.weeks import week_end
from models.work.odometers import readings_of
from models.work.warranty import Warranty, warranty_of
from pipelines.workspace.register import Register, Van


def last_day_of(week: str) -> date:
    """The Sunday of a week, as of which warranties are judged."""
    return (week_end(week) - timedelta(days=1)).date()


def warranties_of(register: Register, captures: pl.DataFrame, week: str) -> dict[str, Warranty]:
    """Warranties as of a week.

    Parameters
    ----------
    register : Register
    captures : polars.DataFrame
        Up to the week: van_id, captured_at, odometer_km.
    week : str
        ISO week.

    Returns
    -------
    dict of str to Warranty
        Of every van for which its entry gives a date or kilometres, or its family's gives kilometres.
    """
    until_km = {van.van_id: _kilometres(van, register) for van in register.vans.values()}
    by_km = [van_id for van_id, km in until_km.items() if km is not None]
    read = readings_of(captures.filter(pl.col("van_id").is_in(by_km)))
    readings: dict[str, list[tuple[date, float]]] = {
        van_id: list(zip(days, kms, strict=True))
        for van_id, days, kms in read.group_by("van_id", maintain_order=True).agg("day", "km").iter_rows()
    }
    found = {
        van.van_id: warranty_of(
            van.warranty_until, until_km[van.van_id], readings.get(van.van_id, ()), day=last_day_of(week)
        )
        for van in register.vans.values()
    }
    return {van_id: warranty for van_id, warranty in found.items() if warranty is not None}


def _kilometres(van: Van, register: Register) -> float | None:
    """Odometer at the end of a van's warranty: its own entry, else its family's. [km]"""
    if van.warranty_until_km is not None or van.family not in register.families:
        return van.warranty_until_km
    return register.families[van.family].warranty_km


def warranty_rows(warranties: Mapping[str, Warranty], week: str) -> pl.DataFrame:
    """Rows of `warranties`, its sentences still to be said.

    Parameters
    ----------
    warranties : mapping of str to Warranty
        By van.
    week : str
        ISO week as of which they are.

    Returns
    -------
    polars.DataFrame
    """
    day = last_day_of(week)
    rows = []
    for van_id, one in warranties.items():
        covered = one.covered_until(day)
        early, late = (None, None) if one.runs_out is None else one.runs_out[1:]
        rows.append(
            {
                "van_id": van_id,
                "until": one.until,
                "until_km": one.until_km,
                "odometer_km": one.km,
                "read_on": one.read_on,
                "by_date": one.by_date(day),
                "by_km": one.by_km,
                "covered": covered is not None,
                "runs_out": None if one.runs_out is None else one.runs_out[0],
                "runs_out_low": early,
                "runs_out_high": late,
                "warranty_facts": [fact.row() for fact in one.facts(day)] or None,
            }
        )
    return rows_of(WARRANTIES, rows).sort("van_id")
