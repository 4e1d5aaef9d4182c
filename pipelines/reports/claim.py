"""What a warranty file should show: period, quantities, and what is claimed."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import polars as pl

from data_contracts.errors import InputError
from data_contracts.signals import TRACKED
from data_contracts.states import CLAIM_FIELDS
from data_contracts.weeks import week_of
from pipelines.decisions.order_decisions import made_of

LONGEST_STATEMENT = 2000
LONGEST_FIELD = 80


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
    entered : mapping of str to str
        Of `CLAIM_FIELDS`, those typed in for the head of the report, each on one line: they win over register and recordings.

    Raises
    ------
    InputError
        If the period ends before it begins, a quantity or field is unknown, or a text is too long or has characters that
        can't be printed.
    """

    first: date | None = None
    last: date | None = None
    quantities: tuple[str, ...] = ()
    statement: str = ""
    notes: bool = False
    entered: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Check the values."""
        if self.first is not None and self.last is not None and self.last < self.first:
            raise InputError(f"the period ends on {self.last}, before it begins on {self.first}: swap the days")
        for name in self.quantities:
            if name not in TRACKED:
                raise InputError(f"quantity {name!r} is not tracked: use one of {', '.join(TRACKED)}")
        if len(self.statement) > LONGEST_STATEMENT:
            raise InputError(f"the claim has {len(self.statement)} characters: at most {LONGEST_STATEMENT}")
        for name, value in self.entered.items():
            if name not in CLAIM_FIELDS:
                raise InputError(f"field {name!r} is not on page 1: use one of {', '.join(CLAIM_FIELDS)}")
            if len(value) > LONGEST_FIELD:
                raise InputError(f"{name} has {len(value)} characters: at most {LONGEST_FIELD}")
            if not value.isprintable():
                raise InputError(f"{name} has a character that can't be printed: type it again on one line")

    @property
    def everything(self) -> bool:
        """Whether nothing measured is left out and nothing is claimed."""
        return replace(self, notes=False, entered={}) == EVERYTHING

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


def claim_from(
    first: str,
    last: str,
    quantities: Sequence[str] | None,
    statement: str,
    fields: Sequence[str] | None = None,
    *,
    notes: bool = False,
) -> Claim:
    """A claim as typed.

    Parameters
    ----------
    first, last : str
        Days as YYYY-MM-DD; empty is open.
    quantities : sequence of str, optional
    statement : str
    fields : sequence of str, optional
        Fields of page 1, each as NAME=TEXT.
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
    entered = {}
    for told in fields or ():
        name, equals, value = told.partition("=")
        if not equals:
            raise InputError(f"--field {told!r} has no equals sign: write it as NAME=TEXT, such as claim_number=4711")
        entered[name.strip()] = value
    return Claim(begin, end, tuple(dict.fromkeys(quantities or ())), statement.strip(), notes, typed(entered))


def typed(entered: Mapping[str, str]) -> dict[str, str]:
    """Fields as a claim keeps them: white space is one space, and what is left empty is not there.

    Parameters
    ----------
    entered : mapping of str to str
        As typed, by name.
    """
    lines = {name: " ".join(value.split()) for name, value in entered.items()}
    return {name: line for name, line in lines.items() if line}


def is_vin(value: str) -> bool:
    """Whether a text may be a vehicle identification number: 17 letters and digits without I, O and Q (ISO 3779), or is empty.

    Parameters
    ----------
    value : str
    """
    return not value or re.fullmatch(r"[A-HJ-NPR-Z0-9]{17}", value.upper()) is not None


def _between(rows: pl.DataFrame, column: pl.Expr, first: date | str | None, last: date | str | None) -> pl.DataFrame:
    if first is not None:
        rows = rows.filter(column >= first)
    return rows if last is None else rows.filter(column <= last)


def _week(day: date | None) -> str | None:
    return None if day is None else week_of(day)
