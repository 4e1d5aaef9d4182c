"""Tracking's parts on excerpts of open data; the figures themselves are in tests/studies/RESULTS.md."""

from datetime import datetime

import numpy as np
import pytest

from tests.studies.open_data import CLEAN, MACHINE, hydraulic, machine_delays, nab, remaining_life


@pytest.mark.parametrize("name", CLEAN)
def test_silent_on_clean_series(name):
    assert not nab(name)[1].any()


def test_machine_temperature_alarms_only_where_labelled():
    hours, alarm = nab(MACHINE)
    windows = [(datetime.fromisoformat(a), datetime.fromisoformat(b)) for a, b, _ in machine_delays()]
    alarmed = [h for h, a in zip(hours, alarm, strict=True) if a]
    assert alarmed
    assert np.mean([any(a <= h <= b for a, b in windows) for h in alarmed]) > 0.8
    assert any(first != "none" for _, _, first in machine_delays())


@pytest.mark.study
def test_rig_faults_are_unlike_healthy_cycles():
    found = hydraulic()
    assert all(value == 1.0 for value in found["cooler"].values())
    for component in ("valve", "pump", "accumulator"):
        assert found[component]["any grade, others as they are"] > 0.9


@pytest.mark.parametrize("name", ["fd001", "fd002"])
def test_remaining_life_beats_the_mean_life(name):
    found = remaining_life(name)
    assert found["median error, cycles"] < 0.8 * found["mean-life forecast, cycles"]
    assert 0.7 <= found["80 % interval holds"] <= 1.0
