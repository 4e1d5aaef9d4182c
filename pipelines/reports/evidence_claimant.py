"""The head of a warranty file's report: what a claim is entered with, and how the warranty stands."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from data_contracts.facts.numerals import parted
from data_contracts.states import CLAIM_FIELDS
from models.tracking.work_words import touched_by
from pipelines.reports.claim import EVERYTHING, Claim
from pipelines.reports.paper import as_shown, day, message, numeral, sentences_of

Tables = Mapping[str, pl.DataFrame]


@dataclass(frozen=True)
class Field:
    """A field a claim is entered with.

    Attributes
    ----------
    name : str
        One of `CLAIM_FIELDS`.
    value : str
        Empty: a line to write on.
    source : str
        "register", "recordings" or "entered"; empty where there is no value.
    """

    name: str
    value: str
    source: str

    @property
    def heading(self) -> str:
        """What it is called on paper."""
        return message(f"evidence.field.{self.name}")

    @property
    def told(self) -> tuple[str, str]:
        """Heading and value as page 1 has them: what was typed in says so."""
        typed = self.source == "entered"
        return (message("evidence.field.entered", heading=self.heading) if typed else self.heading), self.value


def claimant_fields(tables: Tables, entered: Mapping[str, str] = EVERYTHING.entered) -> list[Field]:
    """Fields a claim is entered with: what was typed in, else what register and captures tell; the others are left to be written in.

    Parameters
    ----------
    tables : mapping of str to polars.DataFrame
        The van's tables by name; of these van and captures.
    entered : mapping of str to str
        Fields typed in; one that repeats what register or captures tell is theirs.

    Returns
    -------
    list of Field
        In the order of `CLAIM_FIELDS`.
    """
    van = tables["van"].row(0, named=True)
    numbers = [part.strip().replace("=", " ", 1) for part in str(van["part_numbers"] or "").split(";") if part.strip()]
    known = {
        "vin": (van["vin"] or "", "register"),
        "plate": (van["plate"] or "", "register"),
        "part_number": (", ".join(numbers), "register"),
        "odometer": (_odometer(tables), "recordings"),
    }
    fields = []
    for name in CLAIM_FIELDS:
        value, source = known.get(name, ("", ""))
        if entered.get(name, value) != value:
            value, source = entered[name], "entered"
        fields.append(Field(name, value, source if value else ""))
    return fields


def claim_table(claim: Claim, fields: Sequence[Field]) -> pl.DataFrame:
    """What is claimed, as a table of the file: the statement and the fields of page 1, each with where it is from.

    Parameters
    ----------
    claim : Claim
    fields : sequence of Field
    """
    rows = [(one.name, one.value, one.source) for one in fields]
    rows.insert(0, ("statement", claim.statement, "entered" if claim.statement else ""))
    return pl.DataFrame(rows, schema={"field": pl.String, "value": pl.String, "source": pl.String}, orient="row")


def _odometer(tables: Tables) -> str:
    """The last odometer reading and its day."""
    read = tables["captures"].filter(pl.col("odometer_km").is_not_null()).sort("captured_at")
    if not read.height:
        return ""
    unit, last = as_shown("km"), read.row(-1, named=True)
    shown = f"{numeral(parted(unit.value(last['odometer_km'])))} {unit.unit}"
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
