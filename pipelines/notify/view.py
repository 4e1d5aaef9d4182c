"""The published run as readers of the same depots see it, asked once in a round however many they are."""

from datetime import UTC, datetime
from functools import cached_property
from typing import Any

from data_contracts.errors import MissingFileError
from data_contracts.facts.fact import Fact
from pipelines.notify.recipients import Recipient
from pipelines.read_side import capture_queries, order_queries, queries
from pipelines.read_side.published import Published, open_published
from pipelines.read_side.restricted import restricted
from pipelines.read_side.van_card import in_short_of
from pipelines.workspace.workspace import Workspace

_NOW = queries.ListFilter(urgencies=("now",))
_EVERY_VAN = 10_000


class View:
    """What is published, as one circle of readers may see it.

    Parameters
    ----------
    published : Published
        Restricted to their depots.
    """

    def __init__(self, published: Published) -> None:
        self.published = published

    @cached_property
    def week(self) -> str:
        """Of the published list; empty where no run is on record."""
        run = queries.last_run(self.published)
        return "" if run is None else str(run["week"])

    @cached_property
    def vans_now(self) -> dict[str, dict[str, Any]]:
        """Vans listed as now with their newest order, in order of rank: rows of `queries.watchlist` by van."""
        rows = queries.watchlist(self.published, self.week, _NOW, limit=_EVERY_VAN)
        return {str(row["van_id"]): row for row in rows.iter_rows(named=True)}

    @cached_property
    def verdicts(self) -> dict[str, Fact]:
        """What to say first of these vans."""
        return in_short_of(self.published, list(self.vans_now.values()), self.week)

    @cached_property
    def causes_of_orders(self) -> dict[str, str]:
        """Cause of the newest order of each of these vans, by order; the list may name another by now."""
        found = {}
        for row in self.vans_now.values():
            order = None if row["order_id"] is None else order_queries.order(self.published, row["order_id"])
            if order is not None:
                found[str(row["order_id"])] = str(order["cause"])
        return found

    @cached_property
    def notices(self) -> list[dict[str, Any]]:
        """Remarks of the week about no single van."""
        return queries.notices(self.published, self.week)

    @cached_property
    def depots_seen(self) -> list[tuple[str, str | None]]:
        """Depots with the last week in which any of their vans was seen; None: never."""
        frame = self.published.ask(
            "SELECT v.depot, max(c.week) FROM vans v LEFT JOIN captures c USING (van_id) GROUP BY v.depot ORDER BY v.depot"
        )
        return list(frame.iter_rows())

    @cached_property
    def last_delivery(self) -> datetime | None:
        """When one was last taken in."""
        frame = capture_queries.deliveries(self.published, limit=1)
        return frame["taken_in_at"][0].astimezone(UTC) if frame.height else None

    @cached_property
    def items(self) -> int:
        """Items that wait in quarantine."""
        return int(capture_queries.quarantine_counts(self.published)["items"].sum() or 0)


class Views:
    """Views of one round.

    Parameters
    ----------
    workspace : Workspace
    """

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace
        self._made: dict[tuple[str, ...], View | None] = {}

    def whole(self) -> View | None:
        """What is published, of all depots; None where nothing is."""
        return self._of(())

    def of(self, person: Recipient) -> View | None:
        """What a person may see; None where nothing is published, or nothing of it is for this person.

        Parameters
        ----------
        person : Recipient
        """
        return self._of(person.depots) if person.everything or person.depots else None

    def _of(self, depots: tuple[str, ...]) -> View | None:
        if depots not in self._made:
            try:
                self._made[depots] = View(restricted(open_published(self.workspace.root), depots))
            except MissingFileError:
                self._made[depots] = None
        return self._made[depots]
