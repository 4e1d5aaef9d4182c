"""Delivered files decoded to waveforms, on as many cores as pay off."""

import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

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
from pipelines.intake.readers.apart import LONGEST_S, MOST_MEMORY, Beside, Call
from pipelines.intake.readers.recording import read_recording
from pipelines.intake.sensor_check import wrong_sensor
from pipelines.storage.waveforms import encode

_POOL_FROM = 200  # files; below, starting processes costs more than it saves
_FILES_PER_TASK = 24
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
    its lambda trace is not of the van's sensor: then it may be another van's. `conditions` is what the file says of them."""

    waveform_id: str | None
    encoded: Sequence[Mapping[str, object]]
    refusal: tuple[str, str] | None
    conditions: Mapping[str, float] = field(default_factory=dict)


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
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:  # a parser that panics raises outside Exception; no file may stop the others
        return _refused(wanted, error)


def _decoded(wanted: Wanted) -> Decoded:
    name = Path(wanted.file.replace("\\", "/")).name
    waveform = read_recording(name, wanted.delivery.read(wanted.file), wanted.profile)
    if (gaps := written_in_turn(waveform, wanted.profile)) is not None:
        return Decoded(None, (), ("bad_waveform", f"{wanted.file}: {gaps}"))
    refused = wrong_sensor(waveform, wanted.family)
    waveform_id = waveform.waveform_id
    refusal = None if refused is None else (refused[0], f"{wanted.file}: {refused[1]}")
    return Decoded(waveform_id, encode(waveform_id, waveform), refusal, waveform.conditions)


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


def decode_all(groups: Sequence[Sequence[Wanted]], *, workers: int) -> Iterator[list[Decoded]]:
    """Decode groups of files, a few groups ahead of the caller.

    Parameters
    ----------
    groups : sequence of sequence of Wanted
        Files by delivery.
    workers : int
        Processes; 0 is one per core.

    Yields
    ------
    list of Decoded
        One per file, group by group in order.
    """
    count = workers or os.cpu_count() or 1
    if count == 1 or sum(map(len, groups)) < _POOL_FROM:
        for group in groups:
            yield [decode(wanted) for wanted in group]
        return
    tasks = [
        group[start : start + _FILES_PER_TASK] for group in groups for start in range(0, len(group), _FILES_PER_TASK)
    ]
    others = [Beside(sharing=count) for _ in range(count)]
    idle = list(others)
    try:
        with ThreadPoolExecutor(count) as pool:
            running: list[Future[list[Decoded]]] = []
            unsent = iter(tasks)

            def send() -> None:
                while len(running) < count * _TASKS_AHEAD and (task := next(unsent, None)) is not None:
                    running.append(pool.submit(_decode_task, idle, task))

            try:
                for group in groups:
                    done: list[Decoded] = []
                    while len(done) < len(group):
                        send()
                        done.extend(running.pop(0).result())
                    send()
                    yield done
            finally:
                for future in running:
                    future.cancel()
                for other in others:
                    other.close()
    finally:
        for other in others:
            other.stop()


def _decode_task(idle: list[Beside], task: Sequence[Wanted]) -> list[Decoded]:
    """Decode some files in one of the other processes, of which there is one for every thread."""
    other = idle.pop()
    try:
        calls: list[Call] = [(_decode_beside, (wanted,), {}) for wanted in task]
        answers = other.ask_each(MOST_MEMORY, LONGEST_S, calls)
        return [
            answer if done else _refused(wanted, answer) for wanted, (done, answer) in zip(task, answers, strict=True)
        ]
    finally:
        idle.append(other)
