"""Tracking by partition on the workers of a cluster: each charts some vans, and gives back what is told of them.

A partition is a file of shared storage, named by the hash of what it holds and of the code that judges it: all that the charts of some
vans take, what the fleet shares among it. A worker gets the name, and writes what it found beside it, under the same name. So a
partition done twice gives the same file, and a run that was stopped finds what its workers had done. What spans the fleet, and the
warehouse, stay with the run; when its week is stored, the files are removed.
"""

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipelines.storage.record_file import from_parquet, to_parquet
from pipelines.storage.shared import SharedStorage
from pipelines.weekly.batches import Tell, from_cluster
from pipelines.weekly.own_version import judges_with
from pipelines.workspace.cluster_settings import ClusterSettings

if TYPE_CHECKING:  # it takes seconds to import
    from models.tracking.state.told import Part, Piece

_GIVEN, _FOUND = "given.parquet", "found.parquet"


@dataclass(frozen=True)
class _Partition:
    """What a worker gets."""

    place: str
    name: str


class TrackingOnCluster:
    """Shares the charts of a fleet out to a cluster; does them here where none is named.

    Parameters
    ----------
    cluster : ClusterSettings
        With its storage, as `within` returns.
    threads : int
        Of this machine, for what the cluster can't do.
    say : callable
        Told in one line what that was.
    """

    def __init__(self, cluster: ClusterSettings, *, threads: int, say: Tell) -> None:
        self._cluster, self._threads, self._say = cluster, threads, say
        self._told = ""
        self._storage = SharedStorage(cluster.storage)

    def tell(self, work: "Callable[[Piece], Part]", pieces: "Sequence[Piece]") -> "Iterator[Part]":
        """As `models.tracking.assess.assess` takes it; one piece is done here.

        Parameters
        ----------
        work : callable
            `models.tracking.state.told.part_of`.
        pieces : sequence of Piece

        Yields
        ------
        Part
            In the order of the pieces.
        """
        from models.statistics.side_by_side import side_by_side

        names: list[str] = []
        done = 0
        if len(pieces) > 1:
            given = (self._given(piece, names) for piece in pieces)
            for _ in from_cluster(
                _found, given, len(pieces), version=judges_with, cluster=self._cluster, tell=self._tell_of
            ):
                yield self._taken(names[done]) or work(pieces[done])
                done += 1
        yield from side_by_side(work, pieces[done:], self._threads)

    def forget(self) -> None:
        """Remove the files, this run's and what stopped ones left."""
        try:
            self._storage.forget()
        except OSError as error:
            if str(error) not in self._told:
                self._say(f"cluster: files of this run stay until the next, {error}")

    def _tell_of(self, line: str) -> None:
        self._told = line
        self._say(line)

    def _given(self, piece: "Piece", names: list[str]) -> _Partition:
        """A partition, written unless its result is there."""
        content = to_parquet(piece)
        names.append(_name(content))
        if not self._storage.holds(_path(names[-1], _FOUND)):
            self._storage.write(_path(names[-1], _GIVEN), content)
        return _Partition(self._cluster.storage, names[-1])

    def _taken(self, name: str) -> "Part | None":
        """What a worker found; None where its file is damaged."""
        from models.tracking.state.told import KINDS

        try:
            part: Part = from_parquet(self._storage.read(_path(name, _FOUND)), KINDS)
            self._storage.forget(_path(name, _GIVEN))
        except (OSError, ValueError, TypeError, LookupError) as error:
            self._say(f"cluster: a result can't be read ({error}); done on this machine instead")
            return None
        return part


def _found(partition: _Partition) -> None:
    """On a worker: chart the vans of a partition, unless somebody has."""
    from models.tracking.state.told import KINDS, part_of

    storage = SharedStorage(partition.place)
    if storage.holds(_path(partition.name, _FOUND)):
        return
    content = storage.read(_path(partition.name, _GIVEN))
    if _name(content) != partition.name:
        raise OSError(f"{partition.place}: what a worker reads there is not what was written")
    storage.write(_path(partition.name, _FOUND), to_parquet(part_of(from_parquet(content, KINDS))))


def _name(content: bytes) -> str:
    return hashlib.sha256(judges_with().encode() + content).hexdigest()


def _path(name: str, what: str) -> str:
    return f"{name}-{what}"
