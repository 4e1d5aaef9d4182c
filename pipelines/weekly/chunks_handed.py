"""Chunks of waveforms in the storage of a cluster, for workers that don't see the workspace."""

import hashlib
from collections.abc import Iterable
from pathlib import Path

from pipelines.storage.shared import SharedStorage
from pipelines.weekly.batches import Tell


class ChunksHanded:
    """Chunks that are handed to workers.

    Parameters
    ----------
    place : str
        The storage.
    waveforms : Path
        Where the chunks are.
    """

    def __init__(self, place: str, waveforms: Path) -> None:
        self._storage, self._waveforms = SharedStorage(place), waveforms
        self._names: set[str] = set()

    def hand(self, names: Iterable[str]) -> None:
        """Copy chunks there that are not.

        Parameters
        ----------
        names : iterable of str
            Of chunks.
        """
        for name in sorted({*names} - self._names):
            if not self._storage.holds(name):
                self._storage.write(name, (self._waveforms / name).read_bytes())
            self._names.add(name)

    def forget(self, say: Tell) -> None:
        """Remove them.

        Parameters
        ----------
        say : callable
            Told in one line where that can't be done.
        """
        try:
            while self._names:
                self._storage.forget(self._names.pop())
        except OSError as error:
            say(f"cluster: files of this run stay until a week is judged, {error}")


def chunk_handed(place: str, name: str) -> bytes:
    """A chunk, on a worker.

    Parameters
    ----------
    place : str
        The storage.
    name : str
        Of the chunk: the hash of its bytes.

    Raises
    ------
    OSError
        If it is not there as it was written.
    """
    content = SharedStorage(place).read(name)
    if hashlib.sha256(content).hexdigest() != Path(name).stem:
        raise OSError(f"{place}: what a worker reads there is not what was written")
    return content
