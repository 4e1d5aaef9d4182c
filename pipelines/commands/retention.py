"""`vansnap retention`: what the setting for raw waveforms means for this workspace, and, asked to, doing it at once."""

from datetime import UTC, datetime

import polars as pl

from data_contracts.plurals import counted
from pipelines.retention.due import ahead_line, counted_from, kept_since, old_waveforms
from pipelines.retention.ledger import unfinished, waiting
from pipelines.retention.step import remove
from pipelines.storage.warehouse import Warehouse, open_warehouse
from pipelines.workspace.settings import load_settings
from pipelines.workspace.workspace import Workspace

_WHY = {
    "open_order": "their van has an open order",
    "order": "an order was decided on half a year before or after",
    "repair": "the van was repaired half a year before or after",
    "last_visit": "they are of their van's last visit",
    "unread": "they are not read yet",
    "quarantine": "their delivery waits in quarantine",
}


def retention(workspace: Workspace, *, removing: bool, now: datetime | None = None) -> str:
    """What goes and what stays, in lines.

    Parameters
    ----------
    workspace : Workspace
        Held by nobody.
    removing : bool
        Do it now; else nothing changes.
    now : datetime or None
        None is the clock's.
    """
    at = now or datetime.now(UTC)
    months = load_settings(workspace.settings_path).retention.raw_months
    with workspace.held(), open_warehouse(workspace) as warehouse:
        lines = _told(warehouse, months, at)
        if removing:
            count = remove(workspace, warehouse, months, at)
            lines.append(f"removed: the samples of {counted(count, 'recording', 'recordings')}")
        elif months and counted_from(warehouse, at):
            lines.append(
                "nothing was changed; the next `vansnap weekly` removes them, or `vansnap retention --remove` does now"
            )
        lines += _gone(warehouse)
        left = sorted({name for entry in unfinished(workspace) for name in waiting(entry) or ()})
        if left:
            lines.append(
                f"delivered files not emptied yet, since they wait, are not packed yet or damaged: {', '.join(left)}; the next run tries again"
            )
    return "\n".join(lines)


def _told(warehouse: Warehouse, months: int, at: datetime) -> list[str]:
    if not months:
        return ["raw waveforms are kept for ever ([retention] raw_months = 0 in settings.toml)"]
    newest = counted_from(warehouse, at)
    if newest is None:
        return [ahead_line(at)]
    since = kept_since(months, newest)
    old = old_waveforms(warehouse, since)
    due = old.filter(pl.col("kept_for").is_null()).height
    held = f"{counted(old.height, 'recording', 'recordings')} of before {since:%Y-%m-%d} ([retention] raw_months = {months})"
    lines = [
        f"{held}: samples of {due} go, with the delivered files all of whose rows are among them; their readings stay"
    ]
    kept = old.filter(pl.col("kept_for").is_not_null()).group_by("kept_for").len().sort("kept_for")
    return lines + [f"{count} stay: {_WHY[why]}" for why, count in kept.iter_rows()]


def _gone(warehouse: Warehouse) -> list[str]:
    """Samples that are gone already, and by which methods they were read."""
    from models.reading.read import METHOD

    row = warehouse.query(
        "SELECT count(*) AS count, max(removed_on) AS last FROM waveforms WHERE removed_on IS NOT NULL"
    )
    count, last = row.row(0)
    if not count:
        return []
    older = warehouse.query(
        """
        SELECT count(*) FROM readings JOIN captures USING (capture_id) JOIN waveforms USING (waveform_id)
        WHERE removed_on IS NOT NULL AND method <> ?
        """,
        [METHOD],
    ).item()
    lines = [f"gone already: the samples of {counted(count, 'recording', 'recordings')}, the last on {last}"]
    if older:
        lines.append(
            f"{counted(older, 'capture', 'captures')} of them keep the reading by an older method: there is nothing left to read again"
        )
    return lines
