"""Delivered files decoded to waveforms, on as many cores as pay off."""

import multiprocessing
import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
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
from pipelines.intake.readers.apart import share_machine
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
    name = Path(wanted.file.replace("\\", "/")).name
    try:
        content = wanted.delivery.read(wanted.file)
        waveform = read_recording(name, content, wanted.profile)
        if (gaps := written_in_turn(waveform, wanted.profile)) is not None:
            return Decoded(None, (), ("bad_waveform", f"{wanted.file}: {gaps}"))
        refused = wrong_sensor(waveform, wanted.family)
        waveform_id = waveform.waveform_id
        refusal = None if refused is None else (refused[0], f"{wanted.file}: {refused[1]}")
        return Decoded(waveform_id, encode(waveform_id, waveform), refusal, waveform.conditions)
    except RefusedError as error:
        return Decoded(None, (), (error.rule, error.reason))
    except WaveformError as error:
        rule = next(rule for kind, rule in _RULES if isinstance(error, kind))
        more = " (`vansnap read` of the file proposes one)" if isinstance(error, NoFitError) else ""
        return Decoded(None, (), (rule, f"{wanted.file}: {error}{more}"))
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:  # a parser that panics raises outside Exception; no file may stop the others
        line = (str(error).splitlines() or [""])[0][:160]
        return Decoded(None, (), ("unreadable_file", f"{wanted.file}: can't be read ({line}): export it again"))


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
    context = multiprocessing.get_context("forkserver")
    with ProcessPoolExecutor(count, mp_context=context, initializer=share_machine, initargs=(count,)) as pool:
        running: list[Future[list[Decoded]]] = []
        unsent = iter(tasks)

        def send() -> None:
            while len(running) < count * _TASKS_AHEAD and (task := next(unsent, None)) is not None:
                running.append(pool.submit(_decode_task, task))

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


def _decode_task(task: Sequence[Wanted]) -> list[Decoded]:
    return [decode(wanted) for wanted in task]
