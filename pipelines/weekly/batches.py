"""Batches of work, their results in order: in this process, in processes of this machine, or on a Dask cluster.

Whoever asks stores what comes back, one batch after the other. What a cluster can't do is done here.
"""

import logging
import multiprocessing
import os
import socket
import tempfile
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import ExitStack
from itertools import islice
from typing import Any, Protocol, TypeVar

from data_contracts.errors import InputError
from data_contracts.plurals import counted
from pipelines.workspace.cluster_settings import ClusterSettings

Batch = TypeVar("Batch")
Result = TypeVar("Result")
Work = Callable[[Batch], Result]
Part = TypeVar("Part", covariant=True)


class Numbered(Protocol[Part]):
    """Batches by number, of which each may be made when it is asked for."""

    def __len__(self) -> int: ...

    def __getitem__(self, number: int, /) -> Part: ...


Tell = Callable[[str], None]
"""Takes one line: what the cluster could not do."""

_AHEAD = 3
"""Batches each worker of a cluster holds or has ready, so that it never waits; the others stay here. Of our choosing."""
_AHEAD_HERE = 2
"""The same of each process of this machine; results that wait to be stored are among them. Of our choosing."""
_COUNT_S = 2.0
"""Between two counts of the workers. Of our choosing."""
_ANSWER_S = 15.0
"""For a scheduler to answer, or a worker to come back. Of our choosing."""


class _UnfitError(Exception):
    """A worker that is not as this machine is: what it gives back could be something else."""


def in_order(
    work: Work[Batch, Result],
    batches: Numbered[Batch],
    *,
    version: Callable[[], str],
    processes: int = 0,
    cluster: ClusterSettings | None = None,
    handed: Callable[[Batch], Batch] = lambda batch: batch,
    tell: Tell = lambda line: None,
) -> Iterator[Result]:
    """Results of the batches, in their order.

    Parameters
    ----------
    work : callable
        A function of a module, which takes a batch and may be called again for the same one.
    batches : sequence
        Each is asked for when there is room for it, and may be asked for again where a cluster fails.
    version : callable
        A function of a module: what results depend on beside the batch. A worker where it says something else does nothing.
    processes : int
        Of this machine; 0 is one per core, 1 is this one.
    cluster : ClusterSettings, optional
        Where else; nothing is asked of it where it names neither a scheduler nor workers.
    handed : callable, optional
        Makes of a batch what a worker of the cluster gets in its place, when one has room for it.
    tell : callable
        Told in one line where a cluster failed and the rest is done here.

    Yields
    ------
    object
        What `work` returned.

    Raises
    ------
    InputError
        If a cluster is set and the package for it is not installed.
    """
    done = 0
    given = (handed(batches[number]) for number in range(len(batches)))
    for result in from_cluster(work, given, len(batches), version=version, cluster=cluster, tell=tell):
        done += 1
        yield result
    left = range(done, len(batches))
    count = min(processes or os.cpu_count() or 1, len(left))
    if count <= 1:
        yield from (work(batches[number]) for number in left)
        return
    context = multiprocessing.get_context("forkserver")
    running = deque[Future[Result]]()
    with ProcessPoolExecutor(count, mp_context=context) as pool:
        for number in left:
            if len(running) == count * _AHEAD_HERE:
                yield running.popleft().result()
            running.append(pool.submit(work, batches[number]))
        while running:
            yield running.popleft().result()


def from_cluster(
    work: Work[Batch, Result],
    batches: Iterable[Batch],
    count: int,
    *,
    version: Callable[[], str],
    cluster: ClusterSettings | None,
    tell: Tell,
) -> Iterator[Result]:
    """Results of the first batches, in their order: of all of them, unless the cluster fails or none is set.

    Parameters
    ----------
    work, version, cluster, tell
        As of `in_order`.
    batches : iterable
        Asked for one at a time, as workers have room.
    count : int
        How many there are.

    Yields
    ------
    object
        What `work` returned.

    Raises
    ------
    InputError
        If a cluster is set and the package for it is not installed.
    """
    if cluster is None or not cluster.asked:
        return
    failures, done = _failures(), 0
    try:
        for result in _on_cluster(work, batches, version, cluster):
            yield result
            done += 1
    except failures as error:
        why = str(error).splitlines()[0] if str(error) else type(error).__name__
        tell(f"cluster: {why}; {counted(count - done, 'batch', 'batches')} of {count} done on this machine instead")


def _failures() -> tuple[type[Exception], ...]:
    """What a cluster may fail with; errors of the work itself are not among them, but that it can't open a file is."""
    try:
        from distributed import KilledWorker
        from distributed.client import FutureCancelledError
    except ImportError as error:
        raise InputError(
            "settings.toml, [cluster]: the package `distributed` is not installed: install vansnap with its extra `cluster`, or leave the section out"
        ) from error
    return (KilledWorker, FutureCancelledError, TimeoutError, OSError, _UnfitError)


def _on_cluster(
    work: Work[Batch, Result], batches: Iterable[Batch], version: Callable[[], str], cluster: ClusterSettings
) -> Iterator[Result]:
    """Results from the workers, in order; each holds a few batches, the others wait here. A batch whose worker ends goes to another."""
    waiting, running, wanted = iter(batches), deque[Any](), version()
    with ExitStack() as stack:
        client = _client(cluster, stack)
        client.wait_for_workers(1, timeout=_ANSWER_S)
        most, counted_at = 0, -_COUNT_S
        while True:
            if time.monotonic() - counted_at >= _COUNT_S:  # workers come and go
                most, counted_at = _AHEAD * max(sum(client.nthreads().values()), 1), time.monotonic()
            for batch in islice(waiting, max(most - len(running), 0)):
                running.append(client.submit(_on_worker, work, version, wanted, batch, pure=False))
            if not running:
                return
            yield _result(client, running.popleft())


def _client(cluster: ClusterSettings, stack: ExitStack) -> Any:
    """A client of the scheduler that is set, or of workers of this machine that end with the stack; their talk is encrypted."""
    import dask
    from distributed import Client, LocalCluster, Security

    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what goes wrong is told in one line
    if not cluster.workers:
        security = Security(
            tls_ca_file=cluster.authority,
            tls_client_cert=cluster.certificate,
            tls_client_key=cluster.key,
            require_encryption=cluster.scheduler.startswith("tls:"),
        )
        return stack.enter_context(
            Client(cluster.scheduler, timeout=_ANSWER_S, security=security, set_as_default=False)
        )
    stack.enter_context(dask.config.set({"distributed.worker.profile.enabled": False}))  # it costs a tenth
    here = stack.enter_context(
        LocalCluster(
            n_workers=cluster.workers,
            threads_per_worker=1,
            dashboard_address=None,
            security=Security.temporary(),
            protocol="tls://",
            silence_logs=logging.CRITICAL,
            local_directory=stack.enter_context(tempfile.TemporaryDirectory()),
        )
    )
    return stack.enter_context(Client(here, set_as_default=False))


def _result(client: Any, future: Any) -> Any:
    """Of one batch, however long it takes while there are workers."""
    while True:
        try:
            return future.result(timeout=_ANSWER_S)
        except TimeoutError:
            if future.done():
                raise  # the work's own: a share that did not answer
            if not client.nthreads():
                raise TimeoutError("no worker is left") from None


def _on_worker(work: Work[Batch, Result], version: Callable[[], str], wanted: str, batch: Batch) -> Result:
    """One batch, where this worker is as the machine that asks."""
    if (own := version()) != wanted:
        raise _UnfitError(f"worker on {socket.gethostname()} has {own}, wanted is {wanted}: install the same there")
    return work(batch)
