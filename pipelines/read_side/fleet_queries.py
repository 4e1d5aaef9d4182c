"""The board's questions about a week's fleet beside its list: who left and why, who was not seen, and how it went over the weeks."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import polars as pl

from data_contracts.weeks import week_before
from pipelines.read_side.published import Published

WEEKS_SHOWN = 26


def trends_of(published: Published, quantity_of: Mapping[str, str], week: str) -> dict[str, list[dict[str, Any]]]:
    """One quantity of each of some vans up to a week.

    Parameters
    ----------
    published : Published
        The read side.
    quantity_of : mapping of str to str
        The quantity of each van.
    week : str
        ISO week.

    Returns
    -------
    dict of str to list of dict
        By van, rows of `trends`, oldest first.
    """
    if not quantity_of:
        return {}
    rows = published.ask(
        """
        SELECT * FROM trends
        WHERE week <= $week AND van_id IN (SELECT unnest($vans))
          AND (van_id, quantity) IN (SELECT (unnest($vans), unnest($quantities)))
        ORDER BY van_id, week
        """,
        {"week": week, "vans": list(quantity_of), "quantities": list(quantity_of.values())},
    )
    found: dict[str, list[dict[str, Any]]] = {}
    for row in rows.iter_rows(named=True):
        found.setdefault(row["van_id"], []).append(row)
    return found


def left_the_list(published: Published, week: str, *, limit: int = 50) -> pl.DataFrame:
    """Vans on the list before that are not on this one, with what is known of why.

    Returns
    -------
    polars.DataFrame
        van_id, week, rank, urgency, leading_cause of the list before; last_seen: week of the last visit; repaired_on and work
        of the last repair from the week of that list's order on; order_state of the newest order; alarms: quantities in alarm
        at the latest week. In order of rank.
    """
    return published.ask_once(
        """
        WITH gone AS (
            SELECT van_id, week, rank, urgency, leading_cause FROM watchlist
            WHERE week = (SELECT max(week) FROM watchlist WHERE week < $week)
              AND van_id NOT IN (SELECT van_id FROM watchlist WHERE week = $week)
            ORDER BY rank LIMIT $limit
        ), seen AS (
            SELECT van_id, max(week) AS last_seen FROM captures
            WHERE week <= $week AND van_id IN (SELECT van_id FROM gone) GROUP BY van_id
        ), mended AS (
            SELECT r.van_id, arg_max(r.work, r.done_at) AS work, max(r.done_at)::DATE AS repaired_on
            FROM repairs r JOIN gone g ON r.van_id = g.van_id
            WHERE strftime(r.done_at, '%G-W%V') BETWEEN g.week AND $week GROUP BY r.van_id
        ), ordered AS (
            SELECT van_id, state AS order_state FROM work_orders
            WHERE week <= $week AND van_id IN (SELECT van_id FROM gone)
            QUALIFY row_number() OVER (PARTITION BY van_id ORDER BY week DESC, rank) = 1
        ), latest AS (
            SELECT van_id, alarm FROM trends WHERE week <= $week AND van_id IN (SELECT van_id FROM gone)
            QUALIFY row_number() OVER (PARTITION BY van_id, quantity ORDER BY week DESC) = 1
        ), standing AS (SELECT van_id, count(*) FILTER (alarm) AS alarms FROM latest GROUP BY van_id)
        SELECT * FROM gone LEFT JOIN seen USING (van_id) LEFT JOIN mended USING (van_id) LEFT JOIN ordered USING (van_id)
        LEFT JOIN standing USING (van_id) ORDER BY rank
        """,
        {"week": week, "limit": limit},
    )


def why_left(row: Mapping[str, Any]) -> str:
    """Why a van is no longer on the list, as a word: repaired, proven, declined, unseen, back or less."""
    if row["order_state"] == "proven":
        return "proven"
    if row["repaired_on"] is not None:
        return "repaired"
    if row["last_seen"] is None or row["last_seen"] <= row["week"]:
        return "unseen"
    if row["order_state"] == "declined":
        return "declined"
    return "less" if row["alarms"] else "back"


def not_seen_count(published: Published, week: str, depots: Sequence[str]) -> int:
    """How many vans of the register have no capture in a week, of some depots; no depot is all."""
    frame = published.ask_once(
        """
        SELECT count(*) AS n FROM vans WHERE (len($depots) = 0 OR list_contains($depots, depot))
        AND van_id NOT IN (SELECT van_id FROM captures WHERE week = $week)
        """,
        {"week": week, "depots": list(depots)},
    )
    return int(frame["n"][0])


def not_seen(published: Published, week: str, depots: Sequence[str], *, limit: int | None = None) -> pl.DataFrame:
    """Vans of the register without a capture in a week: van_id, depot, family, last_seen (week) and last_day; longest first."""
    return published.ask(
        """
        WITH seen AS (
            SELECT van_id, max(week) AS last_seen, max(captured_at) AS last_day FROM captures WHERE week <= $week GROUP BY van_id
        )
        SELECT v.van_id, v.depot, v.family, last_seen, last_day FROM vans v LEFT JOIN seen USING (van_id)
        WHERE (last_seen IS NULL OR last_seen < $week) AND (len($depots) = 0 OR list_contains($depots, v.depot))
        ORDER BY last_seen NULLS FIRST, v.van_id LIMIT $limit
        """,
        {"week": week, "depots": list(depots), "limit": limit},
    )


def last_seen(published: Published, vans: Sequence[str], week: str) -> dict[str, tuple[str, date]]:
    """Week and day in which vans were last recorded, up to a week; one that never was is left out."""
    frame = published.ask(
        """
        SELECT van_id, max(week) AS week, CAST(max(captured_at) AT TIME ZONE 'UTC' AS DATE) AS day FROM captures
        WHERE week <= $week AND van_id IN (SELECT unnest($vans)) GROUP BY van_id
        """,
        {"week": week, "vans": list(vans)},
    )
    return {str(van): (str(of), day) for van, of, day in frame.iter_rows()}


def fleet_by_week(published: Published, week: str) -> pl.DataFrame:
    """How the fleet went, the newest week first.

    Parameters
    ----------
    published : Published
        The read side.
    week : str
        ISO week of the newest row.

    Returns
    -------
    polars.DataFrame
        week; seen: vans recorded; listed and new: vans on the list, and those not on the one before; closed: orders done;
        false: of them with nothing found; hours: they took, as far as told. Listed and new are null for a week without a list.
    """
    weeks = [week]
    while len(weeks) < WEEKS_SHOWN:
        weeks.append(week_before(weeks[-1]))
    return published.ask_once(
        """
        WITH asked AS (SELECT unnest($weeks) AS week), listed AS (
            SELECT week, count(*) AS listed, count(*) FILTER ("new") AS new FROM watchlist GROUP BY week
        ), seen AS (SELECT week, count(DISTINCT van_id) AS seen FROM captures GROUP BY week), done AS (
            SELECT strftime(e."at" AT TIME ZONE 'UTC', '%G-W%V') AS week, e.found, e.hours
            FROM order_events e JOIN work_orders o USING (order_id) WHERE e.state = 'done' AND e.refused IS NULL
            QUALIFY row_number() OVER (PARTITION BY e.order_id ORDER BY e."at" DESC, e.event_id DESC) = 1
        ), closed AS (
            SELECT week, count(*) AS closed, count(*) FILTER (found = 'none') AS "false", sum(hours) AS hours
            FROM done GROUP BY week
        )
        SELECT week, coalesce(seen, 0) AS seen, listed, new, coalesce(closed, 0) AS closed,
               coalesce("false", 0) AS "false", coalesce(hours, 0) AS hours
        FROM asked LEFT JOIN seen USING (week) LEFT JOIN listed USING (week) LEFT JOIN closed USING (week)
        WHERE week >= (SELECT min(week) FROM captures) ORDER BY week DESC
        """,
        {"weeks": weeks},
    )
