"""What a warranty file should show: period, quantities, and what is claimed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import polars as pl

from data_contracts.errors import InputError
from data_contracts.signals import TRACKED
from data_contracts.weeks import week_of
from pipelines.decisions.order_decisions import made_of

LONGEST_STATEMENT = 2000


@dataclass(frozen=True)
class Claim:
    """What to put into a warranty file; the default is everything but notes and photos.

    Attributes
    ----------
    first, last : date or None
        Days of the period in UTC, both included; None is open.
    quantities : tuple of str
        Tracked quantities whose trends go in; empty is all.
    statement : str
        What is claimed, in the clerk's own words.
    notes : bool
        Notes and photos at the orders go in too.

    Raises
    ------
    InputError
        If the period ends before it begins, a quantity is unknown or the statement is too long.
    """

    first: date | None = None
    last: date | None = None
    quantities: tuple[str, ...] = ()
    statement: str = ""
    notes: bool = False

    def __post_init__(self) -> None:
        """Check the values."""
        if self.first is not None and self.last is not None and self.last < self.first:
            raise InputError(f"the period ends on {self.last}, before it begins on {self.first}: swap the days")
        for name in self.quantities:
            if name not in TRACKED:
                raise InputError(f"quantity {name!r} is not tracked: use one of {', '.join(TRACKED)}")
        if len(self.statement) > LONGEST_STATEMENT:
            raise InputError(f"the claim has {len(self.statement)} characters: at most {LONGEST_STATEMENT}")

    @property
    def everything(self) -> bool:
        """Whether nothing measured is left out and nothing is claimed."""
        return replace(self, notes=False) == EVERYTHING

    def of(self, tables: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
        """The rows of a van's tables that go in; repairs, orders and decisions stay complete, since they explain the rest.

        Parameters
        ----------
        tables : mapping of str to polars.DataFrame
            captures, readings, trends, watchlist and others by name.

        Returns
        -------
        dict of str to polars.DataFrame
        """
        kept = dict(tables)
        day = pl.col("captured_at").dt.convert_time_zone("UTC").dt.date()
        kept["captures"] = _between(tables["captures"], day, self.first, self.last)
        ids = kept["captures"]["capture_id"].to_list()
        kept["readings"] = tables["readings"].filter(pl.col("capture_id").is_in(ids))
        weeks = (_week(self.first), _week(self.last))
        kept["trends"] = _between(tables["trends"], pl.col("week"), *weeks)
        kept["watchlist"] = _between(tables["watchlist"], pl.col("week"), *weeks)
        if self.quantities:
            kept["trends"] = kept["trends"].filter(pl.col("quantity").is_in(list(self.quantities)))
        return kept


EVERYTHING = Claim()


def claim_from(first: str, last: str, quantities: Sequence[str], statement: str, *, notes: bool = False) -> Claim:
    """A claim as typed.

    Parameters
    ----------
    first, last : str
        Days as YYYY-MM-DD; empty is open.
    quantities : sequence of str
    statement : str
    notes : bool
        See `Claim`.

    Returns
    -------
    Claim

    Raises
    ------
    InputError
        If a day is none, or the claim does not fit.
    """
    begin, end = (
        made_of(name, value, date.fromisoformat, "write a day such as 2026-04-30") if value else None
        for name, value in (("--from", first), ("--to", last))
    )
    return Claim(begin, end, tuple(dict.fromkeys(quantities)), statement.strip(), notes)


def _between(rows: pl.DataFrame, column: pl.Expr, first: date | str | None, last: date | str | None) -> pl.DataFrame:
    if first is not None:
        rows = rows.filter(column >= first)
    return rows if last is None else rows.filter(column <= last)


def _week(day: date | None) -> str | None:
    return None if day is None else week_of(day)
