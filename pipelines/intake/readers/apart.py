"""Work on files from outside in a process of its own, for libraries that damaged files can crash or hold up."""

import multiprocessing
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess
from typing import ParamSpec, TypeVar

from data_contracts.errors import UnreadableFileError

_P = ParamSpec("_P")
_Result = TypeVar("_Result")

LONGEST_S = 120.0
# Address space of the process: some copies of the largest file beside the libraries. Of our choosing. [bytes]
_MOST_MEMORY = 8 * 1024**3


@dataclass
class _Decoder:
    """The process and our end of its pipe."""

    process: ForkServerProcess
    pipe: Connection


_decoder: _Decoder | None = None
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
        If the process crashes, or the call takes longer than `LONGEST_S`.
    """
    global _decoder
    with _one_at_a_time:
        if _decoder is None or not _decoder.process.is_alive():
            _decoder = _started()
        try:
            _decoder.pipe.send((function, args, more))
            if not _decoder.pipe.poll(LONGEST_S):
                raise UnreadableFileError(f"it takes more than {LONGEST_S:g} s to read: export it again")
            done, result = _decoder.pipe.recv()
        except (EOFError, OSError):
            _stop()
            raise UnreadableFileError("the file is damaged beyond reading: export it again") from None
        except BaseException:
            _stop()
            raise
    if not done:
        raise result
    return result  # type: ignore[no-any-return]


def _started() -> _Decoder:
    context = multiprocessing.get_context("forkserver")
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(theirs,), daemon=True)
    process.start()
    theirs.close()
    return _Decoder(process, ours)


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
    try:
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (_MOST_MEMORY, _MOST_MEMORY))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    except (ImportError, OSError, ValueError):
        pass  # limits are a second line of defence
    while True:
        try:
            function, args, more = pipe.recv()
        except (EOFError, KeyboardInterrupt):
            return
        try:
            answer: tuple[bool, object] = (True, function(*args, **more))
        except Exception as error:
            answer = (False, error)
        pipe.send(answer)
