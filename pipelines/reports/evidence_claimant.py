"""The head of a warranty file's report: what a claim is entered with, and how the warranty stands."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from models.tracking.work_words import touched_by
from pipelines.reports.claim import Claim
from pipelines.reports.paper import as_shown, day, message, sentences_of

Tables = Mapping[str, pl.DataFrame]


def claimant_fields(tables: Tables) -> list[tuple[str, str]]:
    """Fields a claim is entered with: what register and captures tell; the others are left to be written in.

    Parameters
    ----------
    tables : mapping of str to polars.DataFrame
        The van's tables by name.

    Returns
    -------
    list of (heading, value)
        An empty value is a line to write on.
    """
    van = tables["van"].row(0, named=True)
    numbers = [part.strip().replace("=", " ", 1) for part in str(van["part_numbers"] or "").split(";") if part.strip()]
    told = {
        "vin": van["vin"] or "",
        "plate": van["plate"] or "",
        "part_number": ", ".join(numbers),
        "kilometres": _kilometres(tables),
        "claim_number": "",
        "contact": "",
    }
    return [(message(f"evidence.field.{name}"), str(value)) for name, value in told.items()]


def _kilometres(tables: Tables) -> str:
    """The last odometer reading and its day."""
    read = tables["captures"].filter(pl.col("odometer_km").is_not_null()).sort("captured_at")
    if not read.height:
        return ""
    unit, last = as_shown("km"), read.row(-1, named=True)
    shown = f"{unit.value(last['odometer_km']):,.0f} {unit.unit}".replace(",", " ")
    return f"{shown} ({day(last['captured_at'])})"


def warranty_stands(tables: Tables, van: Mapping[str, Any]) -> str:
    """What stands of the warranty by date and by kilometres; the date alone where the register gives no kilometres."""
    stands = [words for row in tables["warranty"].iter_rows(named=True) for words in sentences_of(row, "warranty")]
    return " ".join(stands).rstrip(".") or message("evidence.warranty", day=day(van["warranty_until"]))


def unrecorded_work(claim: Claim, tables: Tables) -> list[str]:
    """That the claim names work, such as a replacement, which no recorded repair of the van shows.

    Parameters
    ----------
    claim : Claim
        As asked for; its statement is the clerk's own words.
    tables : mapping of str to polars.DataFrame
        The van's tables; repairs are complete whatever the period.

    Returns
    -------
    list of str
        One sentence, or none.
    """
    if not claim.statement:
        return []
    touched = touched_by(claim.statement)
    claimed = set(touched.works) if touched.quantities else set()  # work that snaps can't show is another matter
    if claimed and not claimed & {work for works in tables["repairs"]["works"].to_list() for work in works or []}:
        return [message("evidence.no_such_repair")]
    return []
