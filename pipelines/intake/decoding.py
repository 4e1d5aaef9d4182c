"""Delivered files decoded to waveforms, on as many cores as pay off."""

import itertools
import os
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import TypeVar

from data_contracts.errors import (
    EmptyFileError,
    NoFitError,
    TimeBaseError,
    TooLargeError,
    UnreadableFileError,
    WaveformError,
)
from data_contracts.family import Family
from data_contracts.recorder import RecorderProfile
from pipelines.intake.delivery import Delivery, RefusedError
from pipelines.intake.in_turn import written_in_turn
from pipelines.intake.readers.apart import LONGEST_S, MOST_MEMORY, Beside, Call, NoDecoderError, load
from pipelines.intake.readers.recording import read_recording
from pipelines.intake.sensor_check import wrong_sensor
from pipelines.storage.waveforms import encode

Batch = TypeVar("Batch")

_POOL_FROM = 200  # files; below, starting processes costs more than it saves
_FILES_PER_TASK = 24
_COLLECTING = 2  # threads that make things ahead: manifests checked, and batches of what is decoded
_TASKS_AHEAD = 4  # per process: bounds what is held in memory

_RULES: tuple[tuple[type[WaveformError], str], ...] = (
    (EmptyFileError, "empty_file"),
    (UnreadableFileError, "unreadable_file"),
    (TimeBaseError, "bad_time"),
    (TooLargeError, "too_large"),
    (WaveformError, "bad_waveform"),
)


@dataclass(frozen=True)
class Wanted:
    """One file to decode: delivery, path within it and profile, which together name the result; and whose it is."""

    delivery: Delivery
    file: str
    profile: RecorderProfile
    family: Family


@dataclass(frozen=True)
class Decoded:
    """What became of one file: either its identity and encoded rows, or rule and reason of its refusal; or both, where
    its lambda trace is not of the van's sensor: then it may be another van's. `conditions` is what the file says of them,
    `removed` the row of `waveforms` where its samples are gone."""

    waveform_id: str | None
    encoded: Sequence[Mapping[str, object]]
    refusal: tuple[str, str] | None
    conditions: Mapping[str, float] = field(default_factory=dict)
    removed: Mapping[str, object] | None = None


def decode(wanted: Wanted) -> Decoded:
    """Decode one file; never raises for what is in it.

    Parameters
    ----------
    wanted : Wanted
        Which file.

    Returns
    -------
    Decoded
    """
    try:
        return _decoded(wanted)
    except (KeyboardInterrupt, SystemExit, NoDecoderError):
        raise
    except BaseException as error:  # a parser that panics raises outside Exception; no file may stop the others
        return _refused(wanted, error)


def _decoded(wanted: Wanted) -> Decoded:
    name = Path(wanted.file.replace("\\", "/")).name
    waveform = read_recording(name, wanted.delivery.read(wanted.file), wanted.profile)
    if (gaps := written_in_turn(waveform, wanted.profile)) is not None:
        return Decoded(None, (), ("bad_waveform", f"{wanted.file}: {gaps}"))
    waveform_id = waveform.waveform_id
    encoded = encode(waveform_id, waveform)
    refused = wrong_sensor(waveform, wanted.family)
    refusal = None if refused is None else (refused[0], f"{wanted.file}: {refused[1]}")
    return Decoded(waveform_id, encoded, refusal, waveform.conditions)


def _refused(wanted: Wanted, error: BaseException) -> Decoded:
    if isinstance(error, RefusedError):
        return Decoded(None, (), (error.rule, error.reason))
    if isinstance(error, WaveformError):
        rule = next(rule for kind, rule in _RULES if isinstance(error, kind))
        more = " (`vansnap read` of the file proposes one)" if isinstance(error, NoFitError) else ""
        return Decoded(None, (), (rule, f"{wanted.file}: {error}{more}"))
    line = (str(error).splitlines() or [""])[0][:160]
    return Decoded(None, (), ("unreadable_file", f"{wanted.file}: can't be read ({line}): export it again"))


def _decode_beside(wanted: Wanted) -> Decoded:
    """As `decode`, in a process whose memory is bounded: what passes the bound is told by whoever set it."""
    try:
        return _decoded(wanted)
    except (KeyboardInterrupt, SystemExit, MemoryError):
        raise
    except BaseException as error:
        return _refused(wanted, error)


class Decoders:
    """As many processes as pay off, which start while the caller still reads manifests; a context, at whose end they end.

    Parameters
    ----------
    files : int
        How many there may be to decode.
    workers : int
        Processes; 0 is one per core.
    """

    def __init__(self, files: int, *, workers: int) -> None:
        count = workers or os.cpu_count() or 1
        self._others = [Beside(sharing=count) for _ in range(count if count > 1 and files >= _POOL_FROM else 0)]

    def __enter__(self) -> "Decoders":
        self._idle: list[Beside] = []
        self._pool, self._collecting = ThreadPoolExecutor(max(len(self._others), 1)), ThreadPoolExecutor(_COLLECTING)
        for other in self._others:
            self._pool.submit(self._get_ready, other)
        return self

    def __exit__(self, *_: object) -> None:
        for other in self._others:
            other.close()
        self._pool.shutdown(cancel_futures=True)
        self._collecting.shutdown()  # no sooner: it waits for those
        for other in self._others:
            other.stop()

    def decode_all(self, groups: Sequence[Sequence[Wanted]]) -> Iterator[list[Decoded]]:
        """Decode groups of files, a few groups ahead of the caller.

        Parameters
        ----------
        groups : sequence of sequence of Wanted
            Files by delivery.

        Yields
        ------
        list of Decoded
            One per file, group by group in order.
        """
        if not self._others:
            for group in groups:
                yield [decode(wanted) for wanted in group]
            return
        most = len(self._others) * _TASKS_AHEAD
        unsent = iter(_tasks(groups))
        running: deque[Future[list[Decoded]]] = deque()
        done: deque[Decoded] = deque()
        for group in groups:
            while len(done) < len(group):
                running.extend(self._pool.submit(self._decode, task) for task in islice(unsent, most - len(running)))
                done.extend(running.popleft().result())
            running.extend(self._pool.submit(self._decode, task) for task in islice(unsent, most - len(running)))
            yield [done.popleft() for _ in group]

    def one_ahead(self, batches: Iterator[Batch]) -> Iterator[Batch]:
        """What an iterator gives, the next of it made while the caller is at one, so that no process waits for the caller.

        Parameters
        ----------
        batches : iterator
            Asked in a thread of its own where other processes decode; it may itself take from another that is made ahead.

        Yields
        ------
        object
            In order.
        """
        if not self._others:
            yield from batches
            return
        coming = self._collecting.submit(next, batches, None)
        while (batch := coming.result()) is not None:
            coming = self._collecting.submit(next, batches, None)
            yield batch

    def _get_ready(self, other: Beside) -> None:
        try:
            other.ask(MOST_MEMORY, LONGEST_S, (load, (__name__,), {}))
        finally:
            self._idle.append(other)  # no sooner: one thread at a time may ask it

    def _decode(self, task: Sequence[Wanted]) -> list[Decoded]:
        """Decode some files in one of the other processes, of which there is one for every thread."""
        other = self._idle.pop()
        try:
            calls: list[Call] = [(_decode_beside, (wanted,), {}) for wanted in task]
            answers = other.ask_each(MOST_MEMORY, LONGEST_S, calls)
            return [
                answer if done else _refused(wanted, answer)
                for wanted, (done, answer) in zip(task, answers, strict=True)
            ]
        finally:
            self._idle.append(other)


def _tasks(groups: Iterable[Sequence[Wanted]]) -> Iterator[list[Wanted]]:
    """Files of all groups, some at a time: small deliveries share a task."""
    files = itertools.chain.from_iterable(groups)
    while task := list(islice(files, _FILES_PER_TASK)):
        yield task
