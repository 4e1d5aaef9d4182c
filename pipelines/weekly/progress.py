"""Progress bars with rate and time left: on a terminal only, on stderr, removed when the work is done."""

import sys
from collections.abc import Iterator
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

from pipelines.workspace.run_progress import Report


class _Rate(ProgressColumn):
    """How many a second, of late."""

    def render(self, task: Task) -> Text:
        """Nothing before the second report."""
        return Text("" if task.speed is None else f"{task.speed:,.{0 if task.speed >= 10 else 1}f}/s")


@contextmanager
def bar(label: str, *, quiet: bool = False, note: Report | None = None) -> Iterator[Report]:
    """A progress bar for one piece of work.

    Parameters
    ----------
    label : str
        What is being done.
    quiet : bool
        Show nothing.
    note : callable, optional
        Told the same, quiet or not.

    Yields
    ------
    callable
        Takes (done, total); both may change from call to call.
    """
    noted: Report = note or (lambda done, total: None)
    if quiet or not sys.stderr.isatty():
        yield noted
        return
    told = (TextColumn("{task.description:<22}"), BarColumn(), MofNCompleteColumn(), _Rate())
    times = (TimeElapsedColumn(), TextColumn("left"), TimeRemainingColumn())
    with Progress(*told, *times, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(label, total=None)

        def report(done: int, total: int) -> None:
            progress.update(task, completed=done, total=total)
            noted(done, total)

        yield report
