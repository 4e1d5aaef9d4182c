"""A visit handed on from the van: its delivery is taken in with the conditions that were given, in the manifest's own form."""

import io
import zipfile
from datetime import datetime, timedelta, timezone
from pathlib import Path

from data_contracts.capture import Conditions
from pipelines.commands.visit_delivery import delivery_of
from tests.deliveries import ask, counts, make_home, put_recording, recording, run_intake

GIVEN = Conditions(
    coolant_c=88.0,
    closed_loop=True,
    trim_idle_pct=-6.5,
    fault_codes=("P0171", "P0300"),
    recorder_offset_u_v=0.1,
)
WHEN = datetime(2026, 3, 2, 9, 15, tzinfo=timezone(timedelta(hours=1)))


def packed(folder: Path, *left_out: str) -> bytes:
    given = []
    for number in (1, 2):
        path = folder / f"{number}.csv"
        put_recording(path, recording(number))
        given.append((path.name, path.read_bytes()))
    return delivery_of(
        given,
        van_id="V001",
        captured_at=WHEN,
        recorder="canonical",
        conditions=GIVEN,
        left_out=left_out,
        name="2026-03-02-0915-V001",
        most_bytes=10**7,
    )


def test_a_delivery_is_taken_in_with_what_was_given(tmp_path: Path) -> None:
    home = make_home(tmp_path / "home")
    (home.inbox / "visit.zip").write_bytes(packed(tmp_path))
    (account,) = run_intake(home)
    assert counts(account) == (2, 2, 0, 0, 0)
    columns = "van_id, captured_at, coolant_c, closed_loop, trim_idle_pct, trim_2500_pct, fault_codes, recorder"
    rows = ask(home, f"SELECT DISTINCT {columns} FROM recordings").rows()
    assert rows == [("V001", WHEN, 88.0, True, -6.5, None, ["P0171", "P0300"], "canonical")]


def test_what_can_not_be_read_is_left_out_and_nothing_is_said_of_what_was_not_given(tmp_path: Path) -> None:
    with zipfile.ZipFile(io.BytesIO(packed(tmp_path, "2.csv"))) as archive:
        assert archive.namelist() == ["2026-03-02-0915-V001/manifest.csv", "2026-03-02-0915-V001/waveforms/1.csv"]
        lines = archive.read("2026-03-02-0915-V001/manifest.csv").decode().splitlines()
    assert lines == [
        "file,van_id,captured_at,recorder,coolant_c,closed_loop,trim_idle_pct,fault_codes",
        "waveforms/1.csv,V001,2026-03-02T09:15:00+01:00,canonical,88.0,true,-6.5,P0171;P0300",
    ]
