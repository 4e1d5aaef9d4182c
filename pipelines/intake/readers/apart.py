"""Work on files from outside in a process of its own: what crashes, takes too long or unpacks to too much ends only that one."""

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from typing import ParamSpec, TypeVar

from data_contracts.errors import UnreadableFileError

_P = ParamSpec("_P")
_Result = TypeVar("_Result")

LONGEST_S = 120.0
MOST_MEMORY = 8 * 1024**3
"""What one call may take beyond what the process holds: some copies of the largest file. Of our choosing. [bytes]"""
UPLOAD_MEMORY = 2 * 1024**3
"""The same for a file that somebody uploaded to the board. Of our choosing. [bytes]"""
_SHARE_OF_MACHINE = 0.75
_LEAST_SHARE = 1024**3
"""Of one of several workers: twice the largest file. Of our choosing. [bytes]"""
_OUT_OF_MEMORY = (-signal.SIGKILL, -signal.SIGABRT)
"""How a process ends that the system stops for want of memory, or whose library gives up for it."""


@dataclass
class _Decoder:
    """The process and our end of its pipe."""

    process: ForkServerProcess
    pipe: Connection


_decoder: _Decoder | None = None
_ended: int | None = None  # exit code of the process that crashed last
_one_at_a_time = threading.Lock()
_sharing = 1  # workers that share the machine's memory, each with such a process


def share_machine(workers: int) -> None:
    """Tell this process that it is one of several workers, so that all their bounds together keep to the machine's memory.

    Parameters
    ----------
    workers : int
        How many there are.
    """
    global _sharing
    _sharing = workers


def apart(function: Callable[_P, _Result], *args: _P.args, **more: _P.kwargs) -> _Result:
    """Call a function of a module in the other process, which is started once and again after every crash.

    Parameters
    ----------
    function : callable
        Importable; arguments and result go through a pipe.
    *args, **more
        Its arguments.

    Returns
    -------
    object
        What it returns; what it raises is raised here.

    Raises
    ------
    UnreadableFileError
        If the process crashes, or the call takes longer than `LONGEST_S` or more memory than `MOST_MEMORY`.
    """
    return bounded(MOST_MEMORY, LONGEST_S, function, *args, **more)


def bounded(memory: int, seconds: float, function: Callable[_P, _Result], *args: _P.args, **more: _P.kwargs) -> _Result:
    """As `apart`, with bounds of its own.

    Parameters
    ----------
    memory : int
        What the call may take; at most three quarters of what the machine has, shared among `share_machine`'s workers. [bytes]
    seconds : float
        How long it may take. [s]
    function, *args, **more
        As for `apart`.

    Raises
    ------
    UnreadableFileError
    """
    with _one_at_a_time:
        answer = _asked(memory, seconds, (function, args, more))
        # once more: the process itself may have been in trouble, and no sound file may be refused for that
        if answer is None and _ended not in _OUT_OF_MEMORY:
            answer = _asked(memory, seconds, (function, args, more))
        if answer is None:
            raise UnreadableFileError(
                f"the file is damaged beyond reading, or unpacks to more than {memory / 1e9:.0f} GB: export it again"
            )
    done, result = answer
    if not done:
        raise result  # type: ignore[misc]
    return result  # type: ignore[return-value]


def _asked(memory: int, seconds: float, what: tuple[object, ...]) -> tuple[bool, object] | None:
    """The other process's answer to a call; None where it crashed."""
    global _decoder, _ended
    if _decoder is None or not _decoder.process.is_alive():
        _decoder = _started()
    try:
        _decoder.pipe.send((min(memory, _of_machine()), *what))
        if not _decoder.pipe.poll(seconds):
            raise UnreadableFileError(f"it takes more than {seconds:g} s to read: export it again")
        answer: tuple[bool, object] = _decoder.pipe.recv()
    except (EOFError, OSError):
        _ended = _stopped(_decoder)
        _stop()
        return None
    except BaseException:
        _stop()
        raise
    return answer


def _of_machine() -> int:
    try:
        whole = int(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") * _SHARE_OF_MACHINE)
        return min(whole, max(whole // _sharing, _LEAST_SHARE))
    except (AttributeError, OSError, ValueError):
        return MOST_MEMORY


def _started() -> _Decoder:
    context = multiprocessing.get_context("forkserver")
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(theirs,), daemon=True)
    process.start()
    theirs.close()
    return _Decoder(process, ours)


def _stopped(decoder: _Decoder) -> int | None:
    """Exit code of a process whose pipe has closed; None where it has not ended within a second."""
    decoder.process.join(1.0)
    return decoder.process.exitcode


def _stop() -> None:
    global _decoder
    if _decoder is not None:
        _decoder.process.kill()
        _decoder.process.join()
        _decoder.pipe.close()
    _decoder = None


def _serve(pipe: Connection) -> None:
    """The other process: calls what it is sent until the pipe is closed. What libraries print there is dropped."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    while True:
        try:
            memory, function, args, more = pipe.recv()
        except (EOFError, KeyboardInterrupt):
            return
        _hold_to(memory)
        try:
            answer: tuple[bool, object] = (True, function(*args, **more))
        except MemoryError:
            told = f"it unpacks to more than {memory / 1e9:.0f} GB: split the recording, or export it again"
            answer = (False, UnreadableFileError(told))
        except Exception as error:
            answer = (False, error)
        pipe.send(answer)


def _hold_to(memory: int) -> None:
    """Let this process take so many bytes beyond what it holds now; where that can't be done, time alone bounds it."""
    try:
        import resource

        held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        _, hard = resource.getrlimit(resource.RLIMIT_AS)
        most = held + memory if hard == resource.RLIM_INFINITY else min(held + memory, hard)
        resource.setrlimit(resource.RLIMIT_AS, (most, hard))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    except (ImportError, OSError, ValueError, IndexError):
        return
