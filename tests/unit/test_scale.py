"""The page *Scale on paper*: its arithmetic by hand, and that it is the page that stands in DEVELOPERS.md."""

import pytest

from tests.studies.scale import DEVELOPERS, FLEETS, TERMS, Term, fleet, lines

BY_HAND = {
    "visits a van and year": 10,
    "captures a visit": 2,
    "waveform of a capture": 5,  # kB
    "its kept delivery": 20,
    "its rows in the warehouse": 8,
    "its rows in the published file": 2,
    "intake of a capture": 4,  # ms
    "reading of a capture": 0.5,
    "tracking, each week, of a capture held": 0.1,
    "memory of tracking for a capture held": 3,  # kB
    "publishing of a GB": 30,  # s
    "a page of the board": 200,  # ms
    "pages a day for 1,000 vans": 50,
    "a core-hour": 0.04,
    "a GB of disk and month": 0.1,
    "a GB of objects and month": 0.02,
}


def test_the_arithmetic_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    assert BY_HAND.keys() == TERMS.keys()
    for name, value in BY_HAND.items():
        monkeypatch.setitem(TERMS, name, Term(value, TERMS[name].unit, ""))
    one = fleet(52_000)
    assert one.held == 1_040_000
    assert one.weekly == 20_000
    assert (one.waveforms, one.deliveries) == pytest.approx((5.2e9, 20.8e9))
    assert (one.warehouse, one.published, one.memory) == pytest.approx((8.32e9, 2.08e9, 3.12e9))
    assert (one.intake, one.reading, one.tracking, one.publishing) == pytest.approx((80, 10, 104, 62.4))
    assert one.board == pytest.approx(52 * 50 * 7 * 0.2)
    cores = (256.4 + 3640) * 52 / 3600 * 0.04
    assert one.money == pytest.approx(cores + (8.32 + 2 * 2.08) * 12 * 0.1 + 26 * 12 * 0.02)


def test_every_term_says_where_it_is_from_and_the_page_is_this_one() -> None:
    assert all(term.source for term in TERMS.values())
    text = DEVELOPERS.read_text("utf-8")
    assert "\n".join(lines()) in text
    assert all(f"{vans:,} vans" in text for vans in FLEETS)
