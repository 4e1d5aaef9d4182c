"""Records that are put aside come back as they were, one file holds them all, and nothing of it stays."""

import errno
import os
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import NamedTuple

import numpy as np
import polars as pl
import pytest

from data_contracts.errors import NoRoomError
from models.statistics.arrays import Floats
from models.tracking.assess import Assessment, assess
from models.tracking.state.record import Judged
from models.tracking.state.told import KINDS
from pipelines.storage.records_aside import RecordsAside
from tests.pipelines.tracked_fleet import VISITS, fleet, judged, repairs
from tests.readings_fleet import families


class Some(NamedTuple):
    level: Floats
    vans: pl.DataFrame


def some(number: int) -> Some:
    return Some(np.array([number, np.nan, -0.0]), pl.DataFrame({"van_id": [f"v{number}", None]}))


def test_records_come_back_in_any_order_and_as_often_as_asked(tmp_path: Path) -> None:
    with RecordsAside(tmp_path / "states") as aside:
        back = [aside.put(some(number), [Some]) for number in range(3)]
        for number in (2, 0, 2, 1):
            found = back[number]()
            assert found.level.tobytes() == some(number).level.tobytes()
            assert found.vans.equals(some(number).vans, null_equal=True)
        assert aside.put(some(7), [Some])().level[0] == 7.0, "what is read leaves the place where the next is written"
        assert [one.name.startswith(".states.") for one in tmp_path.iterdir()] == [True]
    assert list(tmp_path.iterdir()) == []


def test_what_a_killed_run_left_goes_with_the_next(tmp_path: Path) -> None:
    left = tmp_path / ".states.00000000-1.part"
    left.write_bytes(b"half a file")
    with RecordsAside(tmp_path / "states"):
        assert not left.exists()


def test_a_full_disk_is_told_in_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with RecordsAside(tmp_path / "states") as aside:
        aside.put(some(1), [Some])
        assert aside._open is not None
        monkeypatch.setattr(aside, "_open", SimpleNamespace(seek=lambda *_: 0, write=full, close=full))
        with pytest.raises(NoRoomError, match=r"no room on the disk to write .*states"):
            aside.put(some(1), [Some])
    assert list(tmp_path.iterdir()) == []


def test_states_made_of_what_was_put_aside_are_those_of_the_fleet_in_one_piece(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole, put = judged(), []
    monkeypatch.setattr("models.tracking.parts.AT_A_TIME", VISITS)

    def assessed(opened: RecordsAside) -> Assessment:
        def aside(record: Judged) -> Callable[[], Judged]:
            put.append(record.std.van.size)
            return opened.put(record, KINDS)

        return assess(fleet().frame, families=families(), repairs=repairs(), week=fleet().weeks[-1], aside=aside)

    with RecordsAside(tmp_path / "states") as opened:
        found = assessed(opened)
    assert len(put) > 4
    assert sum(put) < fleet().frame.select("van_id", "visit").n_unique()
    assert found.states["listed"].any()
    assert found.states.equals(whole.states, null_equal=True)
