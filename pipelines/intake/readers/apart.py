"""Work on files from outside in a process of its own: what crashes, takes too long or unpacks to too much ends only that one."""

import importlib
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from typing import Any, NoReturn, ParamSpec, TypeVar

from data_contracts.errors import UnreadableFileError, VansnapError

_P = ParamSpec("_P")
_Result = TypeVar("_Result")
Call = tuple[Callable[..., Any], tuple[Any, ...], Mapping[str, Any]]
Answer = tuple[bool, Any]

LONGEST_S = 120.0
MOST_MEMORY = 8 * 1024**3
"""What one call may take beyond what the process holds: some copies of the largest file. Of our choosing. [bytes]"""
UPLOAD_MEMORY = 2 * 1024**3
"""The same for a file that somebody uploaded to the board. Of our choosing. [bytes]"""
_MOMENT_S = 0.25
_SHARE_OF_MACHINE = 0.75
_LEAST_SHARE = 1024**3
"""Of one of several workers: twice the largest file. Of our choosing. [bytes]"""
_HELD = Path("/proc/self/statm")
_PRELOADED = ("data_contracts.family", "data_contracts.recorder")
"""Loaded once for all such processes: what every call needs, and no library that runs threads."""
_OUT_OF_MEMORY = (-signal.SIGKILL, -signal.SIGABRT)
"""How a process ends that the system stops for want of memory, or whose library gives up for it."""


@dataclass
class _Decoder:
    """The process and our end of its pipe."""

    process: ForkServerProcess
    pipe: Connection


_inside: int | None = None
"""What the present call may take, where this is such a process itself. [bytes]"""
_one_at_a_time = threading.Lock()


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


def get_ready_for(path: Path) -> None:
    """Have a process start that will decode a recording, or a folder of them, where one will be needed.

    Parameters
    ----------
    path : Path
        As handed over.
    """
    if path.suffix.lower() not in (".csv", ".txt", ".tsv", ".wav"):  # of these only large ones are decoded apart
        get_ready("pipelines.intake.readers.recording")


def get_ready(module: str) -> None:
    """Start the other process and let it load a module, while the caller goes on and loads its own; calls wait until it has.

    Parameters
    ----------
    module : str
        Where the functions are that it will be asked for.
    """

    def start() -> None:
        with suppress(Exception):  # whoever asks is told
            apart(load, module)

    threading.Thread(target=start, daemon=True).start()


def load(module: str) -> None:
    """Load a module, in whichever process this is called."""
    importlib.import_module(module)


def bounded(memory: int, seconds: float, function: Callable[_P, _Result], *args: _P.args, **more: _P.kwargs) -> _Result:
    """As `apart`, with bounds of its own.

    Parameters
    ----------
    memory : int
        What the call may take; at most three quarters of what the machine has, and no more than a process it is called in may. [bytes]
    seconds : float
        How long it may take. [s]
    function, *args, **more
        As for `apart`.

    Raises
    ------
    UnreadableFileError
    """
    if _inside is not None:  # whoever asked for this process bounds it, and is told of the file if it ends
        try:
            with _held_to(memory) if memory < _inside else nullcontext():
                return function(*args, **more)
        except MemoryError:
            raise _too_much(memory) from None
    with _one_at_a_time:
        done, result = _beside.ask(memory, seconds, (function, args, more))
    if not done:
        raise result
    answer: _Result = result
    return answer


class Beside:
    """One other process, started when it is first asked and again after every crash. For one thread at a time.

    Parameters
    ----------
    sharing : int
        How many such processes share the machine's memory, so that all their bounds together keep to it.
    """

    def __init__(self, sharing: int = 1) -> None:
        self._sharing = sharing
        self._closed = False
        self._decoder: _Decoder | None = None
        self._ended: int | None = None  # exit code of the process that crashed last

    def ask(self, memory: int, seconds: float, call: Call) -> Answer:
        """The answer to one call.

        Parameters
        ----------
        memory, seconds
            As for `bounded`.
        call : tuple of (callable, tuple, dict)
            A function of a module and its arguments.

        Returns
        -------
        tuple of (bool, object)
            True and what it returned, or False and what it raised, which is an `UnreadableFileError` where the process crashed
            or passed a bound.
        """
        (answer,) = self.ask_each(memory, seconds, [call])
        return answer

    def ask_each(self, memory: int, seconds: float, calls: Sequence[Call]) -> Iterator[Answer]:
        """Answers to many calls, sent at once, in order; the bounds are those of each. One that crashes spoils no other.

        Parameters
        ----------
        memory, seconds, calls
            As for `ask`.

        Yields
        ------
        tuple of (bool, object)
        """
        bound = min(memory, _of_machine(self._sharing))
        answered, one_by_one, tried_again = 0, len(calls) == 1, False
        try:
            while answered < len(calls):
                try:
                    self._send(memory, calls[answered:], one_by_one=one_by_one)
                    while answered < len(calls):
                        for answer in self._receive(seconds):
                            answered, tried_again = answered + 1, False
                            yield answer
                except _CrashedError:
                    if self._closed:
                        raise
                    # once more: the process itself may have been in trouble, and no sound file may be refused for that
                    if not tried_again and (self._ended not in _OUT_OF_MEMORY or not one_by_one):
                        one_by_one = tried_again = True  # from now on the first without an answer is the one
                        continue
                    told = f"the file is damaged beyond reading, or unpacks to more than {bound / 1e9:.0f} GB: export it again"
                    answered, tried_again = answered + 1, False
                    yield False, UnreadableFileError(told)
                except _TooLongError:
                    if not one_by_one:
                        one_by_one = True
                        continue
                    answered, tried_again = answered + 1, False
                    yield False, UnreadableFileError(f"it takes more than {seconds:g} s to read: export it again")
        finally:
            if answered < len(calls):  # answers that nobody read must not be taken for those of the next call
                self.stop()

    def _send(self, memory: int, calls: Sequence[Call], *, one_by_one: bool) -> None:
        if self._decoder is None or not self._decoder.process.is_alive():
            try:
                self._decoder = _started(self._sharing)
            except (EOFError, OSError) as error:
                raise NoDecoderError(
                    f"no process to read files in could be started ({type(error).__name__}): run it again"
                ) from error
        try:
            self._decoder.pipe.send((min(memory, _of_machine(self._sharing)), list(calls), one_by_one))
            if self._closed:  # while it was being started
                self._crashed()
        except (EOFError, OSError):
            self._crashed()
        except BaseException:
            self.stop()
            raise

    def _receive(self, seconds: float) -> list[Answer]:
        assert self._decoder is not None
        try:
            if not self._decoder.pipe.poll(seconds):
                self.stop()
                raise _TooLongError
            answers: list[Answer] = self._decoder.pipe.recv()
        except (EOFError, OSError):
            self._crashed()
        except BaseException:
            self.stop()
            raise
        return answers

    def _crashed(self) -> NoReturn:
        """Note how it ended, and let go of it."""
        assert self._decoder is not None
        self._decoder.process.join(1.0)
        self._ended = self._decoder.process.exitcode
        self.stop()
        raise _CrashedError

    def close(self) -> None:
        """End the process for good, from another thread: whoever waits for an answer is told, and nothing is tried again."""
        self._closed = True
        if (decoder := self._decoder) is not None:
            decoder.process.kill()

    def stop(self) -> None:
        """End the process, whatever it is at; the next call starts another."""
        if self._decoder is not None:
            self._decoder.process.kill()
            self._decoder.process.join()
            self._decoder.pipe.close()
        self._decoder = None


class NoDecoderError(VansnapError):
    """No process could be started: of the machine, or of a run that is being ended, and never the fault of a file."""


class _CrashedError(Exception):
    """The other process ended before it answered."""


class _TooLongError(Exception):
    """It took longer than it may."""


_beside = Beside()


def _of_machine(sharing: int = 1) -> int:
    try:
        whole = int(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") * _SHARE_OF_MACHINE)
        return min(whole, max(whole // sharing, _LEAST_SHARE))
    except (AttributeError, OSError, ValueError):
        return MOST_MEMORY


def _started(sharing: int) -> _Decoder:
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([*_PRELOADED])
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(theirs, sharing), daemon=True)
    process.start()
    theirs.close()
    return _Decoder(process, ours)


def _serve(pipe: Connection, sharing: int) -> None:
    """The other process: calls what it is sent until the pipe is closed. What libraries print there is dropped."""
    if sharing > 1:  # each has a core, and threads that wait for one another take time from the others
        os.environ["POLARS_MAX_THREADS"] = "1"
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    _keep_no_core()
    global _inside
    while True:
        try:
            memory, calls, one_by_one = pipe.recv()
        except (EOFError, KeyboardInterrupt):
            return
        _inside = memory
        try:
            for answers in _answers(calls, memory, one_by_one=one_by_one):
                pipe.send(answers)
        except OSError:  # whoever asked has ended
            return


def _answers(calls: Sequence[Call], memory: int, *, one_by_one: bool) -> Iterator[list[Answer]]:
    """Answers in order, some at a time: those of a moment, which hold no more than can be decoded in it."""
    answers: list[Answer] = []
    begun = 0.0
    for number, (function, args, more) in enumerate(calls, start=1):
        _hold_to(memory)  # each beyond the answers that wait: none is refused for what those before it take
        if not answers:
            begun = time.monotonic()
        try:
            answers.append((True, function(*args, **more)))
        except MemoryError:
            answers.append((False, _too_much(memory)))
        except Exception as error:
            answers.append((False, error))
        if one_by_one or number == len(calls) or time.monotonic() - begun > _MOMENT_S:
            yield answers
            answers = []


def _keep_no_core() -> None:
    """A process that crashes on a file leaves no image of its memory."""
    with suppress(ImportError, OSError, ValueError):
        import resource

        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _too_much(memory: int) -> UnreadableFileError:
    return UnreadableFileError(
        f"it unpacks to more than {memory / 1e9:.0f} GB: split the recording, or export it again"
    )


@contextmanager
def _held_to(memory: int) -> Iterator[None]:
    """Narrow this process's bound for the length of the block."""
    try:
        import resource
    except ImportError:
        yield
        return
    before = resource.getrlimit(resource.RLIMIT_AS)
    _hold_to(memory, most=before[0])
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, before)


def _hold_to(memory: int, most: int = -1) -> None:
    """Let this process take so many bytes beyond what it holds now; where that can't be done, time alone bounds it.

    `most` is a bound that stands already; -1: none.
    """
    try:
        import resource

        held = int(_HELD.read_bytes().split()[0]) * resource.getpagesize()
        _, hard = resource.getrlimit(resource.RLIMIT_AS)
        bounds = [held + memory, *(bound for bound in (most, hard) if bound not in (-1, resource.RLIM_INFINITY))]
        resource.setrlimit(resource.RLIMIT_AS, (min(bounds), hard))
    except (ImportError, OSError, ValueError, IndexError):
        return
