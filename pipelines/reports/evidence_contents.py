"""What a warranty file would hold, before it is built: the same choice of tables as the file itself."""

from dataclasses import dataclass

from pipelines.read_side.published import Published
from pipelines.reports.claim import Claim
from pipelines.reports.evidence_claimant import Field, claimant_fields
from pipelines.reports.evidence_tables import tables_of
from pipelines.reports.paper import written_for
from pipelines.workspace.settings import DisplaySettings

BYTES_A_SAMPLE = (1.9, 3.6)
"""Least and most that a value of a trace, or its time, takes in the file, as Parquet and as CSV; measured on the demo fleet
(2026-11-30): noise packs badly. [byte]"""


@dataclass(frozen=True)
class Contents:
    """What a file would hold.

    Attributes
    ----------
    visits, recordings, repairs, orders : int
    size_low, size_high : float
        About how large it will be. [byte]
    """

    visits: int
    recordings: int
    repairs: int
    orders: int
    size_low: float
    size_high: float


def known_fields(published: Published, van_id: str, display: DisplaySettings) -> list[tuple[Field, str]]:
    """Fields a claim is entered with, as register and recordings fill them, each with its heading.

    Parameters
    ----------
    published : Published
    van_id : str
        Van of the register.
    display : DisplaySettings
        Language and units.
    """
    with written_for(display):
        return [(field, field.heading) for field in claimant_fields(tables_of(published, van_id, ("van", "captures")))]


def contents(published: Published, van_id: str, claim: Claim) -> Contents:
    """What the file of a van would hold.

    Parameters
    ----------
    published : Published
    van_id : str
        Van of the register.
    claim : Claim
        Period, quantities and statement.

    Returns
    -------
    Contents
    """
    tables = claim.of(tables_of(published, van_id))
    captures = tables["captures"]
    ids = sorted(set(captures["waveform_id"]))
    stored = published.ask(
        "SELECT sum(samples * (1 + len(channels))) AS count FROM waveforms WHERE waveform_id IN (SELECT unnest($ids)) "
        "AND removed_on IS NULL",
        {"ids": ids},
    )
    count = float(stored["count"][0] or 0)
    return Contents(
        visits=captures["visit"].n_unique(),
        recordings=len(ids),
        repairs=tables["repairs"].height,
        orders=tables["work_orders"].height,
        size_low=BYTES_A_SAMPLE[0] * count,
        size_high=BYTES_A_SAMPLE[1] * count,
    )
