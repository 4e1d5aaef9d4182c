"""Pieces of work side by side, in threads of this process: compiled loops and the libraries let go of the interpreter while they compute."""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import islice
from typing import TypeVar

Piece = TypeVar("Piece")
Result = TypeVar("Result")


def side_by_side(work: Callable[[Piece], Result], pieces: Iterable[Piece], threads: int) -> Iterator[Result]:
    """Results of pieces of work that have nothing to do with each other.

    Parameters
    ----------
    work : callable
        Changes nothing that another piece looks at.
    pieces : iterable
    threads : int
        How many at a time; with 1, here and one after the other.

    Yields
    ------
    object
        What `work` returned, in the order of the pieces whatever their number of threads. Few results wait:
        no more than `threads` + 1 pieces are begun whose results were not taken.
    """
    if threads <= 1:
        yield from map(work, pieces)
        return
    left = iter(pieces)
    pool = ThreadPoolExecutor(threads)
    try:
        begun: list[Future[Result]] = [pool.submit(work, piece) for piece in islice(left, threads + 1)]
        while begun:
            found = begun.pop(0).result()
            begun += [pool.submit(work, piece) for piece in islice(left, 1)]
            yield found
    finally:
        pool.shutdown(cancel_futures=True)
