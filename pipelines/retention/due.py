"""Which raw waveforms are due to go, and what keeps the others."""

from datetime import UTC, datetime, timedelta

import polars as pl

from data_contracts.states import PLANNED_STATES
from pipelines.storage.warehouse import Warehouse

EVIDENCE_WEEKS = 26
"""Before an order was proposed or a repair done, and after its last decision, samples of the van are evidence: half a year, as
long as a job would wait for the next service. Of our choosing."""
AHEAD_WEEKS = 8
"""A clock further past the newest capture may be wrong: then nothing goes, for it could not be taken back. Of our choosing."""


def counted_from(warehouse: Warehouse, at: datetime) -> datetime | None:
    """From when months are counted back: the run; None where its clock may be ahead.

    Parameters
    ----------
    warehouse : Warehouse
    at : datetime
        Time of the run, by this machine's clock.
    """
    newest = warehouse.query("SELECT max(captured_at) FROM captures").item() or at
    return None if at - newest > timedelta(weeks=AHEAD_WEEKS) else at


def ahead_line(at: datetime) -> str:
    """Why nothing goes where the clock may be ahead.

    Parameters
    ----------
    at : datetime
        Time of the run, by this machine's clock.
    """
    return (
        f"no samples are removed: this machine's clock says {at.astimezone(UTC):%Y-%m-%d}, more than {AHEAD_WEEKS} weeks past the newest "
        "capture; see that it is right, or take in what came since"
    )


def kept_since(months: int, at: datetime) -> datetime:
    """Before when a recording is due: whole months back from the month of a time.

    Parameters
    ----------
    months : int
        At least 1.
    at : datetime
        As `counted_from` gives it.
    """
    utc = at.astimezone(UTC)
    year, month = divmod(utc.year * 12 + utc.month - 1 - months, 12)
    return datetime(year, month + 1, 1, tzinfo=UTC)


def old_waveforms(warehouse: Warehouse, since: datetime) -> pl.DataFrame:
    """Stored waveforms all of whose recordings are older than is asked for.

    Parameters
    ----------
    warehouse : Warehouse
    since : datetime
        As `kept_since` gives it.

    Returns
    -------
    polars.DataFrame
        waveform_id, chunk, kept_for: open_order, order, repair, last_visit, quarantine, unread; null is due.
    """
    open_states = ", ".join(f"'{state}'" for state in PLANNED_STATES)
    return warehouse.query(
        f"""
        WITH taken AS (SELECT waveform_id, van_id, captured_at FROM recordings),
        spans AS (
            SELECT o.van_id, 'open_order' AS why, NULL::TIMESTAMPTZ AS since, NULL::TIMESTAMPTZ AS until
            FROM work_orders o WHERE o.state IN ({open_states})
            UNION ALL
            SELECT o.van_id, 'order', (strptime(o.week || '-1', '%G-W%V-%u') - $span)::TIMESTAMPTZ, max(e.at) + $span
            FROM work_orders o JOIN order_events e USING (order_id) GROUP BY o.order_id, o.van_id, o.week
            UNION ALL
            SELECT van_id, 'repair', done_at - $span, done_at + $span FROM repairs
            UNION ALL
            SELECT van_id, 'last_visit', max(captured_at) - INTERVAL 1 DAY, NULL FROM captures GROUP BY van_id),
        held_back AS (
            SELECT t.waveform_id, s.why FROM taken t JOIN spans s ON t.van_id = s.van_id
            AND (s.since IS NULL OR t.captured_at >= s.since) AND (s.until IS NULL OR t.captured_at <= s.until)
            UNION ALL
            SELECT waveform_id, 'unread' FROM recordings r WHERE state = 'held' AND NOT EXISTS (
                SELECT 1 FROM captures c WHERE (c.delivery, c.row, c.waveform_id) = (r.delivery, r.row, r.waveform_id))
            UNION ALL
            SELECT waveform_id, 'quarantine' FROM manifest_rows JOIN deliveries USING (delivery)
            WHERE place <> 'delivered' AND waveform_id IS NOT NULL)
        SELECT w.waveform_id, w.chunk, (SELECT min(why) FROM held_back h WHERE h.waveform_id = w.waveform_id) AS kept_for
        FROM waveforms w
        WHERE w.removed_on IS NULL AND (SELECT max(captured_at) FROM taken t WHERE t.waveform_id = w.waveform_id) < $since
        ORDER BY w.chunk, w.row_group, w.waveform_id
        """,
        {"span": timedelta(weeks=EVIDENCE_WEEKS), "since": since},
    )
