"""Chunks of waveforms that no row of the warehouse names: set aside, never deleted, and back in place once they are named.

A run that was cut off leaves such a chunk; so does a warehouse that is older than its waveforms, put back from a backup
of its own. Which of the two it was a run can't know.
"""

from pathlib import Path

from pipelines.storage.atomic_files import sync_folder
from pipelines.storage.warehouse import Warehouse

UNREFERENCED = "unreferenced"
"""Folder within waveforms/ for what is set aside."""


def settle_chunks(warehouse: Warehouse, folder: Path) -> None:
    """Put back what the warehouse names, set aside what it doesn't, and remove drafts of runs that were cut off.

    Call only while holding the workspace, once everything taken in is committed.

    Parameters
    ----------
    warehouse : Warehouse
        Holds the catalogue.
    folder : Path
        waveforms/ of the workspace.
    """
    named = set(warehouse.query("SELECT DISTINCT chunk FROM waveforms")["chunk"])
    aside = folder / UNREFERENCED
    back = [path for path in chunks_aside(folder) if path.name in named and not (folder / path.name).exists()]
    away = [path for path in folder.glob("*.parquet") if path.name not in named]
    if away:
        aside.mkdir(exist_ok=True)
    for path in back:
        path.rename(folder / path.name)
    for path in chunks_aside(folder):  # a second copy of what is in its place: chunks are named by their hash
        if (folder / path.name).exists() and (folder / path.name).stat().st_size == path.stat().st_size:
            path.unlink()
    for path in away:
        path.rename(aside / path.name)
    for draft in folder.glob(".*.part"):
        draft.unlink()
    if back or away:
        sync_folder(folder)
        sync_folder(aside)


def chunks_aside(folder: Path) -> list[Path]:
    """Chunks that are set aside.

    Parameters
    ----------
    folder : Path
        waveforms/ of the workspace.

    Returns
    -------
    list of Path
        By name.
    """
    return sorted((folder / UNREFERENCED).glob("*.parquet"))
