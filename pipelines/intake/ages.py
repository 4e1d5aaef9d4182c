"""Which of two manifest rows about the same recording was said later: the later one is the correction.

Deliveries don't always come in the order they were written in, and a row that waited in quarantine is taken in long after its
correction. A mend counts from when it was made; otherwise a row is as old as its manifest, and where two manifests do not tell,
the delivery that came later counts.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from pipelines.intake.corrections import Mend
from pipelines.storage.warehouse import Warehouse

_LOCAL_TIME = timedelta(hours=14)
"""A zip tells the time on the clock of whoever made it, without its zone: zones lie up to 14 h from UTC (IANA tz database). [s]"""


@dataclass(frozen=True)
class Told:
    """When a row was said.

    Attributes
    ----------
    arrived : datetime
        When its delivery was taken in.
    written : datetime or None
        When its manifest was written, as the file says; never after it arrived.
    zipped : bool
        Whether a zip says so.
    mended : datetime or None
        When a person last corrected the row.
    """

    arrived: datetime
    written: datetime | None = None
    zipped: bool = False
    mended: datetime | None = None

    def older_than(self, other: "Told") -> bool:
        """Whether this was said before the other."""
        if self.mended is not None or other.mended is not None:
            return (self.mended or self.arrived) < (other.mended or other.arrived)
        if self.written is not None and other.written is not None:
            unsure = _LOCAL_TIME if self.zipped != other.zipped else timedelta()
            if abs(self.written - other.written) > unsure:
                return self.written < other.written
        return self.arrived < other.arrived


@dataclass(frozen=True)
class Ages:
    """When rows of deliveries were said.

    Attributes
    ----------
    deliveries : dict of str to Told
        Of those taken in, and of those being taken in.
    mended : mapping of (str, int or None) to datetime
        By delivery and row; None stands for all rows of a delivery.
    """

    deliveries: dict[str, Told]
    mended: Mapping[tuple[str, int | None], datetime] = field(default_factory=dict)

    def now_told(
        self, delivery: str, source: str, written: datetime | None, now: datetime, *, changed: bool = False
    ) -> Told:
        """Note when a delivery that is being taken in, or retried, said what it says.

        Parameters
        ----------
        delivery, source : str
            Its name, and the name it had in the inbox.
        written : datetime or None
            When its manifest was written, as the file says.
        now : datetime
            Time of the run.
        changed : bool
            Whether a delivery that was taken in before holds something else by now. Otherwise the time of its manifest stays
            as it was first seen: putting a file back from a backup, or copying it, may set another.
        """
        before = self.deliveries.get(delivery)
        if before is not None and before.written is not None and not changed:
            return before
        told = Told(now if before is None else before.arrived, written and min(written, now), is_zip(source))
        self.deliveries[delivery] = told
        return told

    def of(self, delivery: str, row: int) -> Told:
        """When a row was said.

        Parameters
        ----------
        delivery : str
            Taken in already, or being taken in.
        row : int
            Of its manifest.
        """
        mends = [self.mended[key] for key in ((delivery, row), (delivery, None)) if key in self.mended]
        return replace(self.deliveries[delivery], mended=max(mends, default=None))


def ages(warehouse: Warehouse, mends: Sequence[Mend]) -> Ages:
    """Ages of the rows of all deliveries taken in.

    Parameters
    ----------
    warehouse : Warehouse
        Knows them.
    mends : sequence of Mend
        All of the workspace, oldest first.
    """
    rows = warehouse.query("SELECT delivery, taken_in_at, written_at, source FROM deliveries").iter_rows(named=True)
    known = {row["delivery"]: Told(row["taken_in_at"], row["written_at"], is_zip(row["source"])) for row in rows}
    return Ages(known, {(mend.delivery, mend.row): mend.at for mend in mends})


def is_zip(source: str) -> bool:
    """Whether a delivery was a zip, by its name as it lay in the inbox."""
    return source.lower().endswith(".zip")
