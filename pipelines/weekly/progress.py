"""Progress bars: on a terminal only, on stderr, removed when the work is done."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

Report = Callable[[int, int], None]
"""Called with (done, total) as work proceeds."""


@contextmanager
def bar(label: str, *, quiet: bool = False) -> Iterator[Report]:
    """A progress bar for one piece of work.

    Parameters
    ----------
    label : str
        What is being done.
    quiet : bool
        Show nothing.

    Yields
    ------
    callable
        Takes (done, total); both may change from call to call.
    """
    if quiet or not sys.stderr.isatty():
        yield lambda done, total: None
        return
    columns = (TextColumn("{task.description:<22}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(label, total=None)
        yield lambda done, total: progress.update(task, completed=done, total=total)
