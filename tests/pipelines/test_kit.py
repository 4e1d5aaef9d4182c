"""Three real drives delivered through a recorder profile: what the file says, and nothing invented."""

import csv
import math
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from data_contracts.capture import Conditions, Waveform
from pipelines.commands.check import audit
from pipelines.storage.warehouse import Warehouse
from pipelines.storage.waveforms import read_waveforms
from pipelines.workspace.register import load_register
from pipelines.workspace.workspace import Workspace
from tests.deliveries import VANS, counts, deliver, make_home, row, run_intake

REFERENCE = Path(__file__).parents[1] / "reference"
KIT = REFERENCE / "kit"
FAMILY = """\
[road-20]
displacement_l = 2.0
cylinders = 4
aspiration = "turbo"
max_free_rpm = 4800
[road-20.airflow_sensor]
kind = "g_s"
[road-20.main_peak]
[road-20.lambda_sensor]
kind = "none"
"""
# Van, drive, start of the excerpt (local time as UTC: the set gives none) and the coolant it shows at its end [°C].
DRIVES = {
    "K1": ("2017-07-14_KA_KA_Frei", "2017-07-14T08:19:47Z", 60),
    "K2": ("2018-02-20_KA_KA_Frei", "2018-02-20T19:40:00Z", 90),
    "K3": ("2018-04-23_KA_KA_Frei", "2018-04-23T20:10:00Z", 90),
}
COLUMNS = {
    "airflow_g_s": "Air Flow Rate from Mass Flow Sensor [g/s]",
    "engine_rpm": "Engine RPM [RPM]",
    "throttle_pct": "Absolute Throttle Position [%]",
    "pedal_pct": "Accelerator Pedal Position D [%]",
}


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """The three drives taken in."""
    workspace = make_home(
        tmp_path_factory.mktemp("kit") / "home",
        families=FAMILY,
        vans=VANS.splitlines()[0] + "\n" + "".join(f"{van},road-20,road,,\n" for van in DRIVES),
    )
    (workspace.register / "recorders").mkdir()
    shutil.copy(REFERENCE / "recorders" / "bus_log.toml", workspace.register / "recorders")
    rows = [
        row(f"waveforms/{name}.csv", van=van, at=at, recorder="bus_log", coolant_c=coolant)
        for van, (name, at, coolant) in DRIVES.items()
    ]
    files = {f"waveforms/{name}.csv": (KIT / f"{name}_excerpt.csv").read_bytes() for name, _, _ in DRIVES.values()}
    deliver(workspace.inbox / "drives", rows, files)
    (account,) = run_intake(workspace)
    assert counts(account) == (3, 3, 0, 0, 0)
    return workspace


@pytest.fixture(scope="module")
def stored(home: Workspace) -> dict[str, Waveform]:
    """What was stored, by van."""
    with Warehouse(home.warehouse_path) as warehouse:
        assert audit(home, warehouse) == []
        ids = dict(warehouse.query("SELECT van_id, waveform_id FROM recordings").iter_rows())
        found = read_waveforms(warehouse, home.waveforms, ids.values())
    return {van: found[waveform_id] for van, waveform_id in ids.items()}


@pytest.mark.parametrize("van", DRIVES)
def test_every_sample_is_what_the_file_says(stored: dict[str, Waveform], van: str) -> None:
    """Against a slow reading of the same file with the standard library."""
    text = (KIT / f"{DRIVES[van][0]}_excerpt.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    clock = [datetime.strptime(r["Time"], "%H:%M:%S.%f") for r in rows]  # noqa: DTZ007 - the file has no date or zone
    time = [(moment - clock[0]) / timedelta(seconds=1) for moment in clock]
    np.testing.assert_allclose(stored[van].time_s, time, rtol=0, atol=1e-9)
    assert set(stored[van].channels) == set(COLUMNS)
    for channel, column in COLUMNS.items():
        last, expected = math.nan, []
        for r in rows:
            last = float(r[column]) if r[column] else last
            expected.append(last)
        np.testing.assert_array_equal(stored[van].channels[channel], np.array(expected, dtype=np.float32))


@pytest.mark.parametrize("van", DRIVES)
def test_only_the_idle_flow_is_read(home: Workspace, stored: dict[str, Waveform], van: str) -> None:
    """One capture graded repeat; its idle flow agrees with the set's own summary, the rest is null with a reason."""
    from models.reading.read import read_waveforms as read

    family = load_register(home.register).families["road-20"]
    reading = read([stored[van]], [family], [Conditions(coolant_c=DRIVES[van][2])])
    assert list(reading.grade) == ["repeat"]
    assert "no_snap" in reading.grade_reasons[0]
    with (KIT / "idle_summary_excerpt.csv").open() as file:
        summary = {r["file"]: r["idle_maf_med"] for r in csv.DictReader(file)}
    published = summary[DRIVES[van][0] + ".csv"]
    for name, values in reading.values.items():
        value, u, reasons = float(values[0]), float(reading.u[name][0]), reading.unread[0]
        if name == "idle_g_s" and published:
            assert 0 < u < 0.1 * value
            assert abs(value - float(published)) <= u
            assert name not in reasons
        else:
            assert math.isnan(value), name
            assert reasons[name]
    if not published:
        assert reading.unread[0]["idle_g_s"] == "cold"
