"""Progress bars with rate and time left: on a terminal only, on stderr, removed when the work is done."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    Task,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from rich.text import Text

Report = Callable[[int, int], None]
"""Called with (done, total) as work proceeds."""


class _Rate(ProgressColumn):
    """How many a second, of late."""

    def render(self, task: Task) -> Text:
        """Nothing before the second report."""
        return Text("" if task.speed is None else f"{task.speed:,.{0 if task.speed >= 10 else 1}f}/s")


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
    told = (TextColumn("{task.description:<22}"), BarColumn(), MofNCompleteColumn(), _Rate())
    times = (TimeElapsedColumn(), TextColumn("left"), TimeRemainingColumn())
    with Progress(*told, *times, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(label, total=None)
        yield lambda done, total: progress.update(task, completed=done, total=total)
