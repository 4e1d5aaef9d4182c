"""Deliveries that are due to be taken in: those that wait in quarantine, and those in the inbox."""

from collections.abc import Iterator, Mapping

from pipelines.intake import quarantine
from pipelines.intake.filing import content_of, place_of, plainly_named
from pipelines.intake.job import Job
from pipelines.storage.packed_folder import ENDING
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.workspace import Workspace


def waiting_jobs(workspace: Workspace, warehouse: Warehouse) -> Iterator[Job]:
    """Deliveries in quarantine that still have waiting rows.

    Parameters
    ----------
    workspace : Workspace
    warehouse : Warehouse

    Yields
    ------
    Job
        Not opened.
    """
    rows = warehouse.query(
        """
        SELECT delivery, source, content_id, place FROM deliveries
        WHERE delivery IN (SELECT delivery FROM quarantine WHERE state = 'waiting') ORDER BY taken_in_at, delivery
        """
    )
    for row in rows.iter_rows(named=True):
        path = place_of(workspace, row["delivery"], row["source"], row["place"])
        if not (path.exists() or path.is_symlink()):
            continue  # removed by hand: what waits keeps waiting, and `vansnap check` says so
        job = Job(row["delivery"], row["source"], path, again=True, content_id=row["content_id"])
        closed = warehouse.query(
            """
            SELECT row FROM manifest_rows WHERE delivery = $d AND state <> 'quarantined' UNION
            SELECT row FROM quarantine WHERE delivery = $d AND state = 'discarded' AND row IS NOT NULL
            """,
            {"d": row["delivery"]},
        )
        job.settled = set(closed["row"])
        ledger = warehouse.query(
            "SELECT row FROM manifest_rows WHERE delivery = ? AND state = 'quarantined'", [row["delivery"]]
        )
        job.waiting = set(ledger["row"]) - job.settled
        thrown = "SELECT item_id FROM quarantine WHERE delivery = ? AND state = 'discarded'"
        job.discarded = frozenset(warehouse.query(thrown, [row["delivery"]])["item_id"])
        yield job


def new_jobs(workspace: Workspace, warehouse: Warehouse, names: Mapping[str, str]) -> Iterator[Job]:
    """Complete deliveries in the inbox, by name; without those that are taken in and could not be moved.

    Parameters
    ----------
    workspace : Workspace
    warehouse : Warehouse
    names : mapping of str to str
        Names that deliveries had before, by their name in the inbox.

    Yields
    ------
    Job
        Not opened.
    """
    taken = set(warehouse.query("SELECT delivery FROM deliveries")["delivery"]) | {quarantine.REGISTER}
    stuck = set(warehouse.query("SELECT source, content_id FROM deliveries WHERE place = 'inbox'").iter_rows())
    for path in plainly_named(workspace.inbox):
        if any(path.name == source and content_of(path, source) == held for source, held in stuck):
            continue
        stem = path.name[:-4] if path.name.lower().endswith(".zip") and not path.is_dir() else path.name
        name, number = names.get(path.name, stem), 1
        while name in taken or name.endswith(ENDING):  # that is how the file of a packed delivery ends
            number += 1
            name = f"{stem}~{number}"
        taken.add(name)
        yield Job(name, path.name, path)
