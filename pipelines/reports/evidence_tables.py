"""The rows of the published file that are of one van, for its warranty file."""

from collections.abc import Iterable

import polars as pl

from pipelines.read_side.published import Published

_OF_VAN = {
    "van": "SELECT * FROM vans WHERE van_id = $van",
    "warranty": "SELECT * FROM warranties WHERE van_id = $van",
    "captures": "SELECT * FROM captures WHERE van_id = $van ORDER BY captured_at, capture_id",
    "readings": "SELECT r.* FROM readings r JOIN captures c USING (capture_id) WHERE c.van_id = $van "
    "ORDER BY c.captured_at, capture_id",
    "trends": "SELECT * FROM trends WHERE van_id = $van ORDER BY quantity, week",
    "watchlist": "SELECT * FROM watchlist WHERE van_id = $van ORDER BY week",
    "work_orders": "SELECT * FROM work_orders WHERE van_id = $van ORDER BY week, rank, order_id",
    "order_events": "SELECT e.* FROM order_events e JOIN work_orders o USING (order_id) WHERE o.van_id = $van "
    "ORDER BY e.at, e.event_id",
    "repairs": "SELECT * FROM repairs WHERE van_id = $van ORDER BY done_at, repair_id",
}


def tables_of(published: Published, van_id: str, names: Iterable[str] = tuple(_OF_VAN)) -> dict[str, pl.DataFrame]:
    """The van's tables by name.

    Parameters
    ----------
    published : Published
    van_id : str
    names : iterable of str
        Of the tables; default all.

    Returns
    -------
    dict of str to polars.DataFrame
    """
    return {name: published.ask(_OF_VAN[name], {"van": van_id}) for name in names}
