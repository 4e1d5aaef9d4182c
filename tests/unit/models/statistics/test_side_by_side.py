"""Pieces of work in threads: in order, few at a time, and an error ends them."""

import threading

import pytest

from models.statistics.side_by_side import side_by_side


@pytest.mark.parametrize("threads", [1, 2, 7])
def test_results_come_in_the_order_of_the_pieces(threads):
    first = threading.Event()

    def work(piece: int) -> int:
        if piece == 0 and threads > 1:
            first.wait(10)  # the others are done before it
        if piece == 1:
            first.set()
        return piece**2

    assert list(side_by_side(work, range(20), threads)) == [n**2 for n in range(20)]
    assert list(side_by_side(work, [], threads)) == []


def test_no_more_pieces_are_begun_than_are_taken():
    begun: list[int] = []
    results = side_by_side(begun.append, range(100), 2)
    for taken in range(1, 40):
        next(results)
        assert len(begun) <= taken + 3
    results.close()
    assert len(begun) < 50


@pytest.mark.parametrize("threads", [1, 2])
def test_an_error_reaches_whoever_takes_the_results_and_nothing_more_is_begun(threads):
    begun: list[int] = []

    def work(piece: int) -> None:
        begun.append(piece)
        if piece == 3:
            raise ValueError("the fourth")

    with pytest.raises(ValueError, match="the fourth"):
        list(side_by_side(work, range(1000), threads))
    assert len(begun) < 10
