"""The warehouse written anew, so that no block of the file holds what was changed or deleted."""

from pathlib import Path

import duckdb

from pipelines.storage.atomic_files import put_in_place
from pipelines.storage.room import room_for, size_of
from pipelines.storage.warehouse import quoted
from pipelines.workspace.drafts import clear_drafts_of, draft_of


def write_anew(path: Path) -> None:
    """Copy every table as it stands into a new file, and put that in the old one's place.

    Parameters
    ----------
    path : Path
        The warehouse; held by the caller, open nowhere.
    """
    draft = draft_of(path)
    clear_drafts_of(path)
    try:
        with room_for(path, size_of(path)), duckdb.connect(config={"autoinstall_known_extensions": "false"}) as copying:
            copying.execute("SET enable_progress_bar = false")
            # not read-only: what its log still holds goes in first
            copying.execute(f"ATTACH '{quoted(path)}' AS stale")
            copying.execute(f"ATTACH '{quoted(draft)}' AS fresh")
            copying.execute("COPY FROM DATABASE stale TO fresh")
            copying.execute("DETACH stale")
            copying.execute("CHECKPOINT fresh")
            copying.execute("DETACH fresh")
            draft.chmod(path.stat().st_mode & 0o777)
            put_in_place(draft, path)
    finally:
        clear_drafts_of(path)
