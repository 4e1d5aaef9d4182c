"""Notices: vans of one depot and recorder that moved together in the week told of, one notice each."""

from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from models.tracking.shared_shifts import RecorderShift
from models.tracking.state.notices import RECORDER_WEEKS, Recorders, notices_of

FLOWS = ("idle_g_s", "first_peak_g_s", "main_peak_reference_g_s", "flow_per_rev_mg")


def _moved(depot: str, recorder: str, week: str, quantity: str, vans: int = 7) -> RecorderShift:
    return RecorderShift(depot, recorder, week, quantity, 2.0, 0.3, vans)


def _told(*recorder_shifts: RecorderShift) -> list[tuple[str, str | None, dict[str, str | None], float]]:
    notices = notices_of(SimpleNamespace(recorder_shifts=recorder_shifts), "2026-W14")  # type: ignore[arg-type]
    return [(n.depot, f.quantity, dict(f.words), f.numbers["vans"]) for n in notices for f in n.facts]


def test_each_place_has_its_notice_with_three_quantities_at_most_and_the_most_vans():
    found = _told(
        _moved("south", "R2", "2026-W14", "idle_g_s"),
        *(_moved("north", "R1", "2026-W14", name, vans) for name, vans in zip(FLOWS, (7, 9, 8, 5), strict=True)),
        _moved("north", "R3", "2026-W14", "first_peak_g_s"),
        _moved("north", "R1", "2026-W13", "run_up_time_s", 30),
    )
    assert [(depot, quantity, words["recorder"], vans) for depot, quantity, words, vans in found] == [
        ("north", "idle_g_s", "R1", 9), ("north", "first_peak_g_s", "R3", 7), ("south", "idle_g_s", "R2", 7),
    ]  # fmt: skip
    words = found[0][2]
    assert (words["depot"], words["second"], words["third"]) == ("north", FLOWS[1], FLOWS[2])
    assert found[1][2].get("second") is None


def test_nothing_moved_together_is_no_notice():
    assert _told() == _told(_moved("north", "R1", "2026-W13", "idle_g_s")) == []


@pytest.mark.parametrize(
    ("weeks_before", "serial", "lone"),
    [(0, "R1", False), (RECORDER_WEEKS - 1, "R1", False), (RECORDER_WEEKS, "R1", True), (-1, "R1", True), (0, "R2", True), (0, None, True)],
)  # fmt: skip
def test_a_recorder_is_alone_where_no_other_van_used_it_in_the_months_before(weeks_before, serial, lone):
    std = SimpleNamespace(
        visits=pl.DataFrame({"recorder_serial": ["R1", serial]}),
        van=np.array([0, 1]),
        weeks=np.array([100, 100 - weeks_before]),
    )
    assert Recorders(std).lone(0) == ("R1" if lone else "")  # type: ignore[arg-type]


def test_of_some_visits_recorders_are_asked_by_their_place_among_them():
    std = SimpleNamespace(
        visits=pl.DataFrame({"recorder_serial": ["R1", "R1", "R2"]}),
        van=np.array([0, 1, 2]),
        weeks=np.array([100, 100, 100]),
    )
    some = Recorders(std).at(np.array([1, 2]))  # type: ignore[arg-type]
    assert [some.lone(0), some.lone(1)] == ["", "R2"]
