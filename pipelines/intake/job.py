"""A delivery on its way into the warehouse."""

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from pipelines.intake.corrections import Mend
from pipelines.intake.decoding import Wanted
from pipelines.intake.delivery import Delivery
from pipelines.intake.manifest import ManifestRow, TextRow
from pipelines.intake.quarantine import Item


@dataclass
class Job:
    """One delivery on its way in: what is read of it, and what is refused before any file is decoded."""

    delivery: str
    source: str
    path: Path
    again: bool = False  # it waits in quarantine
    content_id: str = ""
    opened: Delivery | None = None
    total: int = 0  # rows of its manifest
    text: list[TextRow] = field(default_factory=list)  # rows to process now
    dated: datetime | None = None  # what its rows say, including settled ones
    items: list[Item] = field(default_factory=list)
    ready: list[ManifestRow] = field(default_factory=list)  # rows whose file is to be decoded
    wanted: list[Wanted] = field(default_factory=list)
    settled: set[int] = field(default_factory=set)  # rows that are not in question now
    waiting: set[int] = field(default_factory=set)  # rows the ledger says wait
    mended: list[Mend] = field(default_factory=list)  # mends since, oldest first
    discarded: frozenset[str] = frozenset()  # items a person has discarded
    written: datetime | None = None  # when its manifest was, as the file says
    changed: bool = False  # it holds something else than when it was taken in

    def open_rows(self, rows: int) -> list[int]:
        """Rows in question, of a manifest known to have so many."""
        return sorted((self.waiting | set(range(1, rows + 1))) - self.settled)
