"""Work in a forked child process that may be killed on the way; for programs that have imported everything and used none of it."""

import os
import signal
import sys
import time
from collections.abc import Callable


def in_child(work: Callable[[], object], *, kill_after_s: float | None = None) -> bool:
    """Do work in a forked child; True if it came to its end by itself, False if it was killed."""
    child = os.fork()
    if child == 0:
        try:
            work()
        except BaseException as error:
            sys.stderr.write(f"{type(error).__name__}: {error}\n")
            os._exit(1)
        os._exit(0)
    if kill_after_s is not None:
        time.sleep(kill_after_s)
        os.kill(child, signal.SIGKILL)  # a child that has ended is still ours to wait for
    _, status = os.waitpid(child, 0)
    if os.WIFEXITED(status) and os.WEXITSTATUS(status) != 0:
        sys.exit("a child failed")
    return os.WIFEXITED(status)


def end_here(*_: object, **__: object) -> None:
    """In place of a function: the process is killed where it would have been called."""
    os.kill(os.getpid(), signal.SIGKILL)
